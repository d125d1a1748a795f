"""Gaps and widths against closed forms, shapely's own distance and a distance transform."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon, box

from fabkit.geometry.facing import facets_of, find_gaps, find_widths, thin_out


def gaps(*shapes, reach):
    return find_gaps(facets_of(np.array(shapes, dtype=object)), reach)


def widths(*shapes, reach):
    return find_widths(facets_of(np.array(shapes, dtype=object)), reach)


def test_slanted_parallel_tracks_keep_their_distance_less_the_pen():
    """Two slanted tracks 0.3 apart vertically: 0.3 cos(a) - pen (plane geometry)."""
    a = LineString([(0, 0), (10, 3)]).buffer(0.05)
    b = LineString([(0, 0.3), (10, 3.3)]).buffer(0.05)
    found = gaps(a, b, reach=0.25)
    assert found.distance[0] == pytest.approx(0.3 * math.cos(math.atan(0.3)) - 0.1, abs=1e-9)


def test_a_long_parallel_gap_is_told_once_in_its_middle():
    """A stretch of 30 mm is one facing, half way along."""
    found = gaps(box(0, 0, 30, 1), box(0, 1.1, 30, 2), reach=0.2)
    assert len(found.distance[found.straight]) == 1
    assert (found.x[0], found.y[0]) == (pytest.approx(15), pytest.approx(1.05))
    assert found.stretch[0] == pytest.approx(30)


def test_two_overlapping_discs_have_the_neck_of_their_common_chord():
    """Discs of radius 1, 1.9 apart: chord 2 sqrt(1 - 0.95^2)."""
    shape = Point(0, 0).buffer(1, 512).union(Point(1.9, 0).buffer(1, 512))
    found = widths(shape, reach=0.7)
    assert found.distance[0] == pytest.approx(2 * math.sqrt(1 - 0.95**2), abs=1e-5)
    assert (found.x[0], found.y[0]) == (pytest.approx(0.95), pytest.approx(0, abs=1e-9))


def test_an_off_centre_hole_leaves_the_thin_side_of_its_ring():
    """Radius difference less eccentricity, on the line through both centres."""
    shape = Point(0, 0).buffer(1, 256).difference(Point(0.5, 0.1).buffer(0.45, 256))
    found = widths(shape, reach=0.2)
    assert found.distance[0] == pytest.approx(1 - 0.45 - math.hypot(0.5, 0.1), abs=2e-5)


def test_a_tapering_point_is_neither_gap_nor_width():
    """The distance shrinks to nothing at a tip, without a minimum."""
    assert len(widths(Polygon([(0, 0), (10, 0.5), (10, -0.5)]), reach=0.3)) == 0


def test_ring_orientation_does_not_matter():
    """Material is on the left of every facet, however the polygon was written."""
    shape = box(0, 0, 4, 0.2)
    turned = shapely.reverse(shape)
    assert widths(shape, reach=0.3).distance[0] == pytest.approx(0.2)
    assert widths(turned, reach=0.3).distance[0] == pytest.approx(0.2)


def test_a_slit_inside_one_polygon_is_a_gap_within_it():
    """Open ground between two parts of one polygon counts as a gap."""
    shape = box(0, 0, 5, 5).difference(box(1, 2.45, 5, 2.55))
    found = gaps(shape, reach=0.2)
    assert found.distance[0] == pytest.approx(0.1)
    assert found.piece0[0] == found.piece1[0]


boxes = st.tuples(
    st.floats(0, 20), st.floats(0, 20), st.floats(0.3, 4), st.floats(0.3, 4), st.floats(0, 3.1)
)


@settings(max_examples=40, deadline=None)
@given(st.lists(boxes, min_size=2, max_size=12))
def test_smallest_gap_is_shapelys_distance(rows):
    """Over random turned boxes the smallest gap below the reach is the least distance."""
    shapes = [
        shapely.affinity.rotate(box(x, y, x + w, y + h), a, use_radians=True)
        for x, y, w, h, a in rows
    ]
    apart = []
    for shape in shapes:
        if all(shape.distance(other) > 1e-3 for other in apart):
            apart.append(shape)
    reach = 1.5
    least = min((a.distance(b) for i, a in enumerate(apart) for b in apart[:i]), default=math.inf)
    found = find_gaps(facets_of(np.array(apart, dtype=object)), reach)
    if least < reach - 1e-6:
        assert found.distance[0] == pytest.approx(least, abs=1e-6)
    else:
        assert len(found) == 0 or found.distance[0] >= reach - 1e-6


@pytest.mark.parametrize("neck", [0.12, 0.2, 0.31])
def test_neck_width_agrees_with_a_distance_transform(neck):
    """Twice the transform at the saddle of a dumb-bell is the neck, to a pixel."""
    shape = box(0, 0, 2, 2).union(box(3, 0, 5, 2)).union(box(2, 1 - neck / 2, 3, 1 + neck / 2))
    step = 0.004
    x, y = np.meshgrid(np.arange(0, 5, step), np.arange(0, 2, step))
    inside = shapely.contains_xy(shape, x, y)
    middle = np.abs(x[0] - 2.5).argmin()
    measured = 2 * ndimage.distance_transform_edt(np.pad(inside, 2))[:, middle + 2].max() * step
    found = widths(shape, reach=0.4)
    assert found.distance[0] == pytest.approx(neck, abs=1e-9)
    assert measured == pytest.approx(neck, abs=2.5 * step)


@pytest.mark.parametrize("length", [20.0, 5e8])
def test_strays_of_kilometres_are_cut_coarsely(length):
    """No more than a million facets are cut from a stray; a short edge is cut every 2 mm."""
    facets = facets_of(np.array([box(0, 0, length, 1)], dtype=object))
    assert len(facets) == 22 or length > 20
    assert len(facets) <= 1_000_010
    assert np.hypot(facets.x1 - facets.x0, facets.y1 - facets.y0).sum() == pytest.approx(
        2 * length + 2
    )


def test_thin_out_keeps_the_first_of_each_cluster():
    """Places are silenced by a better one nearby, never by a silenced one."""
    x = np.array([0.0, 0.4, 0.8, 5.0])
    assert thin_out(x, np.zeros(4), 0.5).tolist() == [0, 2, 3]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-3, 3), st.floats(-3, 3)), max_size=60),
    st.sampled_from([0.1, 0.5, 1.0, 7.0]),
)
def test_thin_out_agrees_with_comparing_all(points, apart):
    """Each place is kept exactly when no kept place before it is within reach."""
    kept: list[int] = []
    for k, (x, y) in enumerate(points):
        if all((x - points[j][0]) ** 2 + (y - points[j][1]) ** 2 > apart**2 for j in kept):
            kept.append(k)
    xy = np.array(points).reshape(-1, 2)
    assert thin_out(xy[:, 0], xy[:, 1], apart).tolist() == kept
