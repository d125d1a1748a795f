"""Copper object by object: what leads nowhere, carries too little, has no size, or paints an area.

Floating islands, stubs and tracks with a loose end; tracks of power nets by the IPC-2221 curve;
pads flashed with an aperture of no size; areas filled by strokes where one region would do.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints, rows_by, run_starts
from fabkit.base.findings import Finding, Severity
from fabkit.base.units import AREA_MM2, COINCIDENT_MM, MIL_MM, counted, format_number, some_of
from fabkit.board.copper import VIA_MM, Copper, outer_face, surface_pads
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import (
    cuts_of,
    equal_strokes,
    on_board,
    pad_place,
    require_copper,
    strokes_of,
)
from fabkit.checks.declare import check
from fabkit.checks.fellows import ALIKE_MM, FEWEST, find_gaps_of_fellows
from fabkit.checks.hole import holes_of_parts
from fabkit.checks.mask import attached_pads, mask_sides
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, objects_at, spots_at
from fabkit.formats.gerber.model import Kind, Objects, object_shapes, pen_widths
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import PointTree, label_groups, meeting_boxes
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
SHORT_MM: Final = 0.5
"""A track that ends so near to a pad it points at was meant to reach it (a choice of ours)."""
_EIGHTH: Final = np.cos(np.pi / 4) - 0.01
_QUARTER: Final = -0.01
"""Share of the way to another end by which an end leads there: a little more of a turn is one of
rounded coordinates."""
STRAIGHT_MM: Final = 50.0
"""A track seldom runs further without a bend or a pad (common practice)."""

SAME_END_MM: Final = 0.05
"""Ends of tracks nearer than this are at one place: two roundings of a coarse inch format."""

MANY_LONELY: Final = 0.1
"""Share of the pads with tracks that reach no other, from which these are no slips of routing: what
joins them is missing (a choice of ours)."""

STOPS_MM: Final = 3.0
"""A track runs straight into a via over more than this mostly (a choice of ours)."""

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
        yield from _stops_short(case, copper)
        yield from _stops_before_vias(case, copper)
        yield from _parted(case, copper)
        yield from _without_via(case, copper)
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
    tracks = np.flatnonzero(objects.stroked & objects.dark & (own.piece >= 0))
    # Strokes of an island without pads are lettering.
    tracks = tracks[padded[pieces.island[own.piece[tracks]]]]
    none = np.empty(0)
    if not len(tracks):
        return tracks, none, none
    x = np.concatenate((objects.x0[tracks], objects.x1[tracks]))
    y = np.concatenate((objects.y0[tracks], objects.y1[tracks]))
    owner = np.concatenate((tracks, tracks))
    ends = shapely.points(x, y)
    # Of strokes that are drawn over each other each covers the ends of the others.
    kind, first = equal_strokes(layer, tracks)
    again = np.ones(len(tracks), dtype=bool)
    again[first] = False
    dark = np.setdiff1d(np.flatnonzero(objects.dark), tracks[again])
    shapes = object_shapes(layer.file, dark)
    shapely.prepare(shapes[shapely.get_num_coordinates(shapes) > _LARGE])
    covered = np.tile(np.bincount(kind)[kind] > 1, 2)
    solid = np.flatnonzero(~shapely.is_empty(shapes))
    for end, shape in meeting_boxes(np.column_stack((x, y, x, y)), shapely.bounds(shapes[solid])):
        # A stroke covers its own ends, so only other objects count.
        other = (dark[solid[shape]] != owner[end]) & ~covered[end]
        end, shape = end[other], solid[shape[other]]
        covered[end[shapely.intersects(shapes[shape], ends[end])]] = True
    loose = np.flatnonzero(~covered & ~touched(ends, copper.board.hole_shapes))
    return owner[loose], x[loose], y[loose]


def _positions(copper: Copper) -> tuple[Ints, Ints]:
    """Pads of which copper is left, and the number of places with pads of each island."""
    pads = copper.pads
    known = np.flatnonzero(pads.island >= 0)
    spots = np.unique(
        np.column_stack(
            (pads.island[known], np.round(pads.x[known], 2), np.round(pads.y[known], 2))
        ),
        axis=0,
    )
    return known, np.bincount(spots[:, 0].astype(np.int64), minlength=copper.pieces.islands)


def _stops_short(case: Case, copper: Copper) -> Iterator[Finding]:
    """Tracks that end just before a pad that no other copper reaches, and point at it."""
    pads = copper.pads
    known, counts = _positions(copper)
    alone = counts == 1
    for index, layer in enumerate(case.board.copper):
        rows, x, y = case.shared(loose_ends_of)[index]
        strokes = layer.file.objects.take(rows)
        mine = known[(pads.layer[known] == index) & alone[pads.island[known]]]
        end = np.column_stack((x, y))
        ends = (
            np.stack((strokes.x0, strokes.y0), axis=1),
            np.stack((strokes.x1, strokes.y1), axis=1),
        )
        at_last = np.hypot(*(ends[1] - end).T) < np.hypot(*(ends[0] - end).T)
        step = end - np.where(at_last[:, None], ends[0], ends[1])
        size = np.hypot(*step.T)
        ahead = end + step * (SHORT_MM / np.maximum(size, COINCIDENT_MM))[:, None]
        rays = shapely.linestrings(np.stack((end, ahead), axis=1))
        ray, pad = shapely.STRtree(copper.pad_shapes[mine]).query(rays, predicate="intersects")
        own = copper.pieces.island[copper.layers[index].piece[rows[ray]]]
        meant = np.flatnonzero(own != pads.island[mine[pad]])
        ray, pad = ray[meant], mine[pad[meant]]
        gaps = shapely.distance(shapely.points(end[ray]), copper.pad_shapes[pad])
        yield from group(
            LOOSE_END,
            Measures(gaps, objects_at(case, layer, rows[ray], x[ray], y[ray])),
            f"tracks on {layer.name} end up to {{worst}} before pads that nothing else reaches",
            most=True,
            severity=Severity.WARNING,
            advice="Draw the track on to the pad, unless it is left open on purpose.",
        )


def _stops_before_vias(case: Case, copper: Copper) -> Iterator[Finding]:
    """Tracks that end on the way to the middle of a via that no copper of their layer reaches."""
    cuts, pads, pieces = case.shared(cuts_of), copper.pads, copper.pieces
    vias = np.flatnonzero((cuts.width <= VIA_MM) & (cuts.plated != 0) & cuts.round)
    if not len(vias) or not len(pads):
        return
    drilled = PointTree(cuts.spots()[vias]).query(pads.spots())[0] <= COINCIDENT_MM
    for index, layer in enumerate(case.board.copper):
        mine = np.flatnonzero(drilled & (pads.layer == index) & (pads.piece >= 0))
        size = shapely.area(copper.pad_shapes[mine])
        mine = mine[shapely.area(pieces.polygons[pads.piece[mine]]) < size + AREA_MM2]
        rows, x, y = _track_ends(case, index)
        if not len(rows) or not len(mine):
            continue
        end, heading = np.column_stack((x, y)), _headings(layer.file.objects.take(rows), x, y)
        one, via = PointTree(pads.spots()[mine]).between(end, STOPS_MM).T
        via = mine[via]
        way = (pads.spots()[via] - end[one]) @ (1, 1j)
        turn = heading[one].conj() * way
        own = pieces.island[copper.layers[index].piece[rows]]
        meant = (turn.real > 0) & (np.abs(turn.imag) <= SAME_END_MM)
        meant &= own[one] != pads.island[via]
        one, via, gap = one[meant], via[meant], np.abs(way[meant])
        lost = shapely.linestrings(np.stack((end[one], pads.spots()[via]), axis=1))
        polygons = pieces.on_layer(index)
        row, met = shapely.STRtree(lost).query(pieces.polygons[polygons], "intersects")[::-1]
        foreign = (pieces.island[polygons[met]] != own[one[row]]) & (
            polygons[met] != pads.piece[via[row]]
        )
        free = np.setdiff1d(np.arange(len(one)), row[foreign])
        yield from group(
            LOOSE_END,
            Measures(gap[free], objects_at(case, layer, rows[one[free]], *end[one[free]].T)),
            f"tracks on {layer.name} end up to {{worst}} before the middle of vias that nothing "
            "else reaches there",
            most=True,
            severity=Severity.WARNING,
            advice="Draw the track on to the via, unless it is left open on purpose.",
        )


def _headings(drawn: Objects, x: Floats, y: Floats) -> NDArray[np.complex128]:
    """Direction in which each stroke runs into its loose end, as a complex number of length 1."""
    end, start, last = np.column_stack((x, y)), drawn.starts(), drawn.ends()
    at_last = np.hypot(*(last - end).T) < np.hypot(*(start - end).T)
    heading: NDArray[np.complex128] = np.exp(
        1j * np.angle((end - np.where(at_last[:, None], start, last)) @ (1, 1j))
    )
    return heading


def _track_ends(case: Case, index: int) -> tuple[Ints, Floats, Floats]:
    """Loose ends of one layer, but for strokes with two: an oblong pad may be drawn so."""
    rows, x, y = case.shared(loose_ends_of)[index]
    once = np.flatnonzero(np.bincount(rows, minlength=1)[rows] == 1)
    return rows[once], x[once], y[once]


def _without_via(case: Case, copper: Copper) -> Iterator[Finding]:
    """Tracks of two layers that end at one place, where no hole joins them."""
    ends = [_track_ends(case, index) for index in range(len(case.board.copper))]
    at = np.concatenate([np.column_stack((x, y)) for _, x, y in ends])
    layer = np.repeat(np.arange(len(ends)), [len(rows) for rows, _, _ in ends])
    island = np.concatenate(
        [
            copper.pieces.island[own.piece[rows]]
            for own, (rows, _, _) in zip(copper.layers, ends, strict=True)
        ]
    )
    one, two = PointTree(at).pairs(SAME_END_MM).T
    met = np.unique(one[(layer[one] != layer[two]) & (island[one] != island[two])])
    if len(met):
        yield Finding.of(
            LOOSE_END,
            f"tracks of two layers end at one place without a hole at {counted(len(met), 'place')}",
            *(
                case.layer_place(case.board.copper[layer[k]], *at[k].tolist())
                for k in met[:20].tolist()
            ),
            count=len(met),
            severity=Severity.WARNING,
            advice="Drill the via that joins them, with its pads.",
        )


def _parted(case: Case, copper: Copper) -> Iterator[Finding]:
    """Tracks whose loose ends face each other: the piece between them is gone."""
    for index, layer in enumerate(case.board.copper):
        rows, x, y = _track_ends(case, index)
        heading, end = _headings(layer.file.objects.take(rows), x, y), np.column_stack((x, y))
        one, two = PointTree(end).between(end, STRAIGHT_MM).T
        way = (end[two] - end[one]) @ (1, 1j)
        gap = np.abs(way)
        island = copper.pieces.island[copper.layers[index].piece[rows]]
        pen = pen_widths(layer.file, rows)
        within = on_board(case, x, y)
        facing = (
            (one < two)
            & (gap > COINCIDENT_MM)
            & within[one]
            & within[two]
            & (island[one] != island[two])
        )
        facing &= np.abs(pen[one] - pen[two]) <= COINCIDENT_MM
        # A track turns by an eighth at most where it bends, or by a quarter where one end lies
        # straight ahead of the other.
        turns = heading[one].conj() * way, heading[two].conj() * -way
        bent, square = ([t.real >= least * gap for t in turns] for least in (_EIGHTH, _QUARTER))
        ahead = [(np.abs(t.imag) <= SAME_END_MM) & (t.real > 0) for t in turns]
        facing &= bent[0] & bent[1] | ahead[0] & square[1] | square[0] & ahead[1]
        one, two, gap = one[facing], two[facing], gap[facing]
        lost = shapely.buffer(
            shapely.linestrings(np.stack((end[one], end[two]), axis=1)), pen[one] / 2
        )
        polygons = copper.pieces.on_layer(index)
        row, met = shapely.STRtree(lost).query(copper.pieces.polygons[polygons], "intersects")[::-1]
        met_island = copper.pieces.island[polygons[met]]
        crossed = np.zeros(len(one), dtype=bool)
        crossed[row[(met_island != island[one[row]]) & (met_island != island[two[row]])]] = True
        one, two, gap = one[~crossed], two[~crossed], gap[~crossed]
        middle = (end[one] + end[two]) / 2
        yield from group(
            LOOSE_END,
            Measures(gap, objects_at(case, layer, rows[one], *middle.T)),
            f"tracks on {layer.name} end facing each other, up to {{worst}} apart, with nothing "
            "between them",
            most=True,
            severity=Severity.WARNING,
            advice="Draw the missing piece of the track, unless the two are to stay apart.",
        )


def _lonely_pads(case: Case, copper: Copper) -> Iterator[Finding]:
    """Islands of one pad position with a track, where nothing names the nets."""
    pads, pieces = copper.pads, copper.pieces
    known, counts = _positions(copper)
    tracked = np.zeros(pieces.islands, dtype=bool)
    for index, layer in enumerate(case.board.copper):
        own = copper.layers[index].piece
        strokes = layer.file.objects.stroked & (own >= 0)
        ends = case.shared(loose_ends_of)[index][0]
        strokes &= np.bincount(ends, minlength=len(own)) < 2
        tracked[pieces.island[own[strokes]]] = True
    single = (counts == 1) & tracked
    rows = known[single[pads.island[known]]]
    rows = rows[np.unique(pads.island[rows], return_index=True)[1]]
    rows = rows[~_bared_elsewhere(case, copper, rows)]
    if len(rows):
        area = np.bincount(
            pieces.island, weights=shapely.area(pieces.polygons), minlength=pieces.islands
        )
        many = len(rows) >= max(FEWEST, MANY_LONELY * counts[tracked].sum())
        yield from group(
            LONELY_PAD,
            Measures(
                area[pads.island[rows]],
                lambda k: pad_place(case, int(rows[k])),
            ),
            f"{format_number(len(rows))} pad{'s have' if len(rows) > 1 else ' has'} a track that "
            "reaches no other pad" + ("; a pour or a layer may be missing" if many else ""),
            most=True,
            unit="mm²",
            severity=Severity.WARNING if many else None,
        )


def _bared_elsewhere(case: Case, copper: Copper, rows: Ints) -> Bools:
    """Pads with copper of their island in other openings of the mask, too.

    What lies there is a land drawn as a region or with strokes, which no attribute calls a pad.
    """
    pieces, island = copper.pieces, copper.pads.island[rows]
    own = shapely.points(copper.pads.x[rows], copper.pads.y[rows])
    out = np.zeros(len(rows), dtype=bool)
    for side in case.shared(mask_sides):
        piece = pieces.on_layer(side.copper_index)
        piece = piece[np.isin(pieces.island[piece], island)]
        at, opening = side.tree.query(pieces.polygons[piece], predicate="intersects")
        order = np.argsort(island, kind="stable")
        of = order[np.searchsorted(island[order], pieces.island[piece[at]])]
        out[of[~shapely.intersects(side.openings[opening], own[of])]] = True
    return out


def _unlike_fellows(case: Case, copper: Copper) -> Iterator[Finding]:
    """Pads that reach no other pad, where those at the same place of equal footprints do."""
    pads, face = copper.pads, outer_face(copper)
    rows = np.flatnonzero((pads.island >= 0) & (face != 0))
    if not len(rows):
        return
    at = np.round(pads.spots()[rows], 2)
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
    parts = np.unique(spot.ravel()[attached_pads(case, copper, rows)])
    reached = reached[np.isin(reached[:, 1], parts)]
    have = [gaps[g].have for g in gap[mine]]
    tree = PointTree(spots)
    mine = mine[
        [
            _lacks_an_end(int(a), tree.query(np.column_stack((h.real, h.imag)))[1], reached, kind)
            for a, h in zip(asked[mine], have, strict=True)
        ]
    ]
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


def _lacks_an_end(spot: int, fellows: Ints, reached: Ints, kind: Ints) -> bool:
    """Whether a pad that is alone, unlike its fellows, lacks a track; else it ends a chain.

    Where each fellow has a net of its own, as lamps in a chain have, a lost track leaves another
    pad alone, too: one of those that the fellows lead to.  ``reached`` are islands and spots.
    """
    islands = reached[np.isin(reached[:, 1], fellows), 0]
    if len(np.unique(islands)) < len(np.unique(fellows)):
        return True
    ends = np.setdiff1d(reached[np.isin(reached[:, 0], islands), 1], fellows)
    single = np.bincount(reached[:, 0])[reached[:, 0]] == 1
    others = np.setdiff1d(reached[single, 1], spot)
    return bool(np.isin(kind[others], kind[ends]).any())


PAD_MISSING: Final = load_rule("copper/pad-missing")

MANY_FELLOWS: Final = 2 * FEWEST
"""Equals that show a part without holes (a choice of ours)."""


@check(id="copper/pads-of-parts", rules=(PAD_MISSING,), needs=("outer-copper",))
def pads_of_parts(case: Case) -> Iterator[Finding]:
    """Equal footprints have equal surface pads."""
    copper = require_copper(case)
    rows, face = surface_pads(copper), outer_face(copper)
    holes, kinds, hole_kind = case.shared(holes_of_parts)
    if not len(rows):
        return
    shapes = copper.pad_shapes[rows]
    look = np.column_stack((shapely.area(shapes) ** 0.5, shapely.length(shapes) / 4)) / LOOK_MM
    table = np.column_stack((np.round(copper.pads.spots()[rows], 2), face[rows], np.round(look)))
    table = np.unique(table, axis=0)
    looks, kind = np.unique(table[:, 2:], axis=0, return_inverse=True)
    gaps = find_gaps_of_fellows(
        np.concatenate((holes, table[:, :2])),
        np.concatenate((hole_kind, len(kinds) + kind.ravel())),
        seeds=np.arange(len(kinds) + len(looks)),
        wanted=len(kinds) + np.arange(len(looks)),
    )
    # Pads of different parts side by side may look like a part, but not in many places.
    gaps = [g for g in gaps if g.seed < len(kinds) or g.fellows >= MANY_FELLOWS]
    for index, layer in enumerate(case.board.copper):
        side = {"top": 1, "bottom": -1}.get(str(layer.side), 0)
        mine = [g for g in gaps if looks[g.kind - len(kinds), 0] == side]
        spots = np.array([(g.x_mm, g.y_mm) for g in mine]).reshape(-1, 2)
        own = copper.pad_shapes[copper.pads.layer == index]
        # A pad of another size is none that was lost.
        lone = ~touched(shapely.points(spots), own) & on_board(case, *spots.T)
        fellows = [g.fellows for g, lost in zip(mine, lone, strict=True) if lost]
        if fellows:
            yield Finding.of(
                PAD_MISSING,
                f"{counted(len(fellows), 'part')} on {layer.name} lack{'s' * (len(fellows) == 1)} "
                f"a pad that {max(fellows)} equal parts have",
                *(case.layer_place(layer, *spot) for spot in spots[lone][:20].tolist()),
                count=len(fellows),
            )


FACTOR: Final = {"outer": 0.048, "inner": 0.024}
RISE_POWER: Final = 0.44
AREA_POWER: Final = 0.725
"""Curve fit of IPC-2221: I = k dT^0.44 A^0.725, A in square mils, dT in K."""

COPPER_UM: Final = 34.8
"""Thickness that the curve's figures take for 1 oz/ft2 (1.37 mil)."""

