"""Copper that leads nowhere: floating islands, stubs, tracks with a loose end."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints
from fabkit.base.findings import Finding, Severity
from fabkit.base.units import counted, format_number
from fabkit.board.copper import Copper, outer_face
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import require_copper
from fabkit.checks.declare import check
from fabkit.checks.fellows import ALIKE_MM, FEWEST, find_gaps_of_fellows
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, objects_at, spots_at
from fabkit.formats.gerber.model import Kind, object_shapes
from fabkit.geometry.boxes import meeting_boxes
from fabkit.geometry.neighbours import PointTree
from fabkit.rules import load_rule

FLOATING_MM2: Final = 1.0
"""Smaller copper without a pad is lettering or a mark (common practice)."""

LOOK_MM: Final = 0.05
"""Pads whose sizes differ by less are alike."""

FEW_ALONE: Final = 0.1
"""Share of the pads alike that may be alone for one to be cut off (a choice of ours)."""

NEIGHBOURS: Final = 8
"""Pads about a lonely one that its footprint is recognised by."""

SEEDS: Final = 4
"""Kinds of pads that footprints are looked for about."""

_LARGE: Final = 128
"""Corners above which a shape is indexed before it is asked; strokes and pads have fewer."""

FLOATING: Final = load_rule("copper/floating")
LOOSE_END: Final = load_rule("copper/loose-end")
LONELY_PAD: Final = load_rule("copper/lonely-pad")


@check(id="copper/floating", rules=(FLOATING,), needs=("copper",))
def floating(case: Case) -> Iterator[Finding]:
    """Every fill hangs on something."""
    copper = require_copper(case)
    pieces = copper.pieces
    held = copper.held
    area = shapely.area(pieces.polygons)
    for index, layer in enumerate(case.board.copper):
        filled = np.zeros(len(pieces), dtype=bool)
        objects = copper.layers[index]
        of_fill = (layer.file.objects.kind == Kind.REGION) & (objects.piece >= 0)
        filled[objects.piece[of_fill]] = True
        rows = np.flatnonzero(
            (pieces.layer == index) & ~held[pieces.island] & filled & (area >= FLOATING_MM2)
        )
        xy = shapely.get_coordinates(shapely.point_on_surface(pieces.polygons[rows]))
        yield from group(
            FLOATING,
            Measures(area[rows], spots_at(case, layer, *xy.T)),
            f"{layer.name} has filled pieces that touch no pad or hole, largest {{worst}}",
            most=True,
            unit="mm²",
        )


@check(id="copper/loose-ends", rules=(LOOSE_END, LONELY_PAD), needs=("copper",))
def loose_ends(case: Case) -> Iterator[Finding]:
    """Tracks end on something."""
    copper = require_copper(case)
    for index, layer in enumerate(case.board.copper):
        rows, x, y = case.shared(loose_ends_of)[index]
        strokes = layer.file.objects.take(rows)
        yield from group(
            LOOSE_END,
            Measures(
                strokes.chords(),
                objects_at(case, layer, rows, x, y),
            ),
            f"tracks on {layer.name} end without a pad or hole; the longest loose end is {{worst}}",
            most=True,
        )
    # Where nets are named, a pad that is cut off is found by its net.
    if not copper.named.any():
        yield from _lonely_pads(case, copper)
        yield from _unlike_fellows(case, copper)


def loose_ends_of(case: Case) -> tuple[tuple[Ints, Floats, Floats], ...]:
    """Strokes with a loose end, for every copper layer: row and end point."""
    copper = require_copper(case)
    return tuple(_loose_ends(copper, k, layer) for k, layer in enumerate(case.board.copper))


def _loose_ends(copper: Copper, index: int, layer: Layer) -> tuple[Ints, Floats, Floats]:
    """Strokes with an end that no other copper object or hole covers: row and end point."""
    objects, pieces = layer.file.objects, copper.pieces
    own = copper.layers[index]
    padded = np.zeros(pieces.islands + 1, dtype=bool)
    padded[copper.pads.island[copper.pads.island >= 0]] = True
    tracks = np.flatnonzero(
        np.isin(objects.kind, (Kind.DRAW, Kind.ARC)) & objects.dark & (own.piece >= 0)
    )
    # Strokes of an island without pads are lettering.
    tracks = tracks[padded[pieces.island[own.piece[tracks]]]]
    none = np.empty(0)
    if not len(tracks):
        return tracks, none, none
    x = np.concatenate((objects.x0[tracks], objects.x1[tracks]))
    y = np.concatenate((objects.y0[tracks], objects.y1[tracks]))
    owner = np.concatenate((tracks, tracks))
    ends = shapely.points(x, y)
    dark = np.flatnonzero(objects.dark)
    shapes = object_shapes(layer.file, dark)
    shapely.prepare(shapes[shapely.get_num_coordinates(shapes) > _LARGE])
    covered = np.zeros(len(ends), dtype=bool)
    solid = np.flatnonzero(~shapely.is_empty(shapes))
    for end, shape in meeting_boxes(np.column_stack((x, y, x, y)), shapely.bounds(shapes[solid])):
        # A stroke covers its own ends, so only other objects count.
        other = (dark[solid[shape]] != owner[end]) & ~covered[end]
        end, shape = end[other], solid[shape[other]]
        covered[end[shapely.intersects(shapes[shape], ends[end])]] = True
    tree = shapely.STRtree(ends)
    covered[tree.query(copper.board.hole_shapes, predicate="intersects")[1]] = True
    loose = np.flatnonzero(~covered)
    return owner[loose], x[loose], y[loose]


def _lonely_pads(case: Case, copper: Copper) -> Iterator[Finding]:
    """Islands of one pad position with a track, where nothing names the nets."""
    pads, pieces = copper.pads, copper.pieces
    known = np.flatnonzero(pads.island >= 0)
    spots = np.unique(
        np.column_stack(
            (pads.island[known], np.round(pads.x[known], 2), np.round(pads.y[known], 2))
        ),
        axis=0,
    )
    counts = np.bincount(spots[:, 0].astype(np.int64), minlength=pieces.islands)
    tracked = np.zeros(pieces.islands, dtype=bool)
    for index, layer in enumerate(case.board.copper):
        own = copper.layers[index].piece
        strokes = np.isin(layer.file.objects.kind, (Kind.DRAW, Kind.ARC)) & (own >= 0)
        tracked[pieces.island[own[strokes]]] = True
    single = (counts == 1) & tracked
    rows = known[single[pads.island[known]]]
    rows = rows[np.unique(pads.island[rows], return_index=True)[1]]
    if len(rows):
        area = np.bincount(
            pieces.island, weights=shapely.area(pieces.polygons), minlength=pieces.islands
        )
        yield from group(
            LONELY_PAD,
            Measures(
                area[pads.island[rows]],
                lambda k: case.object_place(
                    case.board.copper[pads.layer[rows[k]]],
                    int(pads.row[rows[k]]),
                    x_mm=float(pads.x[rows[k]]),
                    y_mm=float(pads.y[rows[k]]),
                ),
            ),
            f"{format_number(len(rows))} pad{'s have' if len(rows) > 1 else ' has'} a track that "
            "reaches no other pad",
            most=True,
            unit="mm²",
        )


def _unlike_fellows(case: Case, copper: Copper) -> Iterator[Finding]:
    """Pads that reach no other pad, where those at the same place of equal footprints do."""
    pads, face = copper.pads, outer_face(copper)
    rows = np.flatnonzero((pads.island >= 0) & (face != 0))
    if not len(rows):
        return
    at = np.round(np.column_stack((pads.x, pads.y))[rows], 2)
    spots, first, spot, count = np.unique(
        at, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    reached = np.unique(np.column_stack((pads.island[rows], spot.ravel())), axis=0)
    alone = np.bincount(reached[:, 0], minlength=copper.pieces.islands) == 1
    lonely = np.ones(len(spots), dtype=bool)
    lonely[reached[~alone[reached[:, 0]], 1]] = False
    shapes = copper.pad_shapes[rows[first]]
    look = np.column_stack((shapely.area(shapes) ** 0.5, shapely.length(shapes) / 4))
    side = np.where(count > 1, 0, face[rows[first]])
    table = np.column_stack((side, np.round(look / LOOK_MM)))
    kind = np.unique(table, axis=0, return_inverse=True)[1].ravel().astype(np.int64)
    kinds = int(kind.max()) + 1
    # Pads of a kind of which many are alone, such as the pins of a header, are alone on purpose.
    alike = np.bincount(kind, minlength=kinds)
    few = np.bincount(kind[lonely], minlength=kinds)
    wanted = np.flatnonzero((few > 0) & (few <= FEW_ALONE * alike))
    asked = np.flatnonzero(lonely & np.isin(kind, wanted))
    if not len(asked):
        return
    near = np.unique(PointTree(spots).query(spots[asked], k=min(NEIGHBOURS, len(spots)))[1])
    seeds = np.unique(kind[near])
    # The rarest kinds tell footprints apart; common ones take long and tell less.
    seeds = seeds[np.argsort(alike[seeds], kind="stable")]
    seeds = seeds[alike[seeds] >= FEWEST][:SEEDS]
    gaps = find_gaps_of_fellows(spots[~lonely], kind[~lonely], seeds=seeds, wanted=wanted)
    if not gaps:
        return
    apart, gap = PointTree(np.array([(g.x_mm, g.y_mm) for g in gaps])).query(spots[asked])
    mine = np.flatnonzero(apart <= 2 * ALIKE_MM)
    if len(mine):
        fellows = max(gaps[g].fellows for g in gap[mine])
        yield Finding.of(
            LONELY_PAD,
            f"{counted(len(mine), 'pad')} {'reach' if len(mine) > 1 else 'reaches'} no other pad, "
            f"where {fellows} at the same place of equal footprints do",
            *(
                case.layer_place(case.board.copper[pads.layer[rows[first[a]]]], *spots[a].tolist())
                for a in asked[mine[:20]]
            ),
            count=len(mine),
            severity=Severity.WARNING,
            advice="Route the missing connection, unless the pad is left open on purpose.",
        )
