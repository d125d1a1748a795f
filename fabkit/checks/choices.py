"""Whether the house offers what was chosen for the order."""

from __future__ import annotations

from collections.abc import Iterator

from fabkit.base.findings import COMMON_PRACTICE, Finding, Rule, Severity, Source
from fabkit.checks.case import Case
from fabkit.checks.declare import check

COLOUR = Rule(
    id="order/colour-not-offered",
    title="The house does not offer the chosen mask colour",
    why="The order form has no such choice.",
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Choose an offered colour, or add it to the house sheet.",
)
FINISH = Rule(
    id="order/finish-not-offered",
    title="The house does not offer the chosen finish",
    why="The order form has no such choice.",
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Choose an offered finish, or add it to the house sheet.",
)
COPPER = Rule(
    id="order/copper-not-offered",
    title="The house does not offer the chosen copper weight",
    why="The order form has no such choice.",
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Choose an offered weight, or add it to the house sheet.",
)
LEAD = Rule(
    id="order/finish-with-lead",
    title="The chosen finish contains lead",
    why="Lead is toxic, and boards with it may not be sold where RoHS rules apply.",
    source=Source("Directive 2011/65/EU (RoHS)", "Annex II"),
    severity=Severity.WARNING,
    advice="Choose a lead-free finish.",
)


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
