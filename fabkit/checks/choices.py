"""Whether the house offers what was chosen for the order."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.base.findings import Finding
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.rules import load_rule

COLOUR: Final = load_rule("order/colour-not-offered")
FINISH: Final = load_rule("order/finish-not-offered")
COPPER: Final = load_rule("order/copper-not-offered")
LEAD: Final = load_rule("order/finish-with-lead")


@check(id="order/choices", rules=(COLOUR, FINISH, COPPER, LEAD))
def find_choices_not_offered(case: Case) -> Iterator[Finding]:
    """The house offers what was chosen."""
    chosen, offered = case.options, case.house.options
    for rule, what, choice, choices in (
        (COLOUR, "colour", chosen.colour, offered.colours),
        (FINISH, "finish", chosen.finish, offered.finishes),
    ):
        if choice is not None and choice not in choices:
            yield Finding.of(
                rule, f"{what} '{choice}' is not offered; the house offers {', '.join(choices)}"
            )
    if chosen.copper_oz is not None and chosen.copper_oz not in offered.copper_oz:
        words = ", ".join(f"{weight:g}" for weight in offered.copper_oz)
        yield Finding.of(
            COPPER, f"{chosen.copper_oz:g} oz copper is not offered; the house offers {words}"
        )
    finish = offered.finishes.get(chosen.finish or "")
    if finish is not None and not finish.rohs:
        yield Finding.of(LEAD, f"the finish '{finish.title}' contains lead")
