"""What is left of a tab on a board that was parted along a row of holes beside its edge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Shapes

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
