"""What a package leaves unsaid although its files are all there.

Missing and doubled files are told by :mod:`fabkit.package` itself, which knows the reasons.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.base.findings import Finding, Place
from fabkit.base.units import counted
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

NO_LEGEND: Final = load_rule("package/no-legend")
PLATING_UNKNOWN: Final = load_rule("package/plating-unknown")
LAYERS_OFFERED: Final = load_rule("package/layers-not-offered")


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
