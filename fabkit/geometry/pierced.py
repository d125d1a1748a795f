"""Fills with thousands of holes: adding to them and cutting from them hole by hole.

An overlay sorts and nodes every edge of both its shapes.  A ground plane has a hundred thousand
edges, almost all of them around holes that what is added or cut does not come near.  Here every
hole is a small polygon of its own; only those that are touched are worked on.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

Shapes = NDArray[Any]

FEW_HOLES: Final = 16
"""Shapes with fewer holes, or fewer cuts, are overlaid as a whole."""


def grow(fill: BaseGeometry, added: BaseGeometry) -> BaseGeometry:
    """Union of a polygon and what is added to it; the same area as one overlay.

    Parameters
    ----------
    fill : Polygon
    added : Polygon or MultiPolygon
        Every part touches ``fill``.
    """
    parts = shapely.get_parts(added)
    rings = shapely.get_rings(fill)
    if len(rings) <= FEW_HOLES:
        return shapely.union(fill, added)
    outer, holes = shapely.polygons(rings[0]), shapely.polygons(rings[1:])
    shapely.prepare(outer)
    crossing = parts[~shapely.contains_properly(outer, parts)]
    if len(crossing):
        outer = shapely.union_all([outer, *crossing])
    hole, part = shapely.STRtree(parts).query(holes, predicate="intersects")
    touched = np.unique(hole)
    left = shapely.get_parts(shapely.difference(holes[touched], _together(parts, hole, part)))
    left = left[~shapely.is_empty(left)]
    open_holes = np.concatenate((np.delete(holes, touched), left))
    whole: BaseGeometry = shapely.Polygon()
    # A part that hangs on by a point alone makes an island in a hole, or holes that pinch the
    # fill; a whole overlay sorts these out.
    if outer.geom_type == "Polygon" and not shapely.get_num_interior_rings(open_holes).any():
        inner = np.concatenate(
            (shapely.get_rings(outer)[1:], shapely.get_exterior_ring(open_holes))
        )
        whole = shapely.polygons(shapely.get_exterior_ring(outer), holes=inner)
    if whole.is_empty or not whole.is_valid:
        return shapely.union(fill, added)
    return whole


def pierce(fill: BaseGeometry, cuts: BaseGeometry) -> BaseGeometry:
    """What is left of a shape; the same area as one overlay.

    Parameters
    ----------
    fill : Polygon or MultiPolygon
    cuts : Polygon or MultiPolygon
        Any valid shapes; parts that lie inside ``fill`` become its holes.
    """
    parts = shapely.get_parts(cuts)
    if fill.geom_type != "Polygon" or len(parts) <= FEW_HOLES:
        return shapely.difference(fill, cuts)
    shapely.prepare(fill)
    whole = (shapely.get_num_interior_rings(parts) == 0) & shapely.contains_properly(fill, parts)
    if not whole.any():
        return shapely.difference(fill, cuts)
    rest = parts[~whole]
    body = shapely.difference(fill, shapely.multipolygons(rest)) if len(rest) else fill
    pieces = shapely.get_parts(body)
    rims = shapely.get_exterior_ring(parts[whole])
    made = np.empty(len(pieces), dtype=object)
    # A hole inside the fill, apart from the other cuts, lies in one piece of what they leave.
    hole, piece = shapely.STRtree(pieces).query(shapely.get_point(rims, 0), predicate="within")
    for k, polygon in enumerate(pieces):
        rings = shapely.get_rings(polygon)
        inner = np.concatenate((rings[1:], rims[hole[piece == k]]))
        made[k] = shapely.polygons(rings[0], holes=inner)
    left: BaseGeometry = made[0] if len(made) == 1 else shapely.multipolygons(made)
    # Cuts that touch in points may pinch the fill; a whole overlay sorts that out.
    return left if len(hole) == len(rims) and left.is_valid else shapely.difference(fill, cuts)


def _together(parts: Shapes, group: NDArray[Any], part: NDArray[Any]) -> Shapes:
    """The parts of each group, in order, as one geometry; the parts lie apart."""
    order = np.argsort(group, kind="stable")
    number = np.unique(group[order], return_inverse=True)[1]
    if not len(number):
        return np.empty(0, dtype=object)
    together: Shapes = shapely.multipolygons(parts[part[order]], indices=number)
    return together
