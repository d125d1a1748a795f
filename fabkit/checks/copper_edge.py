"""Copper against the board's edge and against the lines along which a panel is scored."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.findings import Finding
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM
from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import Copper
from fabkit.checks.copper_facts import (
    Spots,
    at_cut_out,
    cuts_of,
    half_holes,
    midway,
    padded_cuts,
    require_copper,
)
from fabkit.checks.declare import check
from fabkit.checks.hole_spacing import crossings
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, judge
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.areas import touched
from fabkit.geometry.facing import FacetTree, facets_of, thin_out
from fabkit.geometry.neighbours import PointTree, boxes_of, boxes_of_groups, label_groups
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

SAME_STRETCH_MM: Final = 2.0
"""Places along an edge nearer than this are reported once."""

OUTLINE_SHARE: Final = 0.3
"""Share of the board's edge along which a line of copper must run to be its outline."""

THIN_MM: Final = 0.5
"""Outlines are drawn with thinner pens."""

EDGE: Final = load_rule("copper/edge-near")
CUT: Final = load_rule("copper/edge-cut")
AT_CUT_OUTS: Final = (
    "Pull copper back from the cut-outs. Order them plated only if their walls shall be copper."
)
BEYOND: Final = load_rule("copper/outside")
OUTLINE: Final = load_rule("copper/outline-drawn")


def _by_edge(case: Case, spots: Spots, slack: float | None = None) -> Measures:
    """Measures whose words say where the edge is one of a cut-out."""

    def where(row: int) -> str:
        inner = at_cut_out(case.board.profile, spots.x[row], spots.y[row])
        return f"{'at a cut-out ' if inner else ''}on {case.board.copper[spots.layer[row]].name}"

    return replace(spots.measures(case, slack=slack), where=where)


@check(
    id="copper/edge",
    rules=(EDGE, CUT, BEYOND, OUTLINE),
    limits=("copper_to_edge_mm",),
    needs=("copper", "profile"),
)
def edge(case: Case) -> Iterator[Finding]:
    """Copper keeps away from the routed edge."""
    copper, profile = require_copper(case), case.board.profile
    outlines = _drawn_outlines(case, copper)
    lent = {p.places[0].file for p in case.board.problems if p.id == "profile/inferred"}
    for index, rows in outlines.items():
        layer = case.board.copper[index]
        # Where it is lent to the board, this is the only place where the outline is drawn.
        if layer.file.name not in lent:
            spot = shapely.point_on_surface(copper.pieces.polygons[rows[0]])
            yield Finding.of(
                OUTLINE,
                f"the outline of the board is also drawn in {layer.name}",
                case.place(layer.file.name, side=layer.side, x_mm=spot.x, y_mm=spot.y),
            )
    spots = _near_edge(case, copper, np.concatenate((np.empty(0, int), *outlines.values())))
    # What lies nearer than coordinates can separate runs to the edge, whichever bit was rounded.
    over = spots.value <= COINCIDENT_MM
    cut = spots.take(over)
    yield from group(
        CUT,
        _by_edge(case, cut),
        "copper runs to or over the board's edge {where}",
        limit=case.limit("copper_to_edge_mm"),
        # Openings for light, a lead or a strap are in most boards, and nobody plates them.
        advice=AT_CUT_OUTS if at_cut_out(profile, cut.x, cut.y).all() else "",
    )
    yield from judge(
        case,
        EDGE,
        "copper_to_edge_mm",
        _by_edge(case, spots.take(~over), slack=CHORD_ERROR_MM),
        "copper nearest to the board's edge",
    )
    boards = shapely.get_parts(profile)
    beyond: list[Spots] = []
    for index, _ in enumerate(case.board.copper):
        pieces = copper.pieces.polygons[copper.pieces.on_layer(index)]
        points = shapely.point_on_surface(pieces)
        outside = (pieces_at(boards, points) < 0) & ~shapely.intersects(profile, pieces)
        places = shapely.get_coordinates(points[outside])
        beyond.append(Spots.on_layer(index, shapely.area(pieces[outside]), places))
    yield from group(
        BEYOND,
        Spots.concat(*beyond).measures(case),
        "copper outside the board, largest piece {worst} {where}",
        most=True,
        unit="mm²",
    )


