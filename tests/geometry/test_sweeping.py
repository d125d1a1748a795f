"""Shapes swept together are the union that overlays make, to a hundredth of a picometre."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import example, given
from hypothesis import strategies as st

from fabkit.geometry import areas, sweeping
from fabkit.geometry.areas import unite
from fabkit.geometry.segments import Segments
from fabkit.geometry.sweeping import sweep_union


def strokes(seed: int, count: int, *, side: float, width: float) -> np.ndarray:
    """Strokes that cross each other, on a grid of 0.1 mm, so that many ends and edges meet."""
    chance = np.random.default_rng(seed)
    start = chance.integers(0, round(side * 10), (count, 2)) / 10
    end = start + chance.integers(-8, 9, (count, 2)) / 10
    return Segments.straight(start, end).drawn(np.full(count, width))


def joined(whole: shapely.MultiPolygon) -> int:
    """Count parts; such as lie a rounding apart, or cross by one, are one part."""
    grown = shapely.union_all(shapely.buffer(shapely.get_parts(whole), 1e-9))
    return int(shapely.get_num_geometries(grown))


WRONG_TURNS = (3976011, 3.0), (201, 3.0), (387829, 30.0), (3705763889, 3.0), (854544745, 3.0)
"""Seeds and sides where the sweep ran round two holes as an eight, or lost what lay beside."""


@example(*WRONG_TURNS[0])
@example(*WRONG_TURNS[1])
@example(*WRONG_TURNS[2])
@example(*WRONG_TURNS[3])
@example(*WRONG_TURNS[4])
@example(2000, 8.0)
@given(seed=st.integers(0, 2**32), side=st.sampled_from((3.0, 8.0, 30.0)))
def test_as_overlays_unite(seed, side):
    """GEOS overlays, an engine of another kind, give the same area, also where holes are left."""
    shapes = strokes(seed, 80, side=side, width=0.3)
    shapes[:5] = shapely.box(
        *(np.arange(5) * side / 5, [0.1] * 5, *[np.arange(1, 6) * side / 6] * 2)
    )
    shapes[:5] = shapely.difference(shapes[:5], shapely.buffer(shapely.centroid(shapes[:5]), 0.2))
    shapes = shapely.get_parts(shapes)
    whole = shapely.union_all(shapes)
    pieces, owner = sweep_union(shapes)
    assert shapely.area(pieces).sum() == pytest.approx(whole.area, abs=1e-9)
    assert shapely.intersects(pieces, shapes[owner]).all()
    united = unite(shapes)
    assert shapely.is_valid(shapely.get_parts(united)).all()
    assert shapely.symmetric_difference(shapely.make_valid(united), whole).area < 1e-9
    assert joined(united) == joined(whole)


def test_corners_keep_their_coordinates():
    """What stays of a corner is what the file says, bit for bit, thirds of inches too."""
    shapes = shapely.box(*(np.array([[0.1, 0.2, 1 / 3, 25.4 / 7], [0.3, -1 / 7, 7, 0.7]])).T)
    (piece,), _ = sweep_union(shapes)
    given_ones = {tuple(p) for p in shapely.get_coordinates(shapes).tolist()}
    corners = {tuple(p) for p in shapely.get_coordinates(piece).tolist()}
    assert len(corners) == 8
    assert len(corners & given_ones) == 6
    # The other two are crossings of an upright edge with a level one.
    (x0, y1), (x1, y0) = sorted(corners - given_ones)
    assert (x0, x1) == pytest.approx((0.3, 1 / 3), abs=1e-11)
    assert (y0, y1) == pytest.approx((0.7, 0.2), abs=1e-11)


def test_no_corner_is_missed():
    """Places whose steps are halved exactly by doubles, as most beyond 64 mm, are found again."""
    x = np.arange(4000) % 80 * 2.0 - 189.652
    y = np.arange(4000) // 80 * 2.0 + 96.35
    shapes = shapely.box(x, y, x + np.pi / 3, y + 1.05)
    pieces, owner = sweep_union(shapes)
    assert sorted(owner.tolist()) == list(range(4000))
    assert shapely.equals(shapely.normalize(pieces), shapely.normalize(shapes[owner])).all()
    assert (shapely.bounds(pieces) == shapely.bounds(shapes[owner])).all()


def test_shapes_that_are_lines():
    """Slivers that the sweep rounds to nothing leave an empty shape, no error."""
    flat = [shapely.Polygon([(k, 0), (k + 0.5, 1e-20), (k + 1.5, 0)]) for k in range(200)]
    assert unite(np.array(flat, dtype=object)).area < 1e-12


@pytest.mark.parametrize("far", [0.0, 1e4, 1e7])
def test_far_away(far):
    """Places kilometres away, and shapes kilometres apart, do not make it fail."""
    shapes = strokes(3, 100, side=5, width=0.3)
    shapes[50:] = shapely.transform(shapes[50:], lambda p: p + far)
    whole = shapely.union_all(shapes)
    found = unite(shapes)
    assert found.is_valid
    assert found.area == pytest.approx(whole.area, abs=1e-6 * max(1, far / 1e4))


def test_squares_that_touch_in_corners():
    """A ring of squares that hang on by corners alone: valid, and the area of all of them."""
    at = [(x, y) for x in range(12) for y in range(12) if (x + y) % 2]
    shapes = np.array([shapely.box(x, y, x + 1, y + 1) for x, y in at])
    found = unite(shapes)
    assert found.is_valid
    assert found.area == pytest.approx(len(at), abs=1e-12)


def test_pieces_stand_in_the_order_they_are_drawn():
    """Lists of islands, and what is said of the first, follow the file."""
    x = np.random.default_rng(5).permutation(100) * 2.0
    pads = shapely.box(x, 0, x + 1, 1)
    shapes = np.concatenate((pads, shapely.box(x + 0.5, 0.5, x + 1.5, 1.5)))
    pieces = shapely.get_parts(unite(shapes))
    assert shapely.bounds(pieces)[:, 0].tolist() == x.tolist()


def test_shapes_a_rounding_apart_from_a_pinched_group_are_kept(monkeypatch):
    """Swept they are one piece with it, and that piece is mended, not its own group united anew.

    Area by hand: four squares, one and a half beside them, and eighty.
    """
    ring = [shapely.box(x, y, x + 1, y + 1) for x, y in ((0, 1), (1, 0), (1, 2), (2, 1))]
    beside = [shapely.box(np.nextafter(3.0, 4.0), 1, 4, 2), shapely.box(3.5, 1, 4.5, 2)]
    far = [shapely.box(10 + 2 * n, 0, 11 + 2 * n, 1) for n in range(80)]
    # The piece of both groups, the only one so large, is taken for pinched.
    monkeypatch.setattr(areas, "lie_apart", lambda shapes: shapely.area(shapes) < 5)
    monkeypatch.setattr(shapely, "is_valid", lambda shapes: np.zeros(len(shapes), dtype=bool))
    united = unite(np.array([*beside, *ring, *far]))
    assert united.area == pytest.approx(85.5, abs=1e-9)


def test_points_whose_numbers_begin_alike_are_told_apart(monkeypatch):
    """Each point is found again although all their numbers differ in the last bits alone."""
    monkeypatch.setattr(sweeping, "_MIX", np.array((1, 1), dtype=np.uint64))
    points = np.column_stack((np.arange(10) / 2.0**27, np.zeros(10)))
    kept, row = sweeping._sources(points, points[::-1])
    assert kept.all()
    assert row.tolist() == list(range(10))[::-1]
