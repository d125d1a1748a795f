"""One list of findings: what the readers met, what building the board met, what checks found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from fabkit.base.findings import Finding
from fabkit.checks.case import Case
from fabkit.checks.model import CheckResult, Outcome
from fabkit.checks.runner import matches
from fabkit.keyboard.build import describe
from fabkit.rules import current_id


def join_alike(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings that say the same of several files as one, at the first of them.

    Places of every file are kept in order, and counts are added.
    """
    joined: dict[tuple[object, ...], Finding] = {}
    for finding in findings:
        key = (
            *(finding.id, finding.severity, finding.message, finding.assumed, finding.advice),
            *(finding.measured, finding.limit, finding.unit),
        )
        known = joined.get(key)
        joined[key] = (
            finding
            if known is None
            else replace(
                known, places=known.places + finding.places, count=known.count + finding.count
            )
        )
    return tuple(joined.values())


def gather(case: Case, outcomes: tuple[Outcome, ...]) -> CheckResult:
    """Put readers' problems and outcomes into one result, worst first.

    Among equals the order is that of the files and of the catalogue.
    """
    problems = (*case.board.package.problems, *case.board.problems)
    if case.options.only:
        problems = tuple(
            p for p in problems if any(matches(name, p.id) for name in case.options.only)
        )
    every = [
        f
        for f in join_alike((*problems, *(f for o in outcomes for f in o.findings)))
        if not any(matches(name, f.id) for name in case.options.without)
    ]
    # A reader says how badly a file breaks its format; of the order, only what follows counts.
    every = [replace(f, severity=f.consequence.severity) for f in every]
    reasons = {current_id(silence.rule): silence.reason for silence in case.options.silenced}
    return CheckResult(
        tuple(sorted((f for f in every if f.id not in reasons), key=lambda f: -f.severity)),
        outcomes,
        tuple((f, reasons[f.id]) for f in every if f.id in reasons),
        describe(case.board, case.options.use),
    )
