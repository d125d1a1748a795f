"""From one revision to the next: what moves over, what must be bought, what stays in the drawer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import ROUND_CEILING

from fabkit.base.tables import Column, Table
from fabkit.parts.book import PartsBook
from fabkit.parts.buying import Want, pieces_wanted, plan_purchases
from fabkit.parts.model import Bill, BillLine, Lasting, Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryLine:
    """One part between two revisions; all numbers are pieces.

    Parameters
    ----------
    key, title, lasting
        As in the parts lists.
    built_in
        In the old boards that are taken apart.
    lost
        Of those that could move on, lost in the rebuild.
    stays
        Soldered or spent: they stay with the old boards.
    drawer
        Left over from buying for the old revision.
    needed, wanted
        Built into the new revision, and that with spares.
    moves
        From the old boards into the new ones or their spares.
    from_drawer
        From the drawer.
    buy
        Still to be bought.
    left
        In the drawer afterwards, without what new packs leave over.
    """

    key: str
    title: str
    lasting: Lasting
    built_in: int
    lost: int
    stays: int
    drawer: int
    needed: int
    wanted: int
    moves: int
    from_drawer: int
    buy: int
    left: int


@dataclass(frozen=True, eq=False, kw_only=True)
class CarryOver:
    """Parts from one revision to the next.

    Parameters
    ----------
    old, new
        Names of the revisions.
    kept
        Old keyboards that stay as they are.
    lines
        In the working order of the new revision; parts only the old one has come last.
    bill
        Parts list of the new revision whose plan buys only what is still lacking.
    """

    old: str
    new: str
    kept: int
    lines: tuple[CarryLine, ...]
    bill: Bill

    def table(self) -> Table:
        """Every part; all numbers are pieces."""
        return Table(
            (
                Column("key"),
                Column("part"),
                Column("lasting"),
                Column("built_in", "in old boards", number=True),
                Column("lost", number=True),
                Column("stays", "stays there", number=True),
                Column("drawer", "in the drawer", number=True),
                Column("needed", number=True),
                Column("wanted", "with spares", number=True),
                Column("moves", "moves over", number=True),
                Column("from_drawer", "from the drawer", number=True),
                Column("buy", number=True),
                Column("left", "left in the drawer", number=True),
            ),
            tuple(
                (
                    a.key,
                    a.title,
                    a.lasting,
                    a.built_in,
                    a.lost,
                    a.stays,
                    a.drawer,
                    a.needed,
                    a.wanted,
                    a.moves,
                    a.from_drawer,
                    a.buy,
                    a.left,
                )
                for a in self.lines
            ),
        )

    @property
    def plan(self) -> Plan:
        """What is still bought."""
        return self.bill.plan


def carry_over(old: Bill, new: Bill, book: PartsBook, *, keep: int = 0) -> CarryOver:
    """Find what of an old revision goes into a new one.

    Parts are the same when the parts book knows them by one key.  Parts that carry over come off
    the old boards less what is lost; left-over pieces of any part are taken from the drawer; what
    is lacking is bought at the least total.

    Parameters
    ----------
    old, new
        Parts lists of both revisions.
    book
        The new revision's parts book.
    keep
        Old keyboards that are not taken apart.
    """
    apart = replace(
        old.usage,
        keyboards=max(0, old.usage.keyboards - keep),
        spare_halves=old.usage.spare_halves,
    )
    lines = []
    for line in (*new.lines, *(a for a in old.lines if new.line(a.key) is None)):
        was, now = old.line(line.key), new.line(line.key)
        built = was.need(apart) if was is not None else 0
        lines.append(_carry(line, built, _drawer(old, line.key), now, new, book))
    prices = {p.key: p.prices for p in book.parts}
    plan = plan_purchases(
        [
            Want(
                key=c.key,
                title=c.title,
                lasting=c.lasting,
                need=min(c.needed, c.buy),
                wanted=c.buy,
                prices=prices.get(c.key, ()),
            )
            for c in lines
        ],
        book.shops,
        book.currency,
    )
    return CarryOver(
        old=old.name, new=new.name, kept=keep, lines=tuple(lines), bill=replace(new, plan=plan)
    )


def _drawer(bill: Bill, key: str) -> int:
    return sum(p.left_over for p in bill.plan.purchases if p.key == key)


def _carry(
    line: BillLine, built: int, drawer: int, now: BillLine | None, new: Bill, book: PartsBook
) -> CarryLine:
    """Pieces of one part; what comes off the old boards is used before the drawer is."""
    carries = line.lasting is Lasting.CARRIED_OVER
    lost = 0
    if carries:
        share = built * new.usage.loss_share
        lost = int(share.to_integral_value(rounding=ROUND_CEILING))
    free = built - lost if carries else 0
    needed = now.need(new.usage) if now is not None else 0
    wanted = pieces_wanted(now, new.usage, book) if now is not None else 0
    moves = min(free, wanted)
    taken = min(drawer, wanted - moves)
    return CarryLine(
        key=line.key,
        title=line.title,
        lasting=line.lasting,
        built_in=built,
        lost=lost,
        stays=0 if carries else built,
        drawer=drawer,
        needed=needed,
        wanted=wanted,
        moves=moves,
        from_drawer=taken,
        buy=wanted - moves - taken,
        left=free - moves + drawer - taken,
    )
