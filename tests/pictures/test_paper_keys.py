"""Keys on the paper template: one sheet a half, caps, numbers of the wiring, the home row."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import shapely
from boards import board_at
from keyboard.invented import PITCH_MM, make
from keyboard.invented import half as a_half
from pypdf import PdfReader
from test_preview_paper import strokes_mm
from test_sheet_words import words_on

from fabkit.board.model import Panel
from fabkit.keyboard.model import Key
from fabkit.keyboard.ordered import order_of
from fabkit.outputs.drawings import paper_halves
from fabkit.pictures.paper import PaperHalf, half_scene, halves_of, paper_sheets, render_paper
from fabkit.sheets.order import ordered_board
from fabkit.wiring.build import list_wiring

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEMO = "../fabkit/demo/rev-b"


@pytest.fixture(scope="module")
def board_of():
    """Boards of the fixtures by their folder, built once."""
    return lambda folder: board_at(FIXTURES / folder)


@pytest.mark.parametrize(
    ("folder", "names"),
    [
        (DEMO, ["left half", "right half"]),
        ("kinds/both-equal", ["left half", "right half"]),
        ("kinds/both-unequal", ["left half", "right half"]),
        ("kinds/unsplit", ["keyboard"]),
        ("kinds/soldered", ["keyboard"]),
    ],
)
def test_numbers_are_those_of_the_wiring(board_of, folder, names):
    """The number on the cap is that of the wiring table, on every half."""
    board = board_of(folder)
    halves = halves_of(board)

    assert [h.name for h in halves] == names
    for paper, wired in zip(halves, list_wiring(board).halves, strict=True):
        assert paper.side == wired.face_up
        told = {(round(k.x_mm, 3), round(k.y_mm, 3)): k.index for k in wired.keys}
        shown = {
            (round(k.x_mm, 3), round(k.y_mm, 3)): n
            for k, n in zip(paper.keys, paper.numbers, strict=True)
        }
        assert shown == told


@pytest.mark.parametrize("joined", ["left", "right", "neither"])
def test_places_that_overlap_are_numbered_as_wired(joined):
    """A wide thumb key in place of two: the one that its contacts are joined to, or its own."""
    at = {"left": 3.0, "right": 4.0}
    low = -3 * PITCH_MM - 3
    x, middle = at.get(joined), 3.5 * PITCH_MM
    tracks = []
    if x is not None:
        for dx, dy in ((-3.81, 2.54), (2.54, 5.08)):  # the contacts of the footprint
            y = low + dy
            tracks.append(((x * PITCH_MM + dx, y, 0.0), (middle + dx, y, 0.0)))
    thumbs = [(n * PITCH_MM, low, 0.0) for n in (3.0, 4.0)]
    places = [*a_half(5, 3, 0), *thumbs, (middle, low, 0.0)]
    board = make(places, joined=tracks)
    (paper,) = paper_halves((board,), order_of((board,), None))
    (wired,) = list_wiring(board).halves
    shown = {
        (round(k.x_mm, 3), round(k.y_mm, 3)): n
        for k, n in zip(paper.keys, paper.numbers, strict=True)
    }

    assert {shown[round(k.x_mm, 3), round(k.y_mm, 3)] for k in wired.keys} == set(
        range(len(wired.keys))
    )
    for k in wired.keys:
        assert shown[round(k.x_mm, 3), round(k.y_mm, 3)] == k.index
    number = shown[round(middle, 3), round(low, 3)]
    assert len(wired.keys) == (18 if joined == "neither" else 17)
    assert (number == shown.get((round((x or 0) * PITCH_MM, 3), round(low, 3)))) is (x is not None)


def test_the_right_half_of_a_pair_is_numbered_behind_the_left():
    """Two designs of six keys each: 0 to 5 and 6 to 11, together and the right one alone."""
    left, right = (board_at(FIXTURES / "pair" / side) for side in ("left", "right"))
    designs = tuple(ordered_board(Path(side), name=side, use=side) for side in ("left", "right"))
    order = replace(order_of((left,), None), boards=designs)

    for boards, wanted in (((left, right), order), ((right,), order_of((right,), None))):
        halves = paper_halves(boards, wanted)
        wired = list_wiring(boards, wanted).halves
        assert [set(h.numbers) for h in halves] == [{k.index for k in w.keys} for w in wired]
        assert set(halves[-1].numbers) == set(range(6, 12))


@pytest.mark.parametrize("folder", ["kinds/both-equal", "kinds/both-unequal"])
def test_both_halves_on_one_board_are_two_sheets(board_of, folder):
    """Each sheet shows all keys of its half and the middle of none of the other's."""
    left, right = halves_of(board_of(folder))

    for half, other in ((left, right), (right, left)):
        frame = shapely.box(*(half.frame or half.board.bounds))
        assert all(shapely.intersects_xy(frame, k.x_mm, k.y_mm) for k in half.keys)
        assert not any(shapely.intersects_xy(frame, k.x_mm, k.y_mm) for k in other.keys)
    titles = [s.title for s in paper_sheets((left, right))]
    assert len(titles) == len(set(titles)) == 2


