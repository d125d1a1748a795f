"""Corrections of copper on request: rims around bare holes, slivers, teardrops, corners."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.units import AREA_MM2, CHORD_ERROR_MM, counted
from fabkit.checks.copper_width import ARM_MM, ROUNDING_DEG, open_corners
from fabkit.formats.gerber.drawing import with_areas, without
from fabkit.formats.gerber.model import GerberFile, Kind, Objects, object_shapes, pen_widths
from fabkit.geometry.areas import polygons_of, touched
from fabkit.geometry.facing import facets_of
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import Segments
from fabkit.mending.model import WRITTEN_MM, Deed, Draft, stating
from fabkit.package.model import RoleKind

_SAME_SPOT_MM: Final = 0.05
"""Drill files of three decimals of an inch are off by up to 0.013 mm; any ring is wider."""
_NARROWER: Final = 0.8
"""A track as wide as this share of its pad needs no teardrop."""
_SWEEP: Final = 0.9
"""Radius of a teardrop in the pad, as a share of the pad's own: it must not widen the pad."""
_SLIVER_SHARE: Final = 2.0
"""Area of a sliver at least, in squares of the least width: smaller ones are mere corners."""
_SHORTEST_MM: Final = 0.1
"""Pads of less than twice this have no room for a drop."""


def take_out_rims(draft: Draft) -> Iterator[Deed]:
    """Leave out pads around bare holes that nothing else touches."""
    holes = draft.board.holes
    bare = np.flatnonzero(holes.plated == 0)
    if not len(bare):
        return
    tree = PointTree(holes.spots()[bare])
    for name, file, gerber in draft.layers(RoleKind.COPPER):
        o = gerber.objects
        flashes = o.dark_rows(Kind.FLASH)
        places = np.column_stack((o.x0[flashes], o.y0[flashes]))
        near = np.isfinite(tree.query(places, within=_SAME_SPOT_MM)[0])
        rows = flashes[near]
        if not len(rows):
            continue
        shapes = object_shapes(gerber)
        drawn = np.flatnonzero(o.dark & ~shapely.is_empty(shapes))
        which, other = shapely.STRtree(shapes[drawn]).query(shapes[rows], predicate="intersects")
        # Pads of other layers of a hole are flashed at one spot, now and then twice.
        foreign = ~np.isin(drawn[other], rows)
        touched = np.zeros(len(rows), np.bool_)
        touched[which[foreign]] = True
        gone = rows[~touched & ~stating(gerber, ".P")[rows] & (shapely.area(shapes[rows]) > 0)]
        if not len(gone):
            continue
        draft.put(file, without(gerber, gone))
        words = f"{counted(len(gone), 'rim')} around holes without plating left out"
        yield Deed.over("bare-rims", name, words, shapes[gone])


def cut_slivers(draft: Draft) -> Iterator[Deed]:
    """Clear tongues of pours that are thinner than the house holds, and lead nowhere."""
    least = draft.house.limit("sliver_mm").value
    reach = least / 2 - CHORD_ERROR_MM
    for name, file, gerber in draft.layers(RoleKind.COPPER):
        o = gerber.objects
        if not len(o.dark_rows(Kind.REGION)):
            continue
        image = gerber.image
        # Shrunk and grown again, what is narrower stays away; with mitres, or each corner of the
        # pour would be missing, too.
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
        tracked = touched(thin, drawn)
        ends = shapely.intersection(shapely.buffer(thin, 3 * CHORD_ERROR_MM), core)
        lone = shapely.get_num_geometries(ends) == 1
        rows = np.flatnonzero(~tracked & lone & draft.allowed(thin))
        if not len(rows):
            continue
        areas = shapely.buffer(thin[rows], 2 * CHORD_ERROR_MM, quad_segs=2)
        draft.put(file, with_areas(gerber, areas, dark=False))
        words = f"{counted(len(rows), 'sliver')} of pours cut off"
        yield Deed.over("slivers", name, words, thin[rows], drawn=areas)