def _drawn_outlines(case: Case, copper: Copper) -> dict[int, Ints]:
    """Pieces that draw the outline of the board, by copper layer.

    Real exports draw it in copper layers, too.  It would be too near all along the edge.
    """
    profile, pieces = case.board.profile, copper.pieces
    drawn = np.flatnonzero(drawn_on_edge(pieces.polygons, shapely.boundary(profile)))
    by_layer = rows_by(pieces.layer[drawn])
    return {
        index: drawn[rows]
        for index, rows in by_layer.items()
        if _is_outline(case, pieces.polygons[drawn[rows]])
    }


def _near_edge(case: Case, copper: Copper, outlines: Ints) -> Spots:
    """Where copper other than drawn outlines comes near to the edge, or goes on beyond it."""
    cuts, rim = case.shared(cuts_of), shapely.boundary(case.board.profile)
    drawn = np.zeros(len(copper.pieces.polygons), dtype=bool)
    drawn[outlines] = True
    line = facets_of(shapely.get_parts(case.board.profile))
    edges = FacetTree(line).lines(np.arange(len(line)))
    on_rim = shapely.line_interpolate_point(edges, 0.5, normalized=True)
    # The pad of a castellation ends at the edge on purpose.  Pads of other plated holes that cross
    # it, and of slots that are drawn as cut-outs, are cut with them, and found with them.
    crossing = case.shared(crossings) & (cuts.plated == 1)
    halved = cuts.shapes[case.shared(half_holes) | crossing]
    halved = np.concatenate((halved[shapely.distance(halved, rim) <= 0], case.shared(padded_cuts)))
    near: list[Spots] = []
    for index, boundary in enumerate(copper.pieces.boundaries):
        row, facet = boundary.within(edges, case.limit("copper_to_edge_mm"))
        other = ~drawn[boundary.facets.piece[facet]]
        row, facet = row[other], facet[other]
        lines = boundary.lines(facet)
        distance = shapely.distance(edges[row], lines)
        middle = midway(edges[row], lines)
        # Where copper goes on far beyond the edge, no border of it is near.
        rows = copper.pieces.on_layer(index)
        piece = pieces_at(copper.pieces.polygons[rows], on_rim)
        over = (piece >= 0) & ~drawn[rows[piece]] if len(rows) else piece >= 0
        distance = np.concatenate((distance, np.zeros(np.count_nonzero(over))))
        middle = np.concatenate((middle, shapely.get_coordinates(on_rim[over])))
        # What lies this near to one is its pad.
        own = touched(shapely.points(middle), halved, within_mm=1.0)
        near.append(Spots.on_layer(index, *join_stretches(distance[~own], middle[~own])))
    return Spots.concat(*near)


def drawn_on_edge(shapes: Shapes, rim: BaseGeometry) -> Bools:
    """Which shapes are thin lines on the board's edge, over most of their length."""
    out = np.zeros(len(shapes), dtype=bool)
    shapely.prepare(rim)
    rows = np.flatnonzero(shapely.intersects(rim, shapes))
    # Both sides of a thin line make up its boundary.
    length = shapely.length(shapely.boundary(shapes[rows])) / 2
    # Area over length is the mean width of a line.
    thin = shapely.area(shapes[rows]) < THIN_MM * length
    rows, length = rows[thin], length[thin]
    out[rows] = shapely.length(shapely.intersection(rim, shapes[rows])) > 0.8 * length
    return out


def _is_outline(case: Case, lines: Shapes) -> bool:
    """Whether lines run along most of the edge."""
    length = shapely.length(shapely.boundary(case.board.profile))
    share = shapely.length(shapely.boundary(lines)).sum() / 2 / length
    return bool(share > OUTLINE_SHARE)


