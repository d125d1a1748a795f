"""Coordinate texts become numbers: units, digit patterns and which zeros are written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from fabkit.base.columns import Floats
from fabkit.formats.drill.model import NumberFormat

Unit = Literal["mm", "inch"]
Zeros = Literal["leading", "trailing", "point"]

DEFAULT_DIGITS: Final[dict[Unit, tuple[int, int]]] = {"mm": (3, 3), "inch": (2, 4)}
"""Digits before and after the point when none are stated (Excellon CNC-7, decimal places)."""

_SURVEYED: Final = 8 * 2**20
"""Bytes whose numbers are looked at: half a million holes show every habit of an exporter."""

_LONGEST: Final = 32
"""Characters of a number; real ones have a dozen."""

NUMBER: Final = re.compile(rb"[+-]?(?:\d*\.?\d*)\Z")


def value_of(text: bytes, fmt: NumberFormat) -> float:
    """One number in file units; an empty text is zero.

    Raises
    ------
    ValueError
        When ``text`` is not a number.
    """
    if len(text) > _LONGEST or not NUMBER.match(text):
        raise ValueError(f"{text!r} is not a number")
    digits = text.lstrip(b"+-")
    if digits in (b"", b"."):
        return 0.0
    if b"." in digits:
        value = float(digits)
    elif fmt.zeros == "trailing":
        value = int(digits) / 10**fmt.decimals
    elif fmt.zeros == "leading":
        # Trailing zeros may be missing, so the point is counted from the left.
        shift = len(digits) - fmt.integers
        value = int(digits) / 10**shift if shift >= 0 else float(int(digits) * 10**-shift)
    else:
        value = float(digits)
    return -value if text[:1] == b"-" else value


def values_of(texts: Sequence[bytes], fmt: NumberFormat) -> Floats:
    """Many numbers in file units; empty texts are nan ("not written").

    Every text must match :data:`NUMBER`.
    """
    array = np.array(texts, dtype=np.bytes_)
    width = array.dtype.itemsize
    if width == 0 or not len(array):
        return np.full(len(array), np.nan)
    bytes_ = array.view(np.uint8).reshape(len(array), width)
    is_digit = (bytes_ >= 48) & (bytes_ <= 57)
    count = is_digit.sum(axis=1)
    empty = ~bytes_.any(axis=1)
    pointed = (bytes_ == 46).any(axis=1)
    # Zero stands for "X" with nothing or only a sign behind it.
    array = np.where(count > 0, array, b"0")
    if width <= 15:  # every such integer is exact in a double, and this parses fast
        value = array.astype(np.float64)
    else:
        value = np.array([float(t) for t in array.tolist()])
    if fmt.zeros == "trailing":
        value = np.where(pointed, value, value / 10.0**fmt.decimals)
    elif fmt.zeros == "leading":
        shift = count - fmt.integers
        scaled = np.where(
            shift >= 0, value / 10.0 ** np.maximum(shift, 0), value * 10.0 ** np.maximum(-shift, 0)
        )
        value = np.where(pointed, value, scaled)
    return np.where(empty, np.nan, value)


@dataclass(slots=True)
class DigitSurvey:
    """What the coordinate texts of a whole file look like, before their format is known."""

    total: int = 0
    pointed: int = 0
    longest: int = 0
    shortest: int = 0
    leading_zero_short: bool = False
    """A number shorter than the longest begins with zero: trailing zeros were dropped."""
    trailing_zero_short: bool = False
    """A number shorter than the longest ends with zero: leading zeros were dropped."""
    leading_zero_any: bool = False

    @classmethod
    def of(cls, data: bytes) -> DigitSurvey:
        """Look at the X and Y numbers of the blocks in ``data``; comments are left out."""
        head = data[:_SURVEYED]
        plain = re.sub(rb";[^\r\n]*", b"", head) if b";" in head else head
        texts = np.array(re.findall(rb"[XY][+-]?([0-9.]{1,24})", plain), dtype=np.bytes_)
        if not len(texts):
            return cls()
        bytes_ = texts.view(np.uint8).reshape(len(texts), texts.dtype.itemsize)
        pointed = (bytes_ == 46).any(axis=1)
        # A lone zero has no length to infer anything from.
        whole = ~pointed & (bytes_ > 48).any(axis=1)
        length = (bytes_ > 0).sum(axis=1)
        longest = int(length[~pointed].max(initial=0))
        starts = bytes_[:, 0] == 48
        ends = bytes_[np.arange(len(texts)), length - 1] == 48
        short = whole & (length < longest)
        return cls(
            total=len(texts),
            pointed=int(pointed.sum()),
            longest=longest,
            shortest=int(length[whole].min(initial=longest)),
            leading_zero_short=bool((short & starts).any()),
            trailing_zero_short=bool((short & ends).any()),
            leading_zero_any=bool((whole & starts).any()),
        )

    @property
    def all_pointed(self) -> bool:
        """True when no number depends on the digit format."""
        return self.pointed == self.total

    @property
    def fully_written(self) -> bool:
        """True when all numbers without a point have the same length."""
        return self.longest > 0 and self.shortest == self.longest

    def zeros(self, digits: int) -> tuple[Literal["leading", "trailing"], bool, str]:
        """Which zeros are written, whether that is sure, and why.

        Parameters
        ----------
        digits
            Digits of a whole number, before and after the point together.
        """
        if self.fully_written and self.longest == digits:
            return "leading", True, "every number is written in full"
        if self.leading_zero_short and not self.trailing_zero_short:
            return "leading", True, "short numbers begin with zero and none ends with zero"
        # Where leading zeros are dropped no number begins with one, be it short or long.
        if self.trailing_zero_short and not (self.leading_zero_short or self.leading_zero_any):
            return "trailing", True, "short numbers end with zero and none begins with zero"
        if self.leading_zero_short or self.leading_zero_any:
            return "leading", False, "numbers begin with zero"
        return "leading", False, "the power-on setting of the control"
