"""What a quote is: facts the house charges by, an offer per quantity, the sheet around them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal

from fabkit.base.errors import UsageError
from fabkit.base.findings import Consequence, Finding
from fabkit.base.tables import Cell, Column, Result, Table, columns_of
from fabkit.base.units import COPPER_UM_PER_OZ, board_weight_g, counted, some_titles
from fabkit.board.model import measure_laminate
from fabkit.costs.lines import PARTS_GROUPS, Group, Line
from fabkit.keyboard.model import BoardIs
from fabkit.parts.model import Bill
from fabkit.sheets.house import House
from fabkit.sheets.order import BESIDE, Order
from fabkit.sheets.prices import Currency, unit_price

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.model import CheckResult


MICROMETRE = Decimal("0.001")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFacts:
    """Facts of one design.

    Parameters
    ----------
    width_mm, height_mm
        Box of the routed outline, to 1 um.
    area_mm2
        Area of the outline less cut-outs and holes, for the weight.
    layers
        Copper layers.
    smallest_drill_mm, smallest_track_mm
        None when there is none, or when it was not measured.
    holes
        Drill hits.
    copper_cover
        Share of the area covered, by layer; empty: weight without copper's share.
    needs_fine
        The board breaks a standard limit and keeps the fine one.
    boards
        Equal boards that one piece gives: more than one for a panel, whose size it is then.
    panel
        What the panel is, in words; empty for a plain board.
    """

    name: str
    width_mm: Decimal
    height_mm: Decimal
    area_mm2: float
    layers: int
    smallest_drill_mm: Decimal | None = None
    smallest_drill_count: int = 0
    smallest_track_mm: Decimal | None = None
    holes: int = 0
    copper_cover: tuple[float, ...] = ()
    needs_fine: bool = False
    boards: int = 1
    panel: str = ""

    def weight_g(self, thickness_mm: float | Decimal, copper_oz: float | Decimal = 1) -> Decimal:
        """Weight of one board to 1 mg; see :func:`fabkit.base.units.board_weight_g`."""
        grams = board_weight_g(
            self.area_mm2,
            float(thickness_mm),
            copper_um=COPPER_UM_PER_OZ * float(copper_oz),
            cover=self.copper_cover,
        )
        return Decimal(str(round(grams, 3)))


def facts_from_board(
    board: Board,
    *,
    copper_cover: Sequence[float] = (),
    verdict: CheckResult | None = None,
) -> BoardFacts:
    """Measure a board.

    ``verdict`` shows how fine its copper is, and whether that takes the fine class; without one
    neither is charged.

    Raises
    ------
    UsageError
        The board has no size.
    """
    width, height = board.size_mm
    if not (math.isfinite(width) and math.isfinite(height) and width > 0 and height > 0):
        raise UsageError(
            f"{board.name}: the board has no size",
            hint="a profile (outline) layer is needed to quote",
        )
    area, _ = measure_laminate(board)
    drills = [*board.holes.diameter.tolist(), *board.slots.diameter.tolist()]
    smallest = min(drills, default=None)
    finest = None if verdict is None else verdict.finest_mm
    return BoardFacts(
        name=board.name,
        width_mm=_micrometres(width),
        height_mm=_micrometres(height),
        area_mm2=area,
        layers=max(1, len(board.copper)),
        smallest_drill_mm=None if smallest is None else _micrometres(smallest),
        # Sizes half a micrometre apart are one drill, rounded otherwise.
        smallest_drill_count=sum(d < smallest + 5e-4 for d in drills) if smallest else 0,
        holes=len(board.holes),
        copper_cover=tuple(copper_cover),
        smallest_track_mm=None if finest is None else _micrometres(finest),
        needs_fine=verdict is not None and verdict.needs_fine,
        boards=board.panel.count if board.panel is not None and board.panel.equal else 1,
        panel=board.panel.words if board.panel is not None else "",
    )


def facts_of_order(
    order: Order, boards: Sequence[Board], verdicts: Sequence[CheckResult]
) -> tuple[BoardFacts, ...]:
    """Measure each design of an order; the verdicts show which one needs the fine class."""
    return tuple(
        replace(
            facts_from_board(b, copper_cover=measure_laminate(b)[1], verdict=r),
            name=one.name,
        )
        for one, b, r in zip(order.boards, boards, verdicts, strict=True)
    )


def _micrometres(value_mm: float) -> Decimal:
    return Decimal(str(value_mm)).quantize(MICROMETRE)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Offer:
    """All costs at one quantity.

    Parameters
    ----------
    quantity
        Pieces (or panels) of each design that gives halves.
    pieces
        Pieces of each design, in the order's order; of plates so many as those halves need.
    halves_made, halves_good, halves_used
        Halves the boards give, those that work (yield), and those that are built.
    halves_wanted
        What the order asks for.
    allowed
        Whether the house takes this quantity.
    """

    quantity: int
    pieces: tuple[int, ...]
    halves_made: int
    halves_good: int
    halves_used: int
    halves_wanted: int
    allowed: bool
    lines: tuple[Line, ...]
    weight_g: Decimal
    currency: Currency
    marginal: Decimal | None = None
    """Price of the next step, in all; negative when more boards cost less."""
    spread: Decimal = Decimal(0)
    """Money by which the total may be off either way, where prices were learned from quotes."""

    def __repr__(self) -> str:
        return f"<Offer {self.boards} boards: {self.total} {self.currency.code}>"

    @property
    def boards(self) -> int:
        """Pieces of all designs."""
        return sum(self.pieces)

    @cached_property
    def board_total(self) -> Decimal:
        """Boards, their shipping, duty, tax and handling."""
        return self._sum(parts=False)

    @cached_property
    def parts_total(self) -> Decimal:
        """Parts and their shipping, for everything wanted."""
        return self._sum(parts=True)

    @property
    def total(self) -> Decimal:
        """Everything that is paid: the sum of the rounded lines."""
        return self.board_total + self.parts_total

    @property
    def covers(self) -> bool:
        """Whether every wanted half can be built."""
        return self.halves_good >= self.halves_wanted

    @property
    def halves_left(self) -> int:
        """Working bare boards' halves left over."""
        return self.halves_good - self.halves_used

    @property
    def keyboards_possible(self) -> Decimal:
        """Keyboards all working boards would give, halves counted (2.5 is two and a half)."""
        return Decimal(self.halves_good) / 2

    @property
    def per_board(self) -> Decimal:
        """Landed cost of a piece, unrounded."""
        return self.board_total / self.boards

    @property
    def per_half_made(self) -> Decimal:
        """Landed cost of a bare half, over all that are made."""
        return self.board_total / self.halves_made

    @property
    def per_half_used(self) -> Decimal | None:
        """Landed cost of a bare half, over those built."""
        return self.board_total / self.halves_used if self.halves_used else None

    @property
    def parts_per_half(self) -> Decimal:
        """Parts of one half as wanted."""
        return self.parts_total / self.halves_wanted

    @property
    def per_half(self) -> Decimal | None:
        """The honest number: everything paid, over the halves that are built."""
        used = self.per_half_used
        return None if used is None else used + self.parts_per_half

    @property
    def per_keyboard(self) -> Decimal | None:
        """Two halves."""
        half = self.per_half
        return None if half is None else 2 * half

    @property
    def left_worth(self) -> Decimal:
        """What the left-over bare halves cost."""
        return self.halves_left * self.per_half_made

    def _sum(self, *, parts: bool) -> Decimal:
        amounts = (a.amount for a in self.lines if (a.group in PARTS_GROUPS) is parts)
        return sum(amounts, Decimal(0)).quantize(self.currency.step)


