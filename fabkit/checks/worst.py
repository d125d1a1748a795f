"""Many measures of one kind as few findings: worst first, counted, against both limit classes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np

from fabkit.base.columns import Floats, Ints
from fabkit.base.findings import FINE_CLASS, Finding, Place, Rule, Severity
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.base.units import COINCIDENT_MM, format_number
from fabkit.board.model import Layer
from fabkit.checks.model import Case
from fabkit.sheets.house import Limit

T = TypeVar("T")
ON_REQUEST: Final = 0.75
"""Share of a printed limit that some houses make on request: drills of 0.15 mm where 0.20 is
printed, tracks of 0.075 where 0.10 is (published maker guides)."""

PlaceOf = Callable[[int], Place]
"""Place of a row."""


@dataclass(frozen=True, eq=False)
class Measures:
    """Measures of one kind, each with its place.

    Parameters
    ----------
    values : (n,) float64
    place
        Place of a row.
    where
        Words that follow what was measured, for a row: ``on inner copper 2``.
    slack : float or (n,) float64
        How far a measure may be off through rounding or chords.
    """

    values: Floats
    place: PlaceOf
    where: Callable[[int], str] | None = None
    slack: float | Floats = COINCIDENT_MM

    def take(self, rows: Ints) -> Measures:
        """Give some of them, by row."""
        return replace(
            self,
            values=np.asarray(self.values)[rows],
            place=at_rows(self.place, rows),
            where=None if self.where is None else at_rows(self.where, rows),
            slack=self.slack if isinstance(self.slack, float) else self.slack[rows],
        )


def at_rows(of: Callable[[int], T], rows: Ints) -> Callable[[int], T]:
    """Turn a function of rows into one of some rows, counted anew."""
    return lambda row: of(int(rows[row]))


def spots_at(case: Case, layer: Layer, x: Floats, y: Floats) -> PlaceOf:
    """Places on a layer, mm."""
    return lambda row: case.layer_place(layer, x[row], y[row])


def points_at(x: Floats, y: Floats) -> PlaceOf:
    """Places on the board, of no file, mm."""
    return lambda row: Place(x_mm=float(x[row]), y_mm=float(y[row]))


def objects_at(
    case: Case,
    layer: Layer,
    rows: Ints,
    x: Floats | None = None,
    y: Floats | None = None,
) -> PlaceOf:
    """Places of graphic objects of a layer, at their own start unless points are given, mm."""
    if x is None or y is None:
        return lambda row: case.object_place(layer, int(rows[row]))
    return lambda row: case.object_place(layer, int(rows[row]), x_mm=x[row], y_mm=y[row])


def holes_at(case: Case, rows: Ints) -> PlaceOf:
    """Places of round holes, by their rows in ``board.holes``."""
    return at_rows(case.hole_place, rows)


_DIGITS: Final = {"deg": 1, "": 2}
"""Decimals of angles and ratios: more of them say nothing about the board."""


def _short(value: float, limit: float | None, unit: str) -> str:
    """Write a measure, with as many decimals as set it apart from its limit."""
    digits = _DIGITS.get(unit, 3)
    if limit is not None and format_number(value, digits=digits) == format_number(limit):
        digits = 3
    return format_number(value, digits=digits)


def group(
    rule: Rule,
    found: Measures,
    message: str,
    *,
    most: bool = False,
    limit: float | None = None,
    unit: str = "mm",
    severity: Severity | None = None,
    advice: str = "",
) -> Iterator[Finding]:
    """One finding for many places; none where there is no measure.

    Parameters
    ----------
    message
        Sentence about the worst; ``{worst}`` stands for its value with the unit, ``{where}``
        for the words of its row.
    most
        Whether the largest measure is the worst, not the smallest.
    """
    if not len(found.values):
        return
    order = np.argsort(-found.values if most else found.values, kind="stable")
    worst = float(found.values[order[0]])
    yield Finding(
        rule=rule,
        severity=rule.severity if severity is None else severity,
        message=message.format(
            worst=f"{_short(worst, limit, unit)} {unit}".strip(),
            where=found.where(int(order[0])) if found.where else "",
        ),
        places=tuple(found.place(int(row)) for row in order[: DEFAULT_LIMITS.problem_places]),
        count=len(found.values),
        measured=worst,
        limit=limit,
        unit=unit,
        advice=advice,
    )


def judge(
    case: Case,
    rule: Rule,
    limits: str | tuple[Limit, Limit],
    found: Measures,
    subject: str,
    *,
    advice: str = "",
) -> Iterator[Finding]:
    """Compare measures with a limit of the house, standard and fine.

    Between the two classes it is a warning, because the house makes it at its finer class.  So
    it is a little beyond the fine one where no house of the user's states that limit: others make
    it on request.  Beyond that, the rule's own severity applies.

    Parameters
    ----------
    limits
        Key of the house sheet, or the standard and the fine limit.
    subject
        What was measured, such as ``narrowest track``.
    """
    standard, fine = (
        (case.house.limit(limits), case.house.limit(limits, "fine"))
        if isinstance(limits, str)
        else limits
    )
    if case.options.limit_class == "fine":
        standard = fine
    sign = 1.0 if standard.sense == "least" else -1.0
    short = sign * (standard.value - found.values) > found.slack
    beyond = short & (sign * (fine.value - found.values) > found.slack)
    last = fine.value
    if rule.severity > Severity.WARNING and (case.house.invented or not fine.stated):
        last *= ON_REQUEST if standard.sense == "least" else 1 / ON_REQUEST
    refused = beyond & (sign * (last - found.values) > found.slack)
    eased = min(rule.severity, Severity.WARNING)
    word = "needs at least" if standard.sense == "least" else "allows at most"
    text = f"{format_number(standard.value)} {standard.unit}".strip()
    if fine.value != standard.value:
        text += f" ({format_number(fine.value)} in its fine class)"
    named = f"{subject} {{where}}" if found.where else subject
    message = f"{named} is {{worst}}; your house {word} {text}"
    for mine, limit, severity in (
        (refused, fine, rule.severity),
        (beyond & ~refused, fine, eased),
        (short & ~beyond, standard, eased),
    ):
        taken = found.take(np.flatnonzero(mine))
        settles = limit is standard and fine.value != standard.value
        if settles:
            # What is let through by rounding is not shown as if it were beyond the limit.
            kept = np.maximum if standard.sense == "least" else np.minimum
            taken = replace(taken, values=kept(taken.values, fine.value))
        for finding in group(
            rule,
            taken,
            message,
            most=standard.sense == "most",
            limit=limit.value,
            unit=limit.unit,
            severity=severity,
            advice=f"{advice or rule.advice} {_way_out(settles)}",
        ):
            yield replace(finding, choice=FINE_CLASS if settles else "")


def _way_out(fine: bool) -> str:
    """Give what else can be done about a limit that is broken."""
    if fine:
        return "Or order the fine class, by which `fabkit check --fine` judges."
    return "Or ask the house whether it makes this."
