"""What a package leaves unsaid although its files are all there.

Missing and doubled files are told by :mod:`fabkit.package` itself, which knows the reasons.
"""

from __future__ import annotations

from collections.abc import Iterator

from fabkit.base.findings import COMMON_PRACTICE, Finding, Place, Rule, Severity, Source
from fabkit.base.units import counted
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.package.model import RoleKind

_FORMAT = "Gerber Layer Format Specification 2021.02"

NO_LEGEND = Rule(
    id="package/no-legend",
    title="No legend on either side",
    why="Nothing will be printed: no polarity marks, no names, no face marks.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Export the legend layers if you want printing.",
)
PLATING_UNKNOWN = Rule(
    id="package/plating-unknown",
    title="It is not said which holes are plated",
    why="Plated mounting holes come out smaller; non-plated vias cut nets.",
    source=Source(_FORMAT, "section 5.6.3"),
    severity=Severity.WARNING,
    advice="Export plated and non-plated holes as two files, or with attributes.",
)
LAYERS_OFFERED = Rule(
    id="package/layers-not-offered",
    title="The house does not make boards of this many layers",
    why="The order cannot be placed there.",
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Choose another house, or check that no file was taken for copper that is none.",
)


@check(id="package/legend", rules=(NO_LEGEND,), needs=("copper",))
def find_missing_legend(case: Case) -> Iterator[Finding]:
    """There is something to print."""
    if not case.board.package.of(RoleKind.LEGEND):
        yield Finding.of(NO_LEGEND, "there is no legend file")


@check(id="package/plating", rules=(PLATING_UNKNOWN,), needs=("drill",))
def find_unknown_plating(case: Case) -> Iterator[Finding]:
    """Every drill file says which holes are plated."""
    board = case.board
    for index, name in enumerate(board.drill_names):
        holes = int(((board.holes.file == index) & (board.holes.plated < 0)).sum())
        slots = int(((board.slots.file == index) & (board.slots.plated < 0)).sum())
        if holes or slots:
            yield Finding.of(
                PLATING_UNKNOWN,
                f"{name} does not say whether its {counted(holes, 'hole')} and "
                f"{counted(slots, 'slot cut')} are plated",
                Place(file=name),
            )


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
        )
