"""Areas of paths that cross or touch themselves; winding numbers are elementary geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.geometry.contours import crosses_more_than, fill_nonzero, winding_numbers

Points = list[tuple[float, float]]
HOLE: Points = [(0, 0), (4, 4), (4, 6), (6, 6), (6, 4), (4, 4), (0, 0)]
"""There along a diagonal, round a hole clockwise, and back."""


@pytest.mark.parametrize(
    ("points", "area"),
    [
        pytest.param([(0, 0), (10, 0), (10, 10), (0, 10)], 100, id="square"),
        pytest.param([(0, 0), (2, 2), (2, 0), (0, 2)], 2, id="bow tie: both triangles"),
        pytest.param([(0, 0), (4, 0)] * 2, 0, id="nothing"),
        pytest.param(
            [(0, 0), (10, 0), (10, 10), (0, 10), *HOLE], 96, id="hole reached by a cut-in"
        ),
        pytest.param(
            [(0, 0), (10, 0), (10, 10), (0, 10), *HOLE[::-1]], 100, id="run round twice: no hole"
        ),
        pytest.param(
            [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0), (10, 0), (10, 10), (0, 10)],
            100,
            id="the same square twice",
        ),
        pytest.param(
            [(0, 0), (10, 0), (12, 2), (12, -2), (10, 0), (10, 10), (0, 10), *HOLE],
            100,
            id="an outer edge that touches itself, and a hole",
        ),
    ],
)
def test_known_areas(points: Points, area: float) -> None:
    """Everything the path runs round a number of times that is not zero is filled."""
    filled = fill_nonzero(np.array(points, float))
    assert filled.area == pytest.approx(area, abs=1e-12)
    assert filled.is_valid


GRID = st.integers(0, 6)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(GRID, GRID), min_size=3, max_size=12))
def test_any_path_agrees_with_its_winding_numbers(points: list[tuple[int, int]]) -> None:
    """Points off the grid are inside exactly when the path runs round them."""
    ring = np.array(points, float)
    rng = np.random.default_rng(1)
    probes = rng.uniform(0.001, 5.999, (200, 2))
    filled = fill_nonzero(ring)
    inside = shapely.contains_xy(filled, probes[:, 0], probes[:, 1])
    path = shapely.linestrings(np.vstack((ring, ring[:1])))
    clear = shapely.distance(shapely.points(probes), path) > 1e-6
    assert (inside == (winding_numbers(ring, probes) != 0))[clear].all()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 50)), min_size=4, max_size=14))
def test_crossings_are_counted_before_filling(corners):
    """Counted as shapely's ``crosses`` counts pairs of edges; just as many is not more."""
    ring = np.array(corners, dtype=float)
    edges = shapely.linestrings(np.stack((ring, np.roll(ring, -1, axis=0)), axis=1))
    a, b = np.triu_indices(len(edges), 1)
    count = int(shapely.relate_pattern(edges[a], edges[b], "0F1FF0102").sum())

    assert not crosses_more_than(ring, count)
    assert count == 0 or crosses_more_than(ring, count - 1)
