"""Copper against the lines along which a panel is scored."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.findings import Finding
from fabkit.base.units import CHORD_ERROR_MM
from fabkit.checks.case import Case
from fabkit.checks.copper_edge import join_stretches
from fabkit.checks.copper_facts import Spots, facets_by_layer, require_copper
from fabkit.checks.declare import check
from fabkit.checks.worst import group, judge
from fabkit.formats.gerber.model import Kind
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

SCORE_NEAR: Final = load_rule("copper/score-near")
SCORE_CUT: Final = load_rule("copper/score-cut")


def score_lines(case: Case) -> NDArray[Any]:
    """Centre lines of the strokes of all score layers, mm."""
    found: list[Any] = []
    for layer in case.board.layers:
        if layer.kind is RoleKind.SCORE:
            o = layer.file.objects
            rows = np.flatnonzero((o.kind == Kind.DRAW) & o.dark)
            ends = np.stack(
                (
                    np.column_stack((o.x0[rows], o.y0[rows])),
                    np.column_stack((o.x1[rows], o.y1[rows])),
                ),
                axis=1,
            )
            found += shapely.linestrings(ends).tolist() if len(rows) else []
    return np.array(found, dtype=object)


@check(
    id="copper/score",
    rules=(SCORE_NEAR, SCORE_CUT),
    limits=("copper_to_score_mm",),
    needs=("copper",),
)
def score(case: Case) -> Iterator[Finding]:
    """Copper keeps away from score lines."""
    copper, lines = require_copper(case), case.shared(score_lines)
    if not len(lines):
        return
    reach = case.house.limit("copper_to_score_mm").value
    near, crossed = [np.empty((0, 4))], [np.empty((0, 4))]
    for index in range(len(case.board.copper)):
        pieces = copper.pieces.polygons[copper.pieces.on_layer(index)]
        piece, line = shapely.STRtree(lines).query(pieces, predicate="intersects")
        common = shapely.intersection(pieces[piece], lines[line])
        middle = shapely.get_coordinates(shapely.centroid(common)).reshape(-1, 2)
        crossed.append(_table(shapely.length(common), middle, index))
        boundary = case.shared(facets_by_layer)[index]
        line, facet = boundary.within(lines, reach)
        edges = boundary.lines(facet)
        distance = shapely.distance(lines[line], edges)
        middle = shapely.get_coordinates(
            shapely.line_interpolate_point(
                shapely.shortest_line(lines[line], edges), 0.5, normalized=True
            )
        ).reshape(-1, 2)
        beside = distance > 0
        if len(common):
            # The flanks of what crosses come near the line too.
            spots = shapely.points(middle)
            hit = shapely.STRtree(common).query(spots, predicate="dwithin", distance=reach)[0]
            beside[hit] = False
        near.append(_table(*join_stretches(distance[beside], middle[beside]), index))
    table = Spots.of(np.concatenate(crossed))
    if len(table):
        yield group(
            SCORE_CUT,
            table.value,
            table.place(case),
            "copper lies across score lines, over {worst} at most {where}",
            most=True,
            where=table.where(case),
        )
    table = Spots.of(np.concatenate(near))
    yield from judge(
        case,
        SCORE_NEAR,
        "copper_to_score_mm",
        table.value,
        table.place(case),
        "copper nearest to a score line",
        slack=CHORD_ERROR_MM,
        where=table.where(case),
    )


def _table(value: NDArray[np.float64], xy: NDArray[np.float64], layer: int) -> NDArray[np.float64]:
    return np.column_stack((value, xy, np.full(len(value), layer)))
