"""One list of findings: what the readers met, what building the board met, what checks found."""

from __future__ import annotations

from fabkit.checks.case import Case
from fabkit.checks.model import CheckResult, Outcome
from fabkit.checks.runner import matches
from fabkit.findings import Finding


def reader_problems(case: Case) -> tuple[Finding, ...]:
    """Problems that ride along with the package, its files and the board, each once."""
    board = case.board
    found: dict[int, Finding] = {}
    for source in (
        board.package.problems,
        *(f.content.problems for f in board.package.files if f.content is not None),
        board.problems,
    ):
        # A result may repeat the problems of what it was made from.
        for problem in source:
            found.setdefault(id(problem), problem)
    return tuple(found.values())


def gather(case: Case, outcomes: tuple[Outcome, ...]) -> CheckResult:
    """Put readers' problems and outcomes into one result, worst first.

    Among equals the order is that of the files and of the catalogue.
    """
    problems = reader_problems(case)
    if case.options.only:
        problems = tuple(
            p for p in problems if any(matches(name, p.id) for name in case.options.only)
        )
    every = [
        f
        for f in (*problems, *(f for o in outcomes for f in o.findings))
        if not any(matches(name, f.id) for name in case.options.without)
    ]
    reasons = {silence.rule: silence.reason for silence in case.options.silenced}
    return CheckResult(
        tuple(sorted((f for f in every if f.id not in reasons), key=lambda f: -f.severity)),
        outcomes,
        tuple((f, reasons[f.id]) for f in every if f.id in reasons),
    )
