"""Prices: money, and the rate card of a house sheet, everything that has a price.

Amounts are Decimal in the card's currency; here is the one place where they are rounded.  The
structure follows what board houses commonly charge for (common practice); no figure is any
house's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from itertools import pairwise
from types import MappingProxyType
from typing import Annotated, Literal

from fabkit.base.errors import UsageError
from fabkit.sheets.reading import Count, Exact, Filled, Key, Positive, Share, Words, Wrong, nearest
from fabkit.sheets.toml_text import KeyPath, SheetText

RoundingMode = Literal["half-up", "half-even"]

_ROUNDING = {"half-up": ROUND_HALF_UP, "half-even": ROUND_HALF_EVEN}

_TWO_DIGITS = """
AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF CHF CNY
COP CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HTG HUF
IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR
MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG
SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD UYU UZS VES WST
XCD YER ZAR ZMW XTS cu
"""
_NO_DIGITS = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF"
_THREE_DIGITS = "BHD IQD JOD KWD LYD OMR TND"

CURRENCY_DIGITS = {
    **dict.fromkeys(_TWO_DIGITS.split(), 2),
    **dict.fromkeys(_NO_DIGITS.split(), 0),
    **dict.fromkeys(_THREE_DIGITS.split(), 3),
}
"""Decimals of each currency: ISO 4217 codes and minor units (from memory); ``XTS`` is the code
that standard reserves for tests, ``cu`` our neutral unit for invented prices."""

CurrencyCode = Annotated[
    str,
    Words(tuple(CURRENCY_DIGITS), "an ISO 4217 code such as EUR, or cu for invented prices"),
]
"""A key of a sheet that names a currency."""


@dataclass(frozen=True, slots=True)
class Currency:
    """A currency and the step its invoice lines are rounded to."""

    code: str
    step: Decimal
    mode: RoundingMode = "half-up"

    @property
    def digits(self) -> int:
        """Decimals on screen."""
        exponent = self.step.as_tuple().exponent
        return max(0, -exponent) if isinstance(exponent, int) else 0

    def round(self, value: Decimal) -> Decimal:
        """Round to the step; half goes up (away from zero) unless the mode is even.

        >>> Currency("cu", Decimal("0.01")).round(Decimal("25.765"))
        Decimal('25.77')
        """
        steps = (value / self.step).quantize(Decimal(1), rounding=_ROUNDING[self.mode])
        return (steps * self.step).quantize(self.step)

    def format(self, value: Decimal) -> str:
        """Write an amount with its currency.

        >>> Currency("cu", Decimal("0.01")).format(Decimal("1234.5"))
        '1,234.50 cu'
        """
        shown = value.quantize(Decimal(1).scaleb(-self.digits), rounding=ROUND_HALF_UP)
        return f"{shown:,} {self.code}"

    def split(self, total: Decimal, weights: Sequence[Decimal | int]) -> tuple[Decimal, ...]:
        """Split an amount in proportion to ``weights``; the shares add up to it exactly.

        Each share is rounded down to the step, then the largest remainders get one step more
        (largest remainder method; ties go to the earlier one).
        """
        whole = sum((Decimal(w) for w in weights), Decimal(0))
        if not weights or whole <= 0 or any(w < 0 for w in weights):
            raise ValueError("weights must not be negative and must not all be zero")
        steps = int((total / self.step).to_integral_value(rounding=ROUND_HALF_UP))
        # Counted in steps, so that what is shared out adds up without a remainder.
        exact = [steps * Decimal(w) / whole for w in weights]
        shares = [int(e) for e in exact]
        order = sorted(range(len(exact)), key=lambda i: (shares[i] - exact[i], i))
        for i in order[: steps - sum(shares)]:
            shares[i] += 1
        return tuple((s * self.step).quantize(self.step) for s in shares)


def unit_price(value: Decimal) -> Decimal:
    """Round a share of a total for showing, to four decimals: nothing is added up from it.

    >>> unit_price(Decimal("367.94") / 9)
    Decimal('40.8822')
    """
    return value.quantize(Decimal("0.0001"), rounding=ROUND_HALF_UP)


def find_currency(
    code: str, *, step: Decimal | None = None, mode: RoundingMode = "half-up"
) -> Currency:
    """Find the currency of a code.

    Raises
    ------
    UsageError
        The code is not known.
    """
    if code not in CURRENCY_DIGITS:
        near = nearest(code, tuple(CURRENCY_DIGITS))
        raise UsageError(
            f"currency '{code}' is not known",
            hint="use an ISO 4217 code such as EUR, or cu for invented prices"
            + (f"; did you mean '{near}'?" if near else ""),
        )
    return Currency(code, step or Decimal(1).scaleb(-CURRENCY_DIGITS[code]), mode)


At = Annotated[str, Filled.PATH]
"""Where a row stands in the sheet, for citing."""


@dataclass(frozen=True, kw_only=True)
class Rung:
    """A price for a range of quantities."""

    from_quantity: Count
    to_quantity: Count | None = None
    at: At = ""

    def covers(self, quantity: int) -> bool:
        """Whether a quantity is in its range."""
        last = self.to_quantity
        return self.from_quantity <= quantity and (last is None or quantity <= last)


@dataclass(frozen=True, kw_only=True)
class SizeTier(Rung):
    """Base price up to a size (either way round) for a range of quantities."""

    from_quantity: Count = 1
    up_to_mm: tuple[Positive, Positive]
    price: Exact

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


@dataclass(frozen=True, kw_only=True)
class AreaRate(Rung):
    """Price per dm2 for a range of quantities."""

    per_dm2: Exact


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A price that applies below (or above) a measure, mm."""

    below_mm: Positive | None = None
    above_mm: Exact | None = None
    price: Exact
    at: At = ""

    def __post_init__(self) -> None:
        """Refuse a step with two limits or none."""
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
class Area:
    """Prices per dm2, by quantity.

    Parameters
    ----------
    step_mm
        Sides are rounded up to it; 0: exact.
    min_dm2
        A piece counts at least this.
    """

    step_mm: Exact = Decimal(0)
    min_dm2: Exact = Decimal(0)
    rates: Annotated[tuple[AreaRate, ...], Key("rate")]


