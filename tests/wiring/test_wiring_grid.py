"""Rows and columns are those the keys were laid out in, however columns are staggered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fabkit.board.model import Holes
from fabkit.keyboard.numbering import key_order, key_pitch, lay_grid, thumb_keys
from fabkit.wiring.matrix import find_matrix, rows_as_wired
from fabkit.wiring.model import Line, Pin
from fabkit.wiring.pins import NO_PARTNER, in_leads, swap_rows


def _columns(offsets, rows, pitch_x, pitch_y):
    """Straight columns, each moved up by its offset; rows from the top."""
    points = [
        (c * pitch_x, -r * pitch_y + offset)
        for c, offset in enumerate(offsets)
        for r in range(rows)
    ]
    return np.array(points), [(r, c) for c in range(len(offsets)) for r in range(rows)]


@example(steps=[0.0, 0.4], rows=4, pitch=(16.0, 16.0), at=(1e-5, 123.456))
@given(
    steps=st.lists(st.floats(-0.45, 0.45), min_size=2, max_size=7),
    rows=st.integers(2, 5),
    pitch=st.sampled_from([(18.0, 17.0), (19.05, 19.05), (16.0, 16.0)]),
    at=st.tuples(st.floats(-300, 300), st.floats(-300, 300)),
)
def test_staggered_columns(steps, rows, pitch, at):
    """Columns staggered by less than half a pitch against their neighbours keep their rows."""
    offsets = np.cumsum([0.0, *steps]) * pitch[1]
    points, cells = _columns(offsets, rows, *pitch)

    assert list(lay_grid(points + at, np.zeros(len(points)))) == cells


@given(steps=st.lists(st.floats(-0.45, 0.45), min_size=2, max_size=6), rows=st.integers(2, 4))
def test_mirrored_board_keeps_its_rows(steps, rows):
    """Turned over, every key keeps its row and columns count from the other side."""
    points, _ = _columns(np.cumsum([0.0, *steps]) * 17, rows, 18.0, 17.0)
    angles = np.zeros(len(points))
    there, back = lay_grid(points, angles), lay_grid(points * (-1, 1), -angles)

    widest = max(c for _, c in there)
    assert [(r, widest - c) for r, c in back] == list(there)


def test_a_key_midway_between_columns_is_the_same_on_both_halves():
    """A thumb key half a pitch off takes the inner column, whichever half it is on."""
    points, _ = _columns([0.0, 3.0, 6.0, 3.0], 3, 18.0, 17.0)
    left = np.vstack((points, [(45.0, -54.0)]))
    angles = np.zeros(len(left))
    there, back = lay_grid(left, angles), lay_grid(left * (-1, 1), angles)

    assert [(r, 3 - c) for r, c in back] == list(there)


@pytest.mark.parametrize("lift", [0.55, 0.65, 0.75])
def test_strong_stagger_of_equal_columns(lift):
    """Columns of equal length match key by key even when staggered by more than half a pitch."""
    points, cells = _columns([0.0, lift * 17, lift * 17 + 3], 3, 18.0, 17.0)

    assert list(lay_grid(points, np.zeros(len(points)))) == cells


def test_splayed_columns_and_a_turned_thumb():
    """Columns spread like fingers, and three thumb keys on an arc below, give four rows."""
    points, angles, rows = [], [], []
    for c, (turn, lift) in enumerate(((8.0, -10.0), (4.0, 0.0), (0.0, 7.0), (0.0, 0.0))):
        a = np.radians(turn)
        for r in range(3):
            points.append((18.5 * c + 17 * r * np.sin(a), lift - 17 * r * np.cos(a)))
            angles.append(turn)
            rows.append(r)
    for x, y, turn in ((46.0, -53.0, 0.0), (66.0, -56.0, -15.0), (84.0, -64.0, -30.0)):
        points.append((x, y))
        angles.append(turn)
        rows.append(3)

    assert [r for r, _ in lay_grid(np.array(points), np.array(angles))] == rows


def test_row_stagger():
    """A typewriter's rows, each moved sideways and with wide keys, stay rows."""
    rows = [(0.0, [1.0] * 13), (0.25, [1.5] + [1.0] * 11), (0.5, [1.75] + [1.0] * 10)]
    points, wanted = [], []
    for r, (_, widths) in enumerate(rows):
        left = 0.0
        for width in widths:
            points.append(((left + width / 2) * 19.05, -r * 19.05))
            wanted.append(r)
            left += width
    cells = lay_grid(np.array(points), np.zeros(len(points)))

    assert [r for r, _ in cells] == wanted


