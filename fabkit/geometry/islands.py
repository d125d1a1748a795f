"""Uniting many shapes by islands: what touches is united, what lies apart is left alone.

One union over a whole layer sorts and notes every edge of it.  A layer is thousands of small
islands, so finding what touches with a spatial index, and uniting island by island, does a
fraction of the work and gives the same area.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.geometry.neighbours import label_groups
from fabkit.geometry.pierced import grow

Shapes = NDArray[Any]
Ints = NDArray[np.int64]

_FEW: Final = 64
"""Fewer shapes are united at once."""


def touching_pairs(shapes: Shapes, *, reach_mm: float = 0.0) -> tuple[Ints, Ints]:
    """Pairs of rows whose shapes come within a reach, each once, the larger one first.

    The one with more vertices is prepared, so that a fill with a hundred thousand vertices is
    indexed once and not walked for each of its thousand neighbours.
    """
    size = shapely.get_num_coordinates(shapes)
    if reach_mm:
        box = shapely.bounds(shapes) + np.array((-reach_mm, -reach_mm, reach_mm, reach_mm))
        left, right = shapely.STRtree(shapes).query(shapely.box(*box.T))
    else:
        left, right = shapely.STRtree(shapes).query(shapes)
    keep = left < right
    left, right = left[keep], right[keep]
    swap = size[left] < size[right]
    left, right = np.where(swap, right, left), np.where(swap, left, right)
    large = np.unique(left)
    shapely.prepare(shapes[large])
    if reach_mm:
        meets = shapely.dwithin(shapes[left], shapes[right], reach_mm)
    else:
        meets = shapely.intersects(shapes[left], shapes[right])
    return left[meets], right[meets]


def unite(shapes: Shapes) -> BaseGeometry:
    """Union of polygons and multipolygons, the same area as one union over all of them.

    Parameters
    ----------
    shapes : (n,) object array of valid geometries

    Returns
    -------
    Polygon or MultiPolygon; an empty polygon without shapes.
    """
    if len(shapes) < _FEW:
        few: BaseGeometry = shapely.union_all(shapes) if len(shapes) else shapely.Polygon()
        return few
    parts = shapely.get_parts(shapes)
    left, right = touching_pairs(parts)
    # What lies inside a larger neighbour adds nothing to it.
    inner = np.zeros(len(parts), dtype=bool)
    inside = shapely.contains_properly(parts[left], parts[right])
    inner[right[inside]] = True
    outer = np.flatnonzero(~inner)
    number = np.cumsum(~inner) - 1
    keep = ~inner[left] & ~inner[right]
    label = label_groups(len(outer), number[left[keep]], number[right[keep]])
    order = np.argsort(label, kind="stable")
    groups = np.split(outer[order], np.flatnonzero(np.diff(label[order])) + 1)
    united = np.empty(len(groups), dtype=object)
    for k, rows in enumerate(groups):
        united[k] = _unite_island(parts[rows])
    pieces = shapely.get_parts(united)
    shapely.destroy_prepared(parts)
    whole: BaseGeometry = pieces[0] if len(pieces) == 1 else shapely.multipolygons(pieces)
    return whole


def _unite_island(parts: Shapes) -> BaseGeometry:
    """Union of shapes that hang together; the largest is overlaid once, with all the others."""
    size = shapely.get_num_coordinates(parts)
    largest = int(np.argmax(size))
    if len(parts) > 2 and 2 * size[largest] > size.sum():
        others = unite(np.delete(parts, largest))
        return grow(parts[largest], others)
    whole: BaseGeometry = parts[0] if len(parts) == 1 else shapely.union_all(parts)
    return whole
