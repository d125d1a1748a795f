"""Legends that read backwards or lie elsewhere; letters are those of a font we did not draw."""

from __future__ import annotations

from functools import reduce

import numpy as np
import pytest
import shapely
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from shapely import affinity

from fabkit.checks.legend_place import find_better_place
from fabkit.checks.lettering import read_direction

WORDS = ("R12", "C3", "SW7", "BAT+", "RESET", "U2", "LED5", "JP4")


def figures(*, font: str = "DejaVu Sans", across: float = 1.0, degrees: float = 0.0):
    """Words under each other in a font that comes with matplotlib, 1 mm high."""
    face = FontProperties(family=font)
    found = []
    for line, word in enumerate(WORDS):
        rings = TextPath((0, -3 * line), word, size=1.4, prop=face).to_polygons()
        areas = [shapely.Polygon(ring) for ring in rings if len(ring) > 3]
        found += shapely.get_parts(reduce(shapely.symmetric_difference, areas)).tolist()
    turned = [affinity.rotate(f, degrees, origin=(0, 0)) for f in found]
    return np.array([affinity.scale(f, across, 1, origin=(0, 0)) for f in turned], dtype=object)


@pytest.mark.parametrize("font", ["DejaVu Sans", "DejaVu Sans Mono"])
@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_words_read_straight_however_they_are_turned(font, degrees):
    reading = read_direction(figures(font=font, degrees=degrees))
    assert reading.words_straight >= 3
    assert reading.straight > 5 * reading.backwards


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_mirrored_words_read_backwards(degrees):
    reading = read_direction(figures(across=-1.0, degrees=degrees))
    assert reading.words_backwards >= 3
    assert reading.backwards > 5 * reading.straight
    assert len(reading.spots) == reading.words_backwards


@pytest.mark.parametrize(("letters", "proves"), [("23457RKE", True), ("RRRRRRRR", False)])
def test_letters_that_stand_alone_prove_something_where_they_differ(letters, proves):
    """One letter a key; the same figure at every key is a symbol, whatever it looks like."""
    face = FontProperties(family="DejaVu Sans")
    found = []
    for n, letter in enumerate(letters):
        rings = TextPath((-19 * n, 0), letter, size=2, prop=face).to_polygons()
        areas = [shapely.Polygon(ring) for ring in rings if len(ring) > 3]
        found.append(affinity.scale(reduce(shapely.symmetric_difference, areas), -1, 1))
    reading = read_direction(np.array(found, dtype=object))

    assert reading.straight == 0.0
    assert (reading.backwards >= 0.5) is proves


def test_rows_of_boxes_and_no_figures_prove_nothing():
    boxes = np.array([shapely.box(x, 0, x + 0.8, 1).boundary.buffer(0.08) for x in range(20)])
    for some in (boxes, boxes[:0]):
        reading = read_direction(some)
        assert reading.straight == reading.backwards == 0.0


BOARD = np.array([shapely.box(0, 0, 60, 40)], dtype=object)
_AT = np.array([(x, y) for x in range(3, 54, 6) for y in range(3, 34, 6)])
_AT = _AT + np.random.default_rng(5).uniform(0, 2, _AT.shape)
PADS = shapely.box(_AT[:, 0], _AT[:, 1], _AT[:, 0] + 1.8, _AT[:, 1] + 2.4)
FRAMES = np.array([shapely.buffer(p, 0.5).boundary.buffer(0.08) for p in PADS], dtype=object)


def place(figures):
    return find_better_place(figures, BOARD, (PADS,))


def test_frames_around_their_pads_lie_where_they_belong():
    assert place(FRAMES) is None


@pytest.mark.parametrize(("dx", "dy"), [(8, 3), (-4, 0), (2, 1)])
def test_shifted_frames_are_found_with_their_shift(dx, dy):
    found = place(shapely.transform(FRAMES, lambda xy: np.add(xy, (dx, dy))))
    assert found is not None
    assert not found.turned
    assert (found.dx_mm, found.dy_mm) == pytest.approx((-dx, -dy), abs=0.3)


def test_holes_on_each_other_are_as_one():
    """Holes are not united first: equal ones, and one inside of another, count once."""
    moved = shapely.transform(FRAMES, lambda xy: np.add(xy, (8, 3)))
    inside = shapely.reverse(shapely.buffer(PADS, -0.3))
    assert find_better_place(moved, BOARD, (np.concatenate((PADS, inside, PADS)),)) == place(moved)


def test_frames_turned_by_half_a_turn_are_found():
    found = place(shapely.transform(FRAMES, lambda xy: np.subtract((60, 40), xy)))
    assert found is not None
    assert found.turned
    assert np.hypot(found.dx_mm, found.dy_mm) <= 0.6


def test_a_legend_of_a_few_strokes_has_no_place_of_its_own():
    line = shapely.LineString([(3, 20), (30, 20)]).buffer(0.1)
    assert place(np.array([line], dtype=object)) is None
