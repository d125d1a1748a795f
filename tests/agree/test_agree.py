"""Every command says the same of one board, and what its plan says (fixtures/TRUTH.toml)."""

from __future__ import annotations

import pytest
from answers import answers, disagreements, paper_keys
from boards import board_at
from truth import Truth, load_truths

from fabkit.keyboard.build import find_keyboard


@pytest.mark.parametrize("truth", load_truths(), ids=lambda t: t.path)
def test_every_command_says_what_the_plan_says(truth: Truth) -> None:
    """Keys and halves of the plan, in every result."""
    board = board_at(truth.folder)
    said = answers(board)
    assert disagreements(said, find_keyboard(board)) == []
    assert {answer.use for answer in said.values()} == {truth.board}
    hands = {"left": truth.left, "right": truth.right, "whole": truth.keys}
    for command in ("check", "quote", "compare"):
        assert dict(said[command].keys) == {h: hands[h] for h in said[command].keys}
    assert paper_keys(board) == truth.keys
