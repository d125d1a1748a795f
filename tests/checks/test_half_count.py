"""What the user says of a board is held against it; a left and a right half are compared."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from boards import board_at
from click.testing import CliRunner

import fabkit
from fabkit.checks.model import CheckOptions
from fabkit.cli.group import cli

DEMO = "../fabkit/demo/rev-b"
FIXTURES = Path(__file__).parents[2] / "fixtures"


def told(use=None, folder=DEMO):
    """What is told of the user's word on a board."""
    board = board_at(FIXTURES / folder)
    return list(fabkit.check(board, options=CheckOptions(only=("half/use",), use=use)))


def test_a_word_that_the_files_contradict_is_told():
    """The reversible demo said to be both halves: a warning that names both readings."""
    (found,) = told("both")

    assert found.id == "half/contradicted"
    assert "both halves" in found.message
    assert "reversible" in found.message
    assert found.places


@pytest.mark.parametrize(
    ("use", "folder"),
    [(None, DEMO), ("reversible", DEMO), ("both", "kinds/both-equal")],
)
def test_no_word_and_the_right_word_are_not_told(use, folder):
    """Where nothing is said, or what the files show too, there is nothing to tell."""
    assert told(use, folder) == []


def test_a_pair_is_judged_with_its_left_half():
    """``check(left, other_half=right)`` tells that the fixture's halves are mirror images."""
    left, right = (board_at(FIXTURES / "pair" / side) for side in ("left", "right"))
    options = CheckOptions(only=("half/pair",))
    (found,) = fabkit.check(left, options=options, other_half=right)

    assert found.id == "half/pair"
    assert "mirror images" in found.message
    assert list(fabkit.check(left, options=options)) == []


def test_the_command_compares_two_packages():
    """``check LEFT --right RIGHT`` tells it too, and of another board that it is no pair."""
    left = str(FIXTURES / "pair" / "left")
    for other, rule in (("pair/right", "half/pair"), (DEMO, "half/pair-unrelated")):
        asked = ["check", left, "--right", str(FIXTURES / other), "--only", "half/pair", "--json"]
        record = json.loads(CliRunner().invoke(cli, asked).output)
        assert [f["id"] for f in record["findings"]] == [rule]
