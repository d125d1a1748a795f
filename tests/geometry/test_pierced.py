"""Adding to fills and cutting from them, hole by hole, against one overlay of the whole."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.geometry.areas import FEW_HOLES, grow, pierce

spots = st.lists(
    st.tuples(st.integers(-4, 44), st.integers(-4, 44), st.sampled_from([0.5, 1, 2, 3.5])),
    min_size=FEW_HOLES + 1,
    max_size=60,
)


def shapes_at(rows, *, square):
    """Squares (which touch along edges and in corners) or discs on a grid."""
    made = [
        shapely.box(x - r, y - r, x + r, y + r) if square else shapely.Point(x, y).buffer(r, 4)
        for x, y, r in rows
    ]
    return shapely.union_all(made)


def same(found, expected):
    """Valid, the same area, and as many separate polygons."""
    assert found.is_valid
    assert shapely.symmetric_difference(found, expected).area < 1e-9
    assert shapely.get_num_geometries(found) == shapely.get_num_geometries(expected)


@settings(max_examples=40, deadline=None)
@given(spots, st.booleans())
def test_cutting_hole_by_hole(rows, square):
    """A plate less squares or discs, some over its edge, some touching: as one difference."""
    cuts = shapes_at(rows, square=square)
    plate = shapely.box(0, 0, 40, 40)
    same(pierce(plate, cuts), shapely.difference(plate, cuts))


@settings(max_examples=40, deadline=None)
@given(spots, spots, st.booleans())
def test_adding_hole_by_hole(holes, added, square):
    """Pads and spokes in the holes of a plate and over its edge: as one union."""
    rest = shapely.difference(shapely.box(0, 0, 40, 40), shapes_at(holes, square=square))
    fill = max(shapely.get_parts(rest), key=lambda p: p.area)
    parts = shapely.get_parts(shapes_at(added, square=square))
    parts = parts[shapely.intersects(parts, fill)]
    if len(parts):
        more = shapely.multipolygons(parts)
        same(grow(fill, more), shapely.union(fill, more))


def test_a_part_that_hangs_on_by_a_corner_stays_a_piece_of_its_own():
    """A square in a hole that touches its rim in one corner is another polygon."""
    holes = [
        shapely.box(4 * x + 1, 4 * y + 1, 4 * x + 3, 4 * y + 3) for x in range(5) for y in range(5)
    ]
    fill = shapely.difference(shapely.box(0, 0, 20, 20), shapely.union_all(holes))
    diamond = shapely.Polygon([(1, 2), (1.5, 1.5), (2, 2), (1.5, 2.5)])
    grown = grow(fill, diamond)
    same(grown, shapely.union(fill, diamond))
    assert shapely.get_num_geometries(grown) == 2


def test_many_holes_need_no_overlay():
    """What is cut inside a plate becomes its holes, whole and untouched."""
    x, y = np.meshgrid(np.arange(1, 20), np.arange(1, 20))
    discs = shapely.buffer(shapely.points(x.ravel(), y.ravel()), 0.3)
    left = pierce(shapely.box(0, 0, 20, 20), shapely.multipolygons(discs))
    assert shapely.get_num_interior_rings(left) == 361
    assert shapely.equals(shapely.polygons(left.interiors[0]), discs).any()
