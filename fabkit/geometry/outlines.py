"""Closed shapes from loose strokes: what a drawn outline encloses.

Strokes are taken by their centre lines.  Ends that meet are joined; ends that nearly meet are
bridged; what then runs nowhere is stray.  Strokes that hang together form one figure, and a
figure encloses what lies inside its outer rim, whether it is drawn once or twice, in one piece
or with lines across.  Figures inside figures alternate between material and cut-out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM, OUTLINE_JOIN_MM
from fabkit.geometry.areas import distinct
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.geometry.segments import Segments, with_starts

SAME_END_MM: Final = 3 * COINCIDENT_MM
"""Stroke ends nearer than this are one point: the step of a 4-decimal inch file is 2.54 um."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What strokes enclose.

    Parameters
    ----------
    filled
        (n,) polygons without holes, one per figure, largest first.
    bridges
        (m, 4) float64, mm: x0, y0, x1, y1 of gaps within the tolerance that were bridged.
    loose
        (k, 2) float64, mm: ends that meet nothing.
    stray
        (s,) lines that enclose nothing.
    doubled_mm
        Length of lines drawn more than once, mm.
    crossings
        (c, 2) float64, mm: where a rim crosses or touches itself.
    faces
        (f,) polygons: the areas that the lines divide the figures into.
    figure
        (f,) int64: row in ``filled`` of the figure that each face belongs to.
    """

    filled: Shapes
    bridges: Floats
    loose: Floats
    stray: Shapes
    doubled_mm: float
    crossings: Floats
    faces: Shapes
    figure: Ints


def find_figures(
    strokes: Segments,
    *,
    join_mm: float = OUTLINE_JOIN_MM,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Figures:
    """Find the figures that strokes enclose.

    Parameters
    ----------
    strokes
        Centre lines, mm.
    join_mm
        Loose ends nearer than this are bridged.
    chord_error_mm
        Error of the chords that stand for arcs.
    """
    if not len(strokes):
        return _nothing()
    lines, ends, closed = _flat_lines(strokes, chord_error_mm)
    bridges, loose = _bridge(lines, ends, closed, join_mm)
    every = list(lines)
    if len(bridges):
        every += list(shapely.linestrings(_overshoot(bridges).reshape(-1, 2, 2)))
    drawn = np.array(every, dtype=object)
    noded = shapely.get_parts(shapely.line_merge(shapely.union_all(distinct(drawn))))
    # Of lines on each other the union keeps one; the length that is lost was drawn twice.
    doubled = float(shapely.length(drawn).sum() - shapely.length(noded).sum())
    faces, _, dangles, _ = shapely.polygonize_full(noded)
    faces = shapely.get_parts(faces)
    filled, crossings, figure = _rims(faces, noded)
    faces, figure = faces[figure >= 0], figure[figure >= 0]
    stray = shapely.get_parts(dangles)
    # Shorter dangles are tips of bridges, and strokes that overshoot the line they lead to.
    stray = stray[shapely.length(stray) > join_mm]
    return Figures(filled, bridges, loose, stray, max(doubled, 0.0), crossings, faces, figure)


def figures_of(strokes: Segments, reach_mm: float = OUTLINE_JOIN_MM) -> Ints:
    """Find the number of the figure of each stroke, (n,): ends within a reach hang together."""
    count = len(strokes)
    ends = np.concatenate((strokes.starts(), strokes.ends()))
    unique, back = np.unique(ends, axis=0, return_inverse=True)
    near = PointTree(unique).pairs(reach_mm)
    links = np.concatenate((near, back.reshape(2, count).T))
    return label_groups(len(unique), links[:, 0], links[:, 1])[back.reshape(-1)[:count]]


def _nothing() -> Figures:
    empty = np.empty(0, dtype=object)
    places = np.empty((0, 2))
    none = np.empty(0, dtype=np.int64)
    return Figures(empty, np.empty((0, 4)), places, empty, 0.0, places, empty, none)


def _flat_lines(strokes: Segments, chord_error_mm: float) -> tuple[Shapes, Floats, Bools]:
    """Lines with ends that meet made equal; their end points; which are closed in themselves."""
    starts, stops = strokes.starts(), strokes.ends()
    count = len(strokes)
    joined = _snap(np.concatenate((starts, stops)))
    starts, stops = joined[:count], joined[count:]
    closed = np.abs(strokes.turn) == 2
    stops[closed] = starts[closed]
    points, offsets = strokes.flatten(chord_error_mm=chord_error_mm)
    points[offsets[1:] - 1] = stops
    full, owner = with_starts(starts, points, offsets)
    lines = shapely.linestrings(full, indices=owner)
    real = shapely.length(lines) > COINCIDENT_MM
    ends = np.column_stack((starts, stops))
    return lines[real], ends[real], closed[real]


def _snap(points: Floats) -> Floats:
    """Points with those nearer than ``SAME_END_MM`` moved onto one of them."""
    unique, back = np.unique(points, axis=0, return_inverse=True)
    pairs = PointTree(unique).pairs(SAME_END_MM)
    if not len(pairs):
        return points.copy()
    label = label_groups(len(unique), pairs[:, 0], pairs[:, 1])
    _, first = np.unique(label, return_index=True)
    snapped: Floats = unique[first[label]][back.reshape(-1)]
    return snapped


def _bridge(lines: Shapes, ends: Floats, closed: Bools, join_mm: float) -> tuple[Floats, Floats]:
    """Bridges from loose ends to the nearest other line, and the ends that stay loose."""
    points = ends[~closed].reshape(-1, 2)
    owner = np.repeat(np.flatnonzero(~closed), 2)
    unique, back, counts = np.unique(points, axis=0, return_inverse=True, return_counts=True)
    dead = counts == 1
    loose = unique[dead]
    if not len(loose):
        return np.empty((0, 4)), loose
    first = np.empty(len(unique), dtype=np.int64)
    first[back.reshape(-1)] = owner
    mine = first[dead]
    spots = shapely.points(loose)
    # Each loose end looks for another loose end first, then for any line but its own.
    tree = shapely.STRtree(spots)
    a, b = tree.query(spots, predicate="dwithin", distance=join_mm)
    other = a != b
    a, b = a[other], b[other]
    # Nearest pairs first, or an end could be led past its own gap to the end of another.
    order = np.argsort(shapely.distance(spots[a], spots[b]), kind="stable")
    taken = np.zeros(len(loose), dtype=bool)
    bridges = []
    for i, j in zip(a[order], b[order], strict=True):
        if not taken[i] and not taken[j]:
            taken[[i, j]] = True
            bridges.append((*loose[i], *loose[j]))
    rest = np.flatnonzero(~taken)
    tree = shapely.STRtree(lines)
    a, b = tree.query(spots[rest], predicate="dwithin", distance=join_mm)
    a = rest[a]
    other = b != mine[a]
    for i, j in zip(a[other], b[other], strict=True):
        if taken[i]:
            continue
        near = shapely.get_coordinates(shapely.shortest_line(spots[i], lines[j]))[-1]
        taken[i] = True
        if np.hypot(*(near - loose[i])) > 0:
            bridges.append((*loose[i], *near))
    return np.array(bridges).reshape(-1, 4), loose[~taken]


def _overshoot(bridges: Floats) -> Floats:
    """Bridges made a micrometre longer, so that they surely cross the line they lead to."""
    longer = bridges.copy()
    along = bridges[:, 2:] - bridges[:, :2]
    length = np.hypot(along[:, 0], along[:, 1])
    step = np.divide(along, length[:, None], out=np.zeros_like(along), where=length[:, None] > 0)
    longer[:, 2:] += step * COINCIDENT_MM
    # Bridges between two ends must hit them exactly; the added tip is then a dangle of 1 um.
    return np.concatenate((bridges, np.column_stack((bridges[:, 2:], longer[:, 2:]))))


def _rims(faces: Shapes, noded: Shapes) -> tuple[Shapes, Floats, Ints]:
    """Outer rims of the figures, filled, largest first; where a rim meets itself; rim of faces.

    Faces of no figure have -1: the tips that ends cut off where they overshoot each other.
    """
    if not len(faces):
        return np.empty(0, dtype=object), np.empty((0, 2)), np.empty(0, dtype=np.int64)
    # Lines that touch belong to one figure.  Ends are exact after noding.
    first = shapely.get_coordinates(shapely.get_point(noded, 0))
    last = shapely.get_coordinates(shapely.get_point(noded, -1))
    _, node = np.unique(np.concatenate((first, last)), axis=0, return_inverse=True)
    node = node.reshape(-1)
    count = len(noded)
    size = int(node.max()) + 1
    figure_of_node = label_groups(size, node[:count], node[count:])
    figure_of_line = figure_of_node[node[:count]]
    # A face belongs to the figure that draws its outer ring.
    rings = shapely.get_exterior_ring(faces)
    probe = shapely.get_point(rings, 0)
    tree = shapely.STRtree(noded)
    a, b = tree.query(probe, predicate="intersects")
    figure = np.full(len(faces), -1, dtype=np.int64)
    figure[a] = figure_of_line[b]
    rims: list[shapely.Polygon] = []
    crossings = []
    owner = np.zeros(len(faces), dtype=np.int64)
    for mine in rows_by(figure).values():
        body = shapely.union_all(shapely.polygons(rings[mine])) if len(mine) > 1 else faces[mine[0]]
        parts = shapely.get_parts(body)
        owner[mine] = len(rims)
        if len(parts) > 1:
            # Rounded ends miss their corner by micrometres: no crossing, and nothing is cut off.
            is_tip = 2 * shapely.area(parts) <= OUTLINE_JOIN_MM * shapely.length(parts)
            parts = parts if is_tip.all() else parts[~is_tip]
            owner[mine] = -1
            at, part = shapely.STRtree(parts).query(
                shapely.point_on_surface(faces[mine]), predicate="within"
            )
            owner[mine[at]] = len(rims) + part
        rims += [shapely.Polygon(part.exterior) for part in parts]
        if len(parts) > 1:
            corners = np.concatenate(
                [np.unique(shapely.get_coordinates(p.exterior), axis=0) for p in parts]
            )
            shared, times = np.unique(corners, axis=0, return_counts=True)
            crossings.append(shared[times > 1])
    out = np.array(rims, dtype=object)
    met = np.concatenate(crossings) if crossings else np.empty((0, 2))
    largest = np.argsort(-shapely.area(out), kind="stable")
    return out[largest], met, np.where(owner < 0, -1, np.argsort(largest)[owner])