RISE_K: Final = 10.0
"""Warming allowed beside a battery (common practice)."""

ASSUMED_A: Final = 0.5
"""Current taken when none is stated: the most a USB 2.0 port gives without asking."""

POWER: Final = re.compile(
    r"(?:^|[^A-Z0-9])(?:\+?\d+V\d*|V?BAT(?:T|TERY)?|BAT(?:T|TERY)?[+_-]?|B\+|VBUS|VUSB|VIN|RAW|VSYS"
    r"|VCC|VDD|CHARGE)(?:$|[^A-Z])",
    re.IGNORECASE,
)
"""Words of the trade for nets that carry supply or charging current."""

NARROW: Final = load_rule("copper/current")


def width_mm(
    current: float, *, copper_um: float = COPPER_UM, rise_k: float = RISE_K, inner: bool = False
) -> float:
    """Give the width of a track that ``current`` (A) warms by ``rise_k``.

    An estimate, as IPC-2221 itself says of its curves; valid up to about 35 A, 10 to 100 K and
    10 mm.
    """
    k = FACTOR["inner" if inner else "outer"]
    area = (current / (k * rise_k**RISE_POWER)) ** (1 / AREA_POWER)
    return float(area * MIL_MM * MIL_MM * 1000 / copper_um)


@check(id="copper/current", rules=(NARROW,), needs=("nets",))
def current(case: Case) -> Iterator[Finding]:
    """Tracks of supply nets carry the charging current."""
    copper = require_copper(case)
    stated = case.options.charge_current_a
    amps = ASSUMED_A if stated is None else stated
    supply = np.array([bool(POWER.search(name)) for name in copper.nets], dtype=bool)
    for index, layer in enumerate(case.board.copper):
        inner = layer.side is None
        thickness = COPPER_UM * (1.0 if inner else case.options.copper_oz or 1.0)
        needed = width_mm(amps, copper_um=thickness, inner=inner)
        own = copper.layers[index]
        rows, pen = strokes_of(layer)
        net = own.net[rows]
        thin = (net >= 0) & supply[net] & (pen < needed)
        rows, pen = rows[thin], pen[thin]
        names = sorted({copper.nets[n] for n in own.net[rows]})
        # A current that nobody stated is no ground for a warning: its finding is a note.
        for found in group(
            NARROW,
            Measures(pen, objects_at(case, layer, rows)),
            f"tracks of {some_of(names, 6)} on {layer.name} are down to {{worst}} wide; "
            f"{format_number(amps)} A warms them by more than {format_number(RISE_K)} K",
            limit=needed,
        ):
            yield (
                found
                if stated is not None
                else replace(
                    found,
                    severity=Severity.NOTE,
                    assumed=f"{format_number(ASSUMED_A)} A, as no charging current was stated",
                )
            )