@dataclass(frozen=True, slots=True, kw_only=True)
class HoleDensity:
    """Holes beyond ``per_dm2`` are charged each; None: as many as you like."""

    per_dm2: Exact | None = None
    extra_hole: Exact = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RateCard:
    """All prices of a house.

    Parameters
    ----------
    code, round_to, rounding
        Of the currency, and how its invoice lines are rounded.
    date, tax
        Of all prices; ``tax`` states whether they are net or gross.
    setup
        Per design file set.
    tiers
        Base price by size and quantity, from small to large.
    layer_factor, copper_factor
        On the area part, by copper layers and by copper weight in oz/ft2.
    thickness, small_drill, fine_track
        Fixed prices by measure.
    minimum
        Least price of one set of files; 0: none.
    extra_design
        Each further design in one panel.
    panel
        Fixed price of a panel of several boards.
    extras
        Fixed prices by name: castellation, order mark, stencil, class surcharges ...
    lead_time
        Factor on the area part by name; ``standard`` is 1.
    """

    code: Annotated[CurrencyCode, Key("currency")]
    round_to: Positive | None = None
    rounding: RoundingMode = "half-up"
    date: date
    tax: Literal["net", "gross"] = "net"
    setup: Exact
    tiers: Annotated[tuple[SizeTier, ...], Key("base")]
    area: Area
    layer_factor: Mapping[Decimal, Positive] = field(default_factory=dict)
    copper_factor: Mapping[Decimal, Positive] = field(default_factory=dict)
    thickness: tuple[Step, ...] = ()
    small_drill: tuple[Step, ...] = ()
    fine_track: tuple[Step, ...] = ()
    hole_density: HoleDensity = HoleDensity()
    minimum: Exact = Decimal(0)
    extra_design: Exact | None = None
    panel: Exact | None = None
    extras: Mapping[str, Exact] = field(default_factory=dict)
    lead_time: Mapping[str, Positive] = field(default_factory=dict)
    shipping: Shipping

    @property
    def currency(self) -> Currency:
        """The currency of all prices."""
        return find_currency(self.code, step=self.round_to, mode=self.rounding)


