"""Corrections of copper on request: rims around bare holes, teardrops."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.units import AREA_MM2, CHORD_ERROR_MM, counted
from fabkit.formats.gerber.drawing import with_areas, without
from fabkit.formats.gerber.model import GerberFile, Kind, object_shapes, pen_widths
from fabkit.geometry.areas import polygons_of
from fabkit.geometry.neighbours import PointTree
from fabkit.mending.model import Deed, Draft
from fabkit.mending.outline import layers_of
from fabkit.package.model import RoleKind

_SAME_SPOT_MM: Final = 0.05
_NARROWER: Final = 0.8
"""A track as wide as this share of its pad needs no teardrop."""
_SWEEP: Final = 0.9
"""Radius of a teardrop in the pad, as a share of the pad's own: it must not widen the pad."""
_SLIVER_SHARE: Final = 2.0
"""Area of a sliver at least, in squares of the least width: smaller ones are mere corners."""
_SHORTEST_MM: Final = 0.1


def take_out_rims(draft: Draft) -> Iterator[Deed]:
    """Leave out pads around bare holes that nothing else touches."""
    holes = draft.board.holes
    bare = np.flatnonzero(holes.plated == 0)
    if not len(bare):
        return
    tree = PointTree(holes.spots()[bare])
    for name, file, gerber in layers_of(draft, RoleKind.COPPER):
        o = gerber.objects
        flashes = o.dark_rows(Kind.FLASH)
        places = np.column_stack((o.x0[flashes], o.y0[flashes]))
        near = np.isfinite(tree.query(places, within=_SAME_SPOT_MM)[0])
        rows = flashes[near]
        if not len(rows):
            continue
        pinned = np.array([".P" in held for held in gerber.attribute_sets or ({},)])
        shapes = object_shapes(gerber)
        drawn = np.flatnonzero(o.dark & ~shapely.is_empty(shapes))
        which, other = shapely.STRtree(shapes[drawn]).query(shapes[rows], predicate="intersects")
        # Pads of other layers of a hole are flashed at one spot, now and then twice.
        foreign = ~np.isin(drawn[other], rows)
        touched = np.zeros(len(rows), np.bool_)
        touched[which[foreign]] = True
        gone = rows[~touched & ~pinned[o.attributes[rows]] & (shapely.area(shapes[rows]) > 0)]
        if not len(gone):
            continue
        draft.files[name] = replace(file, content=without(gerber, gone))
        words = f"{counted(len(gone), 'rim')} around holes without plating left out"
        yield Deed.over("bare-rims", name, words, shapes[gone])


def cut_slivers(draft: Draft) -> Iterator[Deed]:
    """Clear tongues of pours that are thinner than the house holds, and lead nowhere."""
    least = draft.house.limit("sliver_mm").value
    reach = least / 2 - CHORD_ERROR_MM
    for name, file, gerber in layers_of(draft, RoleKind.COPPER):
        o = gerber.objects
        if not len(o.dark_rows(Kind.REGION)):
            continue
        image = gerber.image
        core = shapely.buffer(
            shapely.buffer(image, -reach, join_style="mitre"), reach, join_style="mitre"
        )
        drawn = object_shapes(gerber, o.dark_rows(Kind.FLASH, Kind.DRAW, Kind.ARC))
        thin = polygons_of(
            shapely.difference(image, shapely.buffer(core, CHORD_ERROR_MM)), above_mm2=AREA_MM2
        )
        thin = thin[shapely.area(thin) > _SLIVER_SHARE * least**2]
        if not len(thin):
            continue
        # What a track or pad draws is no sliver of a pour; what joins two pieces leads somewhere.
        tracked = np.zeros(len(thin), np.bool_)
        if len(drawn):
            tracked[shapely.STRtree(drawn).query(thin, predicate="intersects")[0]] = True
        ends = shapely.intersection(shapely.buffer(thin, 3 * CHORD_ERROR_MM), core)
        lone = shapely.get_num_geometries(ends) == 1
        rows = np.flatnonzero(~tracked & lone & draft.allowed(thin))
        if not len(rows):
            continue
        areas = shapely.buffer(thin[rows], 2 * CHORD_ERROR_MM, quad_segs=2)
        draft.files[name] = replace(file, content=with_areas(gerber, areas, dark=False))
        words = f"{counted(len(rows), 'sliver')} of pours cut off"
        yield Deed.over("slivers", name, words, thin[rows], drawn=areas)


def add_teardrops(draft: Draft) -> Iterator[Deed]:
    """Widen tracks towards the pads they enter."""
    gap = draft.house.limit("gap_mm").value
    closed = closed_ground(draft)
    for name, file, gerber in layers_of(draft, RoleKind.COPPER):
        entries = _entries(gerber)
        if not len(entries.track):
            continue
        drops = _drops(gerber, entries)
        parts = polygons_of(gerber.image, above_mm2=AREA_MM2)
        rows = np.flatnonzero(is_free(drops, parts, closed, gap) & draft.allowed(drops))
        if not len(rows):
            continue
        made = with_areas(gerber, drops[rows], dark=True, like=entries.track[rows])
        draft.files[name] = replace(file, content=made)
        words = f"{counted(len(rows), 'teardrop')} added"
        yield Deed.over("teardrops", name, words, drops[rows])


