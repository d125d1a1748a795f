"""Which face is up on which half, and boards that cannot be turned over."""

from __future__ import annotations

from pathlib import Path

import pytest

import fabkit
from fabkit.house.order import order_for
from fabkit.outputs.drawings import paper_halves, paper_notes
from fabkit.preview.hands import one_face_note, sides_as_used
from fabkit.preview.keys import KeyPosition, find_keys
from fabkit.preview.paper import halves_of
from fabkit.preview.scene import Letters
from fabkit.preview.sheets import halves_sheet

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.mark.parametrize(
    ("folder", "told"),
    [
        ("linnet/rev-1", True),
        ("../fabkit/demo/rev-b", False),
        ("card", True),
        ("defects/clean", False),
    ],
)
def test_halves_of_a_board_that_cannot_be_turned(folder: str, told: bool) -> None:
    """Of a board whose switches fit one face only, sheet and paper say so; a reversible board and
    one without a pattern of keys say nothing."""
    board = fabkit.build_board(fabkit.open_package(FIXTURES / folder))
    keys = find_keys(board)

    assert bool(one_face_note(board, keys)) is told
    assert [bool(half.note) for half in halves_of(board)] == [told, told]
    order = order_for(board.package.source)
    notes = paper_notes(paper_halves([board], order))
    assert any("fit one face only" in note for note in notes) is told


def test_thumbs_tell_the_left_half() -> None:
    """Thumb keys lie lowest and towards the other hand (common practice): right of the middle on
    the face that is up on the left half."""
    block = [KeyPosition(x_mm=19.0 * c, y_mm=19.0 * r) for c in range(4) for r in range(1, 4)]
    thumbs = [KeyPosition(x_mm=x, y_mm=0.0) for x in (57.0, 76.0)]

    assert sides_as_used([*block, *thumbs]) == ("top", "bottom")
    mirrored = [KeyPosition(x_mm=-k.x_mm, y_mm=k.y_mm) for k in (*block, *thumbs)]
    assert sides_as_used(mirrored) == ("bottom", "top")
    assert sides_as_used([]) == ("top", "bottom")


@pytest.mark.parametrize(
    ("folder", "words"),
    [
        ("linnet/rev-1", "Right half, back up. Its switches fit one face only"),
        ("defects/clean", "Right half, back up. No keys were found"),
        ("../fabkit/demo/rev-b", "Right half, back up"),
    ],
)
def test_the_sheet_of_halves_says_it(folder: str, words: str) -> None:
    """The caption of the right half tells why the board is none; nothing more of a good one."""
    board = fabkit.build_board(fabkit.open_package(FIXTURES / folder))

    ground = halves_sheet(board).placed[0].scene

    letters = [p for s in ground.stencils.values() for p in s.parts if isinstance(p, Letters)]
    said = ["".join(name[0] for name, _, _ in p.places) for p in letters]
    plain = words.replace(" ", "")
    assert any(text.startswith(plain) for text in said)
    assert any("onefaceonly" in text or "Nokeys" in text for text in said) is ("." in words)