NO_SIZE: Final = load_rule("copper/pad-without-size")

SAME_PLACE_MM: Final = 0.02
"""Pads of two faces nearer than this lie at one place: two roundings of a coarse inch format."""


@check(id="copper/pad-size", rules=(NO_SIZE,), needs=("outer-copper",))
def find_pads_without_size(case: Case) -> Iterator[Finding]:
    """No pad that a hole or an opening is made for is drawn with size 0."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    pads, face = copper.pads, outer_face(copper)
    # Bare holes are often flashed with size 0, and rightly so: they have no pads.
    empty = shapely.area(copper.pad_shapes) <= AREA_MM2
    if not empty[face != 0].any():
        return
    at = pads.spots()
    for side in ("top", "bottom"):
        own = face == (1 if side == "top" else -1)
        rows = np.flatnonzero(empty & own)
        others = np.flatnonzero(~empty & (face != 0) & ~own)
        middles = shapely.points(at[rows])
        holed = touched(middles, cuts.shapes)
        wanted = touched(middles, cuts.shapes[cuts.plated == 1])
        if len(others) and len(rows):
            wanted |= holed & (PointTree(at[others]).query(at[rows])[0] <= SAME_PLACE_MM)
        for mask in case.shared(mask_sides):
            if mask.layer.side == side:
                wanted |= ~holed & touched(middles, mask.openings)
        # Another object at the place may draw the pad.
        drawn = touched(middles, copper.pad_shapes[np.flatnonzero(~empty & own)])
        lost = rows[wanted & ~drawn]
        if len(lost):
            layer = case.board.copper[int(pads.layer[lost[0]])]
            yield Finding.of(
                NO_SIZE,
                f"{counted(len(lost), 'pad')} on {layer.name}, with a plated hole or an opening, "
                "have size 0",
                *(case.object_place(layer, int(pads.row[k])) for k in lost[:20]),
                count=len(lost),
            )


STROKES: Final = 20
"""Overlapping parallel strokes that are no bundle of tracks any more."""

MOSTLY: Final = 0.25
"""Share of a tool's strokes that lie side by side where it paints: the others follow the rim."""

