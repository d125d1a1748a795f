"""Keys from each kind of evidence, and from several together, on boards made of holes alone.

Places of holes are common practice of the trade; see ``fabkit/keyboard/patterns.toml``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from boards import board_at
from invented import PITCH_MM, half, make

from fabkit.board.model import Board, Component, Holes
from fabkit.keyboard.build import build_keyboard, find_keyboard, headline
from fabkit.keyboard.hands import is_plain_grid, lean, relate
from fabkit.keyboard.model import Evidence, find_overlaps, fitted_range
from fabkit.keyboard.numbering import number_group
from fabkit.keyboard.patterns import load_patterns

DEMO = "../fabkit/demo/rev-b"
FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(scope="module")
def bare() -> Board:
    """A sound board without keys."""
    return board_at(FIXTURES / "defects" / "clean")


def holes_of(rows: Sequence[tuple[float, float, float]], plated: int = 0) -> Holes:
    """Holes at places, of diameters."""
    x, y, d = (np.array(column) for column in zip(*rows, strict=True))
    n = np.zeros(len(x))
    return Holes(x=x, y=y, diameter=d, plated=n + plated, file=n, tool=n, first=n + 1, last=n + 2,
                 function=n, offset=n)  # fmt: skip


def found(board: Board, **parts: object) -> tuple:
    """Keys of a board with other holes, parts or profile."""
    return build_keyboard(replace(board, **parts), load_patterns()).keys


def posts(places: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Centre holes with guide holes at 5.5 mm, turned."""
    rows = []
    for x, y, turn in places:
        c, s = np.cos(np.radians(turn)) * 5.5, np.sin(np.radians(turn)) * 5.5
        rows += [(x, y, 3.4), (x + c, y + s, 1.9), (x - c, y - s, 1.9)]
    return rows


@pytest.mark.parametrize("plated", [0, 1], ids=["bare guides", "plated guides"])
def test_centre_holes_between_guides_are_keys(bare: Board, plated: int):
    """Their guide pair shows the turn and the family, whether it is plated or not."""
    places = [(c * 18.0, r * 17.0, 0.0) for c in range(4) for r in range(3)] + [(60.0, -20.0, 15.0)]
    holes = holes_of(posts(places))
    holes = holes.with_columns(plated=np.where(holes.diameter < 3, plated, 0))

    keys = found(bare, holes=holes, components=())

    assert len(keys) == 13
    assert keys[-1].rotation_deg == pytest.approx(15)
    assert {k.families for k in keys} == {("low-profile",)}
    assert {k.evidence for k in keys} == {(Evidence.CENTRE,)}


def test_openings_of_a_plate_are_keys(bare: Board):
    """Squares of 14 mm are keys, turned as they lie; other cut-outs are not."""
    plate = shapely.box(0, 0, 100, 60)
    for k, turn in enumerate((0, 0, 20, -30)):
        square = shapely.affinity.rotate(shapely.box(-7, -7, 7, 7), turn)
        plate = plate.difference(shapely.affinity.translate(square, 15 + 22 * k, 30))
    plate = plate.difference(shapely.box(2, 2, 40, 8))
    profile = shapely.MultiPolygon([plate])

    keys = found(bare, holes=Holes.empty(), profile=profile, components=())

    assert [round(k.x_mm, 3) for k in keys] == [15, 37, 59, 81]
    assert [k.rotation_deg for k in keys] == pytest.approx([0, 0, 20, 330], abs=1e-3)
    assert {k.held_by for k in keys} == {"plate"}


def test_oblong_openings_that_repeat_are_keys(bare: Board):
    """Openings of 15.5 x 12.8 mm, lying and standing, at key pitch; five are too few to tell."""
    for count, keys_found in ((8, 8), (5, 0)):
        plate = shapely.box(0, 0, 200, 60)
        for k in range(count):
            w, h = (15.5, 12.8) if k % 3 else (12.8, 15.5)
            x = 15 + 19 * k
            plate = plate.difference(shapely.box(x - w / 2, 30 - h / 2, x + w / 2, 30 + h / 2))
        profile = shapely.MultiPolygon([plate])

        keys = found(bare, holes=Holes.empty(), profile=profile, components=())

        assert len(keys) == keys_found


