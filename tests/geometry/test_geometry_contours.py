"""Verdicts on contours: layer format specification 2021.02, sections 4.10.3 and 4.10.4."""

from __future__ import annotations

import numpy as np
import pytest

from fabkit.geometry.contours import find_contour_fault
from fabkit.geometry.segments import Segments

Points = list[tuple[float, float]]
Arc = tuple[float, float, int]


def fault(points: Points, arcs: dict[int, Arc] | None = None) -> str:
    """Verdict on a contour through ``points``, with ``(cx, cy, turn)`` for some segments."""
    table = np.array(points, float)
    count = len(points) - 1
    cx, cy = np.full(count, np.nan), np.full(count, np.nan)
    turn = np.zeros(count, np.int8)
    for k, (x, y, way) in (arcs or {}).items():
        cx[k], cy[k], turn[k] = x, y, way
    a, b = table[:-1], table[1:]
    contour = Segments(a[:, 0], a[:, 1], b[:, 0], b[:, 1], cx, cy, turn)
    return find_contour_fault(contour, chord_error_mm=0.001)


SQUARE: Points = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]
TWO_HOLES: Points = [
    (1.22, 2.57), (1.22, 2.72), (1.31, 2.72), (1.31, 2.57), (1.25, 2.57), (1.25, 2.60),
    (1.29, 2.60), (1.29, 2.64), (1.25, 2.64), (1.25, 2.67), (1.29, 2.67), (1.29, 2.70),
    (1.25, 2.70), (1.25, 2.67), (1.25, 2.64), (1.25, 2.60), (1.25, 2.57), (1.22, 2.57),
]  # fmt: skip
PARTLY_COINCIDENT: Points = [
    (1.11, 2.57), (1.11, 2.60), (1.14, 2.60), (1.14, 2.64), (1.11, 2.64), (1.11, 2.67),
    (1.14, 2.67), (1.14, 2.70), (1.11, 2.70), (1.11, 2.57), (1.09, 2.57), (1.09, 2.72),
    (1.17, 2.72), (1.17, 2.57), (1.11, 2.57),
]  # fmt: skip
ROUND_HOLE: Points = [
    (2, 10), (12, 10), (12, 2), (2, 2), (2, 6), (5, 6), (5, 6), (2, 6), (2, 10),
]  # fmt: skip
RHOMBUS_OUTSIDE: Points = [
    (0, 5), (0, 10), (10, 10), (10, 0), (0, 0), (0, 5), (-1, 5), (-5, 1), (-9, 5), (-5, 9),
    (-1, 5), (0, 5),
]  # fmt: skip
RHOMBUS_INSIDE: Points = [
    (0, 5), (0, 10), (10, 10), (10, 0), (0, 0), (0, 5), (1, 5), (5, 1), (9, 5), (5, 9),
    (1, 5), (0, 5),
]  # fmt: skip


@pytest.mark.parametrize(
    ("points", "arcs"),
    [
        pytest.param(SQUARE, {}, id="square"),
        pytest.param(SQUARE[::-1], {}, id="other way round"),
        pytest.param([*SQUARE[:2], (10, 0), *SQUARE[2:]], {}, id="repeated point"),
        pytest.param([(5, 0), (5, 0)], {0: (0, 0, 2)}, id="full circle alone"),
        pytest.param(TWO_HOLES, {}, id="4.10.4.9 fully coincident"),
        pytest.param(ROUND_HOLE, {5: (8, 6, 2)}, id="4.10.4.7"),
        pytest.param(RHOMBUS_OUTSIDE, {}, id="4.10.4.8 outside"),
        pytest.param(RHOMBUS_INSIDE, {}, id="4.10.4.8 inside"),
    ],
)
def test_valid_contours(points: Points, arcs: dict[int, Arc]) -> None:
    """Simple contours and contours with proper cut-ins are valid."""
    assert fault(points, arcs) == ""


@pytest.mark.parametrize(
    ("points", "arcs"),
    [
        pytest.param([(0, 0), (2, 2), (2, 0), (0, 2), (0, 0)], {}, id="crossing"),
        pytest.param(
            [(0, 0), (10, 0), (10, 10), (5, 0), (0, 10), (0, 0)], {}, id="vertex on segment"
        ),
        pytest.param(
            [*SQUARE, (3, 3), (3, 5), (5, 5), (5, 3), (3, 3), (0, 0)], {}, id="diagonal cut-in"
        ),
        pytest.param(
            [(0, 0), (0, 5), (2, 5), (2, 6), (3, 6), (3, 5), (2, 5), (0, 5), (0, 10), (10, 10),
             (10, 0), (8, 0), (8, 2), (9, 2), (9, 3), (8, 3), (8, 2), (8, 0), (0, 0)],
            {}, id="cut-ins in two directions",
        ),
        pytest.param(ROUND_HOLE, {5: (8, 6, -2)}, id="4.10.4.7 with G02"),
        pytest.param(PARTLY_COINCIDENT, {}, id="4.10.4.9 partly coincident"),
        pytest.param(
            [(0, 0), (5, 0), (5, 5), (10, 5), (10, 10), (5, 10), (5, 5), (0, 5), (0, 0)],
            {}, id="four ends in a point",
        ),
        pytest.param([(0, 0), (5, 0), (0, 0)], {}, id="there and back"),
        pytest.param(
            [*SQUARE[:3], (10, 10), *SQUARE[3:]], {2: (5, 10, 2)}, id="full circle on a corner"
        ),
    ],
)  # fmt: skip
def test_invalid_contours(points: Points, arcs: dict[int, Arc]) -> None:
    """Whatever touches or crosses itself otherwise is invalid."""
    assert fault(points, arcs)
