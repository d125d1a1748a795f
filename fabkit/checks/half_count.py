"""How many halves one board gives, which the order has to know."""

from __future__ import annotations

from collections.abc import Iterator

from fabkit.board.together import find_together
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import require_copper
from fabkit.checks.declare import check
from fabkit.checks.half import keys_of
from fabkit.checks.pair import LACKING, OUTLINE, RELATION, UNRELATED, compare_pair
from fabkit.findings import COMMON_PRACTICE, Finding, Place, Rule, Severity

TOGETHER = Rule(
    id="half/together",
    title="Several halves lie on one board",
    why="One board then gives more than one half: counted as one, twice the boards needed are "
    "ordered, and the price of a half is wrong.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="State it in the order file, or export one half a package.",
)


@check(id="half/together", rules=(TOGETHER,), needs=("holes", "outer-copper"))
def together(case: Case) -> Iterator[Finding]:
    """The order counts the halves that lie on one board."""
    found = find_together(require_copper(case), case.shared(keys_of))
    if found is None or found.halves == case.options.halves:
        return
    what = "left and right, as mirror images" if found.mirrored else "copies of one another"
    whole = found.mirrored and found.halves == 2
    setting = 'is = "both"' if whole else f"halves = {found.halves}"
    yield Finding.of(
        TOGETHER,
        f"{found.halves} halves of {found.keys} keys lie on one board, {what}; it is counted as "
        f"{case.options.halves}",
        *(Place(x_mm=float(x), y_mm=float(y)) for x, y in found.centres),
        measured=float(found.halves),
        limit=float(case.options.halves),
        unit="halves",
        advice=f"Write {setting} into the [[board]] of the order file, or export one half a "
        "package.",
    )


@check(id="half/pair", rules=(RELATION, UNRELATED, LACKING, OUTLINE))
def pair(case: Case) -> Iterator[Finding]:
    """A left and a right half that are two designs belong together."""
    if case.other_half is not None:
        yield from compare_pair(case.board, case.other_half)
