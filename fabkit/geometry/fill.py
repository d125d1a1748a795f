"""Area of closed paths that may cross themselves."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.geometry.arcs import Floats

_POINTS_AT_ONCE = 4_000_000


def winding_numbers(ring: Floats, points: Floats) -> NDArray[np.int64]:
    """How often a closed path runs round each point, counter-clockwise positive.

    Parameters
    ----------
    ring : (n, 2) float64
        Closed or not; the last point is joined to the first.
    points : (m, 2) float64
        None of them may lie on the path.
    """
    start = ring
    end = np.roll(ring, -1, axis=0)
    out = np.zeros(len(points), np.int64)
    step = max(1, _POINTS_AT_ONCE // max(len(ring), 1))
    for first in range(0, len(points), step):
        px = points[first : first + step, 0, None]
        py = points[first : first + step, 1, None]
        side = (end[:, 0] - start[:, 0]) * (py - start[:, 1]) - (px - start[:, 0]) * (
            end[:, 1] - start[:, 1]
        )
        up = (start[:, 1] <= py) & (end[:, 1] > py) & (side > 0)
        down = (start[:, 1] > py) & (end[:, 1] <= py) & (side < 0)
        out[first : first + step] = up.sum(axis=1) - down.sum(axis=1)
    return out


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
    closed = np.vstack((ring, ring[:1]))
    edges = shapely.linestrings(np.stack((closed[:-1], closed[1:]), axis=1))
    faces: NDArray[Any] = shapely.get_parts(shapely.polygonize([shapely.union_all(edges)]))
    if not len(faces):
        return shapely.Polygon()
    inner = shapely.get_coordinates(shapely.point_on_surface(faces))
    return shapely.union_all(faces[winding_numbers(ring, inner) != 0])
