"""The order file (``order.toml``): what the user wants made, how many, and on what terms."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, Literal, get_args

from fabkit.base.units import counted, format_mm
from fabkit.sheets.house import House, check_format, thickness_tolerance_mm
from fabkit.sheets.money import CURRENCY_DIGITS
from fabkit.sheets.table import Table, read_sheet

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

USUAL_THICKNESS_MM = Decimal("1.6")
"""Where neither the order nor a file states another (common practice)."""

CHOSEN = "as chosen"
"""Where a thickness comes from that the user named."""

UNSETTLED = ""
"""Where a thickness comes from that nobody has named yet."""


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
    roles: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Builder:
    """Someone who shares the order, with whole keyboards."""

    name: str
    keyboards: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardChoice:
    """The options wanted of the house."""

    thickness_mm: Decimal = USUAL_THICKNESS_MM
    thickness_from: str = CHOSEN
    """Where the thickness comes from, in words; :data:`UNSETTLED` until the files are read."""
    copper_oz: Decimal = Decimal(1)
    colour: str = "green"
    finish: str = "hasl-lead-free"
    lead_time: str = "standard"
    extras: tuple[str, ...] = ()
    lead_free: bool = True
    """Refuse a finish with lead."""

    @property
    def thickness_words(self) -> str:
        """The thickness, and where it comes from unless the user named it."""
        named = self.thickness_from in (CHOSEN, UNSETTLED)
        return f"{self.thickness_mm:f} mm" + ("" if named else f" ({self.thickness_from})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tax:
    """Duty and tax as the user entered them; shares are 0.20 for 20 %."""

    vat_rate: Decimal | None = None
    vat_threshold: Decimal = Decimal(0)
    duty_rate: Decimal | None = None
    duty_threshold: Decimal = Decimal(0)
    test: Literal["goods", "cif"] = "goods"
    """What the thresholds are compared with."""
    customs_value: Literal["cif", "fob"] = "cif"
    handling: Decimal = Decimal(0)
    handling_share: Decimal = Decimal(0)
    prepaid: bool = False
    """The seller collects the tax at checkout; none is added."""
    whole_units: bool = False
    """Duty and tax are each rounded down to whole units."""
    date: date | None = None
    source: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One unit of the card's currency in the order's, with date and source."""

    rate: Decimal
    date: date | None
    source: str
    from_currency: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareRule:
    """Spares of a class of parts: the larger of a share and a least number."""

    share: Decimal
    least: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A rule the user has set aside, with the reason every report repeats."""

    rule: str
    reason: str
    line: int | None = None


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
    currency: str | None = None
    exchange: tuple[Exchange, ...] = ()
    tax: Tax = field(default_factory=Tax)
    charge_current_a: float | None = None
    price_age_days: int = 90
    silenced: tuple[Silence, ...] = ()
    houses: tuple[Path, ...] = ()
    parts: Path | None = None
    data: bytes = b""
    """The order file as it was read; empty where there is none."""

    def __repr__(self) -> str:
        return f"<Order {self.name}: {counted(self.keyboards, 'keyboard')}>"

    @property
    def halves_wanted(self) -> int:
        """Halves that are to be built."""
        return 2 * self.keyboards + self.spare_halves

    @property
    def leads(self) -> tuple[OrderedBoard, ...]:
        """The designs that give the halves, as :func:`lead_numbers` tells them."""
        return tuple(self.boards[n] for n in lead_numbers(self.boards))

    @property
    def reversible(self) -> bool:
        """Whether one design makes either half."""
        return [one.use for one in self.leads] == ["reversible"]


def lead_numbers(boards: Sequence[OrderedBoard]) -> tuple[int, ...]:
    """Positions of the boards that give the halves; of the first where all are plates."""
    return tuple(n for n, one in enumerate(boards) if one.use not in BESIDE) or (0,)


def ordered_board(
    package: Path, *, name: str, use: BoardUse | None, roles: Mapping[str, str] | None = None
) -> OrderedBoard:
    """A design that gives as many halves as its use says; None leaves the use to its files."""
    made = OrderedBoard(package=package, name=name, roles=roles or {})
    return made if use is None else replace(made, stated=use, **counts_of(use))


def counts_of(use: BoardUse) -> dict[str, Any]:
    """Fields of an ordered board that follow from what one board is."""
    return {"use": use, "halves": halves_of(use), "per_keyboard": boards_of(use)}


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
        Tells designs apart that are the same.
    use
        What it is, where no other design of the order is the same.

    >>> design_name("wheatear", Path("left.zip")), design_name("wheatear", Path("gerber_top.zip"))
    ('wheatear-left', 'wheatear-top')
    """
    part = use or _NO_WORD.sub("", package_stem(package)).strip("-_. ") or "board"
    return part if part.casefold().startswith(keyboard.casefold()) else f"{keyboard}-{part}"


