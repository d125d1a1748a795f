"""Tabs of panels: rows of small holes across them, necks, walls drawn too short, stubs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Shapes, rows_by
from fabkit.base.units import COINCIDENT_MM
from fabkit.geometry.neighbours import PointTree, label_groups

_SHORT_MM: Final = 0.25
"""Walls of tabs stop this far before the edge at most."""
_BESIDE_MM: Final = 0.5
"""Rows of holes lie this far from their tab at most (common practice: on the edge, or near it)."""
_MOST: Final = 0.5


def find_tabs(shape: BaseGeometry, lines: Shapes, holes: Floats) -> tuple[Shapes, Shapes]:
    """Find tabs between pairs of open lines that lead from edge to edge.

    Only the room between two lines across which a row of small holes runs is one: nothing is
    drilled where there is no material.

    Parameters
    ----------
    shape
        Material, mm.
    lines
        (n,) lines that enclose nothing.
    holes
        (m, 3) float64, mm: place and diameter of holes that may perforate a tab.

    Returns
    -------
    The tabs, grown by 0.001 mm so that they surely join the material, and their walls.
    """
    none = np.empty(0, dtype=object)
    if not len(lines) or not len(holes):
        return none, none
    rim = shapely.boundary(shape)
    walls = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(lines)))
    shapely.prepare(rim)
    # A wall leads from edge to edge; a line with a loose end joins nothing.
    for end in (0, -1):
        tips = shapely.get_point(walls, end)
        walls = walls[shapely.dwithin(tips, rim, _SHORT_MM)]
    walls = walls[
        ~shapely.intersects(shape, shapely.line_interpolate_point(walls, 0.5, normalized=True))
    ]
    if len(walls) < 2:
        return none, none
    longer = np.array([led_on(wall, _SHORT_MM + COINCIDENT_MM) for wall in walls], dtype=object)
    drawn = shapely.union_all(np.array([rim, *longer], dtype=object))
    # Without the ends that lead on to the rim: the holes alone must lie in the tab.
    rows = [shapely.LineString(row.coords[1:-1]) for row in find_perforations(drawn, holes)]
    if not rows:
        return none, none
    faces = shapely.get_parts(shapely.polygonize([drawn]))
    faces = faces[~shapely.intersects(shape, shapely.point_on_surface(faces))]
    face, wall = shapely.STRtree(walls).query(faces, predicate="dwithin", distance=COINCIDENT_MM)
    beside = shapely.length(shapely.intersection(shapely.boundary(faces[face]), longer[wall]))
    real = beside > _MOST * shapely.length(walls[wall])
    face, wall = face[real], wall[real]
    # One wall and the rim may enclose any bay; a tab has a wall on either side.
    between = np.bincount(face, minlength=len(faces)) >= 2
    near = shapely.buffer(faces, _BESIDE_MM)
    crossed, row = shapely.STRtree(rows).query(near, predicate="intersects")
    lines_in = np.array(rows, dtype=object)[row]
    most = shapely.length(shapely.intersection(near[crossed], lines_in)) > _MOST * shapely.length(
        lines_in
    )
    between &= np.bincount(crossed[most], minlength=len(faces)) > 0
    tabs = shapely.buffer(faces[between], COINCIDENT_MM, join_style="mitre")
    return tabs, walls[np.unique(wall[between[face]])]


def led_on(line: BaseGeometry, reach: float) -> BaseGeometry:
    """Make a line a little longer at both ends, so that it surely reaches what it ends at."""
    xy = shapely.get_coordinates(line)
    first, last = xy[0] - xy[1], xy[-1] - xy[-2]
    ends = xy[0] + reach * first / np.hypot(*first), xy[-1] + reach * last / np.hypot(*last)
    return shapely.LineString([ends[0], *xy, ends[1]])


PERFORATION_MM: Final = 1.3
"""Holes of a perforation are at most this wide (common practice: 0.5 to 1.0 mm)."""
_BITES: Final = 3
_PITCH: Final = 3.0
"""Their centres are at most this many diameters apart."""
_OFF: Final = 0.6
"""They lie off the line between their neighbours by at most this share of their diameter."""
_SAME_MM: Final = 0.02
_NEIGHBOURS: Final = 16
"""Holes around one that can be its next in a row: few, as all are about equally far."""
_REACH_MM: Final = 2.5
"""The edge lies at most this far beyond the last hole of a row."""
_NECKS_MM: Final = (2.6, 4.3, 6.4)
"""Widths of tabs that are tried in turn (common practice: 2 to 6 mm, whole
numbers mostly, which are left clear of)."""
_PART_SHARE: Final = 0.02
"""What is smaller than this share of the material is no board and no rail."""
_CORNER_MM: Final = 0.5
"""The chords of an arc meet the wall of a tab this near to its corner."""
_MOST_PARTS: Final = 200
_LONGER_MM: Final = 0.1
"""Lines across tabs are this much longer at each end, so that they surely part them."""
_SIMPLE_MM: Final = 0.02
_MOST_CORNERS: Final = 20_000


def find_perforations(rim: BaseGeometry, holes: Floats) -> list[BaseGeometry]:
    """Lines through rows of small holes that run from edge to edge of the material.

    Parameters
    ----------
    rim
        Where the material ends, mm.
    holes
        (n, 3) float64, mm: place and diameter of holes without pads.
    """
    small = holes[(holes[:, 2] <= PERFORATION_MM) & (holes[:, 2] > 0)]
    if len(small) < _BITES:
        return []
    # Some neighbours of each, for thousands of holes may lie upon each other.
    most = min(_NEIGHBOURS + 1, len(small))
    far = _PITCH * PERFORATION_MM + COINCIDENT_MM
    near, other = PointTree(small[:, :2]).query(small[:, :2], k=most, within=far)
    row, column = np.nonzero(np.isfinite(near) & (other != np.arange(len(small))[:, None]))
    a, b, apart = row, other[row, column], near[row, column]
    # Each hole goes on to its nearest neighbours alone: rows may lie side by side.
    nearest = np.full(len(small), np.inf)
    np.minimum.at(nearest, a, apart)
    np.minimum.at(nearest, b, apart)
    fits = (
        (np.abs(small[a, 2] - small[b, 2]) <= _SAME_MM)
        & (apart <= _PITCH * small[a, 2])
        & (apart > COINCIDENT_MM)
        & (apart <= 1.4 * np.minimum(nearest[a], nearest[b]))
    )
    label = label_groups(len(small), a[fits], b[fits])
    shapely.prepare(rim)
    found = []
    for rows in rows_by(label).values():
        if len(rows) >= _BITES:
            line = _row(small[rows], rim)
            if line is not None:
                found.append(line)
    return found


def _row(holes: Floats, rim: BaseGeometry) -> BaseGeometry:
    """Line through a row of holes, led on to the rim at both ends; None when it is no row."""
    xy = holes[:, :2]
    middle = xy - xy.mean(axis=0)
    _, _, axes = np.linalg.svd(middle, full_matrices=False)
    along = middle @ axes[0]
    xy = xy[np.argsort(along, kind="stable")]
    step = np.diff(xy, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    way = step / length[:, None]
    # A row bends little from hole to hole; a cluster or a grid does not.
    bend = np.abs(way[1:, 0] * way[:-1, 1] - way[1:, 1] * way[:-1, 0]) * length[1:]
    forward = (way[1:] * way[:-1]).sum(axis=1)
    if (bend > _OFF * holes[0, 2]).any() or (forward <= 0).any():
        return None
    reach = _REACH_MM + holes[0, 2]
    ends = (xy[0] - reach * way[0], xy[-1] + reach * way[-1])
    if not all(
        shapely.intersects(rim, shapely.LineString(np.array(tail)))
        for tail in ((xy[1], ends[0]), (xy[-2], ends[1]))
    ):
        return None
    return shapely.LineString(np.vstack((ends[0], xy, ends[1])))


def find_necks(pieces: Shapes, points: Floats) -> list[BaseGeometry]:
    """Lines across the tabs that join a frame to boards, or boards to one another.

    The narrowest tabs that part an empty frame from boards, or boards of one size from each
    other, count; a plain board with narrow places stays whole.

    Parameters
    ----------
    pieces
        Polygons, mm.
    points
        (n, 2) float64, mm: places of pads.
    """
    corners = int(shapely.get_num_coordinates(pieces).sum())
    if corners > _MOST_CORNERS or not _has_room(pieces):
        return []
    plain = shapely.simplify(pieces, _SIMPLE_MM)
    least = _PART_SHARE * float(shapely.area(pieces).sum())
    tree = shapely.STRtree(shapely.points(points))
    for width in _NECKS_MM:
        radius = width / 2
        # Shrunk by half a width, what hangs together by less comes apart, and boards stay.
        kept = shapely.get_parts(shapely.buffer(plain, -radius, quad_segs=8))
        kept = kept[shapely.area(kept) > least / 4]
        if not len(pieces) < len(kept) <= _MOST_PARTS:
            continue
        held = np.bincount(tree.query(kept, predicate="contains")[0], minlength=len(kept))
        full = held >= max(4, 0.1 * held.max())
        area = shapely.area(kept)[full]
        alike = len(area) > 1 and np.ptp(area) < 0.1 * area.max()
        if held.sum() >= 0.8 * len(points) and (alike or (~full & (held < 4)).any()):
            return _mouths(plain, kept, radius)
    return []


def _has_room(pieces: Shapes) -> bool:
    """Whether there are openings or bays at all: a frame or a row of boards has them."""
    hull = float(shapely.area(shapely.convex_hull(pieces)).sum())
    return float(shapely.area(pieces).sum()) < 0.99 * hull


def _mouths(pieces: Shapes, kept: Shapes, radius: float) -> list[BaseGeometry]:
    """Straight lines across the necks, where each core grown back leads on to another."""
    body = shapely.union_all(pieces)
    # Grown back, a core ends where its tab begins: the seam lies across the mouth.
    grown = shapely.buffer(kept, radius + COINCIDENT_MM)
    corners = PointTree(shapely.get_coordinates(body))
    lines = []
    for j in range(len(kept)):
        rest = shapely.get_parts(shapely.difference(body, grown[j]))
        onward = rest[shapely.intersects(rest, shapely.union_all(np.delete(kept, j)))]
        seams = shapely.intersection(onward, shapely.boundary(grown[j]))
        for seam in shapely.get_parts(shapely.line_merge(shapely.union_all(seams))):
            # A disc that does not fit through a tab rests on its two corners.
            ends = shapely.get_coordinates(seam)[[0, -1]]
            far, corner = corners.query(ends)
            ends[far < _CORNER_MM] = corners.points[corner[far < _CORNER_MM]]
            if np.hypot(*(ends[1] - ends[0])) > COINCIDENT_MM:
                lines.append(led_on(shapely.LineString(ends), _LONGER_MM))
    return lines


_STUB_MM: Final = 1.0
"""Rows of holes lie at most this far outside the edge (common practice: 0 to 0.5 mm)."""
_ASIDE_MM: Final = 3.0
"""The edge goes on at most this far beyond the last hole: half a tab's play and its rounding."""
_STRAIGHT_MM: Final = 0.5
"""The edge runs straight for this long at least; chords of a rounding are shorter."""
_LEVEL_MM: Final = 0.02
"""The edge lies equally far from the row at both ends, and runs along it."""
_PLAY_MM: Final = 0.2
"""The centre of the last hole lies this far beyond the wall of its tab at most."""
_PLAIN_MM: Final = 0.002


