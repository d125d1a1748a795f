"""The order file (``order.toml``): what the user wants made, how many, and on what terms."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Final, Literal, get_args

from fabkit.base import units
from fabkit.base.units import counted, format_mm
from fabkit.demo import find_demo
from fabkit.sheets.house import House, thickness_tolerance_mm
from fabkit.sheets.prices import CurrencyCode
from fabkit.sheets.reading import (
    Count,
    Exact,
    Filled,
    Key,
    Length,
    Line,
    Positive,
    Share,
    Span,
    Words,
    Wrong,
    read_as,
)
from fabkit.sheets.toml_text import KeyPath, SheetText, parse_sheet, read_sheet

BoardUse = Literal["reversible", "left", "right", "both", "whole", "plate", "none"]
"""What one board is: a half that serves either hand, one half, both halves, a keyboard that is not
split, a plate without copper, or no keyboard at all."""

BOARD_USES: Final[tuple[BoardUse, ...]] = get_args(BoardUse)

BESIDE: Final[frozenset[BoardUse]] = frozenset(("plate", "none"))
"""Such boards go with the boards that give the halves; alone, they are what is ordered."""

ALL_IN_ONE: Final[frozenset[BoardUse]] = frozenset(("both", "whole", "none"))
"""One such board is all the boards of one keyboard."""

MOST_BOARDS: Final = 100_000
"""More keyboards or boards than anybody orders of a small series; all are priced one by one."""

MOST_COPIES: Final = 60
"""More boards on one panel are not searched well in seconds."""

Boards = Annotated[int, Span(least=1, most=MOST_BOARDS)]
Pieces = Annotated[int, Span(least=1, most=100)]
"""Of one design in one keyboard."""
Edge = (
    Annotated[str, Words(("panel", "board"), '"panel", "board" or the number of a reading')]
    | Annotated[int, Span(least=1, most=99)]
)

USUAL_THICKNESS_MM = Decimal(str(units.USUAL_THICKNESS_MM))
"""Where neither the order nor a file states another."""

CHOSEN = "as chosen"
"""Where a thickness comes from that the user named."""

UNSETTLED = ""
"""Where a thickness comes from as long as none is chosen or read from the files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedBoard:
    """One design of the order.

    Parameters
    ----------
    package
        Folder or archive, resolved against the order file.
    stated
        What one board is by the user's word; None leaves it to its files.
    use, halves, per_keyboard
        What one board is, halves it gives, and boards of it in one keyboard: as stated, else as
        its files show once they are read (:mod:`fabkit.keyboard.ordered`).  Halves of a plate are
        those it serves; they count only where no circuit board is ordered.
    counted
        Whether the user stated ``halves`` or ``per_keyboard``.
    edge
        Which of several readings of its outline is ordered, as ``--edge`` states it: ``panel``,
        ``board`` or the number of a reading; None leaves it to the files.
    roles
        What the user states of files that do not say themselves what they are, by file name.
    """

    package: Path
    name: str
    stated: BoardUse | None = None
    use: BoardUse = "reversible"
    halves: int = 1
    counted: bool = False
    per_keyboard: int = 2
    edge: str | None = None
    roles: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Builder:
    """Someone who shares the order, with whole keyboards.

    Parameters
    ----------
    shipping_out
        Onward shipping to this builder, in the currency of the order.
    paid
        In advance.
    keeps_left_overs
        Boards and parts beyond the keyboards stay here; one builder at most.
    """

    name: str
    keyboards: Boards
    shipping_out: Exact = Decimal(0)
    paid: Exact = Decimal(0)
    keeps_left_overs: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardChoice:
    """The options wanted of the house, for all boards of the order.

    Parameters
    ----------
    thickness_from
        Where the thickness comes from, in words; :data:`UNSETTLED` until the files are read.
    lead_free
        Refuse a finish with lead.
    """

    thickness_mm: Annotated[Decimal, Span(above=0, most=20)] = USUAL_THICKNESS_MM
    thickness_from: Annotated[str, Filled.LATER] = CHOSEN
    copper_oz: Annotated[Decimal, Span(above=0, most=20)] = Decimal(1)
    colour: str = "green"
    finish: str = "hasl-lead-free"
    lead_time: str = "standard"
    extras: tuple[str, ...] = ()
    lead_free: bool = True

    @property
    def thickness_words(self) -> str:
        """The thickness, and where it comes from unless the user named it."""
        named = self.thickness_from in (CHOSEN, UNSETTLED)
        return f"{self.thickness_mm:f} mm" + ("" if named else f" ({self.thickness_from})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tax:
    """Duty and tax as the user entered them; shares are 0.20 for 20 %.

    Parameters
    ----------
    test
        What the thresholds are compared with.
    prepaid
        The seller collects tax and duty at checkout: they are paid, but no carrier advances them.
    whole_units
        Duty and tax are each rounded down to whole units.
    """

    vat_rate: Share | None = None
    vat_threshold: Exact = Decimal(0)
    duty_rate: Share | None = None
    duty_threshold: Exact = Decimal(0)
    test: Literal["goods", "cif"] = "goods"
    customs_value: Literal["cif", "fob"] = "cif"
    handling: Exact = Decimal(0)
    handling_share: Share = Decimal(0)
    prepaid: bool = False
    whole_units: bool = False
    date: date | None = None
    source: str = ""
    at: Annotated[str, Filled.PLACE] = ""

    def __post_init__(self) -> None:
        """Ask rates read from a file for their day."""
        # Rates given by a program, not by a file, need no day.
        if self.at and (self.vat_rate or self.duty_rate) and self.date is None:
            raise Wrong("date", "missing", expected="the day these rates were read")


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One unit of the card's currency in the order's, with date and source."""

    from_currency: Annotated[CurrencyCode, Key("from")]
    rate: Positive
    date: date | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelOptions:
    """How boards are put on one panel.

    Parameters
    ----------
    copies
        How many of each board, or boards of how many keyboards of an order; None: two of a single
        board, one of each of several, or those of one keyboard.
    gap_mm
        Routed room between boards; None: the house's least.
    rails
        Whether two rails with tooling holes and fiducials are added, for assembly by machine.
    score
        Whether the boards lie edge to edge, parted by score lines, instead of routed apart.
    """

    copies: Annotated[int, Span(least=1, most=MOST_COPIES)] | None = None
    gap_mm: Length | None = None
    rails: bool = False
    score: bool = False
    line: Line = None

    def __post_init__(self) -> None:
        """Refuse a file that contradicts itself."""
        if self.line is not None and self.score and self.gap_mm is not None:
            raise Wrong(
                "gap_mm",
                "boards parted by score lines have no gap between them",
                expected="gap_mm or score, not both",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareRule:
    """Spares of a class of parts: the larger of a share and a least number."""

    share: Share = Decimal(0)
    least: Annotated[int, Span(least=0, most=MOST_BOARDS)] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A rule the user has set aside, with the reason every report repeats."""

    rule: str
    reason: str
    line: Line = None

    def __post_init__(self) -> None:
        """Refuse a reason without words."""
        if not self.reason.strip():
            raise Wrong("reason", "empty", expected="why this rule does not matter here")


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Order:
    """What is wanted.

    Parameters
    ----------
    boards
        Designs: what gives the halves (one board, or left and right), and plates beside it.
    keyboards, spare_halves
        Whole keyboards wanted, and halves on top.
    quantities
        Boards of each design to price; empty: chosen around the need.
    good_share
        Share of boards that work after building (1: bare boards tested).
    revisions, loss_share
        Planned revisions in all, and the share of carried-over parts lost in each rebuild.
    charge_current_a
        Current of the battery charger, for track checks; None when not stated.
    silenced
        Rules set aside.
    houses, parts
        Sheets: the first house is the one ordered from, the others are compared; empty: bundled.
    mend
        Whether the files are mended first, and the mended ones ordered.
    panel
        How one panel is made of the boards as well; None: none is.
    mend_with
        Corrections that are made on request.
    """

    name: str
    file: str
    invented: bool
    boards: tuple[OrderedBoard, ...]
    keyboards: int = 1
    spare_halves: int = 0
    quantities: tuple[int, ...] = ()
    good_share: Decimal = Decimal(1)
    builders: tuple[Builder, ...] = ()
    choice: BoardChoice = field(default_factory=lambda: BoardChoice(thickness_from=UNSETTLED))
    revisions: int = 1
    loss_share: Decimal = Decimal(0)
    reuse_share: Decimal = Decimal(0)
    """Share of their price that left-over parts are worth."""
    spares: Mapping[str, SpareRule] = field(default_factory=dict)
    mapping: Mapping[str, str] = field(default_factory=dict)
    """References (wildcards) and what they are, before those of the parts book."""
    currency: str | None = None
    exchange: tuple[Exchange, ...] = ()
    tax: Tax = field(default_factory=Tax)
    charge_current_a: float | None = None
    price_age_days: int = 90
    silenced: tuple[Silence, ...] = ()
    houses: tuple[Path, ...] = ()
    parts: Path | None = None
    mend: bool = False
    panel: PanelOptions | None = None
    mend_with: tuple[str, ...] = ()
    data: bytes = b""
    """The order file as it was read; empty where there is none."""

    def __repr__(self) -> str:
        """Name the order and its keyboards on one line."""
        return f"<Order {self.name}: {counted(self.keyboards, 'keyboard')}>"

    def place_of_option(self, key: str) -> str:
        """File and line of an option as it is wanted; empty where the file does not state it so."""
        text = self._text()
        table = text.data.get("options")
        stated = table.get(key) if isinstance(table, dict) else None
        line = text.lines.get(("options", key))
        named = line is not None and stated == getattr(self.choice, key)
        return f"{Path(self.file).name}:{line}: " if named else ""

    def place_of_corrections(self) -> str:
        """File and line where corrections are asked for; empty where no file states them."""
        line = self._text().line(("mend_with",))
        return f"{Path(self.file).name}:{line}: " if line is not None else ""

    def _text(self) -> SheetText:
        return parse_sheet(self.data.decode("utf-8-sig"), file=self.file)

    @property
    def halves_wanted(self) -> int:
        """Halves that are to be built."""
        return 2 * self.keyboards + self.spare_halves

    @property
    def leads(self) -> tuple[OrderedBoard, ...]:
        """The designs that give the halves, as :func:`lead_numbers` finds them."""
        return tuple(self.boards[n] for n in lead_numbers(self.boards))

    @property
    def reversible(self) -> bool:
        """Whether one design makes either half."""
        return [one.use for one in self.leads] == ["reversible"]


def lead_numbers(boards: Sequence[OrderedBoard]) -> tuple[int, ...]:
    """Positions of the boards that give the halves; of the first where all are plates."""
    return tuple(n for n, one in enumerate(boards) if one.use not in BESIDE) or (0,)


def ordered_board(package: Path, *, name: str, use: BoardUse | None) -> OrderedBoard:
    """Make a design that gives the halves its use implies; None leaves the use to its files."""
    made = OrderedBoard(package=package, name=name)
    return made if use is None else with_use(replace(made, stated=use), use)


def with_use(board: OrderedBoard, use: BoardUse) -> OrderedBoard:
    """Set the counts of an ordered board that follow from what one board is."""
    return replace(board, use=use, halves=halves_of(use), per_keyboard=boards_of(use))


def halves_of(use: BoardUse) -> int:
    """Halves that one board gives."""
    return 2 if use in ALL_IN_ONE else 1


def boards_of(use: BoardUse) -> int:
    """Boards of this design in one keyboard."""
    return 2 if use in ("reversible", "plate") else 1


def package_stem(package: Path) -> str:
    """Name of a folder, or of a file without its ending; the dots of a version stay.

    >>> package_stem(Path("v2.2")), package_stem(Path("wheatear-v2.2.zip"))
    ('v2.2', 'wheatear-v2.2')
    """
    ended = package.suffix.casefold() == ".zip" or package.is_file()
    return package.stem if ended else package.name


_NO_WORD: Final = re.compile(r"(?:^|(?<=[-_. ]))gerbers?(?:[-_. ]|$)", re.IGNORECASE)
"""A word that every package could bear."""


def design_name(keyboard: str, package: Path, use: str = "") -> str:
    """Name of one of several designs: the keyboard's, with what this one is.

    Parameters
    ----------
    keyboard
        Name of the order.
    package
        Makes two designs distinct that are otherwise the same.
    use
        What it is, where no other design of the order is the same; "none" names nothing.

    >>> design_name("wheatear", Path("left.zip")), design_name("wheatear", Path("gerber_top.zip"))
    ('wheatear-left', 'wheatear-top')
    """
    stem = _NO_WORD.sub("", package_stem(package)).strip("-_. ")
    part = use if use not in ("", "none") else stem or "board"
    return part if part.casefold().startswith(keyboard.casefold()) else f"{keyboard}-{part}"


# The file


@dataclass(frozen=True, kw_only=True)
class _BoardTable:
    """One ``[[board]]``."""

    package: str
    name: str | None = None
    stated: Annotated[BoardUse | None, Key("is")] = None
    halves: Pieces | None = None
    per_keyboard: Pieces | None = None
    edge: Edge | None = None
    roles: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class _Want:
    """``[want]``."""

    keyboards: Boards = 1
    spare_halves: Annotated[int, Span(least=0, most=MOST_BOARDS)] = 0
    quantities: tuple[Boards, ...] = ()
    good_share: Annotated[Decimal, Span(above=0, most=1)] = Decimal(1)
    builder: tuple[Builder, ...] = ()

    def __post_init__(self) -> None:
        shared = sum(one.keyboards for one in self.builder)
        if self.builder and shared != self.keyboards:
            raise Wrong(
                "keyboards",
                f"the builders take {shared} keyboards, but {self.keyboards} are wanted",
                expected=f"keyboards = {shared}, or other builders",
            )
        keepers = [one.name for one in self.builder if one.keeps_left_overs]
        if len(keepers) > 1:
            raise Wrong(
                "builder",
                f"{keepers[0]} and {keepers[1]} both keep the left-overs",
                expected="keeps_left_overs = true for one builder",
            )


@dataclass(frozen=True, kw_only=True)
class _SheetsTable:
    """``[sheets]``."""

    houses: tuple[str, ...] = ()
    parts: str | None = None

    def __post_init__(self) -> None:
        for key, names in (("houses", self.houses), ("parts", (self.parts,))):
            if "" in names:
                raise Wrong(key, "empty", expected="the path of a sheet, or # before the line")


@dataclass(frozen=True, kw_only=True)
class _Revisions:
    """``[revisions]``."""

    planned: Annotated[int, Span(least=1, most=1000)] = 1
    loss_share: Share = Decimal(0)
    reuse_share: Share = Decimal(0)


@dataclass(frozen=True, kw_only=True)
class _Money:
    """``[money]``."""

    currency: CurrencyCode | None = None
    price_age_days: Annotated[int, Span(least=0, most=36_500)] = 90
    exchange: tuple[Exchange, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Power:
    """``[power]``."""

    charge_current_a: Annotated[float, Span(above=0, most=100)] | None = None


@dataclass(frozen=True, kw_only=True)
class OrderFile:
    """``order.toml``."""

    format: Count
    name: str
    invented: bool = False
    mend: bool = False
    mend_with: tuple[str, ...] = ()
    board: tuple[_BoardTable, ...]
    want: _Want = _Want()
    options: BoardChoice = BoardChoice()
    sheets: _SheetsTable = _SheetsTable()
    revisions: _Revisions = _Revisions()
    spares: Mapping[str, SpareRule] = field(default_factory=dict)
    map: Mapping[str, str] = field(default_factory=dict)
    money: _Money = _Money()
    tax: Tax = Tax()
    power: _Power = _Power()
    panel: PanelOptions | None = None
    silence: tuple[Silence, ...] = ()


def load_order(path: Path | str) -> Order:
    """Load an order file; paths in it are relative to it.

    ``demo`` is that of the bundled, invented demo.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    SheetError
        A key, type or value is wrong; names file, line and key.
    """
    file = find_demo(Path(path), usual="order.toml")
    text = read_sheet(file)
    order = order_from(text, base=file.parent)
    refuse_missing(order, text)
    return order


def named_paths(order: Order) -> Iterator[tuple[KeyPath, Path]]:
    """Give every path that an order file names, with its key."""
    for n, one in enumerate(order.boards):
        yield ("board", n, "package"), one.package
    for n, house in enumerate(order.houses):
        yield ("sheets", "houses", n), house
    if order.parts is not None:
        yield ("sheets", "parts"), order.parts


def refuse_missing(order: Order, text: SheetText, *, base: Path = Path()) -> None:
    """Refuse an order that names what is not there; ``base``: where relative paths begin.

    Raises
    ------
    SheetError
        A package or sheet does not exist.
    """
    for key, there in named_paths(order):
        if not (base / there).exists():
            raise text.error(
                key, f"{there} does not exist", expected="a path relative to the order file"
            )


def order_for(package: Path | str, *, keyboards: int = 1, use: BoardUse | None = None) -> Order:
    """Make the order of a bare package: one design, everything else as defaults."""
    path = Path(package)
    name = package_stem(path)
    board = ordered_board(path, name=name, use=use)
    return Order(name=name, file="", invented=False, boards=(board,), keyboards=keyboards)


def order_from(text: SheetText, *, base: Path) -> Order:
    """Make an order of its parsed text; raises as :func:`load_order`."""
    file = read_as(OrderFile, text, what="the order file")
    named = [str(one.from_currency) for one in file.money.exchange]
    for n, currency in enumerate(named):
        if currency in named[:n]:
            raise text.error(
                ("money", "exchange", n, "from"),
                f"a second rate from {currency}",
                expected="one [[money.exchange]] for each currency",
            )
    chosen = ("options", "thickness_mm") in text.lines
    return Order(
        name=file.name,
        file=text.file,
        invented=file.invented,
        boards=_boards(file, text, base),
        keyboards=file.want.keyboards,
        spare_halves=file.want.spare_halves,
        quantities=tuple(sorted(set(file.want.quantities))),
        good_share=file.want.good_share,
        builders=file.want.builder,
        choice=replace(file.options, thickness_from=CHOSEN if chosen else UNSETTLED),
        revisions=file.revisions.planned,
        loss_share=file.revisions.loss_share,
        reuse_share=file.revisions.reuse_share,
        spares=file.spares,
        mapping=file.map,
        currency=file.money.currency,
        exchange=file.money.exchange,
        tax=file.tax,
        charge_current_a=file.power.charge_current_a,
        price_age_days=file.money.price_age_days,
        silenced=file.silence,
        panel=file.panel,
        mend=file.mend or bool(file.mend_with),
        mend_with=file.mend_with,
        houses=tuple(base / house for house in file.sheets.houses),
        parts=base / file.sheets.parts if file.sheets.parts is not None else None,
        data=text.raw,
    )


def _boards(file: OrderFile, text: SheetText, base: Path) -> tuple[OrderedBoard, ...]:
    if not file.board:
        raise text.error(("board",), "no boards", expected="a [[board]] for each design")
    said = [row.stated for row in file.board]
    boards = []
    for row in file.board:
        use: BoardUse = row.stated or "reversible"
        alone = said.count(row.stated) == 1
        usual = design_name(
            file.name, Path(row.package), row.stated if row.stated and alone else ""
        )
        boards.append(
            OrderedBoard(
                package=base / row.package,
                name=row.name or (usual if len(file.board) > 1 else file.name),
                stated=row.stated,
                use=use,
                counted=row.halves is not None or row.per_keyboard is not None,
                halves=row.halves or halves_of(use),
                per_keyboard=row.per_keyboard or boards_of(use),
                edge=None if row.edge is None else str(row.edge),
                roles=row.roles,
            )
        )
    # Boards that leave `is` to their files are counted once the files are read.
    wrong = find_wrong_count(boards) if None not in said else None
    if wrong is not None:
        path: KeyPath = ("board", wrong.number, wrong.key)
        raise text.error(path, wrong.message, expected=wrong.expected)
    return tuple(boards)


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongCount:
    """Why the boards of an order do not make keyboards: which board and key, and what would."""

    number: int
    key: str
    message: str
    expected: str


def find_wrong_count(boards: Sequence[OrderedBoard]) -> WrongCount | None:
    """Whether the boards of one keyboard give two halves; None when they do."""
    numbers = lead_numbers(boards)
    leads = [boards[n] for n in numbers]
    uses = [one.use for one in leads]
    if len(leads) == 2 and set(uses) != {"left", "right"}:
        return WrongCount(
            number=numbers[1],
            key="is",
            message="two designs must be one left and one right half",
            expected='is = "left" in one [[board]] and is = "right" in the other',
        )
    if len(leads) == 1 and leads[0].stated in ("left", "right"):
        return WrongCount(
            number=numbers[0],
            key="is",
            message="the other half is missing",
            expected="a second [[board]], or is = reversible",
        )
    made = sum(one.halves * one.per_keyboard for one in leads)
    if made != 2:
        return WrongCount(
            number=numbers[0],
            key="per_keyboard",
            message=f"the boards of one keyboard give {made} halves",
            expected="halves x per_keyboard adding up to 2",
        )
    return None


_SAME_MM = 0.0005
"""Thicknesses are stated to a thousandth at best."""


def settle_thickness(order: Order, stated: Sequence[float | None], house: House) -> Order:
    """Take the thickness the boards' own files state when the order names none.

    A layout states the sum of its stack-up (1.58 mm), which no house offers: the nearest offered
    thickness stands for it within the house's tolerance.  Beyond it the stated one is kept, and
    pricing reports that it is not offered.

    Parameters
    ----------
    order
        As loaded; with its own thickness it is given back as it is.
    stated
        Thickness of each design by its job file, mm; None where none states it.
    house
        The one that is ordered from.

    Returns
    -------
    Order
        Its ``choice`` states where the thickness comes from.
    """
    if order.choice.thickness_from != UNSETTLED:
        return order
    named = [(one.name, mm) for one, mm in zip(order.boards, stated, strict=True) if mm is not None]
    if not named:
        return _with(order, float(order.choice.thickness_mm), "usual; no file states another")
    # One order has one thickness; the checks warn of the design that states another.
    name, asked = named[0]
    who = f"the job file of {name} states" if len(order.boards) > 1 else "the job file states"
    offered = house.options.thickness_mm
    nearest = min(offered, key=lambda mm: abs(mm - asked), default=asked)
    away = abs(nearest - asked)
    if away <= _SAME_MM:
        return _with(order, nearest, f"as {who}")
    if away <= thickness_tolerance_mm(nearest):
        return _with(order, nearest, f"nearest offered; {who} {format_mm(asked)}")
    return _with(order, asked, f"as {who}; not offered, the nearest is {format_mm(nearest)}")


def _with(order: Order, thickness_mm: float, where: str) -> Order:
    thickness = Decimal(f"{float(thickness_mm):g}")
    choice = replace(order.choice, thickness_mm=thickness, thickness_from=where)
    return replace(order, choice=choice)
