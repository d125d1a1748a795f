"""Figures from loose strokes against closed forms, whatever the order and way of drawing."""

from __future__ import annotations

import functools
import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.base.units import OUTLINE_JOIN_MM
from fabkit.geometry.outlines import find_figures
from fabkit.geometry.segments import Segments

Row = tuple[float, float, float, float, float, float, int]


def strokes(rows: list[Row]) -> Segments:
    """Columns of rows x0, y0, x1, y1, cx, cy, turn."""
    table = np.array(rows, dtype=np.float64).reshape(-1, 7)
    return Segments(*(table[:, i] for i in range(6)), table[:, 6].astype(np.int8))


def polyline(*points: tuple[float, float]) -> list[Row]:
    """Straight strokes from point to point."""
    return [(*a, *b, math.nan, math.nan, 0) for a, b in itertools.pairwise(points)]


def rectangle(x: float, y: float, w: float, h: float) -> list[Row]:
    """Four strokes."""
    return polyline((x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y))


def circle(x: float, y: float, r: float) -> list[Row]:
    """One full circle."""
    return [(x + r, y, x + r, y, x, y, 2)]


def rounded(w: float, h: float, r: float) -> list[Row]:
    """A rectangle with four quarter circles, anticlockwise."""
    nan = math.nan
    return [
        (r, 0, w - r, 0, nan, nan, 0),
        (w - r, 0, w, r, w - r, r, 1),
        (w, r, w, h - r, nan, nan, 0),
        (w, h - r, w - r, h, w - r, h - r, 1),
        (w - r, h, r, h, nan, nan, 0),
        (r, h, 0, h - r, r, h - r, 1),
        (0, h - r, 0, r, nan, nan, 0),
        (0, r, r, 0, r, r, 1),
    ]


def area(rows: list[Row]) -> float:
    """Material that the strokes enclose, mm²."""
    # Of figures that lie in each other, those of odd depth are cut-outs.
    filled = find_figures(strokes(rows)).filled
    return float(functools.reduce(shapely.symmetric_difference, filled, shapely.Polygon()).area)


def test_rounded_rectangle() -> None:
    """w h - (4 - pi) r^2, to 1e-9 relative."""
    assert area(rounded(50, 30, 3)) == pytest.approx(1500 - (4 - math.pi) * 9, rel=1e-9)


def test_circle_with_cut_out() -> None:
    """pi (R^2 - r^2); and an island in the hole is material again."""
    rings = circle(0, 0, 20) + circle(1, 2, 5)

    assert area(rings) == pytest.approx(math.pi * (400 - 25), rel=1e-9)
    assert area(rings + circle(1, 2, 1)) == pytest.approx(math.pi * (400 - 25 + 1), rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(8)), st.lists(st.booleans(), min_size=8, max_size=8))
def test_order_and_direction_do_not_matter(order: list[int], back: list[bool]) -> None:
    """Segments in any order, each drawn either way, enclose the same area."""
    rows = [rounded(50, 30, 3)[i] for i in order]
    rows = [
        (x1, y1, x0, y0, cx, cy, -turn) if flip else (x0, y0, x1, y1, cx, cy, turn)
        for (x0, y0, x1, y1, cx, cy, turn), flip in zip(rows, back, strict=True)
    ]

    assert area(rows) == pytest.approx(1500 - (4 - math.pi) * 9, rel=1e-9)


def test_lines_drawn_twice_count_once() -> None:
    """Doubled strokes change no area and are measured."""
    rows = rectangle(0, 0, 20, 10)
    figures = find_figures(strokes(rows + rows[:2]))

    assert figures.filled[0].area == pytest.approx(200)
    assert figures.doubled_mm == pytest.approx(30)


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_gaps_are_bridged_up_to_the_tolerance(share: float) -> None:
    """A gap below the tolerance is bridged and told, one above stays open with both its ends."""
    gap = OUTLINE_JOIN_MM * share
    figures = find_figures(strokes(polyline((gap, 0), (20, 0), (20, 10), (0, 10), (0, 0))))

    if share < 1:
        assert figures.filled[0].area == pytest.approx(200)
        assert np.hypot(*(figures.bridges[0, 2:] - figures.bridges[0, :2])) == pytest.approx(gap)
        assert len(figures.loose) == 0
    else:
        assert len(figures.filled) == 0
        assert sorted(map(tuple, figures.loose)) == [(0, 0), (gap, 0)]


def test_ends_short_of_a_line_are_led_to_it() -> None:
    """An end that stops just before the middle of another stroke closes the figure."""
    rows = polyline((0, 0), (20, 0), (20, 10), (-5, 10)) + polyline((0, 0), (0, 9.97))
    figures = find_figures(strokes(rows))

    assert figures.filled[0].area == pytest.approx(200)
    assert len(figures.stray) == 1


def test_lines_across_do_not_divide_the_board() -> None:
    """A stroke from rim to rim, and one that overshoots, leave one figure."""
    rows = rectangle(0, 0, 20, 10) + polyline((10, 0), (10, 10)) + polyline((-2, 5), (22, 5))
    figures = find_figures(strokes(rows))

    assert [f.area for f in figures.filled] == [pytest.approx(200)]
    assert sorted(line.length for line in figures.stray) == [pytest.approx(2)] * 2


def test_crossing_outline() -> None:
    """A bow tie is told with its crossing: two strokes that cross at (10, 5)."""
    figures = find_figures(strokes(polyline((0, 0), (20, 10), (20, 0), (0, 10), (0, 0))))

    assert figures.crossings.tolist() == [[10, 5]]


@pytest.mark.parametrize("over", [0.0, 0.004, 0.01])
def test_rounded_ends_that_overshoot_each_other_are_no_crossing(over: float) -> None:
    """Ends that miss their corner by micrometres cut a tip off, which is no loop of the outline."""
    first = polyline((-over, 0), (20, 0), (20, 10), (0, 10))
    found = find_figures(strokes([*first, *polyline((0, 10), (over / 2, -over))]))

    assert len(found.crossings) == 0
    assert shapely.area(found.filled) == pytest.approx([200], abs=0.1)
    assert set(found.figure.tolist()) == {0}
    assert len(found.faces) == len(found.figure)


def test_nothing_gives_nothing() -> None:
    """No strokes, strokes without length and a lone stroke enclose nothing."""
    for rows in ([], polyline((1, 1), (1, 1)), polyline((0, 0), (5, 5))):
        figures = find_figures(strokes(rows))

        assert len(figures.filled) == 0