def test_numbers_run_left_to_right_row_by_row():
    """The order is by row, then by place; from the right when asked."""
    cells, x = [(1, 0), (0, 0), (0, 1), (1, 1)], [0.0, 0.0, 19.0, 19.0]

    assert key_order(cells, x, walk="rows", from_right=False) == [1, 2, 0, 3]
    assert key_order(cells, x, walk="rows", from_right=True) == [2, 1, 3, 0]
    assert key_order(cells, x, walk="columns", from_right=False) == [1, 0, 2, 3]


def test_pitch_of_a_square_grid():
    """The pitch is the distance of neighbours."""
    points, _ = _columns([0.0] * 4, 3, 19.05, 19.05)

    assert key_pitch(points) == pytest.approx(19.05)


@given(
    turn=st.floats(0, 360),
    count=st.integers(6, 13),
    at=st.tuples(st.floats(-200, 200), st.floats(-200, 200)),
)
def test_turning_a_module_over_twice_is_nothing(turn, count, at):
    """Rows swapped twice are back; once, every hole has the pin of the one beside it."""
    a = np.radians(turn)
    pins = []
    for side, ref in ((-1, "J1"), (1, "J2")):
        for k in range(count):
            u, v = side * 7.62, (k - (count - 1) / 2) * 2.54
            pins.append(
                Pin(
                    ref=ref,
                    pin=str(k + 1),
                    function=f"{ref}P{k + 1}",
                    node=f"N{ref}{k}",
                    x_mm=at[0] + u * np.cos(a) - v * np.sin(a),
                    y_mm=at[1] + u * np.sin(a) + v * np.cos(a),
                    face=0,
                )
            )
    once = swap_rows(pins).pins

    assert [(p.node, p.ref, p.pin) for p in once] == [
        (p.node, {"J1": "J2", "J2": "J1"}[p.ref], p.pin) for p in pins
    ]
    assert [replace(p, home="") for p in swap_rows(once).pins] == pins
    assert {p.home for p in once} == {p.node for p in pins}


def test_footprints_that_lie_into_each_other_keep_their_rows():
    """Two footprints of one module, the second mirrored and 1.52 mm aside: pin k faces pin 25 - k.

    The numbering is that of any case with two rows: down one side and up the other (JEDEC and
    common practice).
    """
    pins = []
    for left, right in ((0.0, 15.24), (13.72, -1.52)):
        for k in range(12):
            for x, number in ((left, k + 1), (right, 24 - k)):
                pins.append(
                    Pin(
                        ref="U1",
                        pin=str(number),
                        function="",
                        node=f"N{number}",
                        x_mm=x,
                        y_mm=-2.54 * k,
                        face=0,
                    )
                )

    turned = swap_rows(pins)

    assert all(int(p.pin) == 25 - int(p.node[1:]) for p in turned.pins)
    (x0, y0), (x1, y1) = turned.axis
    assert x0 == x1 == pytest.approx(6.86)
    assert abs(y0 - y1) == pytest.approx(11 * 2.54)


def test_a_hole_without_a_partner_has_no_pin():
    """A pin whose hole has no mirror image is not given another's."""
    spots = [(0, 0), (0, 2.54), (0, 5.08), (7, 0), (7, 2.54), (7, 5.08), (3, 8.0)]
    pins = [
        Pin(ref="U1", pin=str(k), function="", node=f"N{k}", x_mm=x, y_mm=y, face=0)
        for k, (x, y) in enumerate(spots)
    ]

    turned = swap_rows(pins).pins

    assert turned[-1].function == NO_PARTNER


def _pairs(names):
    return [(Line(node=a), Line(node=b)) for a, b in names]


def test_rows_known_by_place_when_names_show_nothing():
    """Lines that keep to one row of the layout are the rows."""
    names = [("X", "1"), ("X", "2"), ("Y", "1"), ("Y", "2")]

    found = find_matrix(_pairs(names), [(0, 0), (0, 1), (1, 0), (1, 1)])

    assert found is not None
    assert (found.rows, found.columns) == ({"X", "Y"}, {"1", "2"})


