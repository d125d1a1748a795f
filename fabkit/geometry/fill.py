"""Area of closed paths that may cross themselves."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.geometry.arcs import Floats


def winding_numbers(ring: Floats, points: Floats) -> NDArray[np.int64]:
    """How often a closed path runs round each point, counter-clockwise positive.

    Parameters
    ----------
    ring : (n, 2) float64
        Closed or not; the last point is joined to the first.
    points : (m, 2) float64
        None of them may lie on the path.
    """
    start, end = ring, np.roll(ring, -1, axis=0)
    # Only edges that a ray to the right can meet matter.
    edges = shapely.linestrings(np.stack((start, end), axis=1))
    far = ring[:, 0].max() + 1.0
    x, y = points[:, 0], points[:, 1]
    rays = shapely.linestrings(np.stack((points, np.column_stack((np.maximum(x, far), y))), axis=1))
    which, edge = shapely.STRtree(edges).query(rays)
    (ax, ay), (bx, by) = start[edge].T, end[edge].T
    px, py = x[which], y[which]
    side = (bx - ax) * (py - ay) - (px - ax) * (by - ay)
    turns = np.where((ay <= py) & (by > py) & (side > 0), 1, 0)
    turns -= np.where((ay > py) & (by <= py) & (side < 0), 1, 0)
    out = np.zeros(len(points), np.int64)
    np.add.at(out, which, turns)
    return out


def _split_at_cut_ins(ring: Floats) -> list[Floats] | None:
    """Loops left of a closed ring when edges run through once in each sense are taken out.

    Returns None when edges lie on each other otherwise.

    Parameters
    ----------
    ring : (n, 2) float64
        Not closed explicitly, no repeated neighbours.
    """
    start, end = ring, np.roll(ring, -1, axis=0)
    swap = (start[:, 0] > end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] > end[:, 1]))
    low = np.where(swap[:, None], end, start)
    high = np.where(swap[:, None], start, end)
    order = np.lexsort((low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    same = (low[order[1:]] == low[order[:-1]]).all(axis=1)
    same &= (high[order[1:]] == high[order[:-1]]).all(axis=1)
    first, second = order[:-1][same], order[1:][same]
    if (same[1:] & same[:-1]).any() or (swap[first] == swap[second]).any():
        return None
    partner = dict(zip(first.tolist(), second.tolist(), strict=True))
    partner |= dict(zip(second.tolist(), first.tolist(), strict=True))
    loops: list[list[Floats]] = [[]]
    open_: list[tuple[int, int]] = []
    current, begin = 0, 0
    for k in sorted(partner):
        loops[current].append(ring[begin:k])
        begin = k + 1
        if open_ and open_[-1][0] == k:
            current = open_.pop()[1]
        elif partner[k] < k:
            return None
        else:
            open_.append((partner[k], current))
            current = len(loops)
            loops.append([])
    loops[current].append(ring[begin:])
    return [made for parts in loops if len(made := np.vstack(parts)) >= 3]


def _fill_loops(loops: list[Floats]) -> BaseGeometry | None:
    """Area of solid loops less the loops in them; None when they are nested otherwise.

    A loop that touches itself (rounding does that to the outer edge of a pour) is filled first.
    """
    rings = shapely.linearrings(
        np.vstack(loops), indices=np.repeat(np.arange(len(loops)), [len(p) for p in loops])
    )
    sense = np.where(shapely.is_ccw(rings), 1, -1)
    areas = shapely.polygons(rings)
    for k in np.flatnonzero(~shapely.is_valid(areas)).tolist():
        sense[k] = np.sign(_signed_area(loops[k]))
        areas[k] = _fill_faces(loops[k])
    # The input of a query is prepared, so asking each loop for what it covers is quick.
    outer, inner = shapely.STRtree(areas).query(areas, predicate="covers")
    others = inner != outer
    inner, outer = inner[others], outer[others]
    depth = np.bincount(inner, minlength=len(loops))
    solid, hole = areas[depth == 0], areas[depth == 1]
    # Each hole must run against the solid around it, and solids must not overlap.
    if (depth > 1).any() or (sense[inner] == sense[outer]).any():
        return None
    first, second = shapely.STRtree(solid).query(solid, predicate="intersects")
    if (first != second).any():
        return None
    whole = shapely.union_all(solid)
    return whole.difference(shapely.union_all(hole)) if len(hole) else whole


def _signed_area(ring: Floats) -> float:
    x, y = (ring - ring[0]).T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def _find_faces(ring: Floats) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Faces of the path's own arrangement, and how often it runs round each."""
    closed = np.vstack((ring, ring[:1]))
    nodes = shapely.unary_union(shapely.linestrings(closed))
    faces: NDArray[Any] = shapely.get_parts(shapely.polygonize([nodes]))
    if not len(faces):
        return faces, np.empty(0, np.int64)
    inner = shapely.get_coordinates(shapely.point_on_surface(faces))
    return faces, winding_numbers(ring, inner)


def _fill_faces(ring: Floats) -> BaseGeometry:
    """Unite all faces of the path's own arrangement that it runs round."""
    faces, turns = _find_faces(ring)
    return shapely.union_all(faces[turns != 0]) if len(faces) else shapely.Polygon()


def is_filled_alike(ring: Floats, *, slack_mm: float) -> bool:
    """Whether every way of filling a path gives the same area.

    Filling what is run round at all, an odd number of times, or in one sense only differs where
    a face is run round twice, or against the rest.  Such faces no wider than twice the slack do
    not count.

    Parameters
    ----------
    ring : (n, 2) float64, mm
        Closed or not.
    """
    faces, turns = _find_faces(ring)
    if not turns.any():
        return False
    sense = np.sign(np.sum(shapely.area(faces) * turns))
    differs = faces[(turns != 0) & (turns != sense)]
    return bool(shapely.is_empty(shapely.buffer(differs, -slack_mm)).all())


def fill_nonzero(ring: Floats) -> BaseGeometry:
    """Everything a closed path runs round a number of times that is not zero.

    Parameters
    ----------
    ring : (n, 2) float64, mm
        Closed or not.

    Returns
    -------
    Polygon or MultiPolygon, valid; empty when the path encloses nothing.
    """
    keep = np.ones(len(ring), bool)
    keep[1:] = (ring[1:] != ring[:-1]).any(axis=1)
    ring = ring[keep]
    if len(ring) > 1 and (ring[0] == ring[-1]).all():
        ring = ring[:-1]
    if len(ring) < 3:
        return shapely.Polygon()
    simple = shapely.Polygon(ring)
    if simple.is_valid:
        return simple
    loops = _split_at_cut_ins(ring)
    if loops is not None and len(loops) > 1:
        # The usual case: a pour with holes, reached by cut-ins.
        filled = _fill_loops(loops)
        if filled is not None:
            return filled
    return _fill_faces(ring)
