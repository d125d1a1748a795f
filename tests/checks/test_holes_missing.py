"""Holes that footprints of one kind have at all places but one."""

from __future__ import annotations

import numpy as np
import pytest
from rules.set_cases import dots, drill, frame, layer, xy

from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.checks.fellows import find_gaps_of_fellows, find_turned_fellows
from fabkit.checks.hole import key_posts, present, slot_directions
from fabkit.checks.model import Case
from fabkit.checks.runner import run_check
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house

POST, PEG, SOCKET, SCREW = range(4)
FOOTPRINT = ((5.08, 0.0, PEG), (-5.08, 0.0, PEG), (-3.81, 2.54, SOCKET), (2.54, 5.08, SOCKET))
"""Holes about the middle of a full-height key switch with a socket (published drawings)."""


def board(turns: list[float], lost: set[tuple[int, int]] = frozenset()) -> tuple:
    """Keys in a row, each turned, without the holes *lost* names by key and number."""
    rows = []
    for key, turn in enumerate(turns):
        middle, c = 19.05 * key + 3j * (key % 3), np.exp(1j * np.radians(turn))
        rows.append((middle, POST))
        rows += [
            (middle + complex(x, y) * c, what)
            for n, (x, y, what) in enumerate(FOOTPRINT)
            if (key, n) not in lost
        ]
    rows.append((30 + 9j, SCREW))
    at = np.array([r[0] for r in rows])
    return np.column_stack((at.real, at.imag)), np.array([r[1] for r in rows])


def gaps(turns: list[float], lost: set[tuple[int, int]]) -> list:
    kinds = np.arange(4)
    return find_gaps_of_fellows(*board(turns, lost), seeds=kinds, wanted=kinds)


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("key", [0, 4])
def test_a_hole_lost_at_one_key_is_found_where_it_was(key, number):
    turns = [0.0, 0.0, 15.0, 180.0, 90.0, 0.0, -30.0, 0.0]
    (gap,) = gaps(turns, {(key, number)})
    x, y, what = FOOTPRINT[number]
    turned = complex(x, y) * np.exp(1j * np.radians(turns[key]))
    expected = 19.05 * key + 3j * (key % 3) + turned
    assert (gap.x_mm, gap.y_mm) == pytest.approx((expected.real, expected.imag), abs=0.01)
    assert gap.kind == what
    assert gap.fellows == 7


def test_whole_keys_and_a_lone_screw_lack_nothing():
    assert gaps([0.0, 0.0, 15.0, 180.0, 90.0, 0.0], set()) == []


def test_a_hole_that_half_of_the_keys_lack_is_meant():
    assert gaps([0.0] * 8, {(key, 0) for key in range(4)}) == []


def test_four_equal_places_are_too_few_to_vote():
    assert gaps([0.0] * 4, {(1, 2)}) == []


def test_a_key_without_its_pegs_is_of_another_footprint():
    assert gaps([0.0] * 8, {(1, 0), (1, 1)}) == []


def keys_of(diameter: float, *, keys: int = 2, off: float = 0.0, socket: float = 3.0) -> Board:
    """A board of full-height keys whose middle holes have a diameter (places: published).

    The last one's middle hole is off its place.
    """
    bare = "NonPlated,1,2,NPTH"
    holes = [(60 + 20 * k + x, 20 + y) for k in range(keys) for x, y, _ in FOOTPRINT[2:]]
    posts = [(60.0 + 20 * k + off * (k == keys - 1), 20.0) for k in range(keys)]
    files = {
        "profile.gbr": layer("Profile,NP", frame(20 + 20 * keys, 40, 45, 0), pen=0.1),
        "sockets.drl": drill(*holes, size=socket, function=bare),
        "posts.drl": drill(*posts, size=diameter, function=bare),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    return build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))


def circle(x: float, y: float) -> str:
    """A cut-out of 3 mm."""
    return f"{xy(x + 1.5, y)}D02*\nG03*\n{xy(x + 1.5, y)}I-1500000J0D01*\nG01*\n"


