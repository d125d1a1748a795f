"""What the parts list is: lines with their reasons, what to buy where, and the working order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from typing import Literal

from fabkit.base.findings import Finding
from fabkit.base.tables import Column, Result, Table, columns_of
from fabkit.base.units import counted
from fabkit.keyboard.model import BoardIs, Mount, PartKind
from fabkit.package.model import Side
from fabkit.sheets.order import BESIDE, BoardUse, Order, SpareRule
from fabkit.sheets.prices import Currency

Half = Literal["left", "right"]
HALVES: tuple[Half, Half] = ("left", "right")
REF_DIGITS = 9
"""Longer numbers in a reference are no count."""


def short_runs(refs: Sequence[str]) -> str:
    """Shorten runs of references in natural order.

    >>> short_runs(["SW1", "SW2", "SW3", "SW5"])
    'SW1-SW3, SW5'
    """
    runs: list[list[str]] = []
    for ref in refs:
        stem = ref.rstrip("0123456789")
        digits = ref[len(stem) :]
        before = f"{stem}{int(digits) - 1}" if 0 < len(digits) <= REF_DIGITS else ""
        if runs and before and runs[-1][-1] == before:
            runs[-1].append(ref)
        else:
            runs.append([ref])
    return ", ".join(f"{r[0]}-{r[-1]}" if len(r) > 2 else ", ".join(r) for r in runs)


class Lasting(StrEnum):
    """What becomes of a part when the next revision is built."""

    USED_UP = "used_up"
    """Soldered or spent: bought again for each revision."""
    CARRIED_OVER = "carried_over"
    """Moves on to the next revision."""


class Fitting(StrEnum):
    """How a part is fitted."""

    SOLDERED = "soldered"
    SOCKETED = "socketed"
    """Plugged into a socket of the board."""
    PRESSED = "pressed"
    SCREWED = "screwed"
    LOOSE = "loose"
    """Laid in or put on: key caps, feet, cables."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """How the boards become keyboards.

    Parameters
    ----------
    use
        What one board is by the user's word; None leaves it to the files.
    boards
        How many of a design that gives no halves make a keyboard: plates, mostly.
    keyboards, spare_halves
        Built: parts are bought for them.
    spares
        Rules by class that replace the parts book's.
    mapping
        References (wildcards) and what they are, before those of the parts book.
    loss_share
        Carried-over parts lost in each rebuild.
    """

    use: BoardUse | None = None
    boards: int = 1
    keyboards: int = 1
    spare_halves: int = 0
    spares: Mapping[str, SpareRule] = field(default_factory=dict)
    mapping: Mapping[str, str] = field(default_factory=dict)
    loss_share: Decimal = Decimal(0)

    @classmethod
    def of(cls, order: Order) -> Usage:
        """Usage of an order."""
        lead = order.leads[0]
        return cls(
            use=lead.stated,
            boards=lead.per_keyboard if lead.use in BESIDE else 1,
            keyboards=order.keyboards,
            spare_halves=order.spare_halves,
            spares=order.spares,
            mapping=order.mapping,
            loss_share=order.loss_share,
        )

    @property
    def halves(self) -> int:
        """Halves built."""
        return 2 * self.keyboards + self.spare_halves


@dataclass(frozen=True, slots=True, kw_only=True)
class BillLine:
    """One part of the list.

    Parameters
    ----------
    key
        Key in the parts book; for a part the book does not know, made from value and footprint.
    refs
        References on the board, by half.
    left, right
        Pieces in one left and one right half.
    per_keyboard
        Pieces in one keyboard: both halves and what comes once.
    faces
        Face of the board (``top``, ``bottom`` or empty) it is worked on, by half.
    lets_carry
        Keys of the parts that can move on because this one holds them.
    step
        Place in the working order, low first.
    sources
        Count by source: ``component attributes``, ``hole pattern`` ...
    reason
        Why this many, in words.
    known
        False when the parts book does not know it.
    priced
        Whether the parts book has a price for it.
    """

    key: str
    title: str
    cls: str
    refs: Mapping[Half, tuple[str, ...]]
    left: int
    right: int
    per_keyboard: int
    faces: Mapping[Half, str]
    fitting: Fitting
    lasting: Lasting
    lets_carry: tuple[str, ...]
    step: int
    caution: str
    sources: Mapping[str, int]
    reason: str
    known: bool
    priced: bool = True

    def need(self, usage: Usage) -> int:
        """Pieces for all that is built, without spares.

        A spare half is counted as the half with more pieces.
        """
        return self.per_keyboard * usage.keyboards + usage.spare_halves * max(self.left, self.right)

    def short_refs(self, half: Half) -> str:
        """Shorten runs in the references of a half: ``SW1-SW3, SW5``."""
        return short_runs(self.refs.get(half, ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One reference as merged from the sources that name it; the first source's fields count."""

    ref: str
    fields: Mapping[str, str]
    side: Side | None
    sources: tuple[str, ...]
    fitted: bool = True
    pieces: int = 1
    """More than one, or none of a reference, for a row of a table without references."""
    named: bool = True