def add_teardrops(draft: Draft) -> Iterator[Deed]:
    """Widen tracks towards the pads they enter."""
    gap = draft.house.limit("gap_mm").value
    closed = closed_ground(draft)
    for name, file, gerber in draft.layers(RoleKind.COPPER):
        entries = _entries(gerber)
        if not len(entries.track):
            continue
        drops = _drops(gerber, entries)
        parts = polygons_of(gerber.image, above_mm2=AREA_MM2)
        rows = np.flatnonzero(is_free(drops, parts, closed, gap) & draft.allowed(drops))
        if not len(rows):
            continue
        made = with_areas(gerber, drops[rows], dark=True, like=entries.track[rows])
        draft.put(file, made)
        words = f"{counted(len(rows), 'teardrop')} added"
        yield Deed.over("teardrops", name, words, drops[rows])


def closed_ground(draft: Draft) -> BaseGeometry:
    """Where no copper may be added: near the edge, and at holes without plating and slots."""
    board, house = draft.board, draft.house
    edge_mm = house.limit("copper_to_edge_mm").value
    hole_mm = house.limit("nonplated_to_copper_mm").value
    bare = board.hole_shapes[: len(board.holes)][board.holes.plated != 1]
    slots = board.hole_shapes[len(board.holes) :]
    # Circles of 16 corners are up to 2 % too small.  What then comes too near is found on the
    # mended board, and gone round in the next attempt.
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
    # The sides of the hull are tangents of both discs: no corner for the etchant to stay in.
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


# Corners: rounded tracks, filled acid traps


_TURNS_DEG: Final = (10.0, 135.0)
"""Corners that turn by less are as good as straight; sharper ones have no room for an arc."""
_WIDTHS: Final = 3.0
"""Radius of a rounded corner at most, in widths of the track."""
_LEAST_WIDTHS: Final = 1.0
"""Radius at least: below it the inner edge has a corner still."""
_SHARE: Final = 0.5
"""Share of a track that each of its two corners may take."""


def round_corners(draft: Draft) -> Iterator[Deed]:
    """Lead tracks round their corners in arcs; their ends stay."""
    gap = draft.house.limit("gap_mm").value
    closed = closed_ground(draft)
    holes = draft.board.hole_shapes
    for name, file, gerber in draft.layers(RoleKind.COPPER):
        corners = _corners(gerber)
        if not len(corners.at):
            continue
        width = pen_widths(gerber, corners.rows[:, 0])
        old = shapely.union(
            *(Segments.straight(corners.at, corners.starts[k]).drawn(width) for k in (0, 1))
        )
        new = corners.arcs().drawn(width)
        added, removed = shapely.difference(new, old), shapely.difference(old, new)
        shapes = object_shapes(gerber)
        alone = _touch_nothing(removed, corners.rows, shapes, holes)
        # What erases stands between the tracks and what is drawn behind all.
        alone &= ~touched(old, shapes[~gerber.objects.dark & ~shapely.is_empty(shapes)])
        free = is_free(added, polygons_of(gerber.image, above_mm2=AREA_MM2), closed, gap)
        rows = np.flatnonzero(alone & free & draft.allowed(old))
        if not len(rows):
            continue
        draft.put(file, _rounded(gerber, corners.take(rows)))
        words = f"{counted(len(rows), 'corner')} of tracks rounded"
        yield Deed.over("round-corners", name, words, shapely.union(old[rows], new[rows]))