def test_a_frame_between_two_plates_is_no_plate(bare: Board):
    """Two openings of one switch each, and a large one that many share: not a plate of two keys."""
    frame = shapely.box(0, 0, 140, 60).difference(shapely.box(50, 5, 135, 55))
    for x in (12, 31):
        frame = frame.difference(shapely.box(x, 20, x + 14, 34))

    profile = shapely.MultiPolygon([frame])

    assert found(bare, holes=Holes.empty(), profile=profile, components=()) == ()


def test_lone_holes_of_a_posts_size_are_no_keys(bare: Board):
    """Eight like holes at key pitch may hold screws or feet: nothing about them says key."""
    rows = [(19.05 * c, 19.05 * r, 4.0) for c in range(4) for r in range(2)]

    assert found(bare, holes=holes_of(rows), components=()) == ()


def test_lone_holes_with_the_same_contacts_about_them_are_keys(bare: Board):
    """The same holes, each with two plated holes at the same places, hold switches."""
    centres = [(19.05 * c, 19.05 * r) for c in range(4) for r in range(2)]
    rows = [(x + dx, y + dy, d) for x, y in centres
            for dx, dy, d in ((0, 0, 4.0), (-2.2, -4.1, 1.1), (3.3, 4.6, 1.1))]  # fmt: skip
    holes = holes_of(rows)
    holes = holes.with_columns(plated=(holes.diameter < 2).astype(np.int8))

    keys = found(bare, holes=holes, components=())

    assert np.array([(k.x_mm, k.y_mm) for k in keys[4:]]) == pytest.approx(np.array(centres[::2]))
    assert {Evidence.PADS in k.evidence for k in keys} == {True}


def test_switches_are_seated_and_other_switches_are_no_keys(bare: Board):
    """Each key takes the switch at its place; a reset button of another make is none; a switch of
    the keys' make whose hole was lost is one."""
    places = [(c * 18.0, r * 17.0, 0.0) for c in range(3) for r in range(2)]
    parts = [
        Component(ref=f"SW{k}", footprint="post-3", x_mm=x, y_mm=y, origin="placement table")
        for k, (x, y, _) in enumerate(places, start=1)
    ]
    reset = Component(ref="SW9", footprint="button", x_mm=70.0, y_mm=5.0, origin="placement table")

    keys = found(bare, holes=holes_of(posts(places[:-1])), components=(*parts, reset))

    assert sorted(k.refs for k in keys) == [(f"SW{k}",) for k in range(1, 7)]
    assert [k.evidence for k in keys if k.refs == ("SW6",)] == [(Evidence.PLACEMENT,)]


def test_a_button_beside_a_screw_hole_makes_no_keyboard(bare: Board):
    """One hole of a post's size, 5 mm beside one of three buttons, holds no post."""
    parts = [
        Component(
            ref=f"SW{k}", footprint="button", x_mm=9.0 * k, y_mm=5.0, origin="placement table"
        )
        for k in range(3)
    ]
    assert (
        found(bare, holes=holes_of([(18.0, 10.0, 3.2), (60.0, 60.0, 3.2)]), components=parts) == ()
    )


def test_places_that_overlap_are_counted_by_what_can_be_fitted():
    """A wide key or two small ones: one or two switches, never three."""
    near = find_overlaps(np.array([[0.0, 0.0], [9.5, 0.0], [19.0, 0.0], [60.0, 0.0]]))

    assert near == [(1,), (0, 2), (1,), ()]
    assert fitted_range(near) == (2, 3)


