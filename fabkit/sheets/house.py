"""A board house (``house.toml``): what it makes, its limits, and how a sheet of it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cache, partial
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Final, Literal

from fabkit.base.errors import UsageError
from fabkit.base.tables import Result, Table, columns_of
from fabkit.sheets.prices import RateCard, judged_card, next_order
from fabkit.sheets.reading import (
    Count,
    Exact,
    Filled,
    Length,
    Positive,
    Share,
    Words,
    Wrong,
    nearest,
    read_as,
)
from fabkit.sheets.toml_text import KeyPath, SheetText, dotted, read_sheet, to_literal

LimitClass = Literal["standard", "fine"]
Sense = Literal["least", "most"]

GUIDES: Final = "published maker guides, several agreeing"
PRACTICE: Final = "common practice"
THIN_FOIL: Final = (
    "published maker guides; fine: outer copper of 1 oz/ft2 is plated on 0.5 oz/ft2 foil"
)


@dataclass(frozen=True, slots=True)
class LimitKind:
    """A limit that exists.

    Parameters
    ----------
    key
        Name in the sheet; the unit is its suffix.
    title
        What is limited, in trade words.
    standard, fine
        Defaults.
    source
        Where the defaults come from.
    sense
        ``least``: a smaller measure breaks it; ``most``: a larger one does.
    """

    key: str
    title: str
    standard: float
    fine: float
    source: str
    sense: Sense

    @property
    def unit(self) -> str:
        """``mm``, ``deg`` or empty for a ratio."""
        return next((u for u in ("mm", "deg") if self.key.endswith(f"_{u}")), "")


_least = partial(LimitKind, sense="least")
_most = partial(LimitKind, sense="most")

_KINDS = (
    # Holes and slots
    _least("drill_min_plated_mm", "smallest finished plated hole", 0.30, 0.20, GUIDES),
    _least("drill_min_nonplated_mm", "smallest non-plated hole", 0.50, 0.25, GUIDES),
    _most("drill_max_mm", "largest drilled hole; larger ones are routed", 6.3, 6.5, GUIDES),
    _least("slot_min_width_plated_mm", "narrowest plated slot, finished", 0.50, 0.50, PRACTICE),
    _least("slot_min_width_nonplated_mm", "narrowest non-plated slot", 0.80, 0.80, PRACTICE),
    _least("slot_min_length_ratio", "slot length over width", 2.0, 2.0, PRACTICE),
    _least("hole_to_hole_mm", "wall between two holes", 0.30, 0.25, GUIDES),
    _least("hole_to_hole_same_net_mm", "wall between two vias of one net", 0.25, 0.20, GUIDES),
    _least("hole_to_edge_mm", "hole wall to board edge", 0.50, 0.50, PRACTICE),
    _least("hole_to_edge_thickness_ratio", "hole to edge over thickness", 0.5, 0.5, PRACTICE),
    _most("aspect_ratio", "board thickness over drill", 8.0, 10.0, GUIDES),
    _most("registration_mm", "drill out of place against its pad", 0.075, 0.075, PRACTICE),
    # Rings
    _least(
        "annular_ring_mm",
        "ring as designed, (pad - finished hole) / 2",
        0.13,
        0.05,
        "published maker guides; fine: least external ring of IPC-2221, table 9-2 (from memory)",
    ),
    _least("annular_ring_via_preferred_mm", "comfortable ring of a via", 0.15, 0.15, GUIDES),
    _least(
        "annular_ring_component_preferred_mm", "comfortable ring of a lead hole", 0.20, 0.20, GUIDES
    ),
    _least(
        "annular_ring_hand_preferred_mm", "comfortable ring, hand soldering", 0.30, 0.30, PRACTICE
    ),
    _least(
        "annular_ring_nonplated_mm",
        "ring of a pad around a non-plated hole",
        0.15,
        0.15,
        "IPC-2221, unsupported holes (from memory)",
    ),
    # Copper
    _least("track_mm", "narrowest track, copper up to 1 oz/ft2", 0.15, 0.10, THIN_FOIL),
    _least("gap_mm", "smallest gap, copper up to 1 oz/ft2", 0.15, 0.10, THIN_FOIL),
    _least("track_2oz_mm", "narrowest track, 2 oz/ft2", 0.20, 0.175, GUIDES),
    _least("gap_2oz_mm", "smallest gap, 2 oz/ft2", 0.20, 0.175, GUIDES),
    _least("track_3oz_mm", "narrowest track, 3 oz/ft2", 0.25, 0.20, GUIDES),
    _least("gap_3oz_mm", "smallest gap, 3 oz/ft2", 0.25, 0.20, GUIDES),
    _least("copper_to_edge_mm", "copper to routed edge", 0.25, 0.20, GUIDES),
    _least("copper_to_score_mm", "copper to score line", 0.50, 0.40, GUIDES),
    _least("nonplated_to_copper_mm", "copper around a non-plated hole", 0.20, 0.20, GUIDES),
    _least("plated_to_inner_copper_mm", "plated hole to foreign inner copper", 0.25, 0.25, GUIDES),
    _least("sliver_mm", "narrowest copper sliver", 0.10, 0.10, PRACTICE),
    _least("acid_trap_deg", "sharpest angle between tracks", 45.0, 45.0, PRACTICE),
    # Mask, paste, legend
    _least("mask_margin_mm", "mask opening larger than its pad, per side", 0.05, 0.05, GUIDES),
    _least("mask_web_mm", "mask web between openings, green", 0.10, 0.075, GUIDES),
    _least("mask_web_other_mm", "mask web between openings, other colours", 0.15, 0.13, PRACTICE),
    _least("mask_cover_mm", "mask over a track beside an opening", 0.05, 0.05, PRACTICE),
    _least("legend_line_mm", "narrowest legend line", 0.15, 0.10, GUIDES),
    _least("legend_height_mm", "lowest legend text", 1.0, 0.8, GUIDES),
    _least("legend_to_pad_mm", "legend to exposed copper", 0.15, 0.10, PRACTICE),
    # Outline and panels
    _least("board_min_mm", "shortest side of a board", 10.0, 5.0, "common practice (from memory)"),
    _most("board_max_mm", "longest side of a board", 500.0, 500.0, "common practice (from memory)"),
    _least("score_thickness_min_mm", "thinnest board to score", 0.8, 0.8, GUIDES),
    _least("score_panel_min_mm", "shortest side of a scored panel", 75.0, 70.0, GUIDES),
    _least("panel_gap_mm", "routed gap between boards of a panel", 2.0, 1.6, PRACTICE),
    _least("tab_width_mm", "narrowest break-off tab", 2.0, 2.0, GUIDES),
    _most("tab_spacing_mm", "board edge from one break-off tab to the next", 100.0, 100.0, GUIDES),
    _least("rail_mm", "width of a panel's rails", 5.0, 5.0, PRACTICE),
    _least("tooling_hole_mm", "tooling hole in a rail", 3.0, 3.0, PRACTICE),
    _least("fiducial_mm", "fiducial on a rail", 1.0, 1.0, PRACTICE),
)

LIMIT_KINDS: Final = {kind.key: kind for kind in _KINDS}
"""All limits by key, in the order of the sheet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit in force, with its origin.

    ``source`` is the sheet's own note and place, or where the default comes from.
    """

    key: str
    title: str
    value: float
    unit: str
    sense: Sense
    cls: LimitClass
    source: str
    stated: bool
    """True when the sheet states it, False for a default."""

    def allows(self, measured: float, *, tolerance: float = 1e-6) -> bool:
        """Whether a measure keeps the limit; ``tolerance`` is for rounding noise only."""
        if self.sense == "least":
            return measured >= self.value - tolerance
        return measured <= self.value + tolerance


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """A surface finish; ``rohs`` is False when it contains lead."""

    key: Annotated[str, Filled.NAME]
    title: str = ""
    rohs: bool
    flat: bool = False
    surcharge: Exact = Decimal(0)
    surcharge_per_dm2: Exact = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """A solder mask colour.

    Parameters
    ----------
    legend
        Colour of the legend that goes with it.
    mask_web_mm
        Own web limit; None: the one of green or of other colours.
    """

    key: Annotated[str, Filled.NAME]
    legend: str = ""
    surcharge: Exact = Decimal(0)
    mask_web_mm: Length | None = None


def _green() -> Mapping[str, Colour]:
    return MappingProxyType({"green": Colour(key="green", legend="white")})


def _lead_free() -> Mapping[str, Finish]:
    usual = Finish(key="hasl-lead-free", title="HASL lead-free", rohs=True)
    return MappingProxyType({usual.key: usual})


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What can be ordered; sizes ascend.

    Parameters
    ----------
    several_designs
        Whether one panel may hold several designs.
    """

    layers: tuple[Count, ...] = (1, 2, 4)
    thickness_mm: tuple[Length, ...] = (0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 3.2)
    copper_oz: tuple[Length, ...] = (1.0, 2.0)
    colours: Mapping[str, Colour] = field(default_factory=_green)
    finishes: Mapping[str, Finish] = field(default_factory=_lead_free)
    router_bits_mm: tuple[Length, ...] = (0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 3.0)
    drill_step_mm: Length = 0.05
    several_designs: bool = True

    def __post_init__(self) -> None:
        """Refuse sizes given twice, and lists without any."""
        for key in ("layers", "thickness_mm", "copper_oz", "router_bits_mm"):
            values: tuple[float, ...] = getattr(self, key)
            if len(set(values)) != len(values):
                raise Wrong(key, "a value is given twice", expected="each value once")
            if not values:
                raise Wrong(key, "empty list", expected="at least one value")


