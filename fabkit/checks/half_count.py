"""What one board is, which the order has to know, and whether two halves belong together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.base.findings import Finding, Place
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.checks.half import keyboard_of
from fabkit.checks.pair import LACKING, OUTLINE, RELATION, UNRELATED, compare_pair
from fabkit.rules import load_rule

CONTRADICTED: Final = load_rule("half/contradicted")


@check(id="half/use", rules=(CONTRADICTED,), needs=("holes",))
def use(case: Case) -> Iterator[Finding]:
    """The board is what the user says it is."""
    keyboard = case.shared(keyboard_of)
    hands = keyboard.hands
    if hands.contradiction:
        places = [
            Place(x_mm=keyboard.keys[g.keys[0]].x_mm, y_mm=keyboard.keys[g.keys[0]].y_mm)
            for g in hands.groups
            if g.keys
        ]
        yield Finding.of(CONTRADICTED, hands.contradiction, *places)


@check(id="half/pair", rules=(RELATION, UNRELATED, LACKING, OUTLINE))
def pair(case: Case) -> Iterator[Finding]:
    """A left and a right half that are two designs belong together."""
    if case.other_half is not None:
        yield from compare_pair(case.board, case.other_half)
