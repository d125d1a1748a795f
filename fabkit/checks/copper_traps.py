"""Acute corners of the ground between copper, where etchant stays."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.findings import Finding
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import Spots, facets_by_layer, on_board, require_copper
from fabkit.checks.copper_width import SAME_SPOT_MM
from fabkit.checks.declare import check
from fabkit.checks.worst import judge
from fabkit.geometry.facing import Facets, thin_out
from fabkit.rules import load_rule

ROUNDING_DEG: Final = 0.5
"""How far an angle may be off through rounded coordinates."""

ARM_MM: Final = 0.1
"""Straight runs of copper edge at least this long on both sides make a corner."""

TRAP: Final = load_rule("copper/acid-trap")


@check(id="copper/acid-traps", rules=(TRAP,), limits=("acid_trap_deg",), needs=("copper",))
def acid_traps(case: Case) -> Iterator[Finding]:
    """Copper meets copper at no sharp angle."""
    require_copper(case)
    limit = case.house.limit("acid_trap_deg").value
    tables = [np.empty((0, 4))]
    for index, layer in enumerate(case.shared(facets_by_layer)):
        angle, x, y = open_corners(layer.facets)
        mine = np.flatnonzero((angle < limit) & on_board(case, x, y))
        mine = mine[np.argsort(angle[mine], kind="stable")]
        mine = mine[thin_out(x[mine], y[mine], SAME_SPOT_MM)]
        layers = np.full(len(mine), index)
        tables.append(np.column_stack((angle[mine], x[mine], y[mine], layers)))
    spots = Spots.of(np.concatenate(tables))
    yield from judge(
        case,
        TRAP,
        "acid_trap_deg",
        spots.value,
        spots.place(case),
        "sharpest corner between copper",
        slack=ROUNDING_DEG,
        where=spots.where(case),
    )


def open_corners(facets: Facets) -> tuple[Floats, Floats, Floats]:
    """Angle of the open ground at every corner of copper that points inwards, degrees; x, y.

    Corners of arcs and of steps shorter than :data:`ARM_MM` are left out: no etchant stays there.
    """
    dx, dy = facets.x1 - facets.x0, facets.y1 - facets.y0
    after = facets.after
    cross = dx * dy[after] - dy * dx[after]
    dot = dx * dx[after] + dy * dy[after]
    # Copper lies on the left, so that the open ground narrows where the boundary turns right.
    turn = -np.degrees(np.arctan2(cross, dot))
    length = np.hypot(dx, dy)
    rows = np.flatnonzero((turn > 0) & (length >= ARM_MM) & (length[after] >= ARM_MM))
    return 180.0 - turn[rows], facets.x1[rows], facets.y1[rows]
