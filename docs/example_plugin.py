"""A check of your own, as docs/plugins.md explains it: every board can be screwed down."""

from __future__ import annotations

from collections.abc import Iterator

from fabkit.base.findings import Finding, Rule, Severity, Source
from fabkit.checks.declare import check
from fabkit.checks.model import Case

NO_MOUNTING_HOLE = Rule(
    id="studio/no-mounting-hole",
    title="Board has no hole for a screw",
    why="Our cases hold boards by M2 screws.",
    source=Source("common practice"),
    severity=Severity.WARNING,
    advice="Add non-plated holes of 2.2 mm.",
)


@check(id="studio/mounting", rules=(NO_MOUNTING_HOLE,), needs=("holes",))
def find_missing_screws(case: Case) -> Iterator[Finding]:
    """Boards can be screwed into our cases."""
    holes = case.board.holes
    if not ((holes.plated == 0) & (abs(holes.diameter - 2.2) < 0.05)).any():
        yield Finding.of(NO_MOUNTING_HOLE, "no non-plated hole of 2.2 mm")
