"""Paste that was lost in part, or is too little, against parts that are soldered by hand."""

from __future__ import annotations

import pytest
from rules.set_cases import dots, frame, layer

from fabkit.board.build import build_board
from fabkit.checks.model import Case
from fabkit.checks.paste import paste
from fabkit.checks.runner import run_check
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house

PARTS = [(10.0 + 8 * column, 10.0 + 8 * row) for column in range(6) for row in range(2)]
"""Middles of parts of two pads of 1 mm, 1.6 mm apart."""


def pads(*parts: int) -> list[tuple[float, float]]:
    return [(PARTS[k][0] + dx, PARTS[k][1]) for k in parts for dx in (-0.8, 0.8)]


def said(
    prints: list[tuple[float, float]], pen: float = 0.9, top: str = ""
) -> list[tuple[str, str, int]]:
    """Findings about paste on a board of twelve such parts, or of another top copper."""
    all_pads = dots(*pads(*range(12)))
    files = {
        "top.gbr": layer("Copper,L1,Top", top or all_pads, pen=1.0),
        "mask.gbr": layer("Soldermask,Top", all_pads, pen=1.1),
        "paste.gbr": layer("Paste,Top", dots(*prints), pen=pen),
        "profile.gbr": layer("Profile,NP", frame(70, 30), pen=0.1),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    return [
        (f.id, f.consequence.word, f.count)
        for f in run_check(paste, Case(board, load_house())).findings
    ]


def test_a_layer_that_ends_before_several_parts_lost_the_rest():
    assert said(pads(*range(8))) == [("mask/paste-missing", "decide", 8)]


def test_pads_alone_without_paste_in_three_parts_are_no_choice():
    halves = {pads(k)[0] for k in (2, 5, 8)}
    prints = [p for p in pads(*range(12)) if p not in halves]
    assert said(prints) == [("mask/paste-missing", "decide", 3)]


@pytest.mark.parametrize("by_hand", [(10, 11), (3, 6, 8)])
def test_whole_parts_without_paste_are_soldered_by_hand(by_hand):
    """Two at one end, or several among others that have paste: nothing to decide."""
    prints = pads(*(k for k in range(12) if k not in by_hand))
    assert [f for f in said(prints) if f[1] == "decide"] == []


@pytest.mark.parametrize(
    ("pen", "found"),
    [
        (0.75, []),
        (0.5, [("mask/paste-small", "decide", 1)]),
        (1.04, []),
        (1.1, [("mask/paste-large", "decide", 1)]),
    ],
)
def test_prints_much_smaller_or_larger_than_their_pads(pen, found):
    """Pads are 1 mm wide: discs of 0.5, 0.75, 1.04 and 1.1 mm have 25, 56, 108 and 121 % of it."""
    assert said(pads(*range(12)), pen) == found


@pytest.mark.parametrize("named", [True, False])
def test_parts_with_paste_on_some_of_their_pads_only(named):
    """No pad of the second size has paste; that parts are cut in two, only their names show."""
    names = [f"%TO.P,R{k},1*%\n" if named else "" for k in range(12)]
    first = "".join(name + dots(pads(k)[0]) for k, name in enumerate(names))
    second = "".join(name + dots(pads(k)[1]) for k, name in enumerate(names))
    prints = [pads(k)[0] for k in range(12)]
    assert said(prints, 0.8, f"{first}%ADD11C,0.9*%\nD11*\n{second}") == (
        [("mask/paste-missing", "decide", 12)] if named else []
    )


@pytest.mark.parametrize(("dry", "found"), [((3, 7, 11), True), ((3, 6, 9), False)])
def test_parts_of_several_sizes_with_and_without_paste(dry, found):
    """Parts have pads of 0.8, 0.9 and 1.0 mm in turn; of one size some may be soldered by hand."""
    sizes = "".join(
        f"%ADD{11 + n}C,{0.8 + 0.1 * n:.1f}*%\nD{11 + n}*\n{dots(*pads(*range(n, 12, 3)))}"
        for n in range(3)
    )
    prints = pads(*(k for k in range(12) if k not in dry))
    decided = [f for f in said(prints, 0.8, sizes) if f[1] == "decide"]
    assert decided == ([("mask/paste-missing", "decide", 6)] if found else [])