def join_stretches(distance: Floats, middle: Floats) -> tuple[Floats, Floats]:
    """One place for each stretch of an edge at one distance (its middle), nearest first.

    Facets are short, so a copper edge along the board's edge is met many times.
    """
    if not len(distance):
        return distance, middle
    # Not by all pairs along the edge: a panel with routed tabs had 70 million (2.5 GB).
    # A third axis keeps apart what lies at another distance; of it, as of the plane, one reach is
    # let through, and both are then asked for exactly.
    other = distance * (SAME_STRETCH_MM / COINCIDENT_MM)
    tree = PointTree(np.column_stack((middle, other)))
    left, right = tree.pairs(math.sqrt(2) * SAME_STRETCH_MM).T
    alike = (np.abs(distance[left] - distance[right]) < COINCIDENT_MM) & (
        np.hypot(*(middle[left] - middle[right]).T) <= SAME_STRETCH_MM
    )
    label = label_groups(len(distance), left[alike], right[alike])
    first = np.unique(label, return_index=True)[1]
    low, high = np.hsplit(boxes_of_groups(boxes_of(middle, middle), label, len(first)), 2)
    # The middle of a stretch that runs round a corner is no place on it: the member next to it is.
    centre = (low + high) / 2
    off = np.hypot(*(middle - centre[label]).T)
    nearest = np.lexsort((off, label))
    nearest = nearest[np.unique(label[nearest], return_index=True)[1]]
    bent = off[nearest] > SAME_STRETCH_MM
    value, spot = distance[first], np.where(bent[:, None], middle[nearest], centre)
    order = np.lexsort((spot[:, 1], spot[:, 0], value))
    order = order[thin_out(spot[order, 0], spot[order, 1], SAME_STRETCH_MM)]
    # Around a small cut-out the middle is in the cut-out: there, too, the member next to it.
    around = (off[nearest] > COINCIDENT_MM) & ((high - low).min(axis=1) > COINCIDENT_MM)
    spot[around] = middle[nearest[around]]
    return value[order], spot[order]


SCORE_NEAR: Final = load_rule("copper/score-near")
SCORE_CUT: Final = load_rule("copper/score-cut")


def score_lines(case: Case) -> Shapes:
    """Centre lines of the strokes of all score layers, mm."""
    found: list[Shapes] = []
    for layer in case.board.layers:
        if layer.kind is RoleKind.SCORE:
            objects = layer.file.objects
            found.append(objects.take(objects.dark_rows(Kind.DRAW)).polylines())
    return np.concatenate((np.empty(0, dtype=object), *found))


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
    reach = case.limit("copper_to_score_mm")
    near: list[Spots] = []
    crossed: list[Spots] = []
    for index, boundary in enumerate(copper.pieces.boundaries):
        pieces = copper.pieces.polygons[copper.pieces.on_layer(index)]
        piece, line = shapely.STRtree(lines).query(pieces, predicate="intersects")
        common = shapely.intersection(pieces[piece], lines[line])
        middle = shapely.get_coordinates(shapely.centroid(common)).reshape(-1, 2)
        crossed.append(Spots.on_layer(index, shapely.length(common), middle))
        line, facet = boundary.within(lines, reach)
        edges = boundary.lines(facet)
        distance = shapely.distance(lines[line], edges)
        middle = midway(lines[line], edges)
        # The flanks of what crosses come near the line too.
        beside = (distance > 0) & ~touched(shapely.points(middle), common, within_mm=reach)
        near.append(Spots.on_layer(index, *join_stretches(distance[beside], middle[beside])))
    yield from group(
        SCORE_CUT,
        Spots.concat(*crossed).measures(case),
        "copper crosses score lines over up to {worst} {where}",
        most=True,
    )
    yield from judge(
        case,
        SCORE_NEAR,
        "copper_to_score_mm",
        Spots.concat(*near).measures(case, slack=CHORD_ERROR_MM),
        "copper nearest to a score line",
    )
