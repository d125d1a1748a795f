"""Strokes side by side that paint an area, told from tracks."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from fabkit.checks.copper_objects import STROKES, _side_by_side, painting_strokes
from fabkit.formats.gerber.reader import read

WIDTH = 0.2


def heaps(low, high, level):
    """Sizes of the groups found."""
    columns = (np.asarray(c, dtype=float) for c in np.broadcast_arrays(low, high, level))
    return [len(rows) for rows in _side_by_side(*columns, WIDTH)]


@pytest.mark.parametrize("pitch", [0.01, 0.5, 0.9])
def test_overlapping_strokes_are_one_area(pitch):
    """However dense, strokes that overlap sideways paint one area; one fewer than asked none."""
    level = np.arange(STROKES) * pitch * WIDTH

    assert heaps(0, 5, level) == [STROKES]
    assert heaps(0, 5, level[1:]) == []


def test_tracks_are_no_area():
    """A bus of parallel tracks, and one track of many pieces, are left alone."""
    steps = np.arange(3 * STROKES)

    assert heaps(0, 5, 1.5 * WIDTH * steps) == []
    assert heaps(steps, steps + 1, 0) == []


def test_two_areas_at_the_same_levels_are_two():
    """Areas beside each other share levels but no edge."""
    level = np.arange(STROKES) * 0.8 * WIDTH
    low = np.repeat([0.0, 10.0], STROKES)

    assert heaps(low, low + 5, np.tile(level, 2)) == [STROKES, STROKES]


def test_the_strokes_around_a_hole_are_one_area():
    """Painted around an opening: left and right of it hang together above and below."""
    level = np.arange(3 * STROKES) * 0.8 * WIDTH
    middle = (np.arange(3 * STROKES) // STROKES) == 1
    low = np.concatenate((np.zeros(len(level)), np.full(middle.sum(), 6.0)))
    high = np.concatenate((np.where(middle, 4.0, 10.0), np.full(middle.sum(), 10.0)))

    assert heaps(low, high, np.concatenate((level, level[middle]))) == [4 * STROKES]


def test_a_hundred_thousand_strokes_on_one_spot_are_told_quickly():
    """All of them overlap: comparing each with each would take 80 GB."""
    level = np.random.default_rng(1).random(100_000) * 10 * WIDTH

    assert heaps(0, 5, level) == [100_000]


def test_a_layer_of_regions_alone_has_no_painting_stroke():
    """It has no aperture either."""
    body = "%FSLAX46Y46*%%MOMM*%G36*X0Y0D02*G01*X9000000D01*Y9000000D01*X0Y0D01*G37*M02*"
    file = read(body.encode(), name="top.gbr")
    layer = SimpleNamespace(file=file)
    case = SimpleNamespace(board=SimpleNamespace(copper=(layer,)), shared=lambda find: find(case))
    assert painting_strokes(case, 0).tolist() == [False]
