"""The number format of a file: what is stated, what comments hint, what has to be assumed."""

from __future__ import annotations

from dataclasses import replace

from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.drill import problems
from fabkit.formats.drill.comments import FormatHint
from fabkit.formats.drill.model import NumberFormat
from fabkit.formats.drill.numbers import DEFAULT_DIGITS, DigitSurvey, Unit, Zeros

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
            rule = problems.UNIT_CONFLICT if in_header else problems.UNIT_SWITCH
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
                self._log.add(
                    problems.UNIT_SWITCH, "the unit comes after the first hole", offset=offset
                )
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
                self._log.add(problems.FORMAT_GIVEN, f"read as {describe(self._given)}, as given")
        return self.format

    def _decide(self, survey: DigitSurvey) -> NumberFormat:
        self._compare_hints()
        # With a point in every number neither digits nor zeros matter.
        matters = survey.total > 0 and not survey.all_pointed
        unit, unit_from = self._unit()
        digits, digits_from = self._digits(unit, survey)
        zeros, zeros_from = self._zeros(sum(digits), survey, matters=matters)
        # Numbers longer than the digits disprove even stated ones, so the board is asked.
        too_long = survey.longest > sum(digits)
        if survey.pointed and not survey.all_pointed:
            self._log.add(
                problems.MIXED_POINTS,
                f"{survey.pointed} coordinate texts have a decimal point,"
                f" {survey.total - survey.pointed} have none",
            )
        if matters and digits_from == "default":
            self._log.add(
                problems.DIGITS_MISSING,
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

    def _unit(self) -> tuple[Unit, str]:
        if self.unit is not None:
            return self.unit, "stated"
        if self.hint.unit is not None:
            self._log.add(
                problems.UNIT_MISSING,
                "the unit is stated in a comment only",
                assumed=f"read as {_WORDS[self.hint.unit]}",
                severity=Severity.WARNING,
            )
            return self.hint.unit, "hint"
        self._log.add(
            problems.UNIT_MISSING,
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
            problems.ZEROS_MISSING,
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
                problems.HINT_CONFLICT,
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