_BAND: Final = 1 / 16
"""Strokes whose levels differ by less than this share of their width count as one run where they
overlap."""

PAINTED: Final = load_rule("copper/pour-painted")


@check(id="copper/painted", rules=(PAINTED,), needs=("copper",))
def find_painted_areas(case: Case) -> Iterator[Finding]:
    """Copper areas are regions, not strokes side by side."""
    for layer, heaps in zip(case.board.copper, case.shared(heaps_of), strict=True):
        if heaps:
            count = sum(len(rows) for rows in heaps)
            yield Finding.of(
                PAINTED,
                f"{layer.name}: {count} strokes paint {counted(len(heaps), 'area')}",
                *(case.object_place(layer, int(rows[0])) for rows in heaps[:20]),
                count=len(heaps),
                measured=float(count),
                unit="strokes",
            )


def heaps_of(case: Case) -> tuple[list[Ints], ...]:
    """Rows of the strokes that lie side by side, heap by heap, for every copper layer."""
    return tuple(map(_heaps, case.board.copper))


def painting_strokes(case: Case, layer: int) -> Bools:
    """(number of objects,) bool: strokes with a tool that mostly paints areas of a copper layer."""
    objects = case.board.copper[layer].file.objects
    drawn = objects.stroked & objects.dark
    heaps = case.shared(heaps_of)[layer]
    rows = np.concatenate([np.empty(0, np.int64), *heaps])
    # One at least, for a layer of regions alone has none.
    tools = max(1, len(case.board.copper[layer].file.apertures))
    used = np.bincount(objects.aperture[drawn], minlength=tools)
    paints = np.bincount(objects.aperture[rows], minlength=tools) > MOSTLY * used.clip(1)
    return np.asarray(drawn & paints[np.where(drawn, objects.aperture, 0)])


