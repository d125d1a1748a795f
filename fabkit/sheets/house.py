"""A board house (``house.toml``): what it makes, its limits, and how a sheet of it is read."""

from __future__ import annotations

import copyreg
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, Literal

from fabkit.base.errors import SheetError, UsageError
from fabkit.sheets.rates import RateCard, load_rates
from fabkit.sheets.table import Table, read_sheet
from fabkit.sheets.toml_lines import dotted

LimitClass = Literal["standard", "fine"]
Sense = Literal["least", "most"]

GUIDES: Final = "published maker guides, several agreeing"
PRACTICE: Final = "common practice"
THIN_FOIL: Final = (
    "published maker guides; fine: outer copper of 1 oz/ft2 is plated on 0.5 oz/ft2 foil"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitKind:
    """A limit that exists.

    Parameters
    ----------
    key
        Name in the sheet; the unit is its suffix.
    title
        What is limited, in trade words.
    sense
        ``least``: a smaller measure breaks it; ``most``: a larger one does.
    standard, fine
        Defaults.
    source
        Where the defaults come from.
    """

    key: str
    title: str
    sense: Sense
    standard: float
    fine: float
    source: str

    @property
    def unit(self) -> str:
        """``mm``, ``deg`` or empty for a ratio."""
        return next((u for u in ("mm", "deg") if self.key.endswith(f"_{u}")), "")


def _least(key: str, title: str, standard: float, fine: float, source: str) -> LimitKind:
    return LimitKind(
        key=key, title=title, sense="least", standard=standard, fine=fine, source=source
    )


def _most(key: str, title: str, standard: float, fine: float, source: str) -> LimitKind:
    return LimitKind(
        key=key, title=title, sense="most", standard=standard, fine=fine, source=source
    )


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
)

LIMIT_KINDS: Final = {kind.key: kind for kind in _KINDS}
"""All limits by key, in the order of the sheet."""


