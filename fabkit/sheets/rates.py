"""The rate card of a house sheet: everything that has a price, and how it is read.

Prices are Decimal in the card's currency.  The structure follows what board houses commonly
charge for (common practice); no figure here is any house's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from types import MappingProxyType
from typing import Annotated, Literal

from fabkit.sheets.money import Currency, CurrencyCode, RoundingMode, find_currency
from fabkit.sheets.reading import Count, Exact, Filled, Key, Positive, Share, Wrong
from fabkit.sheets.toml_text import KeyPath, SheetText

At = Annotated[str, Filled.PATH]
"""Where a row stands in the sheet, for citing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeTier:
    """Base price up to a size (either way round) for a range of quantities."""

    up_to_mm: tuple[Positive, Positive]
    from_quantity: Count = 1
    to_quantity: Count | None = None
    price: Exact
    at: At = ""

    @property
    def width_mm(self) -> Decimal:
        """First side of the size."""
        return self.up_to_mm[0]

    @property
    def height_mm(self) -> Decimal:
        """Second side of the size."""
        return self.up_to_mm[1]

    def fits(self, width_mm: Decimal, height_mm: Decimal) -> bool:
        """Whether a box is within the size, turned if need be."""
        return max(width_mm, height_mm) <= max(self.up_to_mm) and min(width_mm, height_mm) <= min(
            self.up_to_mm
        )

    def covers(self, quantity: int) -> bool:
        """Whether a quantity is in its range."""
        return _covers(self, quantity)


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaRate:
    """Price per dm2 for a range of quantities."""

    from_quantity: Count
    to_quantity: Count | None = None
    per_dm2: Exact
    at: At = ""

    def covers(self, quantity: int) -> bool:
        """Whether a quantity is in its range."""
        return _covers(self, quantity)


