"""Loading a house sheet (``house.toml``)."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from fabkit.base.errors import SheetError
from fabkit.sheets.limit_table import LIMIT_KINDS, LimitClass
from fabkit.sheets.rate_loading import load_rates
from fabkit.sheets.sheet import Colour, Finish, House, Options
from fabkit.sheets.table import Table, read_sheet
from fabkit.sheets.toml_lines import dotted

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
        load_rates(rates_table, minimum=minimum, step=step, options=options)
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
