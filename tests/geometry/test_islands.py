"""Uniting by islands against one union over everything."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString

from fabkit.geometry import areas
from fabkit.geometry.areas import touching_pairs, unite


@pytest.mark.parametrize("at_once", [areas._MOST_CORNERS, 300])
def test_unite_is_the_union(at_once, monkeypatch):
    """Random overlapping discs and bars: the symmetric difference with one union is empty.

    So few corners are swept at once that groups are halved down to single shapes, or all are.
    """
    monkeypatch.setattr(areas, "_MOST_CORNERS", at_once)
    rng = np.random.default_rng(7)
    points = rng.uniform(0, 40, (400, 2))
    discs = shapely.buffer(shapely.points(points), rng.uniform(0.2, 1.2, 400))
    bars = shapely.box(points[:60, 0], points[:60, 1], points[:60, 0] + 9, points[:60, 1] + 0.3)
    shapes = np.concatenate((discs, bars))
    whole = shapely.union_all(shapes)
    found = unite(shapes)
    assert found.is_valid
    assert shapely.symmetric_difference(found, whole).area < 1e-9
    assert len(shapely.get_parts(found)) == len(shapely.get_parts(whole))


@pytest.mark.parametrize("slant", [0.0, 0.7])
def test_hatched_pours_are_united_by_halves(slant):
    """Thousands of crossings of lines, with discs in their holes: one union gives the same."""
    rng = np.random.default_rng(3)
    at = np.arange(60) / 2
    flat = [LineString([(-1, y), (31, y + slant)]).buffer(0.15) for y in at]
    steep = [LineString([(x, -1), (x - slant, 31)]).buffer(0.15) for x in at]
    spots = shapely.points(rng.uniform(0, 30, (400, 2)))
    shapes = np.array([*flat, *steep, *shapely.buffer(spots, 0.2)], dtype=object)
    assert len(shapes) > 512
    whole = shapely.union_all(shapes)
    found = unite(shapes)
    assert found.is_valid
    assert shapely.symmetric_difference(found, whole).area < 1e-9
    assert shapely.get_num_geometries(found) == shapely.get_num_geometries(whole)


def test_islands_in_holes_of_a_half_stay():
    """Rings of bars around islands that only bars of the other half join to them."""
    frames = [shapely.box(x, 0, x + 8, 8) - shapely.box(x + 1, 1, x + 7, 7) for x in (0, 8)]
    inner = [shapely.box(x + 2, y, x + 2.5, y + 0.6) for x in (0, 8) for y in np.arange(2, 6, 0.02)]
    many = [shapely.box(x, 7.2, x + 0.3, 7.8) for x in np.arange(0, 15.6, 0.1)]
    bars = [shapely.box(2.2, 5.5, 2.3, 7.5), shapely.box(10.2, 5.5, 10.3, 7.5)]
    shapes = np.array([*frames, *inner, *many, *bars], dtype=object)
    whole = shapely.union_all(shapes)
    found = unite(shapes)
    assert len(shapes) > 512
    assert shapely.symmetric_difference(found, whole).area < 1e-9
    assert found.geom_type == whole.geom_type == "Polygon"


def test_inner_shapes_do_not_break_a_chain():
    """A shape inside a large one may also touch a third; the three stay one piece."""
    big = shapely.box(0, 0, 10, 10)
    inside = shapely.box(4, 4, 5, 5)
    across = shapely.box(9, 4.4, 14, 4.6)
    many = [shapely.box(20 + 2 * k, 0, 21 + 2 * k, 1) for k in range(70)]
    found = unite(np.array([big, inside, across, *many], dtype=object))
    assert len(shapely.get_parts(found)) == 71


def test_pairs_put_the_larger_shape_first():
    """The shape with more vertices leads, so that it is the prepared one."""
    shapes = np.array([shapely.box(0, 0, 1, 1), shapely.Point(0, 0).buffer(1)], dtype=object)
    left, right = touching_pairs(shapes)
    assert (left.tolist(), right.tolist()) == ([1], [0])
