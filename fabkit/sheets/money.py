"""Money: Decimal amounts, currencies and the one place where rounding happens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Annotated, Literal

from fabkit.base.errors import UsageError
from fabkit.sheets.reading import Words, nearest

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

    def format(self, value: Decimal, *, digits: int | None = None) -> str:
        """Write an amount with its currency.

        >>> Currency("cu", Decimal("0.01")).format(Decimal("1234.5"))
        '1,234.50 cu'
        """
        places = self.digits if digits is None else digits
        shown = value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)
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
