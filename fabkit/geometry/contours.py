"""Closed contours: the area they run round, and whether they are valid.

A contour is valid when it is simple, or simple but for cut-ins.

A contour may touch itself only along cut-ins: two straight segments with the same ends, run
through in opposite senses, horizontal or vertical, all in one direction (Gerber Layer Format
Specification 2021.02, section 4.10.3).  Taken out, they leave loops that must be simple, apart
from each other, and wound so that every point is run round once in one sense, or not at all.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Ints, Shapes, ranges, run_starts
from fabkit.geometry.neighbours import boxes_of, meeting_boxes
from fabkit.geometry.segments import Segments
from fabkit.geometry.sweeping import lie_apart, mixed, sweep_path, together

_ASKED: Final = 1000
"""Lines that are asked what they cross, in place of all."""


def winding_numbers(ring: Floats, points: Floats) -> Ints:
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
    x, y = points[:, 0], points[:, 1]
    rays = np.column_stack((points, np.maximum(x, ring[:, 0].max() + 1.0), y))
    out = np.zeros(len(points), np.int64)
    for which, edge in meeting_boxes(rays, boxes_of(start, end)):
        (ax, ay), (bx, by) = start[edge].T, end[edge].T
        px, py = x[which], y[which]
        side = (bx - ax) * (py - ay) - (px - ax) * (by - ay)
        # Of the ends of an edge only the lower one belongs to it: a path that passes through the
        # ray in a corner counts once, not twice or never.
        turns = np.where((ay <= py) & (by > py) & (side > 0), 1, 0)
        turns -= np.where((ay > py) & (by <= py) & (side < 0), 1, 0)
        np.add.at(out, which, turns)
    return out


def crosses_more_than(ring: Floats, most: int) -> bool:
    """Whether a closed path crosses itself more often than ``most``, without filling it.

    Filling a path makes a face for each of its crossings, and those grow with the square of its
    edges: counting them first takes 0.1 s where filling takes 22 s and 3 GB (1000 random corners).

    Parameters
    ----------
    ring : (n, 2) float64, mm
        Closed or not.  Touching points and edges that lie on each other do not count.
    """
    start, end = ring, np.roll(ring, -1, axis=0)
    found = 0
    for a, b in meeting_boxes(boxes_of(start, end)):
        found += _count_crossings(start, end, a, b)
        if found > most:
            return True
    return False


def cross_more_than(start: Floats, end: Floats, most: int) -> bool:
    """Whether lines cross each other more often than ``most``, judged from a thousand of them.

    Parameters
    ----------
    start, end : (n, 2) float64, mm
        Touching points and lines that lie on each other do not count.
    """
    every = max(1, len(start) // _ASKED)
    asked = np.arange(0, len(start), every)
    boxes = boxes_of(start, end)
    found = 0
    for a, b in meeting_boxes(boxes[asked], boxes):
        found += _count_crossings(start, end, asked[a], b)
        if found * every > 2 * most:  # each is met from both of its lines
            return True
    return False


def _count_crossings(start: Floats, end: Floats, a: Ints, b: Ints) -> int:
    """Count the pairs of lines that cross each other properly."""
    return int(
        np.count_nonzero(
            (_side(start[a], end[a], start[b]) * _side(start[a], end[a], end[b]) < 0)
            & (_side(start[b], end[b], start[a]) * _side(start[b], end[b], end[a]) < 0)
        )
    )


def _side(start: Floats, end: Floats, point: Floats) -> Floats:
    """1 where a point lies left of the line from start to end, -1 right of it, 0 on it."""
    along, off = end - start, point - start
    side: Floats = np.sign(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0])
    return side


def _match_edges(ends: Floats, rows: Ints) -> tuple[Ints, Ints] | None:
    """Find edges that are run through twice in opposite senses: the rows of each pair.

    None when edges lie on each other otherwise.

    Parameters
    ----------
    ends : (n, 4) float64
        Start and end of all edges.
    rows : (m,) int64
        Edges that are compared.
    """
    x0, y0, x1, y1 = ends[rows].T
    # An edge and its way back have one key: both ends, in the same order.
    swap = (x0 > x1) | ((x0 == x1) & (y0 > y1))
    # Adding zero makes -0.0 a plain zero, so that equal keys have equal bytes.
    keys = np.where(swap[:, None], ends[rows][:, [2, 3, 0, 1]], ends[rows]) + 0.0
    number = mixed(keys.view(np.uint64))
    order = np.argsort(number, kind="stable")
    same = (keys[order[1:]] == keys[order[:-1]]).all(axis=1)
    if (number[order[1:]] == number[order[:-1]])[~same].any():
        order = np.lexsort(keys.T)  # different keys that were mixed into one number
        same = (keys[order[1:]] == keys[order[:-1]]).all(axis=1)
    left, right = order[:-1][same], order[1:][same]
    # Three edges on each other, or two in one sense, are no cut-in (section 4.10.3).
    if (same[1:] & same[:-1]).any() or (swap[left] == swap[right]).any():
        return None
    return rows[np.minimum(left, right)], rows[np.maximum(left, right)]


def _take_out(first: Ints, second: Ints, count: int) -> list[list[tuple[int, int]]] | None:
    """Find the loops that are left when pairs of edges are taken out of a closed path.

    A path that runs along a cut-in begins a loop and ends it where it runs back, so pairs nest as
    brackets do; None when they do not.

    Returns
    -------
    Runs of rows ``(begin, end)`` of each loop, ``end`` not included.
    """
    partner = dict(zip(first.tolist(), second.tolist(), strict=True))
    loops: list[list[tuple[int, int]]] = [[]]
    closing: list[tuple[int, int]] = []
    current = begin = 0
    for k in sorted([*partner, *partner.values()]):
        if begin < k:
            loops[current].append((begin, k))
        begin = k + 1
        if k in partner:
            closing.append((partner[k], current))
            current = len(loops)
            loops.append([])
        elif closing and closing[-1][0] == k:
            current = closing.pop()[1]
        else:
            return None
    if begin < count:
        loops[current].append((begin, count))
    return loops


def _loop_rows(loops: list[list[tuple[int, int]]]) -> tuple[Ints, Ints]:
    """Rows of the runs of loops, one after the other, and the loop of each row."""
    found = [(n, k, end) for n, loop in enumerate(loops) for k, end in loop]
    runs = np.array(found, dtype=np.int64).reshape(-1, 3)
    length = runs[:, 2] - runs[:, 1]
    return ranges(runs[:, 1], length), np.repeat(runs[:, 0], length)


def _find_faces(ring: Floats) -> tuple[Shapes, Ints]:
    """Faces of the path's own arrangement, and how often it runs round each."""
    closed = np.vstack((ring, ring[:1]))
    nodes = shapely.unary_union(shapely.linestrings(closed))
    faces: Shapes = shapely.get_parts(shapely.polygonize([nodes]))
    if not len(faces):
        return faces, np.empty(0, np.int64)
    # Points inside the faces, for on the path itself no winding number exists.
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
        return True
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
    return simple if simple.is_valid else fill_crossed(ring)