def next_order(need: int, minimum: int, step: int) -> int:
    """Find the smallest quantity that can be ordered and covers a need.

    >>> next_order(7, 5, 5), next_order(1, 5, 5)
    (10, 5)
    """
    return -(-max(need, minimum) // step) * step


_RATES: KeyPath = ("rates",)


def judged_card(
    card: RateCard,
    text: SheetText,
    *,
    minimum: int,
    step: int,
    layers: Sequence[float],
    copper_oz: Sequence[float],
) -> RateCard:
    """Judge a rate card as read: its ladders have neither gaps nor contradictions.

    Parameters
    ----------
    minimum, step
        Smallest order, and the multiple it must be of.
    layers, copper_oz
        What is offered; each needs a factor.

    Returns
    -------
    RateCard
        With the factors the sheet leaves out, and its tiers from small to large.

    Raises
    ------
    SheetError
        As ``load_house``.
    """
    for path, rows in (
        (("rates", "area", "rate"), card.area.rates),
        (("rates", "base"), card.tiers),
        (("rates", "shipping", "band"), card.shipping.bands),
    ):
        if not rows:
            raise text.error(path, "empty list", expected="at least one row")
    _judge_ladder(text, card.area.rates, ("rates", "area", "rate"), minimum=minimum, step=step)
    for size in dict.fromkeys(tier.up_to_mm for tier in card.tiers):
        same = [tier for tier in card.tiers if tier.up_to_mm == size]
        _judge_ladder(text, same, ("rates", "base"), minimum=minimum, step=step)
    for key, steps in (
        ("thickness", card.thickness),
        ("small_drill", card.small_drill),
        ("fine_track", card.fine_track),
    ):
        _judge_steps(text, key, steps)
    _judge_bands(text, card.shipping.bands)
    if card.lead_time and "standard" not in card.lead_time:
        raise text.error((*_RATES, "lead_time"), "no standard lead time", expected="standard = 1.0")
    return replace(
        card,
        tiers=tuple(sorted(card.tiers, key=lambda t: (t.width_mm * t.height_mm, t.from_quantity))),
        layer_factor=_factors(text, "layer_factor", card.layer_factor, layers),
        copper_factor=_factors(text, "copper_factor", card.copper_factor, copper_oz),
        lead_time=card.lead_time or MappingProxyType({"standard": Decimal(1)}),
    )


def _row(rung: Rung) -> int:
    """Take the number of a row in its list from its path (``rates.base[2]``)."""
    return int(rung.at.rpartition("[")[2].rstrip("]")) - 1


def _judge_ladder(
    text: SheetText,
    rungs: Sequence[Rung],
    path: KeyPath,
    *,
    minimum: int,
    step: int,
) -> None:
    """Quantities must be covered once each, from the minimum order up."""
    due = next_order(1, minimum, step)
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
        due = next_order(rung.to_quantity + 1, minimum, step)


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
    text: SheetText, key: str, stated: Mapping[Decimal, Decimal], offered: Sequence[float]
) -> Mapping[Decimal, Decimal]:
    """Every offered option has a factor; all are 1 where the table is left out."""
    if not stated:
        return MappingProxyType({Decimal(str(n)).normalize(): Decimal(1) for n in offered})
    for option in offered:
        if Decimal(str(option)).normalize() not in stated:
            raise text.error(
                (*_RATES, key),
                f"no factor for {option:g}, which is offered",
                expected=f'"{option:g}" = 1.0',
            )
    return stated