@dataclass(frozen=True, slots=True)
class _Corners:
    """Where exactly two tracks of one pen and net meet, and how an arc would join them.

    ``rows`` (n, 2): the tracks; ``last`` (n, 2): whether the corner is the end of each; ``at``
    (n, 2): the corner; ``starts``: two of (n, 2), where the arc leaves either track; ``centre``
    (n, 2); ``turn`` (n,): direction of the arc from the first track to the second.
    """

    rows: Ints
    last: Bools
    at: Floats
    starts: tuple[Floats, Floats]
    centre: Floats
    turn: NDArray[np.int8]

    def take(self, rows: Ints) -> _Corners:
        """Take some of them."""
        one, two = self.starts
        return _Corners(
            self.rows[rows], self.last[rows], self.at[rows], (one[rows], two[rows]),
            self.centre[rows], self.turn[rows],
        )  # fmt: skip

    def arcs(self) -> Segments:
        """Give the arcs that replace the corners."""
        (x0, y0), (x1, y1), (cx, cy) = self.starts[0].T, self.starts[1].T, self.centre.T
        return Segments(x0, y0, x1, y1, cx, cy, self.turn)


def _corners(file: GerberFile) -> _Corners:
    o = file.objects
    pens = np.array([a.diameter_mm is not None for a in file.apertures] or [False])
    tracks = np.flatnonzero((o.kind == Kind.DRAW) & o.dark & pens[o.aperture])
    tracks = tracks[o.take(tracks).chords() > WRITTEN_MM]
    others = np.setdiff1d(o.dark_rows(Kind.FLASH, Kind.DRAW, Kind.ARC), tracks)
    lines, rest = o.take(tracks), o.take(others)
    ends = np.concatenate((lines.starts(), lines.ends()))
    foreign = np.concatenate((rest.starts(), rest.ends()))
    places = np.rint(np.concatenate((ends, foreign)) / WRITTEN_MM)
    _, node = np.unique(places, axis=0, return_inverse=True)
    node = node.reshape(-1)
    mine, theirs = node[: len(ends)], node[len(ends) :]
    size = int(node.max(initial=-1)) + 1
    # Where a third track or a pad meets them, an arc would leave it hanging on the old corner.
    meet = np.bincount(mine, minlength=size) == 2
    meet[theirs] = False
    order = np.argsort(mine, kind="stable")
    pairs = order[meet[mine[order]]].reshape(-1, 2)
    count = max(len(tracks), 1)
    rows, last = tracks[pairs % count], pairs >= count
    at = ends[pairs[:, 0]]
    away = np.concatenate((lines.ends(), lines.starts()))[pairs] - at[:, None]
    length = np.hypot(away[..., 0], away[..., 1])
    ways = away / length[..., None]
    cross = ways[:, 0, 0] * ways[:, 1, 1] - ways[:, 0, 1] * ways[:, 1, 0]
    dot = (ways[:, 0] * ways[:, 1]).sum(axis=1)
    turned = np.pi - np.abs(np.arctan2(cross, dot))
    width = pen_widths(file, rows[:, 0])
    half = np.tan(turned / 2)
    reach = np.minimum(_SHARE * length.min(axis=1), _WIDTHS * width * half)
    radius = np.divide(reach, half, out=np.zeros_like(reach), where=half > 1e-9)
    low, high = np.radians(_TURNS_DEG)
    alike = np.ones(len(rows), np.bool_)
    for column in (o.aperture, o.pose, o.attributes):
        alike &= column[rows[:, 0]] == column[rows[:, 1]]
    fits = alike & (turned >= low) & (turned <= high) & (radius >= _LEAST_WIDTHS * width)
    kept = np.flatnonzero(fits)
    # Written points, so that tracks and arcs meet exactly.
    starts = tuple(
        np.rint((at + ways[:, k] * reach[:, None])[kept] / WRITTEN_MM) * WRITTEN_MM for k in (0, 1)
    )
    middle = ways[kept].sum(axis=1)
    middle /= np.hypot(middle[:, 0], middle[:, 1])[:, None]
    centre = at[kept] + middle * np.hypot(reach, radius)[kept, None]
    # From the first track to the second: to the left where the second leaves to the left.
    turn = np.where(cross[kept] > 0, -1, 1).astype(np.int8)
    return _Corners(rows[kept], last[kept], at[kept], (starts[0], starts[1]), centre, turn)


