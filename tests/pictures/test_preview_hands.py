"""Which face is up on which half, and boards that cannot be turned over."""

from __future__ import annotations

from pathlib import Path

import pytest
from boards import board_at

from fabkit.keyboard.build import find_keyboard
from fabkit.outputs.drawings import paper_halves, paper_notes
from fabkit.pictures.finished import one_face_note, views_as_used
from fabkit.pictures.paper import halves_of
from fabkit.pictures.scene import Letters
from fabkit.pictures.sheets import halves_sheet
from fabkit.sheets.order import order_for

DEMO = "../fabkit/demo/rev-b"
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.mark.parametrize(
    ("folder", "told"),
    [("pair/left", True), (DEMO, False), ("card", False), ("defects/clean", False)],
)
def test_halves_of_a_board_that_cannot_be_turned(folder: str, told: bool) -> None:
    """Of a half whose switches fit one face only, sheet and paper say so; a reversible board, a
    whole keyboard and one without keys say nothing."""
    board = board_at(FIXTURES / folder)

    assert bool(one_face_note(find_keyboard(board))) is told
    assert {bool(half.note) for half in halves_of(board)} == {told}
    notes = paper_notes(paper_halves([board], order_for(board.package.source)))
    assert any("fit one face only" in note for note in notes) is told


@pytest.mark.parametrize(
    ("folder", "use", "views"),
    [
        (DEMO, None, [("Left half", "top"), ("Right half", "bottom")]),
        (DEMO, "left", [("Left half", "top")]),
        ("kinds/both-equal", None, [("Left half", "top"), ("Right half", "top")]),
        ("card", None, [("Whole keyboard", "top")]),
        ("kinds/plate", None, [("Plate", "top")]),
        ("defects/clean", None, [("Board", "top"), ("Board", "bottom")]),
    ],
)
def test_every_way_a_board_is_used_is_shown(folder: str, use: str, views: list) -> None:
    """A reversible board is used with either face up, any other with its key side up."""
    board = board_at(FIXTURES / folder)

    assert [v[:2] for v in views_as_used(board, find_keyboard(board, use))] == views


@pytest.mark.parametrize(
    ("folder", "words"),
    [
        ("pair/left", "half, front up. Its switches fit one face only"),
        ("defects/clean", "Board, back up. No keys were found"),
        (DEMO, "Right half, back up"),
    ],
)
def test_the_sheet_of_halves_says_it(folder: str, words: str) -> None:
    """The caption tells why a board is no other half, and that no keys were found."""
    board = board_at(FIXTURES / folder)

    ground = halves_sheet(board).placed[0].scene

    letters = [p for s in ground.stencils.values() for p in s.parts if isinstance(p, Letters)]
    said = ["".join(name[0] for name, _, _ in p.places) for p in letters]
    assert any(words.replace(" ", "") in text for text in said)