def test_a_half_is_cut_out_of_its_panel(board_of):
    """Two boards in rails: each sheet holds its own board, without rails, tabs and the other."""
    board = board_of("kinds/both-equal")
    left, right = halves_of(board)
    x0, y0, x1, y1 = board.bounds
    rail = shapely.box(x0 - 9, y0 - 9, x1 + 9, y0 - 3)
    framed = replace(
        board,
        profile=shapely.MultiPolygon([*board.profile.geoms, rail]),
        panel=Panel(
            boards=np.array(list(board.profile.geoms)),
            design=np.zeros(2, np.int64),
            mirrored=np.array([False, True]),
            rails=np.array([rail]),
            tabs=np.empty(0, dtype=object),
            score_lines=np.empty(0, dtype=object),
            paths=(),
            size_mm=(x1 - x0 + 18, y1 - y0 + 9),
        ),
    )

    for plain, cut in zip((left, right), halves_of(framed), strict=True):
        assert cut.board.profile.equals(plain.board.profile)
        assert len(cut.board.holes) == len(plain.board.holes) < len(board.holes)


def test_caps_and_squares_are_turned_with_their_keys(board_of):
    """Caps of 18.05 mm at a pitch of 19.05, squares of 14 mm, at the angle of the key."""
    board = board_of(DEMO)
    keys = (
        Key(x_mm=30, y_mm=40, rotation_deg=20),
        Key(x_mm=30 + 19.05 * np.cos(0.3), y_mm=40 + 19.05 * np.sin(0.3), size_u=1.5),
    )
    half = PaperHalf(board=board, side="top", name="half", keys=keys, numbers=(0, 1))
    (page,) = PdfReader(BytesIO(render_paper([half]))).pages
    lines = np.array(strokes_mm(page))
    along = lines[:, 2:] - lines[:, :2]
    length = np.hypot(along[:, 0], along[:, 1])
    angle = np.degrees(np.arctan2(along[:, 1], along[:, 0])) % 90

    for wanted in (14.0, 18.05):
        at = angle[np.abs(length - wanted) < 0.01]
        assert (np.abs(at - 20) < 0.05).sum() >= 3
        assert (np.minimum(at, 90 - at) < 0.05).sum() >= 2
    # One and a half units less the gap.
    assert (np.abs(length - (1.5 * 19.05 - 1)) < 0.01).any()


def test_index_fingers_rest_on_the_middle_row(board_of):
    """One bar a half: the demo's three rows of fingers have it on the second, mirrored."""
    left, right = halves_of(board_of(DEMO))

    (one,), (other,) = left.home, right.home
    assert left.keys[one] == right.keys[other]
    column = [k for k in left.keys if abs(k.x_mm - left.keys[one].x_mm) < 1]
    above = sorted(k.y_mm for k in column)
    assert above[len(above) // 2] == left.keys[one].y_mm
    assert any(c.title == "bars of the home row" for c in half_scene(left).nodes)


@pytest.mark.parametrize("folder", [DEMO, "kinds/soldered", "kinds/both-equal"])
def test_words_on_keys_stand_clear_of_holes(board_of, folder):
    """The ink of every name and number touches no hole, on either face."""
    for half in halves_of(board_of(folder)):
        scene = half_scene(half)
        inked = [n for n in scene.nodes if n.title in ("key names", "key numbers")]
        rings = [
            shapely.Polygon(ring)
            for node in inked
            for part in scene.stencils[node.inside[-1]].parts
            for ring in part.contours
        ]
        h = half.board.holes
        holes = shapely.buffer(shapely.points(h.x, h.y), h.diameter / 2)

        assert len(rings) >= len(half.keys)
        assert not shapely.intersects(shapely.union_all(holes), shapely.union_all(rings))


def test_the_bar_of_the_home_row_is_explained(board_of):
    """The foot of a sheet says what the orange bar is."""
    sheets = paper_sheets(halves_of(board_of(DEMO)))

    assert len(sheets) == 2
    for sheet in sheets:
        assert "Orangebar:theindexfinger'skey." in "".join(words_on(sheet))


def test_pages_are_counted_in_a_row(board_of):
    """A half on several pages says which of how many each is."""
    large = replace(
        board_of("kinds/unsplit"), profile=shapely.MultiPolygon([shapely.box(0, 0, 620, 420)])
    )
    half = PaperHalf(board=large, side="top", name="keyboard")
    titles = [s.title for s in paper_sheets([half])]

    assert len(titles) > 4
    for number, title in enumerate(titles, start=1):
        assert title.endswith(f"page {number} of {len(titles)}")


def test_a_board_without_keys_is_shown_once(board):
    """One sheet for a board without keys, not one for each hand."""
    halves = halves_of(board)

    assert [h.keys for h in halves] == [()]
    assert len(PdfReader(BytesIO(render_paper(halves))).pages) == 1