def fill_crossed(ring: Floats) -> BaseGeometry:
    """Fill a closed path as :func:`fill_nonzero` does, one known to cross or touch itself."""
    whole = together(sweep_path(ring))
    if lie_apart(np.array([whole], dtype=object)).all() or whole.is_valid:
        return whole
    # Right for every path, but last: the whole path is noded, and each crossing makes a face.
    return _fill_faces(ring)


def _find_cut_in_fault(ends: Floats, first: Ints) -> str:
    """Say what is wrong with cut-ins, given one segment of each, (n, 4) float64."""
    across, along = ends[first, 0] == ends[first, 2], ends[first, 1] == ends[first, 3]
    if not (across | along).all():
        return "a cut-in is neither horizontal nor vertical"
    if across.any() and not across.all():
        return "cut-ins run in two directions"
    return ""


def find_contour_fault(contour: Segments, *, chord_error_mm: float) -> str:
    """Say what makes a contour invalid; an empty text when it is valid.

    Parameters
    ----------
    contour
        Segments of one closed contour.
    chord_error_mm
        Arcs are judged by chords this close to them.
    """
    c = Segments.of(contour).take(
        (contour.x0 != contour.x1) | (contour.y0 != contour.y1) | (contour.turn != 0)
    )
    if not len(c):
        return ""
    if len(c) == 1:
        # A full circle may be the only segment of a contour (section 4.10.3).
        return "" if abs(int(c.turn[0])) == 2 else "it encloses nothing"
    points, offsets = c.flatten(chord_error_mm=chord_error_mm)
    start = c.starts()[:1]
    if (points[-1] != start[0]).any():
        points = np.vstack((points, start))
    if len(points) >= 3 and shapely.is_simple(shapely.linestrings(np.vstack((start, points)))):
        return ""
    ends = np.column_stack((c.starts(), c.ends()))
    # Only straight segments make a cut-in; arcs on each other are found when rings are judged.
    pairs = _match_edges(ends, np.flatnonzero(c.turn == 0))
    if pairs is None:
        return "segments lie on each other"
    if found := _find_cut_in_fault(ends, pairs[0]):
        return found
    loops = _take_out(*pairs, len(ends))
    if loops is None:
        return "cut-ins cross each other"
    chords = offsets.tolist()
    rows, ring = _loop_rows([[(chords[k], chords[end]) for k, end in loop] for loop in loops])
    if not len(rows):
        return "it encloses nothing"
    _, ring = np.unique(ring, return_inverse=True)
    if np.bincount(ring).min() < 3:
        return "it encloses nothing"
    return _judge(points[rows], ring, ends[pairs[0]])


