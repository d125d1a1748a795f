"""Tabs whose walls are drawn as lines that stop short of what they join."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Shapes
from fabkit.base.units import COINCIDENT_MM
from fabkit.board.panel import find_perforations

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
    longer = np.array([_led_on(wall) for wall in walls], dtype=object)
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


def _led_on(wall: BaseGeometry) -> BaseGeometry:
    """Make a wall a little longer at both ends, so that it surely reaches the edge."""
    xy = shapely.get_coordinates(wall)
    first, last = xy[0] - xy[1], xy[-1] - xy[-2]
    reach = _SHORT_MM + COINCIDENT_MM
    return shapely.LineString(
        [
            xy[0] + reach * first / np.hypot(*first),
            *xy,
            xy[-1] + reach * last / np.hypot(*last),
        ]
    )