@pytest.mark.parametrize("drilled", [6, 5, 3])
def test_a_cut_out_that_alone_of_its_kind_is_not_drilled(drilled):
    """One of six is forgotten; three of six say nothing."""
    at = [(8.0 + 8 * k, 12.0) for k in range(6)]
    files = {
        "top.gbr": layer("Copper,L1,Top", dots((4, 4), (50, 4))),
        "profile.gbr": layer(
            "Profile,NP", frame(60, 30) + "".join(circle(*p) for p in at), pen=0.1
        ),
        "bare.drl": drill(*at[:drilled], size=3.0, function="NonPlated,1,2,NPTH"),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    places = [
        (f.id, f.consequence.word, f.places[0].x_mm, f.places[0].y_mm)
        for f in run_check(present, Case(board, load_house())).findings
    ]
    lost = [("hole/missing", "decide", pytest.approx(48, abs=0.01), pytest.approx(12, abs=0.01))]
    assert places == (lost if drilled == 5 else [])


@pytest.mark.parametrize(("off", "found"), [(1.5, True), (0.0, False), (9.5, False)])
def test_a_middle_hole_beside_the_place_its_contacts_show(off, found):
    """Four whole keys and one of the same contacts; a hole half a key away is some other."""
    (*said,) = run_check(key_posts, Case(keys_of(4.0, keys=5, off=off), load_house())).findings
    assert [(f.id, f.count, f.places[0].x_mm) for f in said] == (
        [("hole/missing", 1, pytest.approx(141.5))] if found else []
    )


@pytest.mark.parametrize("diameter", [3.2, 1.7])
def test_a_middle_hole_too_narrow_for_the_post_of_its_switch(diameter):
    """So it is as wide as its pegs, where the sizes of tools were exchanged."""
    case = Case(keys_of(diameter), load_house())
    said = [(f.id, f.count, f.measured) for f in run_check(key_posts, case).findings]
    assert said == [("hole/post-narrow", 2, diameter)]


@pytest.mark.parametrize(("diameter", "found"), [(2.7, True), (2.85, False), (1.5, False)])
def test_holes_too_narrow_for_the_sockets_of_keys(diameter, found):
    """Holes of sockets are 2.85 mm and wider; those of pins are for soldering."""
    case = Case(keys_of(4.0, socket=diameter), load_house())
    said = [(f.id, f.count, f.measured) for f in run_check(key_posts, case).findings]
    assert said == ([("hole/post-narrow", 4, diameter)] if found else [])


@pytest.mark.parametrize("diameter", [3.8, 4.0])
def test_a_middle_hole_lets_the_post_of_its_switch_in(diameter):
    """Posts of full-height switches are 4.0 mm wide, their holes 3.8 to 4.3 (common practice)."""
    case = Case(keys_of(diameter), load_house())
    assert not run_check(key_posts, case).findings


@pytest.mark.parametrize(("across", "found"), [({2}, 1), (set(), 0), ({0, 2, 4}, 0)])
def test_one_slot_across_the_direction_of_its_equals(across, found):
    """Six parts of a hole and a slot above it; where half of the slots lie across, none is odd."""
    spots = [(10.0 + 12 * k, 10.0) for k in range(6)]
    slots = "".join(
        f"X{x:.1f}Y{14 - k:.1f}G85X{x:.1f}Y{14 + k:.1f}\n"
        if n in across
        else f"X{x - k:.1f}Y14.0G85X{x + k:.1f}Y14.0\n"
        for k in [0.5]
        for n, (x, _) in enumerate(spots)
    )
    bare = "NonPlated,1,2,NPTH"
    files = {
        "profile.gbr": layer("Profile,NP", frame(90, 25), pen=0.1),
        "holes.drl": drill(*spots, size=2.0, function=bare),
        "slots.drl": drill(size=0.8, function=bare, body=slots),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    made = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    said = run_check(slot_directions, Case(made, load_house())).findings
    assert [(f.id, f.count, f.places[0].x_mm) for f in said] == [
        ("hole/slot-turned", 1, 34.0)
    ] * found


@pytest.mark.parametrize(
    ("turn", "neighbours", "found"), [(30, 3, True), (1, 3, False), (30, 2, False)]
)
def test_a_slot_turned_by_less_than_a_quarter_needs_three_neighbours(turn, neighbours, found):
    """Parts are turned by 0 to 50 degrees themselves; the last one's slot is turned further."""
    middles, parts = 20.0 * np.arange(6), np.exp(1j * np.radians(10 * np.arange(6)))
    about = np.array((5 + 1j, -4 + 3j, 2 - 6j))[:neighbours]
    others = (middles[:, None] + parts[:, None] * about).ravel()
    axes = parts * np.exp(1j * np.radians([0, 0, 0, 0, 0, turn]))
    turned = find_turned_fellows(
        np.column_stack((middles, np.zeros(6))),
        axes,
        np.zeros(6, dtype=np.int64),
        np.column_stack((others.real, others.imag)),
        np.tile(np.arange(neighbours), 6),
    )
    assert turned.tolist() == [False] * 5 + [found]
