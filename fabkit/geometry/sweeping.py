"""Union of many small polygons that cover each other: one sweep over the edges of all.

Strokes of a legend or of a pour overlap their neighbours a dozen times.  An overlay of two shapes
knows two at a time, so a union by overlays sorts and nodes the same edges again in each of its
steps; a sweep by winding numbers sees every edge once, and takes a fifth to a third of the time.
It works in integers, here in steps below 1e-12 mm on boards up to a metre, far below what files
hold; corners that stay get their own coordinates back, bit for bit.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by, run_starts

_STEPS: Final = 2.0**27
"""Steps a unit that the sweep rounds to: the power of two above its eight digits."""

_ENLARGED: Final = 2.0**17
"""What millimetres are enlarged by first, at most: steps are then 6e-14 mm."""

_MOST_STEPS: Final = 2.0**51
"""Whole numbers up to here, and sums of four of them, are exact in double precision."""

_MIX: Final = np.array(
    (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93),
    dtype=np.uint64,
)
"""Odd factors that make one number of up to four: sorted at once, not once for each."""


def sweep_union(shapes: Shapes) -> tuple[Shapes, Ints]:
    """Polygons of the union of polygons.

    Parameters
    ----------
    shapes : (n,) object array of polygons

    Returns
    -------
    polygons : (k,) object array
        Corners that lie on crossings of edges are within 1e-11 mm of them.  Where parts touch in a
        point, a ring may touch itself, which makes a polygon invalid; swept again it does no harm.
    owner : (k,) int64
        Row of a shape that each one holds.
    """
    rings, of = shapely.get_rings(shapes, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    outer = np.diff(of, prepend=-1) > 0
    cuts = [*run_starts(ring).tolist(), len(points)]
    turned = np.flatnonzero(shapely.is_ccw(rings) != outer)
    polygons, source = _sweep(points, cuts, set(turned.tolist()))
    owner = of[ring[source]]
    lost = np.flatnonzero(source < 0)
    if len(lost):
        corners = shapely.get_point(shapely.get_exterior_ring(polygons[lost]), 0)
        owner[lost] = shapely.STRtree(shapes).nearest(corners)
    return polygons, owner


def sweep_path(ring: Floats) -> Shapes:
    """Polygons of everything a closed path runs round a number of times that is not zero.

    Parameters
    ----------
    ring : (n, 2) float64, mm
        Closed or not.

    Returns
    -------
    (k,) object array of polygons, as :func:`sweep_union` gives them
    """
    return _sweep(ring, [0, len(ring)], set(), both_ways=True)[0]


def _sweep(
    points: Floats, cuts: list[int], turned: set[int], *, both_ways: bool = False
) -> tuple[Shapes, Ints]:
    """Polygons that loops enclose, and the row of a given point of each; -1 where none is left.

    Parameters
    ----------
    points : (n, 2) float64
    cuts
        First point of each loop, and the number of points.
    turned
        Loops that are run through backwards.
    both_ways
        Also what is run round clockwise.
    """
    from manifold3d import CrossSection, FillRule

    low = np.floor(points.min(axis=0))
    size = points.max(axis=0) - low
    room = _MOST_STEPS / _STEPS / max(size.max(), 1.0)
    scale = min(_ENLARGED, 2.0 ** np.floor(np.log2(room)))
    # Rounded to its steps here, or what lies between two would be found on the other one below.
    paths = np.rint((points - low) * (scale * _STEPS)) / _STEPS
    # It runs along y and looks at all edges abreast in every step: along the longer side, then.
    wide = size[0] > size[1]
    if wide:
        paths = np.column_stack((paths[:, 1], -paths[:, 0]))
    loops = [
        paths[first:last][::-1] if row in turned else paths[first:last]
        for row, (first, last) in enumerate(pairwise(cuts))
    ]
    rule = FillRule.NonZero if both_ways else FillRule.Positive
    swept = CrossSection(loops, rule).to_polygons()
    made = np.concatenate([*swept, np.empty((0, 2))])
    kept, source = _sources(paths, made)
    if wide:
        made = np.column_stack((-made[:, 1], made[:, 0]))
    made = made / scale + low
    made[kept] = points[source[kept]]
    number = np.repeat(np.arange(len(swept)), [len(path) for path in swept])
    rings = shapely.linearrings(made, indices=number)
    meeting = np.flatnonzero(~shapely.is_simple(rings))
    if len(meeting):
        rows, number = _parted(swept, meeting, loops, both_ways=both_ways)
        kept, source = kept[rows], source[rows]
        rings = shapely.linearrings(made[rows], indices=number)
    outer = shapely.is_ccw(rings)
    owner = np.full(len(rings), -1)
    np.maximum.at(owner, number, np.where(kept, source, -1))
    # Overlays run round the other way.
    rings = shapely.reverse(rings)
    return _pierced(rings[outer], rings[~outer]), owner[outer]


_NEAR: Final = 2.0**-19
"""How near corners and edges are one place: 256 steps of the sweep, 1.5e-11 mm as enlarged."""

_BESIDE: Final = 2.0**-10
"""How far beside an edge it is asked what is filled: 7e-9 mm as enlarged."""


def _parted(
    rings: list[Floats], meeting: Ints, loops: list[Floats], *, both_ways: bool
) -> tuple[Ints, Ints]:
    """Part rings where they meet themselves, and let each have what is filled on its left.

    Rounding may put a corner a step beyond an edge that it lies on.  The sweep then takes a wrong
    turn there, and runs round two holes in the shape of an eight: one of them looked filled
    (0.2 mm2 of random strokes on a grid of 0.1 mm).

    Parameters
    ----------
    rings
        As swept.
    meeting : (k,) int64
        Those that meet themselves.
    loops
        What was swept.

    Returns
    -------
    rows : (n,) int64
        Corners of the new rings, as rows of those of all rings.
    number : (n,) int64
        Ring of each.
    """
    first = np.cumsum([0, *(len(ring) for ring in rings)])
    parts: list[Ints] = []
    meets = set(meeting.tolist())
    start = np.concatenate(loops)
    end = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops])
    for row, ring in enumerate(rings):
        if row not in meets:
            parts.append(np.arange(first[row], first[row + 1]))
            continue
        rounds = _rounds(ring)
        turns = {_doubled_area(ring[some]) > 0 for some in rounds}
        for some in rounds:
            wrong = len(turns) > 1 and not _is_filled(
                _left_of(ring[some]), start, end, both_ways=both_ways
            )
            parts.append(first[row] + (some[::-1] if wrong else some))
    number = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return np.concatenate([*parts, np.empty(0, dtype=np.int64)]), number


def _rounds(ring: Floats) -> list[Ints]:
    """Part a ring, by the rows of its corners, where it comes back to a place.

    What only runs there and back is left out.
    """
    corners = _with_corners_met(ring)
    done: list[list[int]] = []
    path: list[int] = []
    seen: dict[tuple[int, int], int] = {}
    places = [(x, y) for x, y in np.rint(ring / _NEAR).astype(np.int64).tolist()]
    for row in corners.tolist():
        if places[row] in seen:
            first = seen[places[row]]
            done.append(path[first:])
            for passed in path[first:]:
                del seen[places[passed]]
            del path[first:]
        seen[places[row]] = len(path)
        path.append(row)
    return [np.array(some) for some in (*done, path) if len(some) > 2]


def _with_corners_met(ring: Floats) -> Ints:
    """Rows of the corners of a ring, and those of others that each edge meets, along it."""
    count = len(ring)
    end = np.roll(ring, -1, axis=0)
    edges = shapely.linestrings(np.stack((ring, end), axis=1))
    corner, edge = shapely.STRtree(edges).query(
        shapely.points(ring), predicate="dwithin", distance=_NEAR
    )
    other = (edge != corner) & ((edge + 1) % count != corner)
    corner, edge = corner[other], edge[other]
    along = shapely.line_locate_point(edges[edge], shapely.points(ring[corner]))
    rows = np.concatenate((np.arange(count), corner))
    order = np.lexsort((np.append(np.full(count, -1.0), along), np.append(np.arange(count), edge)))
    return rows[order]


def _doubled_area(ring: Floats) -> float:
    x, y = (ring - ring[0]).T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _left_of(ring: Floats) -> Floats:
    """Give a place a hair to the left of the middle of a ring's longest edge."""
    along = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(along[:, 0], along[:, 1])
    k = int(np.argmax(length))
    aside = np.array((-along[k, 1], along[k, 0])) * (_BESIDE / length[k])
    place: Floats = ring[k] + along[k] / 2 + aside
    return place