def cut_stubs(
    boards: Shapes, rows: Sequence[BaseGeometry], points: Floats
) -> tuple[Shapes, Shapes]:
    """Cut boards along their edge where a row of holes lies outside it.

    The edge is continued across the tab only where it is straight and at one level on both sides;
    a board without such an edge stays as it is.

    Parameters
    ----------
    boards
        (n,) polygons, mm, parted along the rows.
    rows
        Lines through the rows; the first and the last point lie beyond the holes.
    points
        (m, 2) float64, mm: places of pads; what holds one is no stub.

    Returns
    -------
    The boards in the same order, and the stubs.
    """
    cut = boards.copy()
    found: list[BaseGeometry] = []
    if not rows:
        return cut, np.empty(0, dtype=object)
    pads = shapely.STRtree(shapely.points(points))
    board, row = shapely.STRtree(rows).query(boards, predicate="intersects")
    for b, r in zip(board.tolist(), row.tolist(), strict=True):
        strip = _strip(boards[b], shapely.get_coordinates(rows[r])[1:-1])
        if strip is None:
            continue
        parts = shapely.get_parts(shapely.intersection(boards[b], strip))
        stub = parts[int(shapely.area(parts).argmax())]
        if not len(pads.query(stub, predicate="contains")):
            rest = shapely.get_parts(shapely.difference(cut[b], strip))
            cut[b] = rest[int(shapely.area(rest).argmax())]
            found.append(stub)
    return cut, np.array(found, dtype=object)


