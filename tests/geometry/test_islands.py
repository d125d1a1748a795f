"""Uniting by islands against one union over everything."""

from __future__ import annotations

import numpy as np
import shapely

from fabkit.geometry.areas import touching_pairs, unite


def test_unite_is_the_union():
    """Random overlapping discs and bars: the symmetric difference with one union is empty."""
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