Kind = PartKind | Literal["key switch", "switch socket"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place that takes one part (a key: a switch, and a socket where it has one).

    Parameters
    ----------
    kind
        ``key switch`` for a key.
    records
        What the files state of its references, one for each footprint.
    patterns
        Hole patterns at it, of the way it is fitted.
    sources
        What it is known by.
    x_mm, y_mm
        Where; None when the files do not show it.
    pins
        Of one footprint; 0 when not known.
    confidence
        From 0 to 1: how sure it is that a part of this kind is fitted there.
    """

    kind: Kind
    records: tuple[Record, ...]
    patterns: tuple[str, ...]
    faces: tuple[Side, ...]
    mount: Mount
    sources: tuple[str, ...]
    x_mm: float | None
    y_mm: float | None
    pins: int = 0
    confidence: float = 1.0

    @property
    def refs(self) -> tuple[str, ...]:
        """Its references."""
        return tuple(r.ref for r in self.records if r.named)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A place that takes a part, and the lines it counts in.

    Parameters
    ----------
    half
        ``left half``, ``right half`` or empty.
    taken_for
        Titles of the lines.
    """

    place: Place
    half: str
    taken_for: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
    """What is bought of one part at one shop.

    ``need`` is what is built in, ``wanted`` includes spares, ``bought`` fits packs and breaks.
    ``breaks`` are the shop's unit prices by the pieces they hold from.
    """

    key: str
    title: str
    lasting: Lasting
    shop: str
    need: int
    wanted: int
    bought: int
    pack: int
    unit_price: Decimal
    cost: Decimal
    """Rounded to the currency step."""
    at: str
    """Where the price stands."""
    reason: str
    breaks: tuple[tuple[int, Decimal], ...] = ()

    @property
    def left_over(self) -> int:
        """Pieces bought beyond what is built in (spares among them)."""
        return self.bought - self.need


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopOrder:
    """One parcel of parts, and what the shop would charge for others.

    Parameters
    ----------
    rate, free_from
        Shipping, and the goods from which it is free (None: never).
    small_below, small_fee
        Goods below the first pay the second.
    """

    shop: str
    goods: Decimal
    shipping: Decimal
    small_order_fee: Decimal
    at: str
    rate: Decimal = Decimal(0)
    free_from: Decimal | None = None
    small_below: Decimal = Decimal(0)
    small_fee: Decimal = Decimal(0)

    @property
    def total(self) -> Decimal:
        """Goods, shipping and fee."""
        return self.goods + self.shipping + self.small_order_fee


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Where to buy what, at the least total."""

    purchases: tuple[Purchase, ...]
    shops: tuple[ShopOrder, ...]
    total: Decimal
    method: str
    """How it was found, and whether it is proven the cheapest."""

    def table(self) -> Table:
        """Every purchase."""
        amounts = ("needed", "wanted", "bought", "left_over", "pack", "unit_price", "cost")
        return Table(
            (
                *columns_of("key", "part", "shop", *amounts, numbers=amounts),
                Column("price_at", "price from"),
                Column("reason"),
            ),
            tuple(
                (
                    p.key,
                    p.title,
                    p.shop,
                    p.need,
                    p.wanted,
                    p.bought,
                    p.left_over,
                    p.pack,
                    p.unit_price,
                    p.cost,
                    p.at,
                    p.reason,
                )
                for p in self.purchases
            ),
        )

    def shopping_table(self) -> Table:
        """Make a table of what a shopper needs of every purchase."""
        return self.table().only(
            "part", "shop", "needed", "bought", "left_over", "unit_price", "cost", "price_at"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AssemblyStep:
    """One step of the work, low parts first."""

    number: int
    title: str
    parts: tuple[str, ...]
    """Line texts, such as ``18 x socket, bottom (left) / top (right)``."""
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Bill(Result):
    """The parts list of a keyboard.

    Parameters
    ----------
    lines
        In working order.
    plan
        What to buy for the whole build; None when nothing has a price.
    rebuild
        What to buy for the next revision: what neither comes off these boards nor is left over,
        as :func:`fabkit.parts.buying.carry_over` finds it.
    keys
        Keys of all that one keyboard's boards of this design give: the most that can be fitted.
    found
        Every place that takes a part.
    unnamed
        Surface pads, and plated holes, of parts that no file names and nothing shows.
    whole
        False where the list says that parts are missing from it.
    left_out
        Reference and reason of what is on the board but not bought.
    notices
        What every output must repeat (invented prices).
    """

    name: str
    usage: Usage
    lines: tuple[BillLine, ...]
    currency: Currency
    plan: Plan
    rebuild: Plan
    assembly: tuple[AssemblyStep, ...]
    left_out: tuple[tuple[str, str], ...]
    keys_per_half: Mapping[Half, int]
    problems: tuple[Finding, ...]
    notices: tuple[str, ...]
    prices_date: str
    prices_gross: bool
    boards: tuple[BoardIs, ...] = ()
    """What each board is."""
    keys: int = 0
    found: tuple[Found, ...] = ()
    unnamed: tuple[int, int] = (0, 0)
    whole: bool = True

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        built = counted(self.usage.keyboards, self.unit)
        return f"{self.name}: {counted(len(self.lines), 'part')} for {built}"

    @property
    def unit(self) -> str:
        """What is built: a keyboard, or a board where nothing of one was found."""
        alone = bool(self.boards) and all(said.use == "none" for said in self.boards)
        return "board" if alone else "keyboard"

    @property
    def halved(self) -> bool:
        """Whether it has two halves, so that parts are counted for each."""
        return any(self.keys_per_half.values()) or any(a.left or a.right for a in self.lines)

    @property
    def unpriced(self) -> tuple[BillLine, ...]:
        """Parts that are needed and have no price."""
        return tuple(a for a in self.lines if not a.priced and a.need(self.usage))

    def table(self) -> Table:
        """Every part with what of it is bought."""
        bought = {p.key: p for p in self.plan.purchases}
        return Table(
            columns_of(
                "part",
                "left",
                "right",
                "per_keyboard",
                "needed",
                "bought",
                "cost",
                "currency",
            ),
            tuple(
                (
                    line.title,
                    line.left,
                    line.right,
                    line.per_keyboard,
                    line.need(self.usage),
                    bought[line.key].bought if line.key in bought else None,
                    bought[line.key].cost if line.key in bought else None,
                    self.currency.code,
                )
                for line in self.lines
            ),
        )

    def parts_table(self) -> Table:
        """Every part with how it is fitted, where, and why so many."""
        numbers = ("left", "right", "per_keyboard", "needed")
        return Table(
            columns_of(
                "part",
                *numbers,
                "fitted",
                "lasting",
                "left_face",
                "right_face",
                "refs",
                "reason",
                numbers=numbers,
            ),
            tuple(
                (
                    line.title if line.priced else f"{line.title} (no price)",
                    line.left,
                    line.right,
                    line.per_keyboard,
                    line.need(self.usage),
                    line.fitting,
                    line.lasting,
                    line.faces.get("left", ""),
                    line.faces.get("right", ""),
                    " ".join(line.refs.get("left", ())),
                    line.reason,
                )
                for line in self.lines
            ),
            title=f"{self.name}: parts for {counted(self.usage.keyboards, self.unit)}",
        )

    def shown_table(self) -> Table:
        """:meth:`parts_table` as a person reads it: no halves where there are none."""
        table = self.parts_table()
        halves = {"left", "right", "left_face", "right_face"} if not self.halved else set()
        keys = [c.key for c in table.columns if c.key not in halves]
        shown = table.only(*keys)
        heads = {"per_keyboard": f"per {self.unit}"}
        columns = tuple(
            replace(c, heading=heads[c.key]) if c.key in heads else c for c in shown.columns
        )
        return replace(shown, columns=columns)

    def shopping_table(self) -> Table:
        """Make a table of what to buy, what each shop charges, then what has no price, marked.

        Its costs add up to the plan's total.
        """
        bought = self.plan.shopping_table()
        charges = tuple(
            (title, shop.shop, None, None, None, None, amount, shop.at)
            for shop in self.plan.shops
            for title, amount in (
                ("shipping", shop.shipping),
                ("fee on a small order", shop.small_order_fee),
            )
            if amount
        )
        unpriced = tuple(
            (line.title, None, line.need(self.usage), None, None, "no price", None, None)
            for line in self.unpriced
        )
        return replace(
            bought, rows=bought.rows + charges + unpriced, title=f"to buy, in {self.currency.code}"
        )

    def left_worth(self, share: Decimal) -> Decimal:
        """Worth of the pieces left over, ``share`` of their price each."""
        left = (p.left_over * p.unit_price for p in self.plan.purchases)
        return self.currency.round(sum(left, Decimal(0)) * share)

    def line(self, key: str) -> BillLine | None:
        """Find the line of a part; None when the list has none."""
        return next((a for a in self.lines if a.key == key), None)


# The working order


def assembly_steps(lines: Sequence[BillLine]) -> tuple[AssemblyStep, ...]:
    """List the steps of the work, less stages without parts; looking and measuring always stay."""
    steps: list[AssemblyStep] = []
    halved = any(a.left or a.right for a in lines)
    warned = False
    for order, stage in enumerate(STAGES):
        parts = [a for a in lines if a.step == order]
        if not parts and stage.key not in ("inspect", "test"):
            continue
        marked = halved and stage.key == "inspect"
        cautions: list[str] = []
        if stage.solders and not warned:
            cautions += [HEAT, FUMES, LEAD, DEFER]
            warned = True
        for line in parts:
            cautions += [c for c in CAUTIONS.get(line.caution, ()) if c not in cautions]
        if "lithium" in {a.caution for a in parts} and DEFER not in cautions:
            cautions.append(DEFER)
        if stage.key == "test" and any(a.caution == "lithium" for a in lines):
            cautions.append(CAUTIONS["lithium"][0])
        steps.append(
            AssemblyStep(
                number=len(steps) + 1,
                title=f"{stage.title}; mark left and right" if marked else stage.title,
                parts=tuple(part_text(a, halved=halved) for a in parts),
                cautions=tuple(cautions),
            )
        )
    return tuple(steps)


def part_text(line: BillLine, *, halved: bool = True) -> str:
    """One part of a step: how many a half (of what has halves), which, on which face."""
    count = f"{line.left}" if line.left == line.right else f"{line.left} left, {line.right} right"
    once = line.per_keyboard - line.left - line.right
    if not (line.left or line.right):
        count = f"{once} a keyboard:" if halved else f"{once} x"
    else:
        count += " x"
    text = f"{count} {line.title}"
    left, right = line.faces.get("left", ""), line.faces.get("right", "")
    if left and left == right:
        text += f", {left} face"
    elif left or right:
        text += f", {left or 'either'} face on the left half, {right or 'either'} on the right"
    refs = line.short_refs("left") or line.short_refs("right")
    if refs:
        text += f" ({refs})"
    return text


HEAT = "The iron is 300 to 400 C: use a stand, keep loose sleeves away, unplug it when you leave."
FUMES = "Flux smoke irritates airways, whatever the solder: local extraction or fresh air."
LEAD = (
    "If the solder or the finish contains lead: no food at the bench, wash your hands, keep it "
    "from children, hand waste in as hazardous where local rules say so."
)
STATIC = "Ground yourself before touching bare silicon; hold boards by the edge."
LITHIUM = (
    "Measure the polarity of the plug with a meter before every first connection: plugs are not "
    "standardised between makers and the colour of a wire proves nothing; on a board turned over "
    "+ and - may swap."
)
LITHIUM_CELL = (
    "No bare pads, solder ends or edges under a cell; never solder on the cell itself; a swollen, "
    "bent or pierced cell is isolated on a surface that does not burn and recycled by local rules."
)
CHARGER = (
    "Charge only with a charger set for that cell; check its current against the cell's sheet."
)
DEFER = (
    "These are general cautions: local codes, the makers' own sheets and trained practice come "
    "first where they say more."
)

CAUTIONS = {"lithium": (LITHIUM, LITHIUM_CELL, CHARGER), "static": (STATIC,)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage: parts of lower stages are done first."""

    key: str
    title: str
    solders: bool


STAGES = (
    Stage(key="inspect", title="Look the bare boards over", solders=False),
    Stage(key="surface", title="Solder the low surface parts", solders=True),
    Stage(key="low", title="Solder the low leaded parts", solders=True),
    Stage(key="sockets", title="Solder the sockets on the back", solders=True),
    Stage(key="connectors", title="Solder connectors, buttons and switches", solders=True),
    Stage(key="headers", title="Solder the header rows", solders=True),
    Stage(key="switches", title="Solder the key switches", solders=True),
    Stage(
        key="test", title="Look for bridges; measure + against - before any power", solders=False
    ),
    Stage(key="mechanical", title="Screw and press the mechanical parts", solders=False),
    Stage(key="plug", title="Plug in what is carried over: modules, switches, caps", solders=False),
    Stage(key="power", title="Connect the battery, last of all", solders=False),
)
"""Low parts first, then the back, then tall ones, then what is plugged in, power last."""

ORDER = {stage.key: i for i, stage in enumerate(STAGES)}
