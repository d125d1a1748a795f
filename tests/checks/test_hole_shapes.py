"""Holes that run into each other, judged by the opening that results."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fabkit.checks.half import Terminals, polarity_swaps
from fabkit.checks.hole_spacing import CUSP_MM, overlap_width


def test_mirrored_socket_holes_meet_widely():
    """Socket holes of 3.0 mm at (-3.81, 2.54) and mirrored (-2.54, 5.08): 2.840 mm apart, an
    overlap of 0.160 mm (common practice dimensions), and an opening 0.968 mm wide."""
    apart = math.hypot(-3.81 + 2.54, 2.54 - 5.08)
    assert apart == pytest.approx(2.840, abs=5e-4)
    assert 3.0 - apart == pytest.approx(0.160, abs=5e-4)
    width = float(overlap_width(np.array([1.5]), np.array([1.5]), np.array([apart]))[0])
    assert width == pytest.approx(2 * math.sqrt(1.5**2 - (apart / 2) ** 2), abs=1e-12)
    assert width > CUSP_MM


@pytest.mark.parametrize(("r0", "r1", "apart"), [(1.0, 0.6, 1.3), (0.5, 0.5, 0.9), (2.0, 0.4, 1.9)])
def test_overlap_width_lies_on_both_circles(r0, r1, apart):
    """The chord's end is at both radii from both centres."""
    half = float(overlap_width(np.array([r0]), np.array([r1]), np.array([apart]))[0]) / 2
    x = math.sqrt(r0**2 - half**2)
    assert min(abs(math.hypot(apart - s * x, half) - r1) for s in (-1, 1)) == pytest.approx(
        0, abs=1e-9
    )


def spots(*rows):
    return np.array(rows, dtype=float).reshape(-1, 3)


def test_two_pads_side_by_side_swap():
    """Plus left of minus, reached from both faces: turned over, minus is left."""
    found, _ = polarity_swaps(Terminals(plus=spots((42, 4, 0)), minus=spots((44, 4, 0))))
    assert found[:, :2].tolist() == [[42, 4]]


def test_a_doubled_footprint_is_safe():
    """Plus, minus, plus: turned over, plus meets plus."""
    found, _ = polarity_swaps(
        Terminals(plus=spots((41, 4, 0), (45, 4, 0)), minus=spots((43, 4, 0)))
    )
    assert len(found) == 0


def test_pads_one_above_the_other_keep_their_order():
    """Turning about a vertical line leaves above and below as they are."""
    found, _ = polarity_swaps(Terminals(plus=spots((42, 6, 0)), minus=spots((42, 4, 0))))
    assert len(found) == 0


def test_pads_of_one_face_cannot_swap():
    """What the other face does not have cannot be met from it."""
    found, _ = polarity_swaps(Terminals(plus=spots((42, 4, 1)), minus=spots((44, 4, 1))))
    assert len(found) == 0


def test_crossed_surface_pads_of_two_faces_swap():
    """Plus on top lies over minus of the bottom's own pair the wrong way round."""
    found, _ = polarity_swaps(
        Terminals(plus=spots((42, 4, 1), (42, 4, -1)), minus=spots((44, 4, 1), (44, 4, -1)))
    )
    assert len(found) == 2
