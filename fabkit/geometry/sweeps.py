"""Area any shape covers while it is dragged, without turning, along a path."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.geometry.arcs import Floats


def swept(shape: BaseGeometry, path: Floats) -> BaseGeometry:
    """Minkowski sum of ``shape`` and the polyline ``path``.

    Parameters
    ----------
    shape
        Polygon or multipolygon about the origin, mm.
    path : (n, 2) float64, mm
        One point or more.

    Notes
    -----
    What a dragged shape covers is the shape at every vertex of the path and the parallelogram
    that each of its edges sweeps along each leg.
    """
    if shape.is_empty:
        return shape
    keep = np.concatenate(([True], (path[1:] != path[:-1]).any(axis=1)))
    path = path[keep]
    copies = [shapely.transform(shape, lambda p, at=at: p + at) for at in path]
    edges = [
        np.stack((ring[:-1], ring[1:]), axis=1)
        for part in shapely.get_parts(shape)
        for ring in map(shapely.get_coordinates, (part.exterior, *part.interiors))
    ]
    edge = np.concatenate(edges)
    for start, end in pairwise(path):
        corners = np.stack(
            (edge[:, 0] + start, edge[:, 1] + start, edge[:, 1] + end, edge[:, 0] + end), axis=1
        )
        strips = shapely.polygons(corners)
        copies += shapely.make_valid(strips[shapely.area(strips) > 0]).tolist()
    return shapely.union_all(copies)