def load_order(path: Path | str) -> Order:
    """Load an order file; paths in it are relative to it.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    SheetError
        A key, type or value is wrong; names file, line and key.
    """
    table = read_sheet(Path(path))
    return replace(order_from(table, base=Path(path).parent), data=table.raw)


def order_for(package: Path | str, *, keyboards: int = 1, use: BoardUse | None = None) -> Order:
    """The order of a bare package: one design, everything else as defaults."""
    path = Path(package)
    name = package_stem(path)
    board = ordered_board(path, name=name, use=use)
    return Order(name=name, file="", invented=False, boards=(board,), keyboards=keyboards)


def order_from(table: Table, *, base: Path) -> Order:
    """Build an order from its parsed text; raises as :func:`load_order`."""
    check_format(table, "the order file")
    boards = _boards(table, base)
    want = table.table("want", None)
    keyboards = want.integer("keyboards", 1, least=1, most=MOST_BOARDS)
    builders = _builders(want, keyboards)
    revisions = table.table("revisions", None)
    money = table.table("money", None)
    sheets = table.table("sheets", None)
    parts = sheets.text("parts", None)
    power = table.table("power", None)
    order = Order(
        name=table.text("name"),
        file=table.file,
        invented=table.flag("invented", False),
        boards=boards,
        keyboards=keyboards,
        spare_halves=want.integer("spare_halves", 0, least=0, most=MOST_BOARDS),
        quantities=tuple(sorted(set(want.integers("quantities", (), least=1, most=MOST_BOARDS)))),
        good_share=want.decimal("good_share", Decimal(1), above=0, most=1),
        builders=builders,
        choice=_choice(table.table("options", None)),
        revisions=revisions.integer("planned", 1, least=1),
        loss_share=revisions.decimal("loss_share", Decimal(0), least=0, most=1),
        reuse_share=revisions.decimal("reuse_share", Decimal(0), least=0, most=1),
        spares=load_spares(table, "spares"),
        currency=money.text("currency", None, choices=CURRENCY_DIGITS),
        exchange=_exchange(money),
        tax=load_tax(table.table("tax", None)),
        charge_current_a=power.number("charge_current_a", None, above=0),
        price_age_days=money.integer("price_age_days", 90, least=0),
        silenced=_silenced(table),
        houses=tuple(base / p for p in sheets.texts("houses", ())),
        parts=base / parts if parts is not None else None,
    )
    for part in (want, revisions, money, sheets, power, table):
        part.done()
    return order


def load_spares(table: Table, key: str) -> dict[str, SpareRule]:
    """Spares by class, ``[spares.switch] share = 0.02, least = 2``."""
    found = {}
    for name, row in table.named(key, None).items():
        found[name] = SpareRule(
            share=row.decimal("share", Decimal(0), least=0, most=1),
            least=row.integer("least", 0, least=0),
        )
        row.done()
    return found


def _boards(table: Table, base: Path) -> tuple[OrderedBoard, ...]:
    rows = table.tables("board")
    if not rows:
        raise table.error("board", "no boards", expected="a [[board]] for each design")
    keyboard = table.text("name")
    said = [row.text("is", None, choices=BOARD_USES) for row in rows if "side" not in row]
    boards = []
    for row in rows:
        if "side" in row:
            raise row.error("side", "is now called 'is'", expected='is = "reversible" or another')
        stated: BoardUse | None = row.text("is", None, choices=BOARD_USES)
        use: BoardUse = stated or "reversible"
        counted = "halves" in row or "per_keyboard" in row
        package = row.text("package")
        alone = said.count(stated) == 1
        usual = design_name(keyboard, Path(package), stated if stated and alone else "")
        board = OrderedBoard(
            package=base / package,
            name=row.text("name", usual if len(rows) > 1 else keyboard),
            stated=stated,
            use=use,
            counted=counted,
            halves=row.integer("halves", halves_of(use), least=1),
            per_keyboard=row.integer("per_keyboard", boards_of(use), least=1),
            roles=_roles(row.table("roles", None)),
        )
        row.done()
        boards.append(board)
    # What the files still have to tell is looked at when they have been read.
    wrong = find_wrong_count(boards) if None not in said else None
    if wrong is not None:
        raise rows[wrong.number].error(wrong.key, wrong.message, expected=wrong.expected)
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