Learnt = Literal["setup", "base", "area", "minimum", "thickness", "colour", "finish", "shipping"]
"""Rules of a rate card that can be learned from quotes; the keys of their terms in a quote."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsure:
    """How far a rule may be off that was learned from quotes.

    Parameters
    ----------
    share, amount
        Of what it adds to a price, and in money.
    between
        Holds strictly between these pieces (``area``), millimetres of the longer side (``base``)
        or grams (``shipping``); None: everywhere.
    """

    rule: Learnt
    share: Share = Decimal(0)
    amount: Exact = Decimal(0)
    between: tuple[Exact, Exact] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What is known of prices that were learned from quotes.

    Parameters
    ----------
    quotes
        How many taught them.
    quantities, up_to_mm, up_to_g
        Smallest and largest quantity quoted, longest sides, and heaviest parcel.
    lacking
        Rules that no quote states.
    """

    quotes: Count
    quantities: tuple[Count, Count]
    up_to_mm: tuple[Positive, Positive]
    up_to_g: Positive | None = None
    lacking: tuple[Learnt, ...] = ()
    unsure: tuple[Unsure, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class House(Result):
    """A board house.

    Parameters
    ----------
    name
        As the user calls it.
    file
        Path of the sheet as given, for messages.
    invented
        True when limits and prices are an invented example; every output repeats it.
    minimum, step
        Smallest order of one design, and the multiple it must be of.
    stated
        Limits the sheet states, by class and key: value and note.
    fine_surcharge
        Name of the extra charged when the fine class is needed; empty: none.
    rates
        None when the sheet has no prices (checks work, quoting does not).
    learned
        None when the prices were not learned from quotes.
    lines
        Line of each dotted key.
    """

    name: str
    file: str
    invented: bool
    note: str
    options: Options
    minimum: int
    step: int
    stated: Mapping[LimitClass, Mapping[str, tuple[float, str]]]
    fine_surcharge: str
    rates: RateCard | None
    lines: Mapping[str, int]
    learned: Learned | None = None

    @property
    def brief(self) -> str:
        """Its name."""
        return f"{self.name}{' (invented)' if self.invented else ''}"

    def table(self) -> Table:
        """Every limit in both classes; ``stated`` where the sheet has it."""
        numbers = ("standard", "fine")
        return Table(
            columns_of(
                "key", "title", "sense", *numbers, "unit", "source", "stated", numbers=numbers
            ),
            tuple(
                (a.key, a.title, f"at {a.sense}", a.value, b.value, a.unit, a.source, a.stated)
                for a, b in zip(self.limits("standard"), self.limits("fine"), strict=True)
            ),
        )

    def limit(self, key: str, cls: LimitClass = "standard") -> Limit:
        """Find the limit in force for a class.

        A fine limit the sheet does not state is its standard one when that is stated (the house
        offers nothing finer), else the default.

        Raises
        ------
        UsageError
            No such limit.
        """
        kind = LIMIT_KINDS.get(key)
        if kind is None:
            near = nearest(key, tuple(LIMIT_KINDS))
            raise UsageError(
                f"there is no limit '{key}'", hint=f"did you mean '{near}'?" if near else ""
            )
        for name in dict.fromkeys((cls, "standard")):
            found = self.stated[name].get(key)
            if found is not None:
                value, note = found
                place = self.cite(f"limits.{name}.{key}")
                return _limit(kind, cls, value, f"{place} ({note})" if note else place, True)
        value = kind.fine if cls == "fine" else kind.standard
        return _limit(kind, cls, value, f"default: {kind.source}", False)

    def limits(self, cls: LimitClass = "standard") -> tuple[Limit, ...]:
        """All limits of a class, in sheet order."""
        return tuple(self.limit(key, cls) for key in LIMIT_KINDS)

    def copper_limit(
        self, what: str, copper_oz: float = 1.0, cls: LimitClass = "standard"
    ) -> Limit:
        """``track`` or ``gap`` limit for a copper weight."""
        suffix = "" if copper_oz <= 1 else "_2oz" if copper_oz <= 2 else "_3oz"
        return self.limit(f"{what}{suffix}_mm", cls)

    def mask_web(self, colour: str, cls: LimitClass = "standard") -> Limit:
        """Mask web limit for a colour."""
        known = self.options.colours.get(colour)
        if known is not None and known.mask_web_mm is not None:
            place = self.cite(f"options.colours.{colour}.mask_web_mm")
            return _limit(LIMIT_KINDS["mask_web_mm"], cls, known.mask_web_mm, place, True)
        return self.limit("mask_web_mm" if "green" in colour else "mask_web_other_mm", cls)

    def cite(self, key: str) -> str:
        """Where a dotted key stands: ``house.toml:42 rates.setup``."""
        line = self.lines.get(key)
        file = self.file.replace("\\", "/").rsplit("/", 1)[-1]
        return f"{file}:{line} {key}" if line is not None else f"{file} {key}"

    @property
    def notice(self) -> str:
        """What every output must say about the sheet; empty when nothing."""
        if not self.invented:
            return ""
        return (
            f"'{self.name}' is an invented example: fill in your own limits and prices with "
            "`fabkit house new`"
        )

    def allowed(self, quantity: int) -> bool:
        """Whether a quantity of one design can be ordered."""
        return quantity >= self.minimum and quantity % self.step == 0

    def finish_title(self, key: str | None) -> str | None:
        """Give a finish in the words of the sheet; None where it is not offered."""
        finish = self.options.finishes.get(key or "")
        return finish.title if finish else None

    def next_quantity(self, need: int) -> int:
        """Smallest quantity of one design that can be ordered and covers the need."""
        return next_order(need, self.minimum, self.step)


def thickness_tolerance_mm(thickness_mm: float) -> float:
    """Give the usual tolerance of a thickness: 10 %, below 1.0 mm 0.1 mm (common practice)."""
    return 0.1 * thickness_mm if thickness_mm >= 1.0 else 0.1


def _limit(kind: LimitKind, cls: LimitClass, value: float, source: str, stated: bool) -> Limit:
    return Limit(
        key=kind.key,
        title=kind.title,
        value=value,
        unit=kind.unit,
        sense=kind.sense,
        cls=cls,
        source=source,
        stated=stated,
    )


LARGEST_MM: Final = LIMIT_KINDS["board_max_mm"].standard
"""Longest side of a board where a sheet states none."""

EXAMPLE: Final = Path(__file__).with_name("house.toml")
"""The bundled, invented sheet; it is also the template."""

_FAR: Final = 20
"""A limit this many times as strict as the usual one is in another unit: mil or µm as mm."""


@dataclass(frozen=True, kw_only=True)
class SourcedLimit:
    """A limit with where the user read it."""

    value: Length
    source: str = ""


_Limits = Annotated[Mapping[str, Length | SourcedLimit], Words(tuple(LIMIT_KINDS))]


@dataclass(frozen=True, kw_only=True)
class _FineLimits:
    """``[limits.fine]``; ``surcharge`` names an extra."""

    surcharge: str = ""
    limits: Annotated[_Limits, Filled.REST] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class _LimitsTable:
    """``[limits]``: each limit by itself or with its source."""

    standard: _Limits = field(default_factory=dict)
    fine: _FineLimits = _FineLimits()


@dataclass(frozen=True, kw_only=True)
class _Smallest:
    """``[order]``."""

    minimum: Count = 1
    step: Count = 1


@dataclass(frozen=True, kw_only=True)
class HouseFile:
    """``house.toml``."""

    format: Count
    name: str
    invented: bool = False
    note: str = ""
    order: _Smallest = _Smallest()
    options: Options = Options()
    limits: _LimitsTable = _LimitsTable()
    learned: Learned | None = None
    rates: RateCard | None = None


def load_house(path: Path | str | None = None) -> House:
    """Load a house sheet; None gives the bundled invented example.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    SheetError
        A key, type, unit or price is wrong; names file, line, key and what would be right.
    """
    if path is not None:
        return house_from(read_sheet(Path(path)))
    return _bundled_house()


@cache
def _bundled_house() -> House:
    # A house is frozen, and the bundled sheet stays as it is: read once.
    return house_from(replace(read_sheet(EXAMPLE), file="bundled house.toml"))


def house_template(name: str = "Our board house") -> str:
    """Write a commented sheet to fill in: the bundled example under another name."""
    return renamed(EXAMPLE.read_text(encoding="utf-8"), name)


def renamed(text: str, name: str) -> str:
    """Put another name into a sheet's text."""
    start = text.index("\nname = ") + 1
    return text[:start] + f"name = {to_literal(name)}" + text[text.index("\n", start) :]


def house_from(text: SheetText) -> House:
    """Make a house of its parsed sheet; raises as :func:`load_house`."""
    file = read_as(HouseFile, text, what="the house sheet")
    options = _offered(file.options)
    stated: dict[LimitClass, Mapping[str, tuple[float, str]]] = {
        "standard": _stated(text, "standard", file.limits.standard),
        "fine": _stated(text, "fine", file.limits.fine.limits),
    }
    _judge_limits(text, stated)
    rates = None
    if file.rates is not None:
        rates = judged_card(
            file.rates,
            text,
            minimum=file.order.minimum,
            step=file.order.step,
            layers=options.layers,
            copper_oz=options.copper_oz,
        )
    surcharge = file.limits.fine.surcharge
    if rates is not None and surcharge and surcharge not in rates.extras:
        raise text.error(
            ("limits", "fine", "surcharge"),
            f"'{surcharge}' has no price",
            expected="a name under [rates.extras]",
            nearest=nearest(surcharge, tuple(rates.extras)),
        )
    return House(
        name=file.name,
        file=text.file,
        invented=file.invented,
        note=file.note,
        options=options,
        minimum=file.order.minimum,
        step=file.order.step,
        stated=MappingProxyType(stated),
        fine_surcharge=surcharge,
        rates=rates,
        learned=file.learned,
        lines=MappingProxyType({dotted(p): n for p, n in text.lines.items()}),
    )


def _offered(options: Options) -> Options:
    """Sort sizes, and fill in what a sheet leaves out of colours and finishes."""
    colours = options.colours or _green()
    finishes = options.finishes or _lead_free()
    on_light = {key: "black" if key in ("white", "yellow") else "white" for key in colours}
    return replace(
        options,
        layers=tuple(sorted(options.layers)),
        thickness_mm=tuple(sorted(options.thickness_mm)),
        copper_oz=tuple(sorted(options.copper_oz)),
        router_bits_mm=tuple(sorted(options.router_bits_mm)),
        colours=MappingProxyType(
            {k: replace(c, legend=c.legend or on_light[k]) for k, c in colours.items()}
        ),
        finishes=MappingProxyType({k: replace(f, title=f.title or k) for k, f in finishes.items()}),
    )


def _stated(
    text: SheetText, cls: LimitClass, limits: Mapping[str, float | SourcedLimit]
) -> Mapping[str, tuple[float, str]]:
    """Value and source of the limits that a class states."""
    found: dict[str, tuple[float, str]] = {}
    for key, one in limits.items():
        kind = LIMIT_KINDS[key]
        value, source = (one.value, one.source) if isinstance(one, SourcedLimit) else (one, "")
        times = value / kind.standard if kind.sense == "least" else kind.standard / value
        if times > _FAR:
            raise text.error(
                ("limits", cls, key),
                f"{value:g} is {times:.0f} times as strict as usual ({kind.standard:g})",
                expected=f"a value in {kind.unit}"
                + (" (1 mil = 0.0254 mm)" if kind.unit == "mm" else "")
                if kind.unit
                else "a ratio",
            )
        found[key] = (value, source)
    return MappingProxyType(found)


def _judge_limits(
    text: SheetText, stated: Mapping[LimitClass, Mapping[str, tuple[float, str]]]
) -> None:
    """Refuse a fine class that is coarser than the standard one."""
    for key, (fine, _) in stated["fine"].items():
        kind = LIMIT_KINDS[key]
        standard = stated["standard"].get(key, (kind.standard, ""))[0]
        if (fine > standard) if kind.sense == "least" else (fine < standard):
            path: KeyPath = ("limits", "fine", key)
            raise text.error(
                path,
                f"{fine:g} is coarser than the standard class, {standard:g}",
                expected=f"at {'most' if kind.sense == 'least' else 'least'} {standard:g}",
            )
