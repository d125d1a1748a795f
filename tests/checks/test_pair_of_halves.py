"""Two designs, one for each hand: whether they belong together and where they differ."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from boards import board_at

from fabkit.checks.pair import compare_pair
from fabkit.keyboard.build import find_keyboard

FIXTURES = Path(__file__).parents[2] / "fixtures"
DEMO = Path(__file__).parents[2] / "fabkit" / "demo"


@pytest.fixture(scope="module")
def halves():
    """The invented pair: right is left mirrored in keys and outline."""
    return tuple(board_at(FIXTURES / "pair" / side) for side in ("left", "right"))


def test_mirrored_halves_are_a_pair(halves):
    """Keys and outline mirror each other, so there is one note: "half/pair"."""
    told = compare_pair(*halves)
    assert [f.id for f in told] == ["half/pair"]
    assert "mirror images" in told[0].message
    assert told[0].measured == 1.0


def test_a_board_and_itself_are_copies(halves):
    """The same half twice is told as copies, not as mirror images."""
    told = compare_pair(halves[0], halves[0])
    assert [f.id for f in told] == ["half/pair"]
    assert "copies" in told[0].message


def test_another_board_is_no_pair(halves):
    """A board of another design is "half/pair-unrelated"."""
    other = board_at(DEMO / "rev-b")
    assert [f.id for f in compare_pair(halves[0], other)] == ["half/pair-unrelated"]


def test_a_key_left_out_on_one_half_is_placed(halves):
    """Without one key of the right half, "half/pair-lacks" names its place on the left one."""
    left, right = halves
    holes = right.holes
    centres = (holes.plated == 0) & (np.abs(holes.diameter - KEY_HOLE_MM) < 0.01)
    gone = np.flatnonzero(centres)[0]
    (key,) = [k for k in find_keyboard(right).keys if gone in k.holes]
    fewer = replace(
        right,
        holes=holes.take(~np.isin(np.arange(len(holes)), key.holes)),
        components=tuple(c for c in right.components if c.ref not in key.refs),
    )
    (told,) = [f for f in compare_pair(left, fewer) if f.id == "half/pair-lacks"]
    _, _, x1, _ = right.profile.bounds
    l0, _, _, _ = left.profile.bounds
    assert told.count == 1
    assert told.places[0].x_mm == pytest.approx(l0 + x1 - holes.x[gone], abs=0.05)
    assert told.places[0].y_mm == pytest.approx(holes.y[gone], abs=0.05)


def test_outlines_are_compared_mirrored(halves):
    """A corner of 3 x 4 mm cut off one half (6 mm2) is told by "half/pair-outline"."""
    left, right = halves
    x0, y0, _, _ = right.profile.bounds
    corner = shapely.Polygon([(x0, y0), (x0 + 3, y0), (x0, y0 + 4)])
    before = shapely.area(right.profile)
    cut = shapely.difference(right.profile, corner)
    cut = shapely.multipolygons(shapely.get_parts(cut))
    (told,) = [
        f for f in compare_pair(left, replace(right, profile=cut)) if f.id == "half/pair-outline"
    ]
    assert told.measured == pytest.approx(before - shapely.area(cut), rel=0.01)


KEY_HOLE_MM = 3.4
"""Centre holes of the fixture's keys."""
