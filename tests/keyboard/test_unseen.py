"""Keys and hands of boards that differ from the fixtures in one way each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from boards import board_at
from invented import (
    BOTH_FACES,
    FULL,
    PITCH_MM,
    STABILISER,
    Change,
    Footprint,
    Place,
    anonymous,
    centres,
    coarse,
    grid,
    guide_missing,
    half,
    jittered,
    key_deleted,
    make,
    moved,
    stacked,
    thumbs_turned,
    unplated,
)
from truth import Truth, load_truths

from fabkit.board.model import Board
from fabkit.keyboard.build import find_keyboard

TRUTHS = {
    t.path: t
    for t in load_truths()
    if t.keys > 3 and t.board != "plate" and "demo/rev-a" not in t.path
}

SAME: dict[str, Change] = {
    "coarse": coarse,
    "unplated": unplated,
    "anonymous": anonymous,
    "centre 3.2": centres(3.2),
    "centre 3.4": centres(3.4),
    "centre 4.1": centres(4.1),
    "centre 5.0": centres(5.0),
    "jitter": jittered,
    "guide missing": guide_missing,
    "turned 90": moved(90),
    "turned 180": moved(180),
    "mirrored": moved(mirrored=True),
    "thumbs 15": thumbs_turned(15),
    "thumbs 30": thumbs_turned(30),
    "thumbs 90": thumbs_turned(90),
}


def plan_board(path: str) -> Board:
    """The board of a plan, read once."""
    return board_at(TRUTHS[path].folder)


def said(board: Board) -> tuple[str, int]:
    """What one board is, and its keys."""
    keyboard = find_keyboard(board)
    return keyboard.hands.use, keyboard.counts[1]


@pytest.mark.parametrize("change", SAME)
@pytest.mark.parametrize("truth", TRUTHS.values(), ids=lambda t: t.path)
def test_a_changed_board_is_the_same_keyboard(truth: Truth, change: str) -> None:
    """Keys and use are those of the plan.

    In a mirror the footprints are mirrored too: the switches then sit on the other face, and the
    hand stays.
    """
    board = SAME[change](plan_board(truth.path))
    assert said(board) == (truth.board, truth.keys)


@pytest.mark.parametrize("truth", TRUTHS.values(), ids=lambda t: t.path)
def test_a_deleted_key_is_one_key_less(truth: Truth) -> None:
    """One half may have a key less than the other."""
    board = key_deleted(plan_board(truth.path))
    assert said(board) == (truth.board, truth.keys - 1)


def test_halves_may_lie_one_above_the_other() -> None:
    """Two outlines, the right half below the left."""
    truth = TRUTHS["kinds/both-equal"]
    board = stacked(plan_board(truth.path))
    assert said(board) == ("both", truth.keys)


def right_of(places: Sequence[Place], gap: float) -> list[Place]:
    """The same keys mirrored, on the right of the others."""
    far = max(p[0] for p in places)
    return [(2 * far + gap - x, y, -turn) for x, y, turn in places]


SIXTY = [
    *((c * PITCH_MM, 0.0, 0.0) for c in range(13)),
    *((c * PITCH_MM + 9.5, -PITCH_MM, 0.0) for c in range(13)),
    *((c * PITCH_MM + 14.3, -2 * PITCH_MM, 0.0) for c in range(12)),
    *((c * PITCH_MM + 23.8, -3 * PITCH_MM, 0.0) for c in range(10)),
    *((c * 1.25 * PITCH_MM, -4 * PITCH_MM, 0.0) for c in range(3)),
    (6.0 * PITCH_MM, -4 * PITCH_MM, 0.0),
    *((c * 1.25 * PITCH_MM + 9 * PITCH_MM, -4 * PITCH_MM, 0.0) for c in range(4)),
]
NUMPAD = [*grid(4, 3), *((c * PITCH_MM, -3 * PITCH_MM, 0.0) for c in range(3)),
          (3 * PITCH_MM, -3.5 * PITCH_MM, 0.0), (PITCH_MM / 2, -4 * PITCH_MM, 0.0),
          (2 * PITCH_MM, -4 * PITCH_MM, 0.0)]  # fmt: skip
STABILISED = [(6.0 * PITCH_MM + x, -4 * PITCH_MM + y, d, p) for x, y, d, p in STABILISER]
WIDE = [(PITCH_MM / 2 + x, -4 * PITCH_MM + y, d, p) for x, y, d, p in STABILISER]
TALL = [(3 * PITCH_MM - y, -3.5 * PITCH_MM + x, d, p) for x, y, d, p in STABILISER]

MADE = {
    "pad of 4": (lambda: make(grid(2, 2)), "whole", 4),
    "pad of 6": (lambda: make(grid(3, 2)), "whole", 6),
    "pad of 9": (lambda: make(grid(3, 3)), "whole", 9),
    "numpad": (lambda: make(NUMPAD, also=[*WIDE, *TALL]), "whole", len(NUMPAD)),
    "sixty": (lambda: make(SIXTY, also=STABILISED), "whole", len(SIXTY)),
    "reversible grid": (lambda: make(grid(6, 4), BOTH_FACES), "reversible", 24),
    "left half": (lambda: make(half()), "left", 18),
    "right half": (lambda: make(right_of(half(), 0)), "right", 18),
    "left half of 42": (lambda: make(half(6, 6, 5)), "left", 41),
    "reversible half": (lambda: make(half(), BOTH_FACES), "reversible", 18),
    "both, apart": (lambda: make([*half(), *right_of(half(), 40)]), "both", 36),
    "both, crossed": (
        lambda: make([*right_of(half(), 0), *((x + 220, y, t) for x, y, t in half())]),
        "both",
        36,
    ),
    "both, unequal": (lambda: make([*half(), *right_of(half(5, 3, 2), 60)]), "both", 35),
    "both without thumbs": (
        lambda: make([*half(6, 3, 0), *right_of(half(6, 3, 0), 45)]),
        "both",
        36,
    ),
}


@pytest.mark.parametrize("name", MADE)
def test_invented_board_is_what_it_was_made_as(name: str) -> None:
    """Usual keyboards, made of holes and lands alone."""
    board, use, keys = MADE[name]
    assert said(board()) == (use, keys)


def test_a_switch_is_known_without_guides() -> None:
    """FULL without its guide holes, as many boards have it."""
    bare = replace(FULL, holes=tuple(h for h in FULL.holes if abs(h[0]) != 5.08))
    assert said(make(half(), bare)) == ("left", 18)


TACT = Footprint(tuple((x, y, 1.0, True) for x in (-3.25, 3.25) for y in (-2.25, 2.25)))
"""A push button of 6 x 6 mm: four leads (common practice: 6.5 x 4.5 mm, holes of 1.0 mm)."""

LEVER = Footprint(tuple((x, -1.0, 1.3, True) for x in (-5.08, 0.0, 5.08)))
BARE = Footprint((), ((-2.1, 0, 3.4, 6.0, 1), (2.1, 0, 3.4, 6.0, 1)))
"""Two bare contacts that a conductive dome bridges."""


@pytest.mark.parametrize("footprint", [TACT, LEVER, BARE], ids=["push", "lever", "bare"])
@pytest.mark.parametrize("places", [half(), grid(6, 4)], ids=["half", "grid"])
def test_equal_groups_of_contacts_are_keys(footprint: Footprint, places: list[Place]) -> None:
    """No hole pattern and no name: groups that repeat at a key pitch, turned thumbs included."""
    keys = find_keyboard(make(places, footprint)).keys

    assert len(keys) == len(places)
    spots = np.array([(k.x_mm, k.y_mm) for k in keys])
    for x, y, _ in places:
        # The middle of its contacts lies 1 mm off the middle of a lever switch.
        assert np.hypot(*(spots - (x, y)).T).min() < 1.01
    assert all(0.5 < k.confidence < 0.8 for k in keys)


@pytest.mark.parametrize(
    ("footprint", "places"),
    [
        (Footprint(((-1.27, 0, 0.9, True), (1.27, 0, 0.9, True))), grid(6, 4)),
        (Footprint((), tuple((x, y, 1.5, 1.0, 1) for x in (-2.45, 2.45) for y in (-1.6, 1.6))),
         grid(6, 4)),
        (TACT, grid(12, 1)),
        (TACT, [(1.5 * x, 1.5 * y, t) for x, y, t in grid(5, 3)]),
        (TACT, grid(5, 1)),
    ],
    ids=["lamps of two leads", "lamps of four lands", "one row", "too far apart", "too few"],
)  # fmt: skip
def test_other_parts_that_repeat_are_no_keys(footprint: Footprint, places: list[Place]) -> None:
    """Arrays of lamps, a strip of sockets, groups off the key pitch."""
    assert find_keyboard(make(places, footprint)).keys == ()


def test_a_stabiliser_shows_the_width_of_its_key() -> None:
    """Wire ends 23.88 mm apart hold a cap of two units (common practice); other keys are of one."""
    places = [*grid(5, 3), (2 * PITCH_MM, -4 * PITCH_MM, 0.0)]
    x, y, _ = places[-1]
    keys = find_keyboard(
        make(places, also=[(x + a, y + b, d, p) for a, b, d, p in STABILISER])
    ).keys

    assert sorted(k.size_u for k in keys) == [1.0] * 15 + [2.0]
    assert next(k for k in keys if k.size_u == 2).y_mm == pytest.approx(y, abs=0.01)