def _roles(table: Table) -> dict[str, str]:
    roles = table.texts_by_name()
    table.done()
    return roles


def _builders(want: Table, keyboards: int) -> tuple[Builder, ...]:
    builders = []
    for row in want.tables("builder", None):
        builders.append(Builder(name=row.text("name"), keyboards=row.integer("keyboards", least=1)))
        row.done()
    shared = sum(b.keyboards for b in builders)
    if builders and shared != keyboards:
        raise want.error(
            "keyboards",
            f"the builders take {shared} keyboards, but {keyboards} are wanted",
            expected=f"keyboards = {shared}, or other builders",
        )
    return tuple(builders)


def _choice(table: Table) -> BoardChoice:
    thickness = table.decimal("thickness_mm", None, above=0)
    made = BoardChoice(
        thickness_mm=thickness or USUAL_THICKNESS_MM,
        thickness_from=CHOSEN if thickness else UNSETTLED,
        copper_oz=table.decimal("copper_oz", Decimal(1), above=0),
        colour=table.text("colour", "green"),
        finish=table.text("finish", "hasl-lead-free"),
        lead_time=table.text("lead_time", "standard"),
        extras=table.texts("extras", ()),
        lead_free=table.flag("lead_free", True),
    )
    table.done()
    return made


def _exchange(money: Table) -> tuple[Exchange, ...]:
    rows = []
    for row in money.tables("exchange", None):
        rows.append(
            Exchange(
                from_currency=row.text("from", choices=CURRENCY_DIGITS),
                rate=row.decimal("rate", above=0),
                date=row.date("date", None),
                source=row.text("source", ""),
            )
        )
        row.done()
    return tuple(rows)


def load_tax(table: Table) -> Tax:
    """The ``[tax]`` of an order or of the settings; raises as :func:`load_order`."""
    made = Tax(
        vat_rate=table.decimal("vat_rate", None, least=0, most=1),
        vat_threshold=table.decimal("vat_threshold", Decimal(0), least=0),
        duty_rate=table.decimal("duty_rate", None, least=0, most=1),
        duty_threshold=table.decimal("duty_threshold", Decimal(0), least=0),
        test=table.text("test", "goods", choices=("goods", "cif")),
        customs_value=table.text("customs_value", "cif", choices=("cif", "fob")),
        handling=table.decimal("handling", Decimal(0), least=0),
        handling_share=table.decimal("handling_share", Decimal(0), least=0, most=1),
        prepaid=table.flag("prepaid", False),
        whole_units=table.flag("whole_units", False),
        date=table.date("date", None),
        source=table.text("source", ""),
        at=f"{Path(table.file).name}:{table.line()} tax" if table.data else "",
    )
    if (made.vat_rate or made.duty_rate) and made.date is None:
        raise table.error("date", "missing", expected="the day these rates were read")
    table.done()
    return made


def _silenced(table: Table) -> tuple[Silence, ...]:
    rows = []
    for row in table.tables("silence", None):
        silence = Silence(rule=row.text("rule"), reason=row.text("reason"), line=row.line())
        if not silence.reason.strip():
            raise row.error("reason", "empty", expected="why this rule does not matter here")
        row.done()
        rows.append(silence)
    return tuple(rows)


_SAME_MM = 0.0005
"""Thicknesses are stated to a thousandth at best."""


def settle_thickness(order: Order, stated: Sequence[float | None], house: House) -> Order:
    """Take the thickness the boards' own files state when the order names none.

    A layout states the sum of its stack-up (1.58 mm), which nobody offers: the nearest offered
    thickness stands for it within the house's tolerance.  Beyond it the stated one is kept, and
    pricing says that it is not offered.

    Parameters
    ----------
    order
        As loaded; with a thickness of its own it is given back as it is.
    stated
        Thickness of each design by its job file, mm; None where none says it.
    house
        The one that is ordered from.

    Returns
    -------
    Order
        Its ``choice`` says where the thickness comes from.
    """
    if order.choice.thickness_from != UNSETTLED:
        return order
    named = [(one.name, mm) for one, mm in zip(order.boards, stated, strict=True) if mm is not None]
    if not named:
        return _with(order, float(order.choice.thickness_mm), "usual; no file states another")
    # One order has one thickness; the checks warn of the design that states another.
    name, asked = named[0]
    who = f"the job file of {name} states" if len(order.boards) > 1 else "the job file states"
    offered = house.thicknesses
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
