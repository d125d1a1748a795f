"""What a parts list says of itself: what is missing from it, and which way it was counted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import boards
import numpy as np
import pytest

import fabkit
from fabkit.board.model import Board, Holes
from fabkit.outputs.money import left_by_reason
from fabkit.parts.listing import suggest_names
from fabkit.parts.places import _choose
from fabkit.sheets.order import order_from
from fabkit.sheets.order_template import ProposedBoard, order_template
from fabkit.sheets.toml_text import parse_sheet

FIXTURES = Path(__file__).parents[2] / "fixtures"


def said(board: Board, rule: str) -> list[str]:
    """What one rule says of a board's parts list."""
    return [p.message for p in fabkit.list_parts(board).problems if p.id == rule]


def board_at(folder: str) -> Board:
    """A fixture."""
    return boards.board_at(FIXTURES / folder)


@pytest.mark.parametrize(
    ("folder", "words"),
    [
        ("kinds/soldered", ["no controller"]),
        ("kinds/coarse-inch", ["the left half's parts are not listed"]),
        ("kinds/both-equal", []),
        ("../fabkit/demo/rev-b", []),
    ],
)
def test_a_list_says_what_it_lacks(folder: str, words: list[str]):
    """A controller that is not on the board, and the other hand's half; nothing of whole lists."""
    told = said(board_at(folder), "parts/incomplete")

    assert len(told) == len(words)
    assert all(word in text for word, text in zip(words, told, strict=True))


def test_holes_and_rows_are_counted_by_their_kind() -> None:
    """What is named by its place is counted, references are run together."""
    why = "what stands there is not known"
    spots = (
        "hole of 4.1 mm at 1.0, 2.0",
        "hole of 4.1 mm at 3.0, 2.0",
        "row of 2 holes at 5.0, 5.0",
    )
    left = [*((spot, why) for spot in spots), ("X1", "no lands"), ("X2", "no lands")]

    assert left_by_reason(SimpleNamespace(left_out=left)) == {
        why: "2 holes of 4.1 mm, 1 row of 2 holes",
        "no lands": "X1, X2",
    }


def test_pads_that_nothing_names_are_counted(tmp_path: Path) -> None:
    """Three resistors of two pads and a lone test point, no table: six pads; then a plate."""
    spots = [(10 + 5 * k + dx, 10) for k in range(3) for dx in (-0.8, 0.8)]
    folders = tmp_path / "full", tmp_path / "bare"
    for folder, lands in zip(folders, ([*spots, (40, 30)], []), strict=True):
        folder.mkdir()
        _draw(folder, lands)
    board, plate = (fabkit.build_board(fabkit.open_package(p)) for p in folders)
    (told,) = said(board, "parts/incomplete")

    assert told.startswith("6 surface pads belong to parts that no attribute or table names")
    assert fabkit.list_parts(board).unnamed == (6, 0)
    assert not fabkit.list_parts(plate).problems


def test_rows_of_a_table_without_a_name_are_reported(tmp_path: Path) -> None:
    """Two rows with a footprint and no designator; one is empty and one is lettering."""
    _draw(tmp_path, [(10, 10), (12, 10)])
    rows = ["R1,1k,chip,11,10,0,top", ",,cell,20,10,0,top", ",2u,,25,10,0,top", ",,,1,1,0,top"]
    head = "Ref,Value,Footprint,X (mm),Y (mm),Rotation,Side"
    (tmp_path / "positions.csv").write_text("\n".join([head, *rows, "TXT1,,,2,2,0,top"]) + "\n")
    board = fabkit.build_board(fabkit.open_package(tmp_path))
    bill = fabkit.list_parts(board)

    assert said(board, "parts/incomplete") == [
        "positions.csv: 2 rows without a designator; what they place is not listed"
    ]
    assert [a.title for a in bill.lines] == ["1k | chip"]
    assert ("TXT1", "drawing or text") in bill.left_out


def test_a_diode_is_the_usual_one_on_keyboards_alone(tmp_path: Path) -> None:
    """Without keys a diode without a value is no signal diode of the book."""
    _draw(tmp_path, [(10, 10), (12, 10)])
    head = "Ref,Value,Footprint,X (mm),Y (mm),Rotation,Side"
    (tmp_path / "positions.csv").write_text(f"{head}\nD1,,,11,10,0,top\n")
    bill = fabkit.list_parts(fabkit.build_board(fabkit.open_package(tmp_path)))

    assert [(a.title, a.known) for a in bill.lines] == [("Diode, value not stated", False)]