def closed_ground(draft: Draft) -> BaseGeometry:
    """Where no copper may be added: near the edge, and at holes without plating and slots."""
    board, house = draft.board, draft.house
    edge_mm = house.limit("copper_to_edge_mm").value
    hole_mm = house.limit("nonplated_to_copper_mm").value
    bare = board.hole_shapes[: len(board.holes)][board.holes.plated != 1]
    slots = board.hole_shapes[len(board.holes) :]
    around = shapely.buffer(np.concatenate((bare, slots)), hole_mm, quad_segs=4)
    if board.profile is not None:
        rim = shapely.buffer(board.profile.boundary, edge_mm, quad_segs=4)
        around = np.append(around, rim)
    whole = shapely.union_all(around)
    shapely.prepare(whole)
    return whole


@dataclass(frozen=True, slots=True)
class _Entries:
    """Ends of tracks in pads: row of the track, of the pad, and the other end, mm."""

    track: Ints
    pad: Ints
    away: Floats


def _entries(file: GerberFile) -> _Entries:
    o = file.objects
    pads = o.dark_rows(Kind.FLASH)
    tracks = o.dark_rows(Kind.DRAW)
    if not len(pads) or not len(tracks):
        return _Entries(pads[:0], pads[:0], np.empty((0, 2)))
    tree = PointTree(np.column_stack((o.x0[pads], o.y0[pads])))
    lines = o.take(tracks)
    found = []
    for end, away in ((lines.starts(), lines.ends()), (lines.ends(), lines.starts())):
        apart, which = tree.query(end, within=_SAME_SPOT_MM)
        rows = np.flatnonzero(np.isfinite(apart))
        found.append((tracks[rows], pads[which[rows]], away[rows]))
    track, pad, far = (np.concatenate(column) for column in zip(*found, strict=True))
    return _Entries(track, pad, far)


def _drops(file: GerberFile, entries: _Entries) -> Shapes:
    """Teardrop of each entry; empty where the track is wide or short."""
    o = file.objects
    width = pen_widths(file, entries.track)
    size = np.array([min(a.size_mm) for a in file.apertures])[o.aperture[entries.pad]]
    size = size * np.array([p.scale for p in file.poses])[o.pose[entries.pad]]
    at = np.column_stack((o.x0[entries.pad], o.y0[entries.pad]))
    way = entries.away - at
    length = np.hypot(*way.T)
    # Straight as far as it reaches: where a track bends within it, it would leave a sharp notch.
    fits = (width < _NARROWER * size) & (length >= size) & (size > 2 * _SHORTEST_MM)
    fits &= ~_beside_another(entries.pad, way)
    out = np.full(len(at), shapely.Polygon(), dtype=object)
    rows = np.flatnonzero(fits)
    tip = at[rows] + way[rows] / length[rows, None] * (size[rows] - width[rows] / 2)[:, None]
    discs = [
        shapely.buffer(shapely.points(points), radius - CHORD_ERROR_MM, quad_segs=8)
        for points, radius in ((at[rows], _SWEEP * size[rows] / 2), (tip, width[rows] / 2))
    ]
    for row, one, two in zip(rows.tolist(), *discs, strict=True):
        out[row] = shapely.convex_hull(shapely.union(one, two))
    return out


def _beside_another(pad: Ints, way: Floats) -> Bools:
    """Whether another track leaves the same pad within a right angle: a notch would be between."""
    out = np.zeros(len(pad), np.bool_)
    for rows in rows_by(pad).values():
        if len(rows) > 1:
            along = way[rows] @ way[rows].T
            np.fill_diagonal(along, -1.0)
            out[rows] = (along > 0).any(axis=1)
    return out


def is_free(drops: Shapes, parts: Shapes, closed: BaseGeometry, gap_mm: float) -> Bools:
    """Whether areas of copper keep the gap to all copper but their own, and to closed ground."""
    wanted: Bools = ~shapely.is_empty(drops) & ~shapely.intersects(closed, drops)
    tree = shapely.STRtree(parts)
    which, part = tree.query(drops, predicate="dwithin", distance=gap_mm + 1e-3)
    touching = shapely.intersects(drops[which], parts[part])
    wanted[which[~touching]] = False
    # Of its own copper only what it lies on may be near: filling a gap within a net helps nobody.
    own = touching & wanted[which]
    ringed = shapely.buffer(drops[which[own]], gap_mm, quad_segs=4)
    near = shapely.intersection(ringed, parts[part[own]])
    lone = shapely.get_num_geometries(near) == 1
    wanted[which[own][~lone]] = False
    return wanted
