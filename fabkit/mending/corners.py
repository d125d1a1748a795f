"""Corrections of corners of copper on request: rounded tracks, filled acid traps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.units import AREA_MM2, CHORD_ERROR_MM, counted
from fabkit.checks.copper_width import ARM_MM, ROUNDING_DEG, open_corners
from fabkit.formats.gerber.drawing import with_areas
from fabkit.formats.gerber.model import GerberFile, Kind, Objects, object_shapes, pen_widths
from fabkit.geometry.areas import polygons_of
from fabkit.geometry.facing import facets_of
from fabkit.geometry.segments import Segments
from fabkit.mending.copper import closed_ground, is_free
from fabkit.mending.model import WRITTEN_MM, Deed, Draft
from fabkit.mending.outline import layers_of
from fabkit.package.model import RoleKind

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
    for name, file, gerber in layers_of(draft, RoleKind.COPPER):
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
        erasing = shapes[~gerber.objects.dark & ~shapely.is_empty(shapes)]
        alone[shapely.STRtree(erasing).query(old, predicate="intersects")[0]] = False
        free = is_free(added, polygons_of(gerber.image, above_mm2=AREA_MM2), closed, gap)
        rows = np.flatnonzero(alone & free & draft.allowed(old))
        if not len(rows):
            continue
        draft.files[name] = replace(file, content=_rounded(gerber, corners.take(rows)))
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
    out = np.ones(len(removed), np.bool_)
    corner, other = shapely.STRtree(shapes).query(removed, predicate="intersects")
    foreign = (other != rows[corner, 0]) & (other != rows[corner, 1])
    out[corner[foreign]] = False
    out[shapely.STRtree(holes).query(removed, predicate="intersects")[0]] = False
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
    for name, file, gerber in layers_of(draft, RoleKind.COPPER):
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
        draft.files[name] = replace(
            file, content=with_areas(gerber, areas, dark=True, like=_owners(gerber, areas))
        )
        words = f"{counted(len(rows), 'sharp corner')} of copper filled"
        yield Deed.over("acid-traps", name, words, areas)


def _owners(file: GerberFile, areas: Shapes) -> Ints:
    """Row of a dark object that each area lies on, one with a net where there is one."""
    drawn = np.flatnonzero(file.objects.dark)
    named = np.array([".N" in held for held in file.attribute_sets or ({},)])
    shapes = object_shapes(file, drawn)
    area, row = shapely.STRtree(shapes).query(areas, predicate="intersects")
    order = np.argsort(~named[file.objects.attributes[drawn[row]]], kind="stable")
    found, first = np.unique(area[order], return_index=True)
    owners = np.zeros(len(areas), np.int64)
    owners[found] = drawn[row[order][first]]
    return owners