@pytest.mark.parametrize(("side", "sign"), [("left", 1), ("right", -1)])
def test_thumb_keys_tell_the_hand(side: str, sign: int):
    """Thumb keys lie lowest and towards the other hand (common practice)."""
    block = [(19.0 * c, 19.0 * r) for c in range(4) for r in range(1, 4)]
    seen = np.array([*block, (57.0, 0.0), (76.0, 0.0)]) * (sign, 1)

    assert np.sign(lean(seen)) == sign, side
    assert lean(np.array(block)) == 0.0


def test_groups_are_mirror_images_copies_or_different():
    """A staggered half against its image, its copy, its copy turned by 180 degrees, and a grid."""
    rng = np.random.default_rng(5)
    half = np.array([(18.0 * c, 17.0 * r + rng.uniform(0, 9)) for c in range(5) for r in range(3)])

    assert relate(half, half * (-1, 1) + np.array((200, 3))) == "mirror images"
    assert relate(half, half + np.array((120, -4))) == "copies"
    assert relate(half, half * (-1, -1)) == "copies"
    assert relate(half, np.array([(25.0 * c, 25.0 * r) for c in range(5) for r in range(3)])) == (
        "different"
    )


def test_plain_rows_are_no_staggered_columns():
    """Keys of a keypad stand in rows; columns of a half are staggered."""
    grid = np.array([(19.0 * c, 19.0 * r) for c in range(4) for r in range(4)])

    assert is_plain_grid(grid)
    assert not is_plain_grid(grid + np.outer(grid[:, 0] % 38 > 0, (0, 5)))


@pytest.mark.parametrize(
    ("folder", "words"),
    [
        (DEMO, "reversible half, 18 keys; front up = left"),
        ("card", "whole keyboard, 8 keys"),
        ("kinds/plate", "plate for"),
        ("defects/clean", "no keyboard"),
    ],
)
def test_the_headline_says_what_a_board_is(folder: str, words: str):
    """One line, the same in every command."""
    board = board_at(FIXTURES / folder)

    assert headline(find_keyboard(board)).startswith(words)


def test_the_users_word_wins_and_a_contradiction_is_said():
    """Stated to be both halves, the reversible demo is counted so."""
    board = board_at(FIXTURES / DEMO)

    said = find_keyboard(board, "both").hands

    assert (said.use, said.halves, said.stated_by) == ("both", 2, "user")
    assert "reversible" in said.contradiction
    assert sum(len(g.keys) for g in said.groups) == 18
    assert find_keyboard(board, "reversible").hands.contradiction == ""


def test_a_keyboard_is_found_once_a_board():
    """Asked for again, the same keys are given."""
    board = board_at(FIXTURES / "card")

    assert find_keyboard(board).keys is find_keyboard(board, "left").keys


@pytest.mark.parametrize("quarter", [1, 2, 3])
def test_a_board_drawn_on_its_side_or_upside_down_is_numbered_as_upright(quarter: int):
    """Two halves with turned thumb keys: each key keeps hand and number however the files lie."""
    left = half()
    edge = max(x for x, _, _ in left) + 0.75 * PITCH_MM
    upright = left + [(2 * edge - x, y, -turn) for x, y, turn in left]

    def numbers(quarters: int) -> list[tuple[str, int]]:
        places = upright
        for _ in range(quarters):
            places = [(-y, x, turn + 90) for x, y, turn in places]
        keyboard = find_keyboard(make(places))
        assert keyboard.hands.use == "both"
        spots = [(key.x_mm, key.y_mm) for key in keyboard.keys]
        found = {
            spots[k]: (group.hand, number)
            for group in keyboard.hands.groups
            for k, number in number_group(keyboard, group, before=0).numbers.items()
        }
        near = [min(found, key=lambda s: np.hypot(s[0] - x, s[1] - y)) for x, y, _ in places]
        return [found[spot] for spot in near]

    assert numbers(quarter) == numbers(0)