def _heaps(layer: Layer) -> list[Ints]:
    """Rows of strokes that lie on each other side by side, largest heap first."""
    objects, found = layer.file.objects, []
    drawn = objects.dark_rows(Kind.DRAW)
    for tool, mine in rows_by(objects.aperture[drawn]).items():
        width = layer.file.apertures[tool].diameter_mm
        if not width or len(mine) < STROKES:
            continue
        rows = drawn[mine]
        for across in (False, True):
            x0, y0, x1, y1 = (getattr(objects, name)[rows] for name in ("x0", "y0", "x1", "y1"))
            if across:
                x0, y0, x1, y1 = y0, x0, y1, x1
            lying = (y0 == y1) & (np.abs(x1 - x0) > 3 * width)
            if lying.sum() < STROKES:
                continue
            low, high = np.minimum(x0, x1)[lying], np.maximum(x0, x1)[lying]
            level = y0[lying]
            found += [rows[lying][heap] for heap in _side_by_side(low, high, level, width)]
    return sorted(found, key=lambda heap: (-len(heap), int(heap[0])))


def _side_by_side(low: Floats, high: Floats, level: Floats, width: float) -> list[Ints]:
    """Give groups of strokes that overlap their neighbours on at least ``STROKES`` levels."""
    run = _runs(low, high, np.floor(level / (width * _BAND)))
    order = np.argsort(run, kind="stable")
    first = run_starts(run[order])
    left, right = np.minimum.reduceat(low[order], first), np.maximum.reduceat(high[order], first)
    under, over = np.minimum.reduceat(level[order], first), np.maximum.reduceat(level[order], first)
    strips = shapely.box(left, under - width / 2, right, over + width / 2)
    a, b = shapely.STRtree(strips).query(strips, predicate="intersects")
    # Strokes on one level go on from each other as tracks do; only different ones fill.
    beside = (a != b) & (over[a] != under[b]) & (under[a] != over[b])
    beside &= np.maximum(under[a] - over[b], under[b] - over[a]) < 0.99 * width
    label = label_groups(len(first), a[beside], b[beside])[run]
    return [
        rows
        for rows in rows_by(label).values()
        if len(rows) >= STROKES and len(np.unique(level[rows])) >= STROKES
    ]


def _runs(low: Floats, high: Floats, band: Floats) -> Ints:
    """Number the runs of strokes: those of one band that overlap, directly or in a chain.

    Runs of a band lie apart, so that each meets few of the others however many strokes there are.
    """
    order = np.lexsort((low, band))
    fresh = np.diff(band[order], prepend=np.nan) != 0
    # Each band is moved behind the one before it, so that one running maximum serves all.
    moved = (np.cumsum(fresh) - 1) * (np.ptp(np.concatenate((low, high))) + 1.0)
    reach = np.maximum.accumulate(high[order] + moved)
    fresh[1:] |= low[order][1:] + moved[1:] >= reach[:-1]
    run = np.empty(len(low), dtype=np.int64)
    run[order] = np.cumsum(fresh) - 1
    return run
