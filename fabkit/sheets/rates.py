"""The rate card of a house sheet: everything that has a price.

Prices are Decimal in the card's currency.  The structure follows what board houses commonly
charge for (common practice); no figure here is any house's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from types import MappingProxyType
from typing import Literal

from fabkit.base.errors import UsageError
from fabkit.sheets.money import CURRENCY_DIGITS, Currency, find_currency
from fabkit.sheets.table import Table
from fabkit.sheets.toml_lines import dotted


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeTier:
    """Base price up to a size (either way round) for a range of quantities."""

    width_mm: Decimal
    height_mm: Decimal
    from_quantity: int
    to_quantity: int | None
    price: Decimal
    at: str = ""
    """Where it stands in the sheet, for citing."""

    def fits(self, width_mm: Decimal, height_mm: Decimal) -> bool:
        """Whether a box is within the size, turned if need be."""
        return max(width_mm, height_mm) <= max(self.width_mm, self.height_mm) and min(
            width_mm, height_mm
        ) <= min(self.width_mm, self.height_mm)

    def covers(self, quantity: int) -> bool:
        """Whether a quantity is in its range."""
        return self.from_quantity <= quantity and (
            self.to_quantity is None or quantity <= self.to_quantity
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaRate:
    """Price per dm2 for a range of quantities."""

    from_quantity: int
    to_quantity: int | None
    per_dm2: Decimal
    at: str = ""

    def covers(self, quantity: int) -> bool:
        """Whether a quantity is in its range."""
        return self.from_quantity <= quantity and (
            self.to_quantity is None or quantity <= self.to_quantity
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A price that applies below (or above) a measure, mm."""

    below_mm: Decimal | None = None
    above_mm: Decimal | None = None
    price: Decimal
    at: str = ""

    def applies(self, value_mm: Decimal) -> bool:
        """Whether a measure meets it; the limit itself does not."""
        return (self.below_mm is not None and value_mm < self.below_mm) or (
            self.above_mm is not None and value_mm > self.above_mm
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShippingBand:
    """Price of a parcel up to a weight, which belongs to the band."""

    up_to_g: Decimal
    price: Decimal
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipping:
    """How a parcel is weighed and priced."""

    packing_g: Decimal
    packing_share: Decimal
    """Of the boards' weight, 0.05 for 5 %."""
    bands: tuple[ShippingBand, ...]
    volumetric_divisor: Decimal | None = None
    """cm3 per kg; None: only the true weight counts."""
    stack_height_mm: Decimal = Decimal(30)
    """Parcel height allowed for padding, beyond the stack of boards (volumetric weight only)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RateCard:
    """All prices of a house.

    Parameters
    ----------
    currency, date, tax
        Of all prices; ``tax`` says whether they are net or gross.
    setup
        Per design file set.
    tiers, area
        Base price by size, and price per dm2, by quantity.
    area_step_mm, area_min_dm2
        Sides are rounded up to the step (0: exact); a piece counts at least the minimum.
    layer_factor, copper_factor
        On the area part, by copper layers and by copper weight in oz/ft2.
    thickness, small_drill, fine_track
        Fixed prices by measure.
    holes_per_dm2, extra_hole
        Holes beyond the density are charged each.
    extra_design
        Each further design in one panel.
    panel
        Fixed price of a panel of several boards.
    extras
        Fixed prices by name: castellation, order mark, stencil, class surcharges ...
    lead_time
        Factor on the area part by name; ``standard`` is 1.
    """

    currency: Currency
    date: date
    tax: Literal["net", "gross"]
    setup: Decimal
    tiers: tuple[SizeTier, ...]
    area: tuple[AreaRate, ...]
    area_step_mm: Decimal
    area_min_dm2: Decimal
    layer_factor: Mapping[int, Decimal]
    copper_factor: Mapping[Decimal, Decimal]
    thickness: tuple[Step, ...]
    small_drill: tuple[Step, ...]
    fine_track: tuple[Step, ...]
    holes_per_dm2: Decimal | None
    extra_hole: Decimal
    extra_design: Decimal | None
    panel: Decimal | None
    extras: Mapping[str, Decimal]
    lead_time: Mapping[str, Decimal]
    shipping: Shipping


def load_rates(
    table: Table,
    *,
    minimum: int,
    step: int,
    layers: Sequence[float],
    copper_oz: Sequence[float],
) -> RateCard:
    """Build the rate card of ``[rates]``; raises SheetError as ``load_house`` does."""
    code = table.text("currency")
    try:
        currency = find_currency(
            code,
            step=table.decimal("round_to", None, above=0),
            mode=table.text("rounding", "half-up", choices=("half-up", "half-even")),
        )
    except UsageError as error:
        raise table.error(
            "currency",
            error.message,
            expected=f"one of {len(CURRENCY_DIGITS)} codes (ISO 4217), or cu for invented prices",
        ) from error
    area = table.table("area")
    step_mm = area.decimal("step_mm", Decimal(0), least=0)
    min_dm2 = area.decimal("min_dm2", Decimal(0), least=0)
    rates = []
    for row in _rows(area, "rate"):
        rates.append(
            AreaRate(
                from_quantity=row.integer("from_quantity", least=1),
                to_quantity=row.integer("to_quantity", None, least=1),
                per_dm2=row.decimal("per_dm2", least=0),
                at=_at(row),
            )
        )
        row.done()
    area.done()
    _ladder(area, "rate", rates, minimum=minimum, step=step)
    tiers = _tiers(table, minimum=minimum, step=step)
    density = table.table("hole_density", None)
    per_dm2 = density.decimal("per_dm2", None, least=0)
    extra_hole = density.decimal("extra_hole", 0, least=0) if density.data else Decimal(0)
    density.done()
    lead = _prices(table, "lead_time", above=0)
    if lead and lead.get("standard") is None:
        raise table.error("lead_time", "no standard lead time", expected="standard = 1.0")
    card = RateCard(
        currency=currency,
        date=table.date("date"),
        tax=table.text("tax", "net", choices=("net", "gross")),
        setup=table.decimal("setup", least=0),
        tiers=tiers,
        area=tuple(rates),
        area_step_mm=step_mm,
        area_min_dm2=min_dm2,
        layer_factor=MappingProxyType(
            {int(k): v for k, v in _factors(table, "layer_factor", layers).items()}
        ),
        copper_factor=MappingProxyType(_factors(table, "copper_factor", copper_oz)),
        thickness=_steps(table, "thickness"),
        small_drill=_steps(table, "small_drill"),
        fine_track=_steps(table, "fine_track"),
        holes_per_dm2=per_dm2,
        extra_hole=Decimal(extra_hole),
        extra_design=table.decimal("extra_design", None, least=0),
        panel=table.decimal("panel", None, least=0),
        extras=MappingProxyType(_prices(table, "extras", least=0)),
        lead_time=MappingProxyType(lead or {"standard": Decimal(1)}),
        shipping=_shipping(table.table("shipping")),
    )
    table.done()
    return card


def _at(row: Table) -> str:
    return dotted(row.path)


def _rows(table: Table, key: str) -> tuple[Table, ...]:
    rows = table.tables(key)
    if not rows:
        raise table.error(key, "empty list", expected="at least one row")
    return rows


def _ladder(
    table: Table, key: str, rungs: Sequence[AreaRate | SizeTier], *, minimum: int, step: int
) -> None:
    """Quantities must be covered once each, from the minimum order up."""

    def next_order(quantity: int) -> int:
        return -(-max(quantity, minimum) // step) * step

    due = next_order(1)
    rows = {dotted(row.path): row for row in table.tables(key)}
    for i, rung in enumerate(rungs):
        row = rows[rung.at]
        if rung.from_quantity > due:
            raise row.error(
                "from_quantity",
                f"gap: an order of {due} has no price",
                expected=f"from_quantity = {due} or less",
            )
        if i and rung.from_quantity <= (rungs[i - 1].to_quantity or rung.from_quantity):
            raise row.error(
                "from_quantity",
                f"an order of {rung.from_quantity} has two prices",
                expected=f"more than {rungs[i - 1].to_quantity}",
            )
        if rung.to_quantity is None:
            if i < len(rungs) - 1:
                raise row.error(
                    "to_quantity", "missing in a row that is not the last", expected="a quantity"
                )
            return
        if rung.to_quantity < rung.from_quantity:
            raise row.error(
                "to_quantity",
                f"{rung.to_quantity} is below from_quantity",
                expected=f"at least {rung.from_quantity}",
            )
        due = next_order(rung.to_quantity + 1)


def _tiers(table: Table, *, minimum: int, step: int) -> tuple[SizeTier, ...]:
    tiers = []
    for row in _rows(table, "base"):
        size = row.decimals("up_to_mm", above=0)
        if len(size) != 2:
            raise row.error("up_to_mm", f"{len(size)} numbers", expected="[width, height]")
        tiers.append(
            SizeTier(
                width_mm=size[0],
                height_mm=size[1],
                from_quantity=row.integer("from_quantity", 1, least=1),
                to_quantity=row.integer("to_quantity", None, least=1),
                price=row.decimal("price", least=0),
                at=_at(row),
            )
        )
        row.done()
    sizes = list(dict.fromkeys((t.width_mm, t.height_mm) for t in tiers))
    for size in sizes:
        same = [t for t in tiers if (t.width_mm, t.height_mm) == size]
        _ladder(table, "base", same, minimum=minimum, step=step)
    return tuple(sorted(tiers, key=lambda t: (t.width_mm * t.height_mm, t.from_quantity)))


def _prices(
    table: Table, key: str, *, least: int | None = None, above: int | None = None
) -> dict[str, Decimal]:
    rows = table.table(key, None)
    found = rows.decimals_by_name(least=least, above=above)
    rows.done()
    return found


def _factors(table: Table, key: str, offered: Sequence[float]) -> dict[Decimal, Decimal]:
    """Factors by number; every offered option needs one unless the table is left out."""
    rows = table.table(key, None)
    found: dict[Decimal, Decimal] = {}
    for name, factor in rows.decimals_by_name(above=0).items():
        try:
            number = Decimal(name)
        except InvalidOperation:
            raise rows.error(
                name, f"'{name}' is not a number", expected='such as "2" = 1.0'
            ) from None
        found[number] = factor
    rows.done()
    if not rows.data:
        return {Decimal(str(n)).normalize(): Decimal(1) for n in offered}
    for option in offered:
        if Decimal(str(option)) not in found:
            raise table.error(
                key, f"no factor for {option:g}, which is offered", expected=f'"{option:g}" = 1.0'
            )
    return {k.normalize(): v for k, v in found.items()}


def _steps(table: Table, key: str) -> tuple[Step, ...]:
    steps: list[Step] = []
    for row in table.tables(key, None):
        below = row.decimal("below_mm", None, above=0)
        above = row.decimal("above_mm", None, least=0)
        if (below is None) == (above is None):
            raise row.error(
                None, "needs one of below_mm and above_mm", expected="below_mm = ... (or above_mm)"
            )
        step = Step(
            below_mm=below, above_mm=above, price=row.decimal("price", least=0), at=_at(row)
        )
        if any(
            s.below_mm == below and s.above_mm == above and s.price != step.price for s in steps
        ):
            raise row.error("price", "contradicts an earlier row", expected="one price a limit")
        row.done()
        steps.append(step)
    return tuple(steps)


def _shipping(table: Table) -> Shipping:
    bands: list[ShippingBand] = []
    for row in _rows(table, "band"):
        band = ShippingBand(
            up_to_g=row.decimal("up_to_g", above=0),
            price=row.decimal("price", least=0),
            at=_at(row),
        )
        if bands and band.up_to_g <= bands[-1].up_to_g:
            raise row.error(
                "up_to_g",
                f"{band.up_to_g} is not above the band before",
                expected=f"more than {bands[-1].up_to_g}; bands ascend",
            )
        row.done()
        bands.append(band)
    made = Shipping(
        packing_g=table.decimal("packing_g", Decimal(150), least=0),
        packing_share=table.decimal("packing_share", Decimal("0.05"), least=0, most=1),
        bands=tuple(bands),
        volumetric_divisor=table.decimal("volumetric_divisor", None, above=0),
        stack_height_mm=table.decimal("padding_mm", Decimal(30), least=0),
    )
    table.done()
    return made
