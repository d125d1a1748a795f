"""Many measures of one kind as few findings: worst first, counted, against both limit classes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fabkit.base.findings import Finding, Place, Rule, Severity
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.base.units import COINCIDENT_MM, format_number
from fabkit.checks.model import Case
from fabkit.sheets.house import Limit

T = TypeVar("T")
PlaceOf = Callable[[int], Place]


def group(
    rule: Rule,
    values: NDArray[Any],
    place: PlaceOf,
    message: str,
    *,
    most: bool = False,
    limit: float | None = None,
    unit: str = "mm",
    severity: Severity | None = None,
    advice: str = "",
    where: Callable[[int], str] | None = None,
) -> Finding:
    """One finding for many places.

    Parameters
    ----------
    values : (n,) float64
        Measures, at least one; the smallest is the worst (the largest when ``most``).
    place
        Place of a row of ``values``.
    message
        Sentence about the worst; ``{worst}`` stands for its value with the unit, ``{where}``
        for what ``where`` says of its row, such as the layer.
    """
    order = np.argsort(-values if most else values, kind="stable")
    worst = float(values[order[0]])
    text = f"{format_number(worst)} {unit}".strip()
    return Finding(
        rule=rule,
        severity=rule.severity if severity is None else severity,
        message=message.format(worst=text, where=where(int(order[0])) if where else ""),
        places=tuple(place(int(row)) for row in order[: DEFAULT_LIMITS.problem_places]),
        count=len(values),
        measured=worst,
        limit=limit,
        unit=unit,
        advice=advice,
    )


def judge(
    case: Case,
    rule: Rule,
    limits: str | tuple[Limit, Limit],
    values: NDArray[Any],
    place: PlaceOf,
    subject: str,
    *,
    slack: float | NDArray[Any] = COINCIDENT_MM,
    advice: str = "",
    where: Callable[[int], str] | None = None,
) -> Iterator[Finding]:
    """Compare measures with a limit of the house, standard and fine.

    Beyond the fine limit the rule's own severity applies; between the two classes it is a
    warning, because the house makes it at its finer class.

    Parameters
    ----------
    limits
        Key of the house sheet, or the standard and the fine limit.
    values : (n,) float64
    slack : float or (n,) float64
        How far a measure may be off through rounding or chords.
    subject
        What was measured, such as ``narrowest track``.
    where
        Words that follow the subject, for a row: ``on inner copper 2``.
    """
    standard, fine = (
        (case.house.limit(limits), case.house.limit(limits, "fine"))
        if isinstance(limits, str)
        else limits
    )
    if case.options.limit_class == "fine":
        standard = fine
    sign = 1.0 if standard.sense == "least" else -1.0
    short = sign * (standard.value - values) > slack
    refused = short & (sign * (fine.value - values) > slack)
    word = "at least" if standard.sense == "least" else "at most"
    for mine, limit, severity in (
        (refused, fine, rule.severity),
        (short & ~refused, standard, min(rule.severity, Severity.WARNING)),
    ):
        rows = np.flatnonzero(mine)
        if not len(rows):
            continue
        text = f"{format_number(limit.value)} {limit.unit}".strip()
        subject_where = f"{subject} {{where}}" if where else subject
        message = f"{subject_where} is {{worst}}; the house asks for {word} {text}"
        if limit is standard and fine.value != standard.value:
            message += f" ({format_number(fine.value)} in its fine class)"
        yield group(
            rule,
            np.asarray(values)[rows],
            _picked(place, rows),
            message,
            most=standard.sense == "most",
            limit=limit.value,
            unit=limit.unit,
            severity=severity,
            advice=f"{advice or rule.advice} {_way_out(limit is standard and standard != fine)}",
            where=None if where is None else _picked(where, rows),
        )


def _way_out(fine: bool) -> str:
    """What else can be done about a limit that is broken."""
    return "Or order the fine class: --fine." if fine else "Or ask the house whether it makes this."


def _picked(told: Callable[[int], T], rows: NDArray[Any]) -> Callable[[int], T]:
    return lambda row: told(int(rows[row]))
