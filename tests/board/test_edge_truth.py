"""Sizes and panels of the invented boards are those of their plans (fixtures/TRUTH.toml)."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from boards import board_at

import fabkit
from fabkit.board.single import single_board
from fabkit.costs.model import facts_from_board

FIXTURES = Path(__file__).parents[2] / "fixtures"
TRUTH = tomllib.loads((FIXTURES / "TRUTH.toml").read_text(encoding="utf-8"))["package"]
CASES = [pytest.param(row, id=row["path"]) for row in TRUTH]


@pytest.mark.parametrize("row", CASES)
def test_size_and_panel_are_those_of_the_plan(row: dict[str, Any]) -> None:
    """One board has the planned size; a panel of equal boards the planned count and size.

    Coarse inch files round by 2.54 um at either end.
    """
    board = board_at(FIXTURES / row["path"])

    assert single_board(board).size_mm == pytest.approx(row["size_mm"], abs=0.02)
    if "panel" not in row:
        assert board.panel is None or not board.panel.equal
        return
    planned = row["panel"]
    assert board.panel is not None
    assert (board.panel.count, board.panel.equal) == (planned["count"], True)
    assert board.panel.size_mm == pytest.approx(planned["size_mm"], abs=0.02)
    facts = facts_from_board(board)
    assert facts.boards == planned["count"]
    assert [float(facts.width_mm), float(facts.height_mm)] == pytest.approx(planned["size_mm"])


def test_quote_counts_the_boards_of_a_panel() -> None:
    """A piece is a panel: it gives the two halves of a keyboard as often as it has boards."""
    (row,) = [r for r in TRUTH if r["path"] == "kinds/panel-scored"]
    board = board_at(FIXTURES / row["path"])
    costs = fabkit.quote(board)

    (offer, *_) = costs.offers
    assert row["board"] == "whole"
    assert offer.halves_made == 2 * row["panel"]["count"] * offer.quantity
    assert "cost/panel" in [p.id for p in costs.problems]
