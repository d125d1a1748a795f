"""A board exported turned by quarter turns is the same board, and its changes are the same."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import shapely
import shapely.affinity
from compare_boards import mirrored, shifted

import fabkit
from fabkit.board.single import place_board
from fabkit.geometry.segments import Placing

TURNS = (90, 180, 270)


def _turn(degrees):
    return Placing(quarter_turns=degrees // 90)


@pytest.mark.parametrize("degrees", TURNS)
def test_a_turned_board_is_the_same_board(rev_b, degrees):
    """Turned and from another origin: equal, and the turn that brings it back is stated."""
    comparison = fabkit.compare_boards(
        shifted(place_board(rev_b, _turn(degrees)), 7.5, -3.25), rev_b
    )

    assert comparison.equal
    assert comparison.alignment.turned_deg == 360 - degrees
    assert f"turned by {360 - degrees}°" in comparison.alignment.words


@pytest.mark.parametrize("degrees", TURNS)
def test_changes_are_those_of_boards_that_lie_alike(rev_a, rev_b, revised, degrees):
    """Whatever way the old board lies, the same changes are found at the same places."""

    def told(comparison):
        return Counter(
            (c.kind, c.subject, c.x_mm and round(c.x_mm, 2), c.y_mm and round(c.y_mm, 2))
            for c in comparison.changes
            if not c.is_area
        )

    turned = fabkit.compare_boards(place_board(rev_a, _turn(degrees)), rev_b)

    assert turned.alignment.turned_deg == 360 - degrees
    assert told(turned) == told(revised)
    assert sum(a.added_mm2 for a in turned.layers) == pytest.approx(
        sum(a.added_mm2 for a in revised.layers), abs=0.01
    )


def test_it_mirrors_between_turned_boards(rev_a, rev_b):
    """The other way round keys, holes and parts that moved are mirrored, place by place."""

    def told(changes):
        return Counter(
            (c.kind, c.subject, *(round(v, 3) + 0.0 for v in (c.x_mm, c.y_mm, *c.moved_mm)))
            for c in changes
            if c.moved_mm is not None
        )

    old = place_board(rev_a, _turn(90))
    there, back = fabkit.compare_boards(old, rev_b), fabkit.compare_boards(rev_b, old)

    assert (there.alignment.turned_deg + back.alignment.turned_deg) % 360 == 0
    assert told(mirrored(c, there.alignment) for c in there.changes) == told(back.changes)


@pytest.mark.parametrize("degrees", TURNS)
def test_layers_turn_as_their_images_do(rev_b, degrees):
    """The image of a turned layer is the turned image (reference: a general geometry library)."""
    layer, turned = rev_b.copper[0], place_board(rev_b, _turn(degrees)).copper[0]
    image = shapely.affinity.rotate(layer.file.image, degrees, origin=(0, 0))

    assert image.symmetric_difference(turned.file.image).area == pytest.approx(0, abs=1e-3)


def test_quarter_turns_are_exact():
    """Four quarter turns give the very numbers back."""
    points = np.array([[0.1, 0.2], [-3.7, 1e-9]])

    for degrees in TURNS:
        assert np.array_equal(_turn(360 - degrees).points(_turn(degrees).points(points)), points)