def _touch_nothing(removed: Shapes, rows: Ints, shapes: Shapes, holes: Shapes) -> Bools:
    """Whether what corners lose touches no hole, and nothing drawn but their own tracks."""
    corner, other = shapely.STRtree(shapes).query(removed, predicate="intersects")
    foreign = (other != rows[corner, 0]) & (other != rows[corner, 1])
    out = ~touched(removed, holes)
    out[corner[foreign]] = False
    return out


def _rounded(file: GerberFile, corners: _Corners) -> GerberFile:
    """Shorten the tracks, and draw the arcs behind them."""
    o = file.objects
    columns = {name: getattr(o, name).copy() for name in ("x0", "y0", "x1", "y1")}
    for k in (0, 1):
        for last, (x, y) in ((False, ("x0", "y0")), (True, ("x1", "y1"))):
            mine = corners.last[:, k] == last
            rows = corners.rows[mine, k]
            columns[x][rows], columns[y][rows] = corners.starts[k][mine].T
    arcs = corners.arcs()
    made = o.take(corners.rows[:, 0]).with_columns(
        **arcs.by_name(), kind=np.full(len(arcs), Kind.ARC)
    )
    return replace(file, objects=Objects.concat(o.with_columns(**columns), made))


def fill_traps(draft: Draft) -> Iterator[Deed]:
    """Fill sharp corners between copper of one piece until the etchant can leave."""
    gap = draft.house.limit("gap_mm").value
    limit = draft.house.limit("acid_trap_deg").value
    closed = closed_ground(draft)
    for name, file, gerber in draft.layers(RoleKind.COPPER):
        parts = polygons_of(gerber.image, above_mm2=AREA_MM2)
        if not len(parts):
            continue
        facets = facets_of(parts)
        angle, x, y = open_corners(facets)
        # Corners are the ends of facets; no two facets of a piece end in one place.
        ends = {place: k for k, place in enumerate(zip(facets.x1, facets.y1, strict=True))}
        sharp = np.flatnonzero(angle < limit - ROUNDING_DEG)
        if not len(sharp):
            continue
        into = np.array([ends[x[k], y[k]] for k in sharp.tolist()])
        out = facets.after[into]
        at = np.column_stack((x[sharp], y[sharp]))
        arms = [
            np.column_stack((facets.x0[into], facets.y0[into])) - at,
            np.column_stack((facets.x1[out], facets.y1[out])) - at,
        ]
        lengths = [np.hypot(*arm.T) for arm in arms]
        # As wide as the house keeps open: there the etchant runs as in any gap.
        wanted = gap / (2 * np.sin(np.radians(angle[sharp]) / 2))
        reach = np.minimum(wanted, np.minimum(*lengths))
        tips = [at + arm / length[:, None] * reach[:, None]
                for arm, length in zip(arms, lengths, strict=True)]  # fmt: skip
        fills = shapely.polygons(np.stack((at, *tips), axis=1))
        fills = fills[reach >= ARM_MM]
        # A hair into the copper, or rounding may leave a slit.
        fills = shapely.buffer(fills, CHORD_ERROR_MM, join_style="mitre")
        rows = np.flatnonzero(is_free(fills, parts, closed, gap) & draft.allowed(fills))
        if not len(rows):
            continue
        areas = fills[rows]
        draft.put(file, with_areas(gerber, areas, dark=True, like=_owners(gerber, areas)))
        words = f"{counted(len(rows), 'sharp corner')} of copper filled"
        yield Deed.over("acid-traps", name, words, areas)


def _owners(file: GerberFile, areas: Shapes) -> Ints:
    """Row of a dark object that each area lies on, one with a net where there is one."""
    drawn = np.flatnonzero(file.objects.dark)
    shapes = object_shapes(file, drawn)
    area, row = shapely.STRtree(shapes).query(areas, predicate="intersects")
    order = np.argsort(~stating(file, ".N")[drawn[row]], kind="stable")
    found, first = np.unique(area[order], return_index=True)
    owners = np.zeros(len(areas), np.int64)
    owners[found] = drawn[row[order][first]]
    return owners