def _covers(rung: AreaRate | SizeTier, quantity: int) -> bool:
    return rung.from_quantity <= quantity and (
        rung.to_quantity is None or quantity <= rung.to_quantity
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A price that applies below (or above) a measure, mm."""

    below_mm: Positive | None = None
    above_mm: Exact | None = None
    price: Exact
    at: At = ""

    def __post_init__(self) -> None:
        if (self.below_mm is None) == (self.above_mm is None):
            raise Wrong(
                "", "needs one of below_mm and above_mm", expected="below_mm = ... (or above_mm)"
            )

    def applies(self, value_mm: Decimal) -> bool:
        """Whether a measure meets it; the limit itself does not."""
        return (self.below_mm is not None and value_mm < self.below_mm) or (
            self.above_mm is not None and value_mm > self.above_mm
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShippingBand:
    """Price of a parcel up to a weight, which belongs to the band."""

    up_to_g: Positive
    price: Exact
    at: At = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipping:
    """How a parcel is weighed and priced.

    Parameters
    ----------
    packing_share
        Of the boards' weight, 0.05 for 5 %.
    volumetric_divisor
        cm3 per kg; None: only the true weight counts.
    stack_height_mm
        Parcel height allowed for padding, beyond the stack of boards (volumetric weight only).
    """

    packing_g: Exact = Decimal(150)
    packing_share: Share = Decimal("0.05")
    bands: Annotated[tuple[ShippingBand, ...], Key("band")]
    volumetric_divisor: Positive | None = None
    stack_height_mm: Annotated[Exact, Key("padding_mm")] = Decimal(30)


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


@dataclass(frozen=True, kw_only=True)
class Area:
    """``[rates.area]``."""

    step_mm: Exact = Decimal(0)
    min_dm2: Exact = Decimal(0)
    rate: tuple[AreaRate, ...]


@dataclass(frozen=True, kw_only=True)
class HoleDensity:
    """``[rates.hole_density]``."""

    per_dm2: Exact | None = None
    extra_hole: Exact = Decimal(0)


@dataclass(frozen=True, kw_only=True)
class RatesTable:
    """``[rates]`` as it stands in the file; :func:`rate_card` judges it and makes the card."""

    currency: CurrencyCode
    round_to: Positive | None = None
    rounding: RoundingMode = "half-up"
    date: date
    tax: Literal["net", "gross"] = "net"
    setup: Exact
    base: tuple[SizeTier, ...]
    area: Area
    layer_factor: Mapping[str, Positive] = field(default_factory=dict)
    copper_factor: Mapping[str, Positive] = field(default_factory=dict)
    thickness: tuple[Step, ...] = ()
    small_drill: tuple[Step, ...] = ()
    fine_track: tuple[Step, ...] = ()
    hole_density: HoleDensity = HoleDensity()
    extra_design: Exact | None = None
    panel: Exact | None = None
    extras: Mapping[str, Exact] = field(default_factory=dict)
    lead_time: Mapping[str, Positive] = field(default_factory=dict)
    shipping: Shipping


_RATES: KeyPath = ("rates",)


def rate_card(
    rates: RatesTable,
    text: SheetText,
    *,
    minimum: int,
    step: int,
    layers: Sequence[float],
    copper_oz: Sequence[float],
) -> RateCard:
    """Make the rate card, with its ladders checked for gaps and contradictions.

    Parameters
    ----------
    minimum, step
        Smallest order, and the multiple it must be of.
    layers, copper_oz
        What is offered; each needs a factor.

    Raises
    ------
    SheetError
        As ``load_house``.
    """
    for path, rows in (
        (("rates", "area", "rate"), rates.area.rate),
        (("rates", "base"), rates.base),
        (("rates", "shipping", "band"), rates.shipping.bands),
    ):
        if not rows:
            raise text.error(path, "empty list", expected="at least one row")
    _judge_ladder(text, rates.area.rate, ("rates", "area", "rate"), minimum=minimum, step=step)
    for size in dict.fromkeys(tier.up_to_mm for tier in rates.base):
        same = [tier for tier in rates.base if tier.up_to_mm == size]
        _judge_ladder(text, same, ("rates", "base"), minimum=minimum, step=step)
    for key, steps in (
        ("thickness", rates.thickness),
        ("small_drill", rates.small_drill),
        ("fine_track", rates.fine_track),
    ):
        _judge_steps(text, key, steps)
    _judge_bands(text, rates.shipping.bands)
    if rates.lead_time and "standard" not in rates.lead_time:
        raise text.error((*_RATES, "lead_time"), "no standard lead time", expected="standard = 1.0")
    layer_factor = _factors(text, "layer_factor", rates.layer_factor, layers)
    return RateCard(
        currency=find_currency(rates.currency, step=rates.round_to, mode=rates.rounding),
        date=rates.date,
        tax=rates.tax,
        setup=rates.setup,
        tiers=tuple(sorted(rates.base, key=lambda t: (t.width_mm * t.height_mm, t.from_quantity))),
        area=rates.area.rate,
        area_step_mm=rates.area.step_mm,
        area_min_dm2=rates.area.min_dm2,
        layer_factor=MappingProxyType({int(k): v for k, v in layer_factor.items()}),
        copper_factor=MappingProxyType(
            _factors(text, "copper_factor", rates.copper_factor, copper_oz)
        ),
        thickness=rates.thickness,
        small_drill=rates.small_drill,
        fine_track=rates.fine_track,
        holes_per_dm2=rates.hole_density.per_dm2,
        extra_hole=rates.hole_density.extra_hole,
        extra_design=rates.extra_design,
        panel=rates.panel,
        extras=MappingProxyType(dict(rates.extras)),
        lead_time=MappingProxyType(dict(rates.lead_time) or {"standard": Decimal(1)}),
        shipping=rates.shipping,
    )


def _row(rung: AreaRate | SizeTier) -> int:
    """Number of a row in its list, from where it says it stands (``rates.base[2]``)."""
    return int(rung.at.rpartition("[")[2].rstrip("]")) - 1


def _judge_ladder(
    text: SheetText,
    rungs: Sequence[AreaRate | SizeTier],
    path: KeyPath,
    *,
    minimum: int,
    step: int,
) -> None:
    """Quantities must be covered once each, from the minimum order up."""

    def next_order(quantity: int) -> int:
        return -(-max(quantity, minimum) // step) * step

    due = next_order(1)
    for i, rung in enumerate(rungs):
        row = (*path, _row(rung))
        if rung.from_quantity > due:
            raise text.error(
                (*row, "from_quantity"),
                f"gap: an order of {due} has no price",
                expected=f"from_quantity = {due} or less",
            )
        if i and rung.from_quantity <= (rungs[i - 1].to_quantity or rung.from_quantity):
            raise text.error(
                (*row, "from_quantity"),
                f"an order of {rung.from_quantity} has two prices",
                expected=f"more than {rungs[i - 1].to_quantity}",
            )
        if rung.to_quantity is None:
            if i < len(rungs) - 1:
                raise text.error(
                    (*row, "to_quantity"),
                    "missing in a row that is not the last",
                    expected="a quantity",
                )
            return
        if rung.to_quantity < rung.from_quantity:
            raise text.error(
                (*row, "to_quantity"),
                f"{rung.to_quantity} is below from_quantity",
                expected=f"at least {rung.from_quantity}",
            )
        due = next_order(rung.to_quantity + 1)


def _judge_steps(text: SheetText, key: str, steps: Sequence[Step]) -> None:
    prices: dict[tuple[Decimal | None, Decimal | None], Decimal] = {}
    for n, one in enumerate(steps):
        if prices.setdefault((one.below_mm, one.above_mm), one.price) != one.price:
            raise text.error(
                (*_RATES, key, n, "price"),
                "contradicts an earlier row",
                expected="one price a limit",
            )


def _judge_bands(text: SheetText, bands: Sequence[ShippingBand]) -> None:
    for n, (before, band) in enumerate(pairwise(bands), start=1):
        if band.up_to_g <= before.up_to_g:
            raise text.error(
                (*_RATES, "shipping", "band", n, "up_to_g"),
                f"{band.up_to_g} is not above the band before",
                expected=f"more than {before.up_to_g}; bands ascend",
            )


def _factors(
    text: SheetText, key: str, stated: Mapping[str, Decimal], offered: Sequence[float]
) -> dict[Decimal, Decimal]:
    """Factors by number; every offered option needs one unless the table is left out."""
    if not stated:
        return {Decimal(str(n)).normalize(): Decimal(1) for n in offered}
    found: dict[Decimal, Decimal] = {}
    for name, factor in stated.items():
        try:
            number = Decimal(name)
        except InvalidOperation:
            number = Decimal("nan")
        if not number.is_finite():
            raise text.error(
                (*_RATES, key, name), f"'{name}' is not a number", expected='such as "2" = 1.0'
            )
        found[number.normalize()] = factor
    for option in offered:
        if Decimal(str(option)).normalize() not in found:
            raise text.error(
                (*_RATES, key),
                f"no factor for {option:g}, which is offered",
                expected=f'"{option:g}" = 1.0',
            )
    return found
