"""Area any shape covers while it is dragged, without turning, along a path."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.geometry.arcs import Floats
from fabkit.geometry.strokes import Shapes

_MOST_LEGS = 500


def swept_straight(shape: BaseGeometry, start: Floats, end: Floats) -> Shapes:
    """Area ``shape`` covers on its way along each of many straight segments.

    Parameters
    ----------
    shape
        Polygon or multipolygon about the origin, mm.
    start, end : (n, 2) float64, mm

    Returns
    -------
    (n,) object array of polygons or multipolygons.
    """
    if shape.geom_type == "Polygon" and not shape.interiors and _is_convex(shape):
        both = np.column_stack((_copies(shape, start), _copies(shape, end)))
        hulls: Shapes = shapely.convex_hull(shapely.multipolygons(both))
        return hulls
    out = np.empty(len(start), dtype=object)
    for k, leg in enumerate(np.stack((start, end), axis=1)):
        out[k] = swept(shape, leg)
    return out


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
    A convex shape covers, along each leg, the convex hull of its copies at both ends.  A convex
    hole stays open exactly where the copies of the hole at all points of the path overlap.  Any
    other shape covers its copies and the parallelogram each of its edges sweeps along each leg.
    """
    if shape.is_empty:
        return shape
    keep = np.concatenate(([True], (path[1:] != path[:-1]).any(axis=1)))
    path = path[keep]
    if len(path) > _MOST_LEGS:
        # Only an arc has so many legs, and dragging such a shape along one is no legal stroke.
        path = path[np.linspace(0, len(path) - 1, _MOST_LEGS).astype(np.int64)]
    if shape.geom_type == "Polygon":
        outer = shapely.Polygon(shape.exterior)
        holes = [shapely.Polygon(ring) for ring in shape.interiors]
        if all(_is_convex(part) for part in (outer, *holes)):
            made = _swept_convex(outer, path)
            for hole in holes:
                made = made.difference(_common(hole, path))
            return made
    return _swept_by_edges(shape, path)


def _is_convex(polygon: BaseGeometry) -> bool:
    hull = polygon.convex_hull.area
    return bool(hull - polygon.area <= 1e-9 * hull)


def _copies(shape: BaseGeometry, path: Floats) -> Shapes:
    points = np.repeat(path, shapely.count_coordinates(shape), axis=0)
    copies: Shapes = shapely.transform(
        np.full(len(path), shape, dtype=object), lambda xy: xy + points
    )
    return copies


def _swept_convex(outer: BaseGeometry, path: Floats) -> BaseGeometry:
    copies = _copies(outer, path)
    if len(copies) == 1:
        return copies[0]
    both = shapely.multipolygons(np.column_stack((copies[:-1], copies[1:])))
    return shapely.union_all(shapely.convex_hull(both))


def _common(hole: BaseGeometry, path: Floats) -> BaseGeometry:
    x0, y0, x1, y1 = hole.bounds
    wide, high = np.ptp(path, axis=0)
    if wide >= x1 - x0 or high >= y1 - y0:
        return shapely.Polygon()
    return shapely.intersection_all(_copies(hole, path))


def _swept_by_edges(shape: BaseGeometry, path: Floats) -> BaseGeometry:
    rings = [
        shapely.get_coordinates(ring)
        for part in shapely.get_parts(shape)
        for ring in (part.exterior, *part.interiors)
    ]
    edge = np.concatenate([np.stack((r[:-1], r[1:]), axis=1) for r in rings])
    covered = shapely.union_all(_copies(shape, path))
    strips = []
    for start, end in pairwise(path):
        corners = np.stack(
            (edge[:, 0] + start, edge[:, 1] + start, edge[:, 1] + end, edge[:, 0] + end), axis=1
        )
        made = shapely.polygons(corners)
        made = made[(shapely.area(made) > 0) & shapely.is_valid(made)]
        strips.append(shapely.union_all(made))
    return shapely.union_all([covered, *strips])
