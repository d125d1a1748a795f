"""What a parts list says of itself: what is missing from it, and which way it was counted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import fabkit
from fabkit.board.model import Board, Holes

FIXTURES = Path(__file__).parents[2] / "fixtures"


def said(board: Board, rule: str) -> list[str]:
    """What one rule says of a board's parts list."""
    return [p.message for p in fabkit.list_parts(board).problems if p.id == rule]


def board_at(folder: str) -> Board:
    """A fixture."""
    return fabkit.build_board(fabkit.open_package(FIXTURES / folder))


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
