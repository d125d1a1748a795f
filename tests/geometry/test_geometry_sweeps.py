"""What a shape covers on its way along straight segments."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from fabkit.geometry.areas import swept, swept_straight

FAR = st.floats(-5, 5)
ANGLE = shapely.Polygon([(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)])
FRAME = shapely.box(-2, -2, 2, 2).difference(shapely.box(-1, -1, 1, 1))
APART = shapely.MultiPolygon([shapely.box(-2, -1, -1, 1), shapely.box(1, -1, 2, 1)])


@given(
    st.lists(st.tuples(FAR, FAR, FAR, FAR), min_size=1, max_size=8),
    st.floats(0.1, 3),
    st.floats(0.1, 3),
)
def test_a_rectangle_sweeps_its_area_and_its_shadow(
    legs: list[tuple[float, float, float, float]], wide: float, high: float
) -> None:
    """Steiner's formula for a segment: area + length times width across it (closed form)."""
    at = np.array(legs)
    dx, dy = np.abs(at[:, 2:] - at[:, :2]).T

    made = swept_straight(shapely.box(0, 0, wide, high), at[:, :2], at[:, 2:])

    assert shapely.area(made) == pytest.approx(wide * high + dx * high + dy * wide, rel=1e-9)
    assert (shapely.get_type_id(made) == shapely.GeometryType.POLYGON).all()


@pytest.mark.parametrize("shape", [shapely.box(-1, -1, 2, 1), ANGLE, FRAME, APART])
def test_many_segments_cover_what_each_covers_alone(shape: shapely.Geometry) -> None:
    """Convex or not, each row is the sweep of its own segment, one of no length included."""
    start = np.array([(0.0, 0.0), (1.0, 2.0), (4.0, 4.0)])
    end = np.array([(3.0, 1.0), (1.0, 0.5), (4.0, 4.0)])

    made = swept_straight(shape, start, end)

    for one, leg in zip(made, np.stack((start, end), axis=1), strict=True):
        assert shapely.symmetric_difference(one, swept(shape, leg)).area < 1e-12
    assert made[2].area == pytest.approx(shape.area)


def test_a_hole_stays_open_where_it_never_leaves() -> None:
    """A square hole of 2 mm dragged 0.5 mm leaves a slit of 1.5 by 2 mm (closed form)."""
    (made,) = swept_straight(FRAME, np.array([(0.0, 0.0)]), np.array([(0.5, 0.0)]))

    assert made.area == pytest.approx(4.5 * 4 - 1.5 * 2)


def test_an_arc_of_many_legs_is_thinned_out() -> None:
    """A square dragged along an arc of 4000 legs covers what 500 of them do, within 3 µm.

    A circle of 50 mm radius in 500 chords: 50 mm (1 - cos(pi / 500)) = 1.0 µm of sagitta at most.
    """
    turn = np.linspace(0, np.pi, 4001)
    path = 50 * np.column_stack((np.cos(turn), np.sin(turn)))
    area = swept(shapely.box(-0.5, -0.5, 0.5, 0.5), path)

    # Straight above the centre the square reaches half its side to either side of the path.
    inner, outer = (50 + s * 0.5 for s in (-1, 1))
    assert shapely.get_num_coordinates(area) < 3000
    assert area.covers(shapely.Point(0, outer - 0.003))
    assert not area.covers(shapely.Point(0, outer + 0.003))
    assert area.covers(shapely.Point(0, inner + 0.003))
    assert not area.covers(shapely.Point(0, inner - 0.003))