def _read_only(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


# Sheets hold read-only mappings, which Python cannot pickle by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


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
    """A surface finish."""

    key: str
    title: str
    rohs: bool
    """False when it contains lead."""
    flat: bool
    surcharge: Decimal = Decimal(0)
    surcharge_per_dm2: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """A solder mask colour."""

    key: str
    legend: str
    """Colour of the legend that goes with it."""
    surcharge: Decimal = Decimal(0)
    mask_web_mm: float | None = None
    """Own web limit; None: the one of green or of other colours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What can be ordered."""

    layers: tuple[int, ...]
    thickness_mm: tuple[float, ...]
    copper_oz: tuple[float, ...]
    colours: Mapping[str, Colour]
    finishes: Mapping[str, Finish]
    router_bits_mm: tuple[float, ...]
    drill_step_mm: float
    several_designs: bool
    """Whether one panel may hold several designs."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class House:
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

    def __repr__(self) -> str:
        return f"<House {self.name}{' (invented)' if self.invented else ''}>"

    def limit(self, key: str, cls: LimitClass = "standard") -> Limit:
        """The limit in force for a class.

        A fine limit the sheet does not state is its standard one when that is stated (the house
        offers nothing finer), else the default.

        Raises
        ------
        UsageError
            No such limit.
        """
        kind = LIMIT_KINDS.get(key)
        if kind is None:
            near = difflib.get_close_matches(key, list(LIMIT_KINDS), n=1)
            raise UsageError(
                f"there is no limit '{key}'", hint=f"did you mean '{near[0]}'?" if near else ""
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

    @property
    def thicknesses(self) -> tuple[float, ...]:
        """Offered finished thicknesses, mm, ascending."""
        return self.options.thickness_mm

    @property
    def router_bits(self) -> tuple[float, ...]:
        """Router bit diameters, mm, ascending."""
        return self.options.router_bits_mm

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
        return f"'{self.name}' is an invented example: its limits and prices are nobody's"

    def allowed(self, quantity: int) -> bool:
        """Whether a quantity of one design can be ordered."""
        return quantity >= self.minimum and quantity % self.step == 0

    def next_quantity(self, need: int) -> int:
        """Smallest quantity of one design that can be ordered and covers the need."""
        least = max(need, self.minimum, 1)
        return -(-least // self.step) * self.step


def thickness_tolerance_mm(thickness_mm: float) -> float:
    """Common tolerance of a finished thickness: 10 %, 0.1 mm below 1.0 mm (common practice)."""
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


FORMAT = 1
EXAMPLE = Path(__file__).with_name("house.toml")
"""The bundled, invented sheet; it is also the template."""

THICKNESSES = (0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 3.2)
ROUTER_BITS = (0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 3.0)


def load_house(path: Path | str | None = None) -> House:
    """Load a house sheet; None gives the bundled invented example.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    SheetError
        A key, type, unit or price is wrong; names file, line, key and what would be right.
    """
    table = read_sheet(Path(path)) if path is not None else read_sheet(EXAMPLE)
    if path is None:
        table.file = "bundled house.toml"
    return house_from(table)


def house_template(name: str = "Our board house") -> str:
    """A commented sheet to fill in: the bundled example under another name."""
    return renamed(EXAMPLE.read_text(encoding="utf-8"), name)


def renamed(text: str, name: str) -> str:
    """A sheet's text under another name."""
    quoted = name.replace("\\", "\\\\").replace('"', '\\"')
    start = text.index("\nname = ") + 1
    return text[:start] + f'name = "{quoted}"' + text[text.index("\n", start) :]


def check_format(table: Table, what: str) -> None:
    """Refuse a sheet of another version of our formats."""
    version = table.integer("format", least=1)
    if version != FORMAT:
        raise table.error(
            "format",
            f"version {version} of {what} is not known to this fabkit",
            expected=f"format = {FORMAT}",
        )


def house_from(table: Table) -> House:
    """Build a house from its parsed sheet; raises as :func:`load_house`."""
    check_format(table, "the house sheet")
    order = table.table("order", None)
    minimum = order.integer("minimum", 1, least=1)
    step = order.integer("step", 1, least=1)
    order.done()
    options = _options(table.table("options", None))
    stated, fine_surcharge = _limits(table.table("limits", None))
    rates_table = table.table("rates", None)
    rates = (
        load_rates(
            rates_table,
            minimum=minimum,
            step=step,
            layers=options.layers,
            copper_oz=options.copper_oz,
        )
        if rates_table.data
        else None
    )
    if rates is not None and fine_surcharge and fine_surcharge not in rates.extras:
        near = difflib.get_close_matches(fine_surcharge, list(rates.extras), n=1)
        raise (
            table.table("limits")
            .table("fine")
            .error(
                "surcharge",
                f"'{fine_surcharge}' has no price",
                expected="a name under [rates.extras]",
                nearest=near[0] if near else "",
            )
        )
    house = House(
        name=table.text("name"),
        file=table.file,
        invented=table.flag("invented", False),
        note=table.text("note", ""),
        options=options,
        minimum=minimum,
        step=step,
        stated=stated,
        fine_surcharge=fine_surcharge,
        rates=rates,
        lines=MappingProxyType({dotted(p): n for p, n in table.lines.items()}),
    )
    table.done()
    return house


def _ascending(table: Table, key: str, values: tuple[float, ...]) -> tuple[float, ...]:
    if len(set(values)) != len(values):
        raise table.error(key, "a value is given twice", expected="each value once")
    if not values:
        raise table.error(key, "empty list", expected="at least one value")
    return tuple(sorted(values))


def _options(table: Table) -> Options:
    def numbers(key: str, default: tuple[float, ...]) -> tuple[float, ...]:
        values = tuple(float(v) for v in table.decimals(key, default, above=0))
        return _ascending(table, key, values)

    layers = table.integers("layers", (1, 2, 4), least=1)
    if table.line("layers"):
        _ascending(table, "layers", tuple(float(n) for n in layers))
    colours = {}
    for name, row in table.named("colours", None).items():
        colours[name] = Colour(
            key=name,
            legend=row.text("legend", "black" if name in ("white", "yellow") else "white"),
            surcharge=row.decimal("surcharge", 0, least=0),
            mask_web_mm=row.number("mask_web_mm", None, above=0),
        )
        row.done()
    finishes = {}
    for name, row in table.named("finishes", None).items():
        finishes[name] = Finish(
            key=name,
            title=row.text("title", name),
            rohs=row.flag("rohs"),
            flat=row.flag("flat", False),
            surcharge=row.decimal("surcharge", 0, least=0),
            surcharge_per_dm2=row.decimal("surcharge_per_dm2", 0, least=0),
        )
        row.done()
    made = Options(
        layers=tuple(sorted(layers)),
        thickness_mm=numbers("thickness_mm", THICKNESSES),
        copper_oz=numbers("copper_oz", (1.0, 2.0)),
        colours=MappingProxyType(colours or {"green": Colour(key="green", legend="white")}),
        finishes=MappingProxyType(
            finishes
            or {
                "hasl-lead-free": Finish(
                    key="hasl-lead-free", title="HASL lead-free", rohs=True, flat=False
                )
            }
        ),
        router_bits_mm=numbers("router_bits_mm", ROUTER_BITS),
        drill_step_mm=table.number("drill_step_mm", 0.05, above=0),
        several_designs=table.flag("several_designs", True),
    )
    table.done()
    return made


def _limits(table: Table) -> tuple[Mapping[LimitClass, Mapping[str, tuple[float, str]]], str]:
    stated: dict[LimitClass, Mapping[str, tuple[float, str]]] = {}
    surcharge = ""
    classes: tuple[LimitClass, ...] = ("standard", "fine")
    for cls in classes:
        row = table.table(cls, None)
        if cls == "fine":
            surcharge = row.text("surcharge", "")
        found: dict[str, tuple[float, str]] = {}
        for key in LIMIT_KINDS:
            value = row.data.get(key)
            if isinstance(value, dict):
                inner = row.table(key)
                found[key] = (inner.number("value", above=0), inner.text("source", ""))
                inner.done()
            else:
                number = row.number(key, None, above=0)
                if number is not None:
                    found[key] = (number, "")
        _refuse_other_units(row)
        row.done()
        stated[cls] = MappingProxyType(found)
    for key, (fine, _) in stated["fine"].items():
        kind = LIMIT_KINDS[key]
        standard = stated["standard"].get(key, (kind.standard, ""))[0]
        if (fine > standard) if kind.sense == "least" else (fine < standard):
            raise table.table("fine").error(
                key,
                f"{fine:g} is coarser than the standard class, {standard:g}",
                expected=f"at {'most' if kind.sense == 'least' else 'least'} {standard:g}",
            )
    table.done()
    return MappingProxyType(stated), surcharge


def _refuse_other_units(row: Table) -> None:
    """A limit in another unit (``track_mil``) gets its own message: it is not a typing slip."""
    for key in row.data:
        stem, _, unit = key.rpartition("_")
        if unit in ("mil", "mils", "inch", "in", "um", "cm", "thou") and any(
            f"{stem}_mm" == known for known in LIMIT_KINDS
        ):
            raise SheetError(
                f"limits are in millimetres, not in {unit}",
                file=row.file,
                line=row.line(key),
                key=dotted((*row.path, key)),
                expected="the value in mm (1 mil = 0.0254 mm)",
                nearest=f"{stem}_mm",
            )
