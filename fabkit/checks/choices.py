"""Whether the house offers what the board needs and what was chosen for the order."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import COINCIDENT_MM, counted, format_mm, format_number
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule
from fabkit.sheets.house import thickness_tolerance_mm

LAYERS_OFFERED: Final = load_rule("package/layers-not-offered")
THICKNESS_OFFERED: Final = load_rule("thickness/not-offered")
THICKNESS_DIFFERS: Final = load_rule("thickness/differs-from-job")
COLOUR: Final = load_rule("order/colour-not-offered")
FINISH: Final = load_rule("order/finish-not-offered")
COPPER: Final = load_rule("order/copper-not-offered")
LEAD: Final = load_rule("order/finish-with-lead")


@check(id="package/layers-offered", rules=(LAYERS_OFFERED,), needs=("copper",))
def find_layer_count(case: Case) -> Iterator[Finding]:
    """The house makes boards of this many copper layers."""
    count = len(case.board.copper)
    offered = case.house.options.layers
    if count not in offered:
        yield Finding.of(
            LAYERS_OFFERED,
            f"{counted(count, 'copper layer')}; the house offers "
            f"{', '.join(str(n) for n in offered)}",
            measured=float(count),
            # What an invented house does not offer, a real one may.
            severity=Severity.WARNING if case.house.invented else LAYERS_OFFERED.severity,
        )


@check(id="thickness/offered", rules=(THICKNESS_OFFERED, THICKNESS_DIFFERS), needs=("thickness",))
def find_thickness_problems(case: Case) -> Iterator[Finding]:
    """The house offers the chosen thickness, and the job file agrees."""
    chosen = case.thickness_mm
    assert chosen is not None  # noqa: S101 -- granted by needs
    offered = np.array(case.house.options.thickness_mm)
    nearest = float(offered[np.abs(offered - chosen).argmin()])
    within = abs(nearest - chosen) <= thickness_tolerance_mm(nearest)
    if abs(nearest - chosen) > COINCIDENT_MM:
        choices = ", ".join(format_number(t) for t in case.house.options.thickness_mm)
        yield Finding.of(
            THICKNESS_OFFERED,
            f"{format_mm(chosen)} is not offered; the house offers {choices} mm",
            measured=chosen,
            limit=nearest,
            unit="mm",
            advice=f"The nearest offered thickness is {format_mm(nearest)}.",
            # A layout states the sum of its stack-up; nobody ordered that number.
            severity=Severity.NOTE
            if within and case.options.thickness_mm is None
            else THICKNESS_OFFERED.severity,
        )
    stated = case.board.thickness_mm
    if stated is not None and abs(stated - chosen) > thickness_tolerance_mm(chosen):
        yield Finding.of(
            THICKNESS_DIFFERS,
            f"{format_mm(chosen)} is chosen, the job file says {format_mm(stated)}",
            *(Place(file=f.name) for f in case.board.package.of(RoleKind.JOB)),
            measured=chosen,
            limit=stated,
            unit="mm",
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