def test_what_was_doubtful_is_suggested_for_the_order_file(tmp_path: Path) -> None:
    """A connector and two lights without a value; a resistor with one leaves nothing open."""
    _draw(tmp_path, [(10, 10), (12, 10)])
    rows = ["R1,1k,chip,11,10,0,top", *(f"{r},,,20,10,0,top" for r in ("J7", "LED1", "LED2"))]
    head = "Ref,Value,Footprint,X (mm),Y (mm),Rotation,Side"
    (tmp_path / "positions.csv").write_text("\n".join([head, *rows]) + "\n")
    names = suggest_names([fabkit.build_board(fabkit.open_package(tmp_path))])
    board = ProposedBoard(package="p", use="plate", usual=1)
    text = order_template(name="x", boards=[board], names=names)
    used = text.replace("# [map]", "[map]").replace('# "LED', '"LED')

    assert [(n.refs, n.target) for n in names] == [("J7", "connector"), ("LED[0-9]*", "light")]
    assert "# per_keyboard = 1" in text
    assert order_from(parse_sheet(text, file="x.toml"), base=Path()).mapping == {}
    mapping = order_from(parse_sheet(used, file="x.toml"), base=Path()).mapping
    assert mapping == {"LED[0-9]*": "light"}


def _draw(folder: Path, lands: list[tuple[float, float]]) -> None:
    """An invented board of 60 x 40 mm with lands of 0.8 mm on the top."""
    head = "%FSLAX46Y46*%\n%MOMM*%\n"
    dots = "".join(f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*\n" for x, y in lands)
    (folder / "top.gbr").write_text(
        f"%TF.FileFunction,Copper,L1,Top*%\n{head}%ADD10C,0.8*%\nD10*\n{dots}M02*\n"
    )
    corners = [(0, 0), (60, 0), (60, 40), (0, 40), (0, 0)]
    path = "".join(f"X{x}000000Y{y}000000D0{1 if n else 2}*\n" for n, (x, y) in enumerate(corners))
    (folder / "profile.gbr").write_text(
        f"%TF.FileFunction,Profile,NP*%\n{head}%ADD10C,0.1*%\nG01*\nD10*\n{path}M02*\n"
    )


def test_a_place_that_takes_either_is_counted_once():
    """Holes for a socket and for soldered pins at every key (places: common practice)."""
    rows = []
    for x, y in [(20.0 * c, 20.0 * r) for c in range(4) for r in range(2)]:
        rows += [(x, y, 3.4, 0), (x - 5.5, y, 1.9, 0), (x + 5.5, y, 1.9, 0)]
        rows += [(x, y + 5.9, 1.2, 1), (x + 5.0, y + 3.8, 1.2, 1)]
        rows += [(x, y - 5.95, 3.0, 0), (x - 5.0, y - 3.75, 3.0, 0)]
    x, y, d, plated = (np.array(column) for column in zip(*rows, strict=True))
    n = np.zeros(len(x))
    holes = Holes(x=x, y=y, diameter=d, plated=plated, file=n, tool=n, first=n + 1, last=n + 2,
                  function=n, offset=n)  # fmt: skip
    board = replace(board_at("defects/clean"), holes=holes, components=())

    (told,) = said(board, "parts/choice")

    assert "socket" in told
    assert said(board_at("../fabkit/demo/rev-b"), "parts/choice") == []


@pytest.mark.parametrize(
    ("pitch", "family", "unsure"), [(17.0, "low-profile", False), (19.05, "low-profile", True)]
)
def test_the_pitch_of_keys_shows_which_switches_fit(pitch: float, family: str, unsure: bool):
    """Caps of full-height switches need 19.05 mm (common practice): nearer keys are low-profile.

    At 19.05 mm either may be meant, and the buyer decides.
    """
    keys = [
        SimpleNamespace(
            x_mm=pitch * column,
            y_mm=pitch * row,
            patterns=(),
            families=("full-height", "low-profile"),
            held_by="soldered",
        )
        for column in range(4)
        for row in range(3)
    ]
    chosen = _choose(keys, {})
    assert (chosen[0], chosen[3]) == (family, unsure)
    assert ("are counted" in chosen[2]) is unsure
