"""Is a closed contour simple, or simple but for cut-ins?

A contour may touch itself only along cut-ins: two straight segments with the same ends, run
through in opposite senses, horizontal or vertical, all in one direction (Gerber Layer Format
Specification 2021.02, section 4.10.3).  Taken out, they leave loops that must be simple, apart
from each other, and wound so that every point is run round once in one sense, or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.geometry.arcs import Floats, Ints, flatten


@dataclass(slots=True)
class _Loops:
    """Runs of segments left when the cut-ins are taken out, and the cut-ins.

    A loop is a list of ``(first, last)`` rows, ``last`` not included; ``cuts`` holds one segment
    of each pair.
    """

    loops: list[list[tuple[int, int]]] = field(default_factory=lambda: [[]])
    cuts: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    fault: str = ""


def _pair(ends: Floats, straight: NDArray[np.bool_]) -> tuple[Ints, Ints, str]:
    """Rows of straight segments that lie on each other in opposite senses, and what is wrong.

    Parameters
    ----------
    ends : (n, 4) float64
    """
    rows = np.flatnonzero(straight)
    x0, y0, x1, y1 = ends[rows].T
    swap = (x0 > x1) | ((x0 == x1) & (y0 > y1))
    keys = np.where(swap[:, None], ends[rows][:, [2, 3, 0, 1]], ends[rows])
    order = np.lexsort(keys.T)
    same = (keys[order[1:]] == keys[order[:-1]]).all(axis=1)
    left, right = order[:-1][same], order[1:][same]
    first, second = rows[np.minimum(left, right)], rows[np.maximum(left, right)]
    if (same[1:] & same[:-1]).any() or (swap[left] == swap[right]).any():
        return first, second, "segments lie on each other"
    across, along = keys[left, 0] == keys[left, 2], keys[left, 1] == keys[left, 3]
    if not (across | along).all():
        return first, second, "a cut-in is neither horizontal nor vertical"
    if across.any() and not across.all():
        return first, second, "cut-ins run in two directions"
    return first, second, ""


def _split(ends: Floats, straight: NDArray[np.bool_]) -> _Loops:
    first, second, fault = _pair(ends, straight)
    if fault:
        return _Loops(fault=fault)
    out = _Loops(cuts=first)
    partner = dict(zip(first.tolist(), second.tolist(), strict=True))
    closing: list[tuple[int, int]] = []
    current = begin = 0
    for k in sorted([*partner, *partner.values()]):
        if begin < k:
            out.loops[current].append((begin, k))
        begin = k + 1
        if k in partner:
            closing.append((partner[k], current))
            current = len(out.loops)
            out.loops.append([])
        elif closing and closing[-1][0] == k:
            current = closing.pop()[1]
        else:
            return _Loops(fault="cut-ins cross each other")
    if begin < len(ends):
        out.loops[current].append((begin, len(ends)))
    return out


def find_contour_fault(
    x0: Floats,
    y0: Floats,
    x1: Floats,
    y1: Floats,
    cx: Floats,
    cy: Floats,
    turn: NDArray[np.int8],
    *,
    chord_error_mm: float,
) -> str:
    """Say what makes a contour invalid; an empty text when it is valid.

    Parameters
    ----------
    x0, y0, x1, y1, cx, cy : (n,) float64, mm
    turn : (n,) int8
        Segments of one closed contour, as in :mod:`fabkit.geometry.arcs`.
    chord_error_mm
        Arcs are judged by chords this close to them.
    """
    keep = np.flatnonzero((x0 != x1) | (y0 != y1) | (turn != 0))
    if not len(keep):
        return ""
    columns = [a[keep] for a in (x0, y0, x1, y1, cx, cy)]
    turns = turn[keep]
    if len(keep) == 1:
        return "" if abs(int(turns[0])) == 2 else "it encloses nothing"
    points, offsets = flatten(
        columns[0],
        columns[1],
        columns[2],
        columns[3],
        columns[4],
        columns[5],
        turns,
        chord_error_mm=chord_error_mm,
    )
    start = np.array([[columns[0][0], columns[1][0]]])
    if (points[-1] != start[0]).any():
        points = np.vstack((points, start))
    if len(points) >= 3 and shapely.is_simple(shapely.linestrings(np.vstack((start, points)))):
        return ""
    ends = np.column_stack(columns[:4])
    split = _split(ends, turns == 0)
    if split.fault:
        return split.fault
    runs = np.array([(n, k, last) for n, loop in enumerate(split.loops) for k, last in loop])
    if not len(runs):
        return "it encloses nothing"
    first, length = offsets[runs[:, 1]], offsets[runs[:, 2]] - offsets[runs[:, 1]]
    before = np.cumsum(length) - length
    rows = np.repeat(first - before, length) + np.arange(length.sum())
    _, ring = np.unique(np.repeat(runs[:, 0], length), return_inverse=True)
    if np.bincount(ring).min() < 3:
        return "it encloses nothing"
    return _judge(points[rows], ring, ends[split.cuts])


def _judge(points: Floats, ring: Ints, cuts: Floats) -> str:
    """What is wrong with rings and the cut-ins that joined them.

    Parameters
    ----------
    points : (m, 2) float64
    ring : (m,) int64
        Ring of each point, rising from 0.
    cuts : (n, 4) float64
    """
    rings = shapely.linearrings(points, indices=ring)
    # Closed lines have no ends, so any common point of two makes them not simple.
    if not shapely.is_simple(rings).all() or not shapely.is_simple(shapely.multilinestrings(rings)):
        return "it touches or crosses itself"
    starts = np.flatnonzero(np.diff(ring, prepend=-1))
    if len(cuts):
        bridges = shapely.linestrings(cuts.reshape(-1, 2, 2))
        left, right = shapely.STRtree(bridges).query(bridges, predicate="intersects")
        if (left != right).any():
            return "it touches or crosses itself"
        last = np.append(starts[1:], len(ring)) - 1
        previous = np.roll(points, 1, axis=0)
        previous[starts] = points[last]
        if not _meet_at_ends(bridges, cuts, np.column_stack((previous, points))):
            return "a cut-in touches the contour between its ends"
    return _judge_winding(shapely.polygons(rings), shapely.points(points[starts]))


def _meet_at_ends(bridges: NDArray[Any], cuts: Floats, edges: Floats) -> bool:
    """Whether cut-ins, (n, 4), and edges of rings, (m, 4), meet at ends of cut-ins only."""
    lines = shapely.linestrings(edges.reshape(-1, 2, 2))
    cut, edge = shapely.STRtree(lines).query(bridges, predicate="intersects")
    c, e = cuts[cut], edges[edge]
    # An edge that leaves an end of the cut-in sideways meets it there and nowhere else.
    axis = np.where(c[:, 0] == c[:, 2], 0, 1)
    k = np.arange(len(c))
    harmless = np.zeros(len(c), dtype=bool)
    for own, other in ((slice(0, 2), slice(2, 4)), (slice(2, 4), slice(0, 2))):
        at_end = (e[:, own] == c[:, :2]).all(axis=1) | (e[:, own] == c[:, 2:]).all(axis=1)
        harmless |= at_end & (e[:, other][k, axis] != c[k, axis])
    cut, edge = cut[~harmless], edge[~harmless]
    shared, row = shapely.get_coordinates(
        shapely.intersection(bridges[cut], lines[edge]), return_index=True
    )
    ends = cuts[cut[row]]
    at_end = (shared == ends[:, :2]).all(axis=1) | (shared == ends[:, 2:]).all(axis=1)
    return bool(at_end.all())


def _judge_winding(areas: NDArray[Any], points: NDArray[Any]) -> str:
    """Loops lie apart, so each one's inside is run round once more than its surroundings."""
    own = np.where(shapely.is_ccw(shapely.get_exterior_ring(areas)), 1, -1)
    around = own.copy()
    # Asked this way round, each area is prepared once for all points.
    outer, inner = shapely.STRtree(points).query(areas, predicate="intersects")
    others = inner != outer
    np.add.at(around, inner[others], own[outer[others]])
    if (np.abs(around) > 1).any():
        return "parts of it are run round more than once"
    if (around == 1).any() and (around == -1).any():
        return "parts of it run in opposite senses"
    return ""
