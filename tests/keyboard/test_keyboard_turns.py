"""The turn of switches that only their lands show."""

from __future__ import annotations

import numpy as np
import pytest

from fabkit.keyboard.footprints import find_turns

FOOTPRINT = np.array([(-5.0, 3.8), (0.0, 5.9), (2.0, -4.0), (5.5, 0.0)])
"""Lands of an invented switch, mm from its middle."""


def placed(x: float, y: float, turn_deg: float, lands: np.ndarray = FOOTPRINT) -> np.ndarray:
    """A footprint somewhere on the board."""
    turn = np.radians(turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    return lands @ np.array([[c, s], [-s, c]]) + (x, y)


@pytest.mark.parametrize("turn", [0.0, 15.0, 165.0, 270.0, 330.0])
def test_turned_switches_are_laid_on_the_others(turn: float):
    """Most stand upright; one is turned: its turn and the place of its middle are found."""
    lands = [placed(18.0 * k, 5.0 * k, 0.0) for k in range(5)] + [placed(60.0, -20.0, turn)]

    *upright, (found, middle) = find_turns(lands)

    assert [t for t, _ in upright] == [0.0] * 5
    assert found == pytest.approx(turn, abs=0.05)
    box = (FOOTPRINT.min(axis=0) + FOOTPRINT.max(axis=0)) / 2
    assert middle == pytest.approx(placed(60.0, -20.0, turn, box[None])[0], abs=0.02)


def test_other_makes_and_two_lands_tell_no_turn():
    """Another footprint, and one with too few lands, are left alone."""
    other = FOOTPRINT * (1.0, 1.2)
    lands = [placed(18.0 * k, 0.0, 0.0) for k in range(3)]
    lands += [placed(60.0, 0.0, 0.0, other), placed(80.0, 0.0, 0.0, FOOTPRINT[:2])]

    assert [found is None for found in find_turns(lands)] == [False] * 3 + [True] * 2


def test_nothing_usual_nothing_reported():
    """A lone switch has nothing to be turned against."""
    assert find_turns([FOOTPRINT]) == [None]
    assert find_turns([]) == []
