"""A left and a right half that are two designs: do they belong together?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.board.model import Board
from fabkit.board.symmetry import Halves, compare_halves
from fabkit.findings import COMMON_PRACTICE, Finding, Place, Rule, Severity
from fabkit.units import format_mm, format_number

OUTLINE_MM2: Final = 1.0
"""Outlines that differ by less are drawn alike (a choice of ours)."""

PLACES: Final = 20
"""Places a finding shows at most."""

RELATION = Rule(
    id="half/pair",
    title="How the two halves belong together",
    why="Two designs are ordered as one keyboard, so both must be of one revision.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Nothing, if it says what you meant.",
)
UNRELATED = Rule(
    id="half/pair-unrelated",
    title="The two boards are no pair of halves",
    why="Neither mirrored nor shifted does one lie on the other: a file of another keyboard or "
    "revision may have slipped in.",
    source=COMMON_PRACTICE,
    severity=Severity.WARNING,
    advice="Look at both boards; order them apart if they are meant to differ.",
)
LACKING = Rule(
    id="half/pair-lacks",
    title="Key or hole on one half alone",
    why="A change was made to one half and forgotten on the other.",
    source=COMMON_PRACTICE,
    severity=Severity.WARNING,
    advice="Make the change on both halves, unless one half has it on purpose.",
)
OUTLINE = Rule(
    id="half/pair-outline",
    title="Outlines of the two halves differ",
    why="Cases and plates made for one half will not fit the other turned over.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Nothing, if the halves are meant to have different shapes.",
)
RULES: Final = (RELATION, UNRELATED, LACKING, OUTLINE)


def compare_pair(left: Board, right: Board) -> tuple[Finding, ...]:
    """Say whether two boards are the halves of one keyboard, and where they differ.

    Returns
    -------
    Findings, worst first.
    """
    return tuple(sorted(_judge(compare_halves(left, right)), key=lambda f: -f.severity))


def _judge(halves: Halves) -> Iterator[Finding]:
    fitted = max(halves.mirrored, halves.copied)
    share = f"{format_number(100 * fitted, digits=0)} % of the {halves.compared} fit"
    if halves.relation == "different boards":
        yield Finding.of(
            UNRELATED,
            f"the two boards are neither mirror images nor copies: only {share}",
            measured=fitted,
            limit=1.0,
        )
        return
    yield Finding.of(
        RELATION, f"the two boards are {halves.relation}: {share}", measured=fitted, limit=1.0
    )
    for name, spots in (("left", halves.only_left), ("right", halves.only_right)):
        if spots:
            yield Finding.of(
                LACKING,
                f"{format_number(len(spots))} {halves.compared} of the {name} half have no "
                "counterpart on the other",
                *(Place(x_mm=x, y_mm=y) for x, y in spots[:PLACES]),
                count=len(spots),
            )
    if halves.outline_difference_mm2 > OUTLINE_MM2:
        wide, high = halves.size_difference_mm
        yield Finding.of(
            OUTLINE,
            f"the outlines differ by {format_number(halves.outline_difference_mm2, digits=1)} mm²; "
            f"the right half is {format_mm(wide)} wider and {format_mm(high)} higher",
            measured=halves.outline_difference_mm2,
            limit=OUTLINE_MM2,
            unit="mm²",
        )
