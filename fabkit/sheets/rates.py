"""The rate card of a house sheet: everything that has a price.

Prices are Decimal in the card's currency.  The structure follows what board houses commonly
charge for (common practice); no figure here is any house's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from fabkit.sheets.money import Currency


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