def _judge(points: Floats, ring: Ints, cuts: Floats) -> str:
    """Say what is wrong with rings and the cut-ins that joined them.

    Parameters
    ----------
    points : (m, 2) float64
    ring : (m,) int64
        Ring of each point, rising from 0.
    cuts : (n, 4) float64
    """
    rings = shapely.linearrings(points, indices=ring)
    # Closed lines have no ends, so any common point of two makes them not simple.
    if not shapely.is_simple(shapely.multilinestrings(rings)):
        return "it touches or crosses itself"
    starts = run_starts(ring)
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


def _meet_at_ends(bridges: Shapes, cuts: Floats, edges: Floats) -> bool:
    """Whether cut-ins, (n, 4), and edges of rings, (m, 4), meet at ends of cut-ins only."""
    boxes = (boxes_of(lines[:, :2], lines[:, 2:]) for lines in (cuts, edges))
    cut, edge = np.concatenate([*meeting_boxes(*boxes)], axis=1)
    c, e = cuts[cut], edges[edge]
    # An edge that leaves an end of the cut-in sideways meets it there and nowhere else.
    axis = np.where(c[:, 0] == c[:, 2], 0, 1)
    k = np.arange(len(c))
    harmless = np.zeros(len(c), dtype=bool)
    for own, other in ((slice(0, 2), slice(2, 4)), (slice(2, 4), slice(0, 2))):
        at_end = (e[:, own] == c[:, :2]).all(axis=1) | (e[:, own] == c[:, 2:]).all(axis=1)
        harmless |= at_end & (e[:, other][k, axis] != c[k, axis])
    cut, edge = cut[~harmless], edge[~harmless]
    lines = shapely.linestrings(edges[edge].reshape(-1, 2, 2))
    shared, row = shapely.get_coordinates(
        shapely.intersection(bridges[cut], lines), return_index=True
    )
    ends = cuts[cut[row]]
    at_end = (shared == ends[:, :2]).all(axis=1) | (shared == ends[:, 2:]).all(axis=1)
    return bool(at_end.all())


def _judge_winding(areas: Shapes, points: Shapes) -> str:
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