SHARES: Final = (
    ("boards", (Group.BOARDS,)),
    ("shipping of the boards", (Group.SHIPPING,)),
    ("duty, tax, handling", (Group.DUTY, Group.TAX, Group.HANDLING)),
    ("parts with their shipping", PARTS_GROUPS),
)
"""What an order is paid for, in the order of bars and sentences."""


def shares_of(offer: Offer) -> list[tuple[str, Decimal]]:
    """Amount by what it is paid for."""
    return [
        (title, sum((a.amount for a in offer.lines if a.group in groups), Decimal(0)))
        for title, groups in SHARES
    ]


WayKey = Literal["reversible", "two designs", "one panel"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidPanel:
    """A panel on which the boards were really laid by their outlines.

    Parameters
    ----------
    width_mm, height_mm
        Of the panel.
    counts
        How many of each design of the order lie on it.
    waste_share
        Share of it that is no board.
    """

    width_mm: Decimal
    height_mm: Decimal
    counts: tuple[int, ...]
    waste_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to make the pair; ``offer`` is None when the house forbids it (``reason``)."""

    key: WayKey
    title: str
    offer: Offer | None
    ordered: bool
    """Whether this is how the order has it."""
    reason: str
    note: str = ""
    """Size of a panel, how boards lie on it, and what is wasted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Revisions:
    """First build against later ones, per half.

    Parameters
    ----------
    first, next
        Cost per half of the first build and of each further revision.
    average
        Per half and revision over all planned.
    all_new_average
        The same when nothing is carried over: everything soldered, no sockets bought.
    break_even
        Smallest number of revisions from which carrying over is no dearer; None: never within 50.
    used_up, carried_over
        Shares of the first build, per half: boards with used-up parts, and carried-over parts.
    """

    planned: int
    first: Decimal
    next: Decimal
    average: Decimal
    all_new_average: Decimal
    break_even: int | None
    used_up: Decimal
    carried_over: Decimal


UNNAMED: Final = "parts that the files do not name"
"""Stands behind the parts without a price where a parts list knows that it is not whole."""

SHARE_KINDS: Final = ("boards", "parts", "shipping_in", "duty_and_tax")
"""What an order is paid for, as builders share it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What one builder gets and pays.

    Parameters
    ----------
    parts_of
        Amount by what it is paid for, in the order of :data:`SHARE_KINDS`; over all builders each
        adds up exactly.
    gets
        Boards and parts with their numbers.
    shipping_out, paid
        Onward shipping to this builder, and what was paid in advance, as the order file states.
    keeps
        Left-overs that stay with this builder.
    """

    name: str
    keyboards: int
    parts_of: tuple[Decimal, ...]
    gets: tuple[tuple[int, str], ...] = ()
    shipping_out: Decimal = Decimal(0)
    paid: Decimal = Decimal(0)
    keeps: tuple[tuple[int, str], ...] = ()
    keeper: str = ""
    """Who keeps the left-overs; empty: nobody is named."""

    @property
    def amount(self) -> Decimal:
        """Share of the order's total; all shares add up to it exactly."""
        return sum(self.parts_of, Decimal(0))

    @property
    def owed(self) -> Decimal:
        """What is still to be paid; negative: to be given back."""
        return self.amount + self.shipping_out - self.paid


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What a change of one input does to the cost per half."""

    key: str
    title: str
    change: str
    per_half: Decimal
    difference: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseRow:
    """One house in a comparison; ``offer`` is None when it cannot make the order."""

    name: str
    offer: Offer | None
    reason: str
    invented: bool


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Basis:
    """What a quote was made of: house, order, facts of each design, and parts list."""

    house: House
    order: Order
    facts: tuple[BoardFacts, ...]
    bill: Bill | None


OFFER_COLUMNS = (
    "boards",
    "keyboards",
    "halves_left_over",
    "boards_cost",
    "parts_cost",
    "total",
    "per_board",
    "per_half",
    "per_keyboard",
)
"""Columns of the offers that are numbers."""


def _share(value: Decimal | None) -> Decimal | None:
    return None if value is None else unit_price(value)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class CostSheet(Result):
    """A quote.

    Parameters
    ----------
    offers
        One per quantity asked for, ascending.
    best
        Cheapest offer that covers the need, among all quantities tried; None when none does.
    curve
        Board quantities and offers for the chart, ascending.
    problems
        Findings of the quote (rules ``cost/...``).
    notices
        What every output must repeat.
    """

    name: str
    house: str
    currency: Currency
    offers: tuple[Offer, ...] = ()
    best: Offer | None = None
    curve: tuple[Offer, ...] = ()
    ways: tuple[Way, ...] = ()
    revisions: Revisions | None = None
    shares: tuple[Share, ...] = ()
    effects: tuple[Effect, ...] = ()
    houses: tuple[HouseRow, ...] = ()
    problems: tuple[Finding, ...]
    notices: tuple[str, ...]
    terms: Mapping[str, str]
    """Options priced, in words, for the head of every output."""
    boards: tuple[BoardIs, ...] = ()
    """What each board is."""
    unpriced: tuple[str, ...] = ()
    """Parts that must be bought and have no price."""
    basis: Basis | None = None
    """What it was made of; None where there are no offers."""
    untaxed: tuple[str, ...] = ()
    """Of tax and duty what the order states no rate of."""
    judged: tuple[str, ...] = ()
    """What the checks say against ordering, a line for each board; nothing where they do not."""

    def answer(self) -> tuple[str, ...]:
        """State what to order, what it costs and lacks, and what one half and keyboard come to.

        Where there is no price, why; nothing where no quantity gives what is wanted.  What the
        checks find is in ``judged``.
        """
        best = self.best
        if best is None or best.per_half is None:
            stops = [p.message for p in self.problems if p.consequence is Consequence.STOP]
            return tuple(f"no price: {message}" for message in stops[:1])
        money = self.currency.format
        made = [n for n in best.pieces if n]
        designs = f" ({' + '.join(map(str, made))})" if len(made) > 1 else ""
        total = f"order {self.ordered}{designs}: {money(best.total)} in all{self.lacking}"
        paid = "; ".join(f"{money(a)} for {title}" for title, a in shares_of(best) if a)
        each = ", ".join(f"{name} {money(amount)}" for name, amount in self.each())
        more = f"; {self.larger}" if self.larger else ""
        return (total, f"of that {paid}", f"{each}{more}")

    @property
    def piece(self) -> str:
        """What is ordered: boards, or panels of several equal ones."""
        return "panel" if len(self.boards) == 1 and self.boards[0].copies > 1 else "board"

    @property
    def ordered(self) -> str:
        """How many boards or panels the best offer is of; empty without one."""
        if self.best is None:
            return ""
        each_of = f" of {self.boards[0].copies} boards" if self.piece == "panel" else ""
        return f"{counted(self.best.boards, self.piece)}{each_of}"

    @property
    def larger(self) -> str:
        """What the next larger order costs against the best, in words; empty without either."""
        best = self.best
        larger = next((o for o in self.curve if best and o.quantity > best.quantity), None)
        if best is None or larger is None:
            return ""
        apart = larger.total - best.total
        less = "less" if apart < 0 else "more"
        return f"{larger.boards} {self.piece}s cost {self.currency.format(abs(apart))} {less}"

    def each(self) -> tuple[tuple[str, Decimal], ...]:
        """Give what one half and one keyboard come to, as far as the order has such; unrounded.

        Nothing where no quantity gives what is wanted.
        """
        if self.best is None or self.best.per_half is None:
            return ()
        half, (unit, halves) = self.best.per_half, self.unit
        if halves == 2:
            # Who wants one board of five or of a panel pays for all, and has to know it.
            made, used = self.best.halves_made // 2, self.best.halves_used // 2
            left = f" ({made - used} of {made} left over)" if made > used else ""
            return ((f"one {unit}{left}", 2 * half),)
        return (("one half", half), ("one keyboard", 2 * half))

    @property
    def lacking(self) -> str:
        """What a total does not hold, in the words that follow it."""
        taxed = f", without {' and '.join(self.untaxed)}" if self.untaxed else ""
        if self.unpriced:
            named = [title for title in self.unpriced if title != UNNAMED]
            words = [some_titles(named, 3)] if named else []
            words += [UNNAMED] if UNNAMED in self.unpriced else []
            return f"{taxed}, without {', and '.join(words)}: no price known"
        if self.best is None or not self.best.parts_total:
            return f", for bare boards{taxed}"
        return taxed or ", everything in"

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        said = f"{self.name}: {counted(len(self.offers), 'offer')}"
        if self.best is None or self.best.per_half is None:
            return said
        unit, halves = self.unit
        each = f"{self.currency.round(halves * self.best.per_half)} {self.currency.code} a {unit}"
        return f"{said}, cheapest {each} for {self.best.boards} boards"

    @property
    def unit(self) -> tuple[str, int]:
        """What costs are given for, and how many halves that counts as.

        A keyboard that is not split, and a board that is no keyboard, count as both halves.
        """
        leads = [said for said in self.boards if said.use not in BESIDE]
        plates = [said for said in self.boards if said.use == "plate"]
        if self.boards and not leads and not plates:
            return "board", 2
        whole = [
            said.use == "whole" or any(group.hand == "whole" for group in said.hands.groups)
            for said in leads or plates[:1]
        ]
        return ("keyboard", 2) if whole and all(whole) else ("half", 1)

    def table(self) -> Table:
        """Every offer; costs of a board, half and keyboard are shares, with four decimals."""
        return Table(
            columns_of(*OFFER_COLUMNS, "currency", "cheapest", numbers=OFFER_COLUMNS),
            tuple(
                (
                    offer.boards,
                    offer.keyboards_possible,
                    offer.halves_left,
                    offer.board_total,
                    offer.parts_total,
                    offer.total,
                    _share(offer.per_board),
                    _share(offer.per_half),
                    _share(offer.per_keyboard),
                    offer.currency.code,
                    self.best is not None and offer.quantity == self.best.quantity,
                )
                for offer in self.offers
            ),
            title=f"{self.name}, in {self.currency.code}",
        )

    def offers_table(self) -> Table:
        """Every offer, as buyers compare them."""
        return self.table().only(*OFFER_COLUMNS)

    def compared_table(self) -> Table:
        """Every offer in whole steps of the currency, without halves where nothing has any."""

        def money(value: Decimal | None) -> Decimal | None:
            return None if value is None else self.currency.round(value)

        unit, halves = self.unit
        alone = halves == 2
        shared = ("boards cost", "parts cost", "total")
        keys = (
            ("boards", f"{unit}s left over", *shared, f"per {unit}, all in")
            if alone
            else OFFER_COLUMNS
        )
        rows: list[tuple[Cell, ...]] = []
        for o in self.offers:
            paid = (o.board_total, o.parts_total, o.total)
            if alone:
                rows.append((o.boards, o.halves_left // 2, *paid, money(o.per_keyboard)))
            else:
                each = (money(o.per_board), money(o.per_half), money(o.per_keyboard))
                rows.append((o.boards, o.keyboards_possible, o.halves_left, *paid, *each))
        first, *others = columns_of(*keys, numbers=keys)
        heads = (replace(first, heading=f"{self.piece}s"), *others)
        return Table(heads, tuple(rows), title=self.table().title)

    @property
    def _per_unit(self) -> Column:
        return Column("per_half", f"per {self.unit[0]}", number=True)

    def _each(self, per_half: Decimal | None) -> Decimal | None:
        """Convert what a half costs to what the unit costs, in whole steps of the currency."""
        return None if per_half is None else self.currency.round(self.unit[1] * per_half)

    def lines_table(self) -> Table:
        """Every line of every quantity with its reason."""
        return Table(
            columns_of("boards", "for", "line", "amount", "why", numbers=("boards", "amount")),
            tuple(
                (
                    offer.boards,
                    line.group.value,
                    line.title,
                    line.amount,
                    "; ".join(f"{e.title}: {e.why}" for e in line.elements),
                )
                for offer in self.offers
                for line in offer.lines
            ),
            title="Every line",
        )

    def comparisons(self) -> tuple[Table, ...]:
        """Ways to make the pair, revisions, shares, houses and effects, as far as there are any."""
        tables = (
            self._ways_table(),
            self._revisions_table(),
            self.shares_table(),
            self._houses_table(),
            self._effects_table(),
        )
        return tuple(table for table in tables if table.rows)

    def _ways_table(self) -> Table:
        rows: list[tuple[Cell, ...]] = []
        for way in self.ways:
            offer = way.offer
            if offer is None:
                rows.append((way.title, *(None,) * 4, f"not possible: {way.reason}"))
                continue
            each = (self._each(offer.per_half_used), self._each(offer.per_half))
            mark = "; ".join(filter(None, ("as ordered" if way.ordered else "", way.note)))
            rows.append((way.title, offer.quantity, offer.total, *each, mark))
        return Table(
            (
                Column("way"),
                Column("pieces", number=True),
                Column("total", number=True),
                Column("per_half_bare", f"per {self.unit[0]}, bare", number=True),
                self._per_unit,
                Column("remark"),
            ),
            tuple(rows),
            title="Ways to make the pair",
        )

    def _revisions_table(self) -> Table:
        found = self.revisions
        rows: tuple[tuple[Cell, ...], ...] = ()
        # Without parts that move on every build costs what the first does.
        if found is not None and (found.planned > 1 or found.carried_over):
            even = "never within 50" if found.break_even is None else found.break_even
            soldered = found.all_new_average
            rows = (
                ("first build", self._each(found.first)),
                ("  of it used up", self._each(found.used_up)),
                ("  of it carried over", self._each(found.carried_over)),
                ("each next one, with what moves over and is left over", self._each(found.next)),
                *(
                    ((f"average over {found.planned} builds", self._each(found.average)),)
                    if found.planned > 1
                    else ()
                ),
                *(
                    (("each build, everything soldered, no sockets", self._each(soldered)),)
                    if soldered != found.first or found.planned > 1
                    else ()
                ),
                ("carrying over pays from revision", even),
            )
        columns = columns_of("what", "cost", numbers=["cost"])
        return Table(columns, rows, title=f"Revisions, per {self.unit[0]}")

    def shares_table(self) -> Table:
        """Every builder's share; onward shipping and payments where the order file states any."""
        settled = any(s.shipping_out or s.paid or s.keeper for s in self.shares)
        numbers = ["keyboards", "pays", *SHARE_KINDS]
        numbers += ["onward_shipping", "paid", "owes"] if settled else []
        words = ["left_overs"] if settled else []
        rows: list[tuple[Cell, ...]] = []
        for s in self.shares:
            keeps = "keeps them" if s.name == s.keeper else ""
            last = (s.shipping_out, s.paid, s.owed, keeps) if settled else ()
            rows.append((s.name, s.keyboards, s.amount, *s.parts_of, *last))
        return Table(
            columns_of("builder", *numbers, *words, numbers=numbers),
            tuple(rows),
            title="Who pays what",
        )

    def _houses_table(self) -> Table:
        made = columns_of("house", "pieces", "total", numbers=("pieces", "total"))
        return Table(
            (*made, self._per_unit, Column("remark")),
            tuple(
                (
                    row.name,
                    *(
                        (None,) * 3
                        if row.offer is None
                        else (row.offer.quantity, row.offer.total, self._each(row.offer.per_half))
                    ),
                    row.reason or ("invented" if row.invented else ""),
                )
                for row in self.houses
            ),
            title="Houses compared",
        )

    def _effects_table(self) -> Table:
        return Table(
            (*columns_of("input", "change"), self._per_unit, Column("difference", number=True)),
            tuple(
                (e.title, e.change, self._each(e.per_half), self._each(e.difference))
                for e in self.effects
            ),
            title=f"What moves the {self.unit[0]} most",
        )