def _strip(board: BaseGeometry, holes: Floats) -> BaseGeometry | None:
    """Find the room outside a straight edge of a board, over a row of holes; None without one."""
    start, length = holes[0], float(np.hypot(*(holes[-1] - holes[0])))
    along = (holes[-1] - start) / length
    inward = np.array([-along[1], along[0]])
    middle = start + along * length / 2
    sides = shapely.contains(
        board, shapely.points([middle + inward * _LEVEL_MM * way for way in (2, -2)])
    )
    if sides[0] == sides[1]:
        return None
    axes = np.column_stack((along, inward if sides[0] else -inward))
    # Points on a straight edge would break it into edges too short to count.
    ring = shapely.get_coordinates(shapely.simplify(board.exterior, _PLAIN_MM))
    u, v = ((ring - start) @ axes).T
    low, high = np.minimum(u[1:], u[:-1]), np.maximum(u[1:], u[:-1])
    level = (v[1:] + v[:-1]) / 2
    edge = (np.abs(np.diff(v)) <= _LEVEL_MM) & (high - low >= _STRAIGHT_MM)
    edge &= np.abs(level) <= _STUB_MM
    before = np.flatnonzero(edge & (high <= _PLAY_MM) & (high >= -_ASIDE_MM))
    after = np.flatnonzero(edge & (low >= length - _PLAY_MM) & (low <= length + _ASIDE_MM))
    if not len(before) or not len(after):
        return None
    left, right = before[high[before].argmax()], after[low[after].argmin()]
    height = float(level[left])
    # An edge on the row or inside it leaves no stub, and one at two levels does not go on.
    if height <= _LEVEL_MM or abs(height - level[right]) > _LEVEL_MM:
        return None
    # A little wider than the tab: a hair of its wall would keep the size of the board.
    first, last = high[left] - _LEVEL_MM, low[right] + _LEVEL_MM
    corners = np.array(
        [(first, level[left]), (last, level[right]), (last, -_STUB_MM), (first, -_STUB_MM)]
    )
    return shapely.Polygon(start + corners @ axes.T)