@pytest.mark.parametrize(
    ("row", "column"),
    [("ROW{}", "COL{}"), ("/left/row{}", "/left/col{}"), ("R{}", "C{}"), ("/Row_R{}", "/Col_R{}")],
)
def test_rows_known_by_name(row, column):
    """Names of rows and columns count before places."""
    names = [(row.format(r), column.format(c)) for r in range(2) for c in range(2)]

    found = find_matrix(_pairs(names), [(c, r) for r in range(2) for c in range(2)])

    assert found is not None
    assert found.rows == {row.format(0), row.format(1)}
    assert found.known_by == "their names"


def test_a_ring_of_three_lines_is_no_matrix():
    """Lines that cannot be split into rows and columns are reported as such."""
    assert (
        find_matrix(_pairs([("A", "B"), ("B", "C"), ("C", "A")]), [(0, k) for k in range(3)])
        is None
    )


@pytest.mark.parametrize("wired", [1, 2])
def test_a_tall_key_stands_in_the_row_it_is_wired_to(wired):
    """A key of two units beside two rows is placed between them; its line decides."""
    at = [(19.05 * x, -19.05 * y) for y in range(4) for x in range(3)]
    at.append((19.05 * 3, -19.05 * 1.5))
    points = np.array(at)
    cells = lay_grid(points, np.zeros(len(points)))
    lines = [f"ROW{k // 3}" for k in range(12)] + [f"ROW{wired}"]

    assert rows_as_wired(cells, points, lines)[:12] == cells[:12]
    assert rows_as_wired(cells, points, lines)[12] == (wired, 3)
    # A line that is not known leaves the key where it is placed.
    assert rows_as_wired(cells, points, [*lines[:12], ""]) == cells


def test_thumb_keys_are_turned_and_low_and_no_splayed_column():
    """Two turned keys below upright columns are the thumb's, with the upright one in their row; a
    whole column that is turned is not."""
    columns = [(x, y, 0.0) for x in range(5) for y in range(3)]
    splayed = [(-1 - 0.17 * y, y - 0.2, 10.0) for y in range(3)]
    thumbs = [(3.0, -1.2, 0.0), (4.1, -1.3, -15.0), (5.2, -1.7, -30.0)]
    made = [*columns, *splayed, *thumbs]
    points = np.array([(19.05 * x, 19.05 * y) for x, y, _ in made])
    angles = np.array([a for *_, a in made])
    cells = lay_grid(points, angles)

    found = thumb_keys(cells, points[:, 1].tolist(), angles.tolist())

    assert found == {len(made) - 3, len(made) - 2, len(made) - 1}
    order = key_order(cells, points[:, 0].tolist(), walk="columns", from_right=False, last=found)
    assert order[-3:] == sorted(found)


def test_pins_are_in_the_holes_that_a_footprints_own_jumpers_lead_to():
    """Two holes without a number, pads 2.8 mm inside them on either face, and a via behind both:
    pin 1 is in the left hole where the top's jumpers are closed, in the right one otherwise."""

    def pin(number, x, face):
        return Pin(ref="U1", pin=number, function="", node=number, x_mm=x, y_mm=0.0, face=face)

    zeros = np.zeros(4)
    rest = ("y", "plated", "file", "tool", "first", "last", "function", "offset")
    holes = Holes(
        x=np.array([0.0, 15.24, 7.0, 8.24]),
        diameter=np.array([1.1, 1.1, 0.3, 0.3]),
        **dict.fromkeys(rest, zeros),
    )
    bare = [pin("", 0.0, 0), pin("", 15.24, 0)]
    first = [pin("1", 2.8, 1), pin("1", 12.44, -1), pin("1", 7.0, 0)]
    last = [pin("2", 12.44, 1), pin("2", 2.8, -1), pin("2", 8.24, 0)]

    for face, places in ((1, {"1": 0.0, "2": 15.24}), (-1, {"1": 15.24, "2": 0.0})):
        found = in_leads([*bare, *first, *last], holes, face)
        assert {p.pin: p.x_mm for p in found if p.pin} == places
    assert in_leads(first, holes, 1) == tuple(first)
