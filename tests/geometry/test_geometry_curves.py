"""Arcs found again in fine polygons, and contours with arcs."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.base.units import CHORD_ERROR_MM
from fabkit.geometry.curves import Contour, circle, ring_contour
from fabkit.geometry.segments import Segments, circle_chords, unit_circle


def flat(contour: Contour) -> shapely.Polygon:
    """A contour's polygon, arcs as fine chords."""
    x, y = contour.start
    rows = []
    for x1, y1, cx, cy, turn in contour.segments:
        rows.append((x, y, x1, y1, cx, cy, turn))
        x, y = x1, y1
    columns = np.array(rows, dtype=float).T
    points, _ = Segments(*columns).flatten(chord_error_mm=1e-4)
    return shapely.Polygon(np.vstack(([contour.start], points)))


def test_fine_circle_is_one_arc() -> None:
    """The polygon that stands for a circle is drawn as a circle of its radius."""
    ring = unit_circle(circle_chords(3.0)) * 1.5 + (7, 8)
    contour = ring_contour(np.vstack((ring, ring[:1])))
    (segment,) = contour.segments
    assert segment[4] == 2
    assert segment[2:4] == pytest.approx((7, 8), abs=1e-6)
    assert contour.start[0] - 7 == pytest.approx(1.5, abs=CHORD_ERROR_MM)


def test_stroke_is_two_lines_and_two_arcs() -> None:
    """A capsule has two straight sides and two half circles."""
    one = np.array([1.0])
    line = Segments.straight(np.array([[1.0, 1.0]]), np.array([[6.0, 3.0]]))
    (shape,) = line.drawn(one * 0.8)
    contour = ring_contour(shapely.get_coordinates(shape))
    turns = [s[4] for s in contour.segments]
    assert sorted(abs(t) for t in turns) in ([0, 1, 1], [0, 0, 1, 1])
    assert flat(contour).area == pytest.approx(shape.area, rel=1e-4)


@pytest.mark.parametrize("corners", [4, 5, 8, 12])
def test_coarse_polygons_stay_polygons(corners: int) -> None:
    """Regular polygons that are no fine circles keep their corners."""
    angle = 2 * np.pi * np.arange(corners + 1) / corners
    ring = np.column_stack((np.cos(angle), np.sin(angle)))
    ring[-1] = ring[0]
    contour = ring_contour(ring)
    assert len(contour.segments) == corners - 1
    assert not any(s[4] for s in contour.segments)


@given(
    w=st.floats(0.5, 30), h=st.floats(0.5, 30), share=st.floats(0.05, 0.95),
    turned=st.floats(0, 360),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_rounded_rectangle_is_the_same_shape(
    w: float, h: float, share: float, turned: float
) -> None:
    """Whatever is recognised, the contour stays within the chord error of the ring."""
    r = share * min(w, h) / 2
    box = shapely.box(r, r, w - r, h - r)
    shape = shapely.affinity.rotate(box.buffer(r, quad_segs=circle_chords(2 * r) // 4), turned)
    contour = ring_contour(shapely.get_coordinates(shape))
    assert shapely.hausdorff_distance(flat(contour), shape) <= 2.5 * CHORD_ERROR_MM


def test_reversed_contour_has_the_opposite_area() -> None:
    """Running a contour backwards changes the sign of its area; a circle's is pi d^2 / 4."""
    ring = circle(3, 4, 2.0)
    assert ring.doubled_area / 2 == pytest.approx(np.pi)
    assert ring.reversed().doubled_area / 2 == pytest.approx(-np.pi)
    bow = Contour((0, 0), ((4, 0, 0, 0, 0), (4, 2, 4, 1, 1), (0, 2, 0, 0, 0)))
    assert bow.doubled_area / 2 == pytest.approx(8 + np.pi / 2)
    assert bow.reversed().doubled_area == pytest.approx(-bow.doubled_area)
