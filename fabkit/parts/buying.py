"""What to buy where, and what a rebuild carries over."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal

from fabkit.base.tables import Column, Table
from fabkit.parts.book import PartsBook, Price, Shop
from fabkit.parts.model import Bill, BillLine, Lasting, Plan, Purchase, ShopOrder, Usage
from fabkit.sheets.order import SpareRule
from fabkit.sheets.prices import Currency

SEARCH_LIMIT = 4_000
"""Combinations tried one by one; above, a mixed-integer programme finds the same optimum."""
MOST_FURTHER = 1_000_000
"""Packs added at most to reach a shop's limit, where they cost nothing."""
MOST_NODES = 20_000
"""Branches of the programme looked at: a bound that is the same on every machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Want:
    """A part to buy: pieces built in, pieces wanted with spares, and who sells it."""

    key: str
    title: str
    lasting: Lasting
    need: int
    wanted: int
    prices: tuple[Price, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """One way to buy one part."""

    want: int
    """Index of the want."""
    price: Price
    pieces: int
    unit_price: Decimal
    cost: Decimal
    further: int = 0
    """Packs that may be added at the same unit price to reach a limit of the shop."""

    def with_packs(self, packs: int, currency: Currency) -> Lot:
        """Give the lot with some more packs."""
        pieces = self.pieces + packs * self.price.pack
        return replace(
            self,
            pieces=pieces,
            cost=currency.round(pieces * self.unit_price),
            further=self.further - packs,
        )


def with_spares(need: int, rule: SpareRule | None) -> int:
    """Pieces with spares: the larger of a share on top and a least number on top.

    >>> with_spares(400, SpareRule(share=Decimal("0.02"), least=2))
    408
    """
    if rule is None or need == 0:
        return need
    shared = (need * (1 + rule.share)).to_integral_value(rounding=ROUND_CEILING)
    return max(int(shared), need + rule.least)


def pieces_wanted(line: BillLine, usage: Usage, book: PartsBook) -> int:
    """Pieces of a part for all that is built, with its spares."""
    rule = usage.spares.get(line.cls) or book.spares.get(line.cls)
    return with_spares(line.need(usage), rule)


def list_lots(
    index: int, want: Want, shops: Mapping[str, Shop], currency: Currency
) -> tuple[Lot, ...]:
    """Sensible ways to buy a part: the pieces wanted, or up to a price break, in whole packs.

    Any other number costs more than one of these at the same unit price; it can only pay where
    it lifts the goods over a limit of the shop, so ``further`` packs may be added for as long as
    they cost no more than the charges they may save.
    """
    lots: dict[tuple[str, int], Lot] = {}
    for price in want.prices:
        least = max(want.wanted, price.minimum)
        saving = _saving(shops[price.shop])
        starts = [least, *(b for b, _ in price.breaks if b >= least)]
        for start in starts:
            pieces = -(-start // price.pack) * price.pack
            unit = price.unit_price(pieces)
            a_pack = price.pack * unit
            further = int(saving / a_pack) + 1 if a_pack else MOST_FURTHER
            beyond = [b for b, _ in price.breaks if b > pieces]
            if beyond:
                # From the next break on the unit price is another lot's.
                further = min(further, (beyond[0] - 1 - pieces) // price.pack)
            lots[price.at, pieces] = Lot(
                want=index,
                price=price,
                pieces=pieces,
                unit_price=unit,
                cost=currency.round(pieces * unit),
                further=further if saving else 0,
            )
    return tuple(lots.values())


def _saving(shop: Shop) -> Decimal:
    """Add up what buying more can save at a shop."""
    shipping = shop.shipping if shop.free_from is not None else Decimal(0)
    return shipping + (shop.small_fee if shop.small_below else Decimal(0))


def shop_charges(shop: Shop, goods: Decimal) -> tuple[Decimal, Decimal]:
    """Shipping and small order fee for goods of a value; nothing when nothing is bought."""
    free = shop.free_from is not None and goods >= shop.free_from
    fee = shop.small_fee if goods < shop.small_below else Decimal(0)
    return (Decimal(0) if free else shop.shipping), fee


def plan_purchases(wants: Sequence[Want], shops: Mapping[str, Shop], currency: Currency) -> Plan:
    """Find the cheapest plan; every part from one shop.

    Small cases are searched wholly, larger ones solved as a mixed-integer programme to a gap of
    zero; where that is cut short the plan says so.  Parts without a price are left out.
    """
    priced = [w for w in wants if w.prices and w.wanted]
    lots = [list_lots(i, w, shops, currency) for i, w in enumerate(priced)]
    if math.prod(sum(1 + a.further for a in group) for group in lots) <= SEARCH_LIMIT:
        chosen = _search(lots, shops, currency)
        method = "all combinations tried"
    else:
        flat = [lot for group in lots for lot in group]
        chosen, done = _solve(flat, len(priced), shops, currency)
        exact = all(a.price.pack * a.unit_price % currency.step == 0 for a in flat)
        proof = "proven the cheapest" + ("" if exact else ", but for the rounding of each part")
        method = "solved as a mixed-integer programme, "
        method += proof if done else "cut short: a cheaper plan may exist"
    purchases = tuple(_purchase(priced[lot.want], lot, lots[lot.want]) for lot in chosen)
    orders = tuple(_orders(chosen, shops, currency))
    total = sum((o.total for o in orders), Decimal(0)).quantize(currency.step)
    return Plan(purchases=purchases, shops=orders, total=total, method=method)


def _orders(
    chosen: Sequence[Lot], shops: Mapping[str, Shop], currency: Currency
) -> Iterator[ShopOrder]:
    for name in sorted({lot.price.shop for lot in chosen}):
        goods = sum((a.cost for a in chosen if a.price.shop == name), Decimal(0))
        shipping, fee = shop_charges(shops[name], goods)
        yield ShopOrder(
            shop=name,
            goods=goods,
            shipping=currency.round(shipping),
            small_order_fee=currency.round(fee),
            at=shops[name].at,
            rate=shops[name].shipping,
            free_from=shops[name].free_from,
            small_below=shops[name].small_below,
            small_fee=shops[name].small_fee,
        )


def total_of(chosen: Sequence[Lot], shops: Mapping[str, Shop]) -> Decimal:
    """Goods and charges of a choice of lots."""
    goods: dict[str, Decimal] = {}
    for lot in chosen:
        goods[lot.price.shop] = goods.get(lot.price.shop, Decimal(0)) + lot.cost
    return sum(
        (value + sum(shop_charges(shops[name], value)) for name, value in goods.items()),
        Decimal(0),
    )


def _search(
    lots: Sequence[Sequence[Lot]], shops: Mapping[str, Shop], currency: Currency
) -> tuple[Lot, ...]:
    """Every combination; the first of equal ones, so fewer pieces win."""
    whole = (
        [lot.with_packs(n, currency) for lot in g for n in range(lot.further + 1)] for g in lots
    )
    ordered = [sorted(group, key=lambda a: (a.cost, a.pieces, a.price.shop)) for group in whole]
    return min(itertools.product(*ordered), key=lambda c: total_of(c, shops))


def _solve(
    lots: Sequence[Lot], wants: int, shops: Mapping[str, Shop], currency: Currency
) -> tuple[tuple[Lot, ...], bool]:
    """Choose lots by a mixed-integer programme, and say whether it came to its end.

    Unknowns: lot taken (0 or 1); packs added to it; and for each shop (0 or 1) used, shipping
    free, fee waived.  Shipping is free, and the fee waived, only when the goods reach the limit.
    """
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp

    names = sorted({lot.price.shop for lot in lots})
    n, s = len(lots), len(names)
    packs, used, free, waived = n, 2 * n, 2 * n + s, 2 * n + 2 * s
    cost, upper = np.zeros(2 * n + 3 * s), np.ones(2 * n + 3 * s)
    cost[:n] = [float(lot.cost) for lot in lots]
    a_pack = [lot.price.pack * lot.unit_price for lot in lots]
    cost[packs:used] = [float(value) for value in a_pack]
    upper[packs:used] = [lot.further for lot in lots]
    rows: list[tuple[dict[int, float], float, float]] = [
        ({i: 1.0 for i, lot in enumerate(lots) if lot.want == w}, 1.0, 1.0) for w in range(wants)
    ]
    rows += [
        ({packs + i: 1.0, i: -float(lot.further)}, -np.inf, 0.0)
        for i, lot in enumerate(lots)
        if lot.further
    ]
    for k, name in enumerate(names):
        shop = shops[name]
        mine = [i for i, a in enumerate(lots) if a.price.shop == name]
        goods = {i: float(lots[i].cost) for i in mine}
        # Rounded down: a line of fractions of a step may come out lower by half a step.
        goods |= {packs + i: float(a_pack[i] // currency.step * currency.step) for i in mine}
        # A shop that is used costs both; free and waived give back what its goods spare.
        cost[used + k] = float(shop.shipping + shop.small_fee)
        cost[free + k] = -float(shop.shipping)
        cost[waived + k] = -float(shop.small_fee)
        rows.extend(({i: 1.0, used + k: -1.0}, -np.inf, 0.0) for i in mine)
        for at, limit in ((free + k, shop.free_from), (waived + k, shop.small_below)):
            if limit is None:
                upper[at] = 0.0
                continue
            rows.append(({at: 1.0, used + k: -1.0}, -np.inf, 0.0))
            # The solver counts in floats: goods just at the limit have to pass.
            rows.append(({**goods, at: -float(limit)}, -1e-7, np.inf))
    matrix = np.zeros((len(rows), len(cost)))
    for r, (terms, _, _) in enumerate(rows):
        for at, value in terms.items():
            matrix[r, at] = value
    result = milp(
        cost,
        constraints=LinearConstraint(matrix, [r[1] for r in rows], [r[2] for r in rows]),
        integrality=np.ones(len(cost)),
        bounds=Bounds(np.zeros(len(cost)), upper),
        options={"mip_rel_gap": 0.0, "node_limit": MOST_NODES},
    )
    if result.x is None:
        raise ArithmeticError(f"the purchase programme has no solution: {result.message}")
    chosen = (
        lot.with_packs(round(result.x[packs + i]), currency)
        for i, lot in enumerate(lots)
        if result.x[i] > 0.5
    )
    return tuple(chosen), result.status == 0


def _purchase(want: Want, lot: Lot, lots: Sequence[Lot]) -> Purchase:
    spare = want.wanted - want.need
    words = [f"{want.need} built in" + (f" + {spare} spare" if spare else "")]
    plain = next((a for a in lots if a.price is lot.price and a.pieces < lot.pieces), None)
    if lot.pieces > want.wanted:
        if plain is not None and plain.cost >= lot.cost:
            words.append(f"{lot.pieces} cost no more than {plain.pieces}")
        elif lot.price.pack > 1:
            words.append(f"packs of {lot.price.pack}")
        elif lot.price.minimum > want.wanted:
            words.append(f"at least {lot.price.minimum}")
        else:
            words.append(f"{lot.pieces - want.wanted} more for a price break or a shop's limit")
    return Purchase(
        key=want.key,
        title=want.title,
        lasting=want.lasting,
        shop=lot.price.shop,
        need=want.need,
        wanted=want.wanted,
        bought=lot.pieces,
        pack=lot.price.pack,
        unit_price=lot.unit_price,
        cost=lot.cost,
        at=lot.price.at,
        reason=", ".join(words),
        breaks=lot.price.breaks,
    )


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
    unknown
        Keys of parts of which it is not known whether the new revision needs them.
    """

    old: str
    new: str
    kept: int
    lines: tuple[CarryLine, ...]
    bill: Bill
    unknown: frozenset[str] = frozenset()

    def table(self) -> Table:
        """Every part; all numbers are pieces, None where they are not known."""
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
                    *(
                        (None,) * 6
                        if a.key in self.unknown
                        else (a.needed, a.wanted, a.moves, a.from_drawer, a.buy, a.left)
                    ),
                )
                for a in self.lines
            ),
        )

    @property
    def plan(self) -> Plan:
        """What is still bought."""
        return self.bill.plan

    @property
    def unpriced(self) -> tuple[str, ...]:
        """Titles of parts still to be bought that have no price, the fewest, so dearest, first."""
        lacking = {line.key for line in self.bill.unpriced}
        mine = (line for line in self.lines if line.buy and line.key in lacking)
        return tuple(line.title for line in sorted(mine, key=lambda line: line.buy))


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
    apart = replace(old.usage, keyboards=max(0, old.usage.keyboards - keep))
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
