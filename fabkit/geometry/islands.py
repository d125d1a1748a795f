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
    parts = distinct(_single(shapes))
    left, right = touching_pairs(parts)
    # What lies inside a larger neighbour adds nothing to it.
    inner = np.zeros(len(parts), dtype=bool)
    inside = shapely.contains_properly(parts[left], parts[right])
    inner[right[inside]] = True
    outer = np.flatnonzero(~inner)
    number = np.cumsum(~inner) - 1
    keep = ~inner[left] & ~inner[right]
    label = label_groups(len(outer), number[left[keep]], number[right[keep]])
    united = _unite_groups(parts[outer], label)
    pieces = _single(united)
    shapely.destroy_prepared(parts)
    whole: BaseGeometry = pieces[0] if len(pieces) == 1 else shapely.multipolygons(pieces)
    return whole


def distinct(shapes: Shapes) -> Shapes:
    """Equal shapes at one place only once: a few bytes draw thousands, whose pairs are millions."""
    order = np.lexsort(shapely.bounds(shapes).T)
    box = shapely.bounds(shapes[order])
    again = (box[1:] == box[:-1]).all(axis=1)
    at = np.flatnonzero(again)
    again[at] = shapely.equals_exact(shapes[order[at]], shapes[order[at + 1]])
    return shapes if not again.any() else shapes[np.delete(order, np.flatnonzero(again) + 1)]


def _single(shapes: Shapes) -> Shapes:
    """Their polygons; no copy of what are polygons already."""
    if (shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON).all():
        return shapes
    parts: Shapes = shapely.get_parts(shapes)
    return parts


def _unite_groups(parts: Shapes, label: Ints) -> Shapes:
    """Union of each group of shapes that hang together, in order of their labels."""
    order = np.argsort(label, kind="stable")
    parts = parts[order]
    first = np.flatnonzero(np.diff(label[order], prepend=-1))
    count = np.diff(first, append=len(parts))
    size = shapely.get_num_coordinates(parts)
    heavy = (count > 2) & (2 * np.maximum.reduceat(size, first) > np.add.reduceat(size, first))
    united = parts[first]
    for many in np.unique(count[~heavy & (count > 1)]):
        rows = np.flatnonzero(~heavy & (count == many))
        united[rows] = shapely.union_all(parts[first[rows, None] + np.arange(many)], axis=1)
    for row in np.flatnonzero(heavy):
        united[row] = _unite_about_largest(parts[first[row] : first[row] + count[row]])
    return united


def _unite_about_largest(parts: Shapes) -> BaseGeometry:
    """Union of shapes that hang together; the largest is overlaid once, with all the others."""
    largest = int(np.argmax(shapely.get_num_coordinates(parts)))
    return grow(parts[largest], unite(np.delete(parts, largest)))
