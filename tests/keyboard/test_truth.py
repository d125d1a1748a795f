"""The keyboard found on each invented board is the one its plan says (fixtures/TRUTH.toml)."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from boards import board_at

from fabkit.keyboard.build import find_keyboard

FIXTURES = Path(__file__).parents[2] / "fixtures"
TRUTH = tomllib.loads((FIXTURES / "TRUTH.toml").read_text(encoding="utf-8"))["package"]
CASES = [
    pytest.param(row, path, id=path)
    for row in TRUTH
    for path in (row["path"], *row.get("same", ()))
]


@pytest.mark.parametrize(("row", "path"), CASES)
def test_keys_and_hands_are_those_of_the_plan(row: dict[str, Any], path: str):
    board = board_at(FIXTURES / path)
    keyboard = find_keyboard(board)
    hands = keyboard.hands
    assert hands.use == row["board"], hands.why
    assert keyboard.counts[1] == row.get("keys", 0)
    for group in hands.groups:
        if group.hand in row:
            assert len(group.keys) == row[group.hand]
    held = {k.held_by for k in keyboard.keys}
    if "held" in row:
        assert held == {row["held"]}
    if row.get("family") not in (None, "either"):
        assert {k.families for k in keyboard.keys} <= {(row["family"],), ("not known",)}
