"""Mirror axes and halves against boards made by mirroring."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import fabkit
from fabkit.board.copper import trace_copper
from fabkit.checks.mirror import find_mirror, unmatched, vote_axis

FIXTURES = Path(__file__).parents[2] / "fixtures"


def mirrored(axis, count=40, seed=3):
    """Holes and their mirror images."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, axis - 2, count), rng.uniform(0, 80, count)
    d = rng.choice([0.8, 1.0, 3.0], count)
    return np.concatenate((x, 2 * axis - x)), np.tile(y, 2), np.tile(d, 2)


def test_the_axis_of_a_mirrored_board_is_found():
    """The voted axis is the one the holes were mirrored about."""
    assert vote_axis(*mirrored(47.31)) == pytest.approx(47.31, abs=1e-6)


def test_stray_holes_are_the_unmatched_ones():
    """Holes without a mirror image are named, no others."""
    x, y, d = mirrored(47.31)
    x, y, d = np.append(x, 13.7), np.append(y, 91.0), np.append(d, 2.2)
    axis = vote_axis(x, y, d)
    assert unmatched(np.column_stack((x, y, d)), axis, 0.05).tolist() == [80]


def test_no_holes_no_axis():
    """A board without holes has no axis."""
    none = np.empty(0)
    assert vote_axis(none, none, none) is None


@pytest.mark.parametrize("turn", [0, 90])
def test_keys_are_mirrored_across_or_along(turn):
    """Keys whose turn is off by a quarter find all counterparts, too."""
    board = fabkit.build_board(fabkit.open_package(FIXTURES / "defects" / "reversible-clean"))
    keys = fabkit.find_keyboard(board).keys
    turned = [replace(key, rotation_deg=key.rotation_deg + turn) for key in keys]
    found = find_mirror(trace_copper(board), turned)

    assert found is not None
    assert (found.axis_mm, found.hole_score, found.pad_score) == (None, 1.0, 1.0)
