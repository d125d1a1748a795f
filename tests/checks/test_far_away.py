"""Coordinates damaged to kilometres, or pairs that all meet in one point, break no check.

Found by damaging whole packages (tests/fuzz/run_packages.py).
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from fabkit.checks.hole import slot_lengths
from fabkit.checks.legend_place import find_better_place
from fabkit.geometry.neighbours import squares_of
from fabkit.package.registration import _find_stretch, find_fit

LETTERS = np.array([shapely.box(x, 1, x + 1, 5) for x in range(0, 60, 2)])
PADS = LETTERS
BOARD = np.array([shapely.box(0, 0, 60, 20)])


def test_a_figure_from_here_to_far_away_moves_no_legend():
    """A stroke of a million kilometres is counted as far as the picture goes, like a short one."""
    near = np.append(LETTERS, shapely.box(59, 10, 75, 10.2))
    far = np.append(LETTERS, shapely.box(59, 10, 1e12, 10.2))

    expected = find_better_place(near, BOARD, (PADS,))
    assert expected is not None
    assert find_better_place(far, BOARD, (PADS,)) == expected


def test_a_board_of_a_million_kilometres_is_not_searched():
    """Its cells would not fit any memory; their number is beyond what an integer holds."""
    board = np.array([shapely.box(0, 0, 1e12, 1e12)])

    assert find_better_place(LETTERS, board, (PADS,)) is None


def test_a_slot_whose_box_is_a_line_has_its_length():
    """A flat outline has a line for its smallest box: two ends instead of five corners."""
    flat = shapely.Polygon([(0, 0), (1, 0), (3, 0)])
    shapes = np.array([shapely.box(0, 0, 1, 2), flat, shapely.Polygon()])

    assert slot_lengths(
        SimpleNamespace(shapes=shapes, round=np.zeros(3, dtype=bool))
    ) == pytest.approx([2.0, 3.0, 0.0])


def test_points_on_one_spot_show_no_stretch():
    """Where all pairs meet in one point, the scale would be zero."""
    points = np.column_stack((np.linspace(0, 0.02, 40), np.linspace(0, 0.02, 40)))

    assert _find_stretch(points, np.array([[50.0, 50.0]]), 0.0) is None


@pytest.mark.filterwarnings("error")
def test_points_far_away_and_without_numbers_are_counted():
    """They share the outermost squares; what lies on the board is counted as ever."""
    points = np.array([[0.1, 0.1], [0.2, 0.2], [1e300, 0.1], [np.inf, 0.3], [np.nan, 0.2]])

    number, count = squares_of(points, 1.0)
    assert count[number].tolist() == [2, 2, 2, 2, 1]


@pytest.mark.filterwarnings("error")
def test_a_file_kilometres_off_is_laid_onto_nothing():
    """No shift is voted for among points that lie farther off than bins are counted."""
    board = np.column_stack((np.arange(40.0), np.arange(40.0) ** 1.5))

    assert find_fit(board + 1e12, board, shift_only=True) is None
