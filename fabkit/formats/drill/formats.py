"""Coordinate texts become numbers: units, digit patterns and which zeros are written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.drill.model import FormatHint, NumberFormat, Unit, Zeros
from fabkit.rules import load_rule

UNIT_MISSING: Final = load_rule("drill/unit-missing")
ZEROS_MISSING: Final = load_rule("drill/zeros-missing")
DIGITS_MISSING: Final = load_rule("drill/digits-missing")
MIXED_POINTS: Final = load_rule("drill/mixed-points")
UNIT_SWITCH: Final = load_rule("drill/unit-switched")
UNIT_CONFLICT: Final = load_rule("drill/unit-conflict")
HINT_CONFLICT: Final = load_rule("drill/comment-conflict")
FORMAT_GIVEN: Final = load_rule("drill/format-given")

UNSTATED: Final = (UNIT_MISSING, ZEROS_MISSING, DIGITS_MISSING, MIXED_POINTS)
"""What a file leaves open; it stays true when the board shows how its numbers are meant."""

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


_WORDS = {"mm": "millimetres", "inch": "inches"}


class FormatState:
    """Collects statements about the number format until the first coordinate needs one.

    Parameters
    ----------
    log
        Where disagreements go.
    given
        A format given by the caller; it overrules the file.
    """

    def __init__(self, log: ProblemLog, given: NumberFormat | None = None) -> None:
        self._log = log
        self._given = given
        self._offset: dict[str, int] = {}
        self.unit: Unit | None = None
        self.zeros: Zeros | None = None
        self.digits: tuple[int, int] | None = None
        self.hint = FormatHint()
        self.tool_digits: tuple[int, int] | None = None
        self.format: NumberFormat | None = None
        self.needs_format = False
        self._was_unitless = False

    def add_hint(self, hint: FormatHint) -> None:
        """Take what a comment states, where no earlier comment stated it."""
        self.hint = FormatHint(
            unit=self.hint.unit or hint.unit,
            zeros=self.hint.zeros or hint.zeros,
            digits=self.hint.digits or hint.digits,
        )

    def state_unit(self, unit: Unit, offset: int, *, in_header: bool) -> None:
        """INCH, METRIC, M71 or M72."""
        if self.unit is not None and unit != self.unit:
            rule = UNIT_CONFLICT if in_header else UNIT_SWITCH
            self._log.add(
                rule,
                f"unit changes from {_WORDS[self.unit]} to {_WORDS[unit]}",
                offset=offset,
                assumed=f"read as {_WORDS[unit]} from here on",
            )
        changed = unit != self.unit
        self.unit = unit
        self._offset.setdefault("unit", offset)
        if self.format is not None and changed and self._given is None:
            if self._was_unitless:
                self._log.add(UNIT_SWITCH, "the unit comes after the first hole", offset=offset)
            integers, decimals = self.digits or DEFAULT_DIGITS[unit]
            self.format = replace(self.format, unit=unit, integers=integers, decimals=decimals)

    @property
    def is_given(self) -> bool:
        """True when the caller gave the format."""
        return self._given is not None

    def state_zeros(self, zeros: Zeros, offset: int) -> None:
        """LZ or TZ."""
        self.zeros = zeros
        self._offset["zeros"] = offset
        if self.format is not None and self._given is None:
            self.format = replace(self.format, zeros=zeros)

    def state_digits(self, integers: int, decimals: int, offset: int) -> None:
        """Take the digits of a pattern such as 000.000."""
        self.digits = (integers, decimals)
        self._offset["digits"] = offset
        if self.format is not None and self._given is None:
            self.format = replace(self.format, integers=integers, decimals=decimals)

    def settled(self, data: bytes) -> NumberFormat:
        """Give the format in force; decided at the first call."""
        if self.format is None:
            self.format = self._given or self._decide(DigitSurvey.of(data))
            if self._given is not None:
                self._log.add(FORMAT_GIVEN, f"read as {describe(self._given)}, as given")
        return self.format

    def _decide(self, survey: DigitSurvey) -> NumberFormat:
        self._compare_hints()
        # With a point in every number neither digits nor zeros matter.
        matters = survey.total > 0 and not survey.all_pointed
        unit, unit_from = self._unit(measures=survey.total > 0)
        digits, digits_from = self._digits(unit, survey)
        zeros, zeros_from = self._zeros(sum(digits), survey, matters=matters)
        # Numbers longer than the digits disprove even stated ones, so the board is asked.
        too_long = survey.longest > sum(digits)
        if survey.pointed and not survey.all_pointed:
            self._log.add(
                MIXED_POINTS,
                f"{survey.pointed} coordinate texts have a decimal point,"
                f" {survey.total - survey.pointed} have none",
            )
        if matters and digits_from == "default":
            self._log.add(
                DIGITS_MISSING,
                "the digit pattern is not stated",
                assumed=f"read as {digits[0]}.{digits[1]}",
            )
        unsure = [w for w in (unit_from, zeros_from if matters else "") if w not in ("", "stated")]
        if matters and digits_from not in ("stated", "hint"):
            unsure.append(digits_from)
        self._was_unitless = unit_from not in ("stated", "hint")
        open_zeros = zeros_from not in ("stated", "hint", "written in full")
        self.needs_format = survey.total > 0 and (
            self._was_unitless
            or (matters and (digits_from not in ("stated", "hint") or open_zeros or too_long))
        )
        # Digits by default are certain only where every number is as long as they are together.
        loose = digits_from == "default" and not (
            survey.fully_written and survey.longest == sum(digits)
        )
        return NumberFormat(
            unit=unit,
            zeros="point" if survey.total and survey.all_pointed else zeros,
            integers=digits[0],
            decimals=digits[1],
            evidence=", ".join(dict.fromkeys(unsure)) or "stated",
            certain=not (self._was_unitless or too_long or (matters and (open_zeros or loose))),
        )

    def _unit(self, *, measures: bool) -> tuple[Unit, str]:
        if self.unit is not None:
            return self.unit, "stated"
        if not measures:  # no number of a file without holes is in any unit
            return self.hint.unit or "inch", "unit assumed"
        if self.hint.unit is not None:
            self._log.add(
                UNIT_MISSING,
                "the unit is stated in a comment only",
                assumed=f"read as {_WORDS[self.hint.unit]}",
                severity=Severity.WARNING,
            )
            return self.hint.unit, "hint"
        self._log.add(
            UNIT_MISSING,
            "the file does not say whether it is in inches or millimetres",
            assumed="read as inches",
        )
        return "inch", "unit assumed"

    def _digits(self, unit: Unit, survey: DigitSurvey) -> tuple[tuple[int, int], str]:
        if self.digits is not None:
            return self.digits, "stated"
        if self.hint.digits is not None:
            return self.hint.digits, "hint"
        fallback = DEFAULT_DIGITS[unit]
        # A tool table written with the same fixed digits as the coordinates shows the pattern.
        shown = self.tool_digits
        if shown and survey.fully_written and survey.longest == sum(shown) > sum(fallback):
            return shown, "digits of the tool table"
        return fallback, "default"

    def _zeros(self, total: int, survey: DigitSurvey, *, matters: bool) -> tuple[Zeros, str]:
        if self.zeros is not None:
            return self.zeros, "stated"
        if self.hint.zeros is not None and not (self.hint.zeros == "point" and matters):
            return self.hint.zeros, "hint"
        zeros, sure, why = survey.zeros(total)
        if not matters:
            return zeros, ""
        if survey.fully_written and survey.longest == total:
            return zeros, "written in full"
        self._log.add(
            ZEROS_MISSING,
            "neither LZ nor TZ is stated, and coordinates have no decimal point",
            assumed=f"{zeros} zeros are written ({why})",
            severity=Severity.WARNING if sure else None,
        )
        return zeros, why

    def _compare_hints(self) -> None:
        pairs = (
            ("unit", self.unit, self.hint.unit),
            ("zeros", self.zeros, self.hint.zeros),
            ("digits", self.digits, self.hint.digits),
        )
        for what, stated, hinted in pairs:
            # "decimal" beside LZ or TZ is no conflict: a point overrides both.
            if stated is None or hinted is None or stated == hinted or hinted == "point":
                continue
            self._log.add(
                HINT_CONFLICT,
                f"a comment states {_shown(hinted)} for the {what}, the command {_shown(stated)}",
                offset=self._offset.get(what),
                assumed="the command was followed",
            )


def _shown(value: object) -> str:
    return f"{value[0]}.{value[1]}" if isinstance(value, tuple) else str(value)


def describe(fmt: NumberFormat) -> str:
    """Give the format in words: ``inches, 2.4, leading zeros written``."""
    if fmt.zeros == "point":
        return f"{_WORDS[fmt.unit]}, with decimal points"
    return f"{_WORDS[fmt.unit]}, {fmt.integers}.{fmt.decimals}, {fmt.zeros} zeros written"