def _is_filled(place: Floats, start: Floats, end: Floats, *, both_ways: bool) -> bool:
    """Whether edges of loops run round a place: counter-clockwise in sum, or either way."""
    above, next_above = start[:, 1] > place[1], end[:, 1] > place[1]
    met = np.flatnonzero(above != next_above)
    (dx, dy), (px, py) = (end[met] - start[met]).T, (place - start[met]).T
    left = dx * py - dy * px > 0
    up = next_above[met]
    turns = int(np.sum(up & left)) - int(np.sum(~up & ~left))
    return turns != 0 if both_ways else turns > 0


def together(pieces: Shapes) -> BaseGeometry:
    """Make one geometry of polygons that lie apart: one alone stays a polygon."""
    whole: BaseGeometry = pieces[0] if len(pieces) == 1 else shapely.multipolygons(pieces)
    return whole


def lie_apart(shapes: Shapes) -> Bools:
    """Whether the rings of each shape touch nowhere, which is asked quicker than its validity.

    A polygon of 40,000 holes takes 4.6 s to be judged valid, for every hole is sought along its
    whole outer ring; to learn that its rings lie apart takes 0.2 s.
    """
    parts, of = shapely.get_parts(shapes, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    apart = np.ones(len(shapes), dtype=bool)
    # Shapes may be empty and have no rings.
    asked, number = np.unique(of[part], return_inverse=True)
    apart[asked] = shapely.is_simple(shapely.multilinestrings(rings, indices=number))
    return apart


def _pierced(outer: Shapes, holes: Shapes) -> Shapes:
    """Polygons of outer rings, each with the holes that lie in it."""
    polygons: Shapes = shapely.polygons(outer)
    if not len(holes):
        return polygons
    at = np.zeros(len(holes), dtype=np.int64)
    if len(polygons) > 1:
        # Asked this way round, each polygon is prepared once for all points.
        polygon, hole = shapely.STRtree(shapely.get_point(holes, 0)).query(
            polygons, predicate="intersects"
        )
        # The smallest one around it is written last.
        order = np.argsort(-shapely.area(polygons)[polygon], kind="stable")
        at[hole[order]] = polygon[order]
    return with_holes(outer, holes, at)


def _sources(points: Floats, made: Floats) -> tuple[Bools, Ints]:
    """Which of the points made are given ones, and a row of the given one of each."""
    given, asked = (mixed(_in_steps(some)) for some in (points, made))
    # With the row in their low bits, numbers are sorted in half the time of rows by numbers.
    bits = np.uint64((1 << len(points).bit_length()) - 1)
    keys = np.sort(given & ~bits | np.arange(len(points), dtype=np.uint64))
    place = np.minimum(np.searchsorted(keys, asked & ~bits), len(keys) - 1)
    at = (keys[place] & bits).astype(np.int64)
    kept = _alike(points[at], made)
    # Another point whose number has the same high bits may stand in front.
    lost = np.flatnonzero(~kept & ((given[at] ^ asked) <= bits))
    if len(lost):
        order = np.argsort(given, kind="stable")
        place = np.searchsorted(given[order], asked[lost])
        at[lost] = order[np.minimum(place, len(order) - 1)]
        kept[lost] = _alike(points[at[lost]], made[lost])
    return kept, at


def _in_steps(points: Floats) -> NDArray[np.uint64]:
    """Coordinates of points in steps of the sweep."""
    steps: NDArray[np.uint64] = np.rint(points * _STEPS).astype(np.int64).view(np.uint64)
    return steps


def _alike(points: Floats, others: Floats) -> Bools:
    """Which points lie less than a step from the other one, along x and y."""
    off = np.abs(points - others) * _STEPS
    return np.asarray((off[:, 0] < 1) & (off[:, 1] < 1))


def mixed(numbers: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """One number for each row of up to four; equal rows give equal numbers, others hardly ever."""
    made: NDArray[np.uint64] = numbers[:, 0] * _MIX[0]
    for column in range(1, numbers.shape[1]):
        made += numbers[:, column] * _MIX[column]
    return made


def with_holes(outer: Shapes, holes: Shapes, owner: Ints) -> Shapes:
    """Polygons of outer rings and of the holes in them, (n,) object array.

    Parameters
    ----------
    outer : (n,) object array of rings
    holes : (m,) object array of rings
    owner : (m,) int64
        Row of the outer ring that each hole lies in.
    """
    made: Shapes = shapely.polygons(outer)
    for row, mine in rows_by(owner).items():
        made[row] = shapely.polygons(outer[row], holes=holes[mine])
    return made
