"""Halves that lie on one board are counted; a left and a right design are laid on each other."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from rules.set_cases import SOUND, dots, drill, frame, layer, line

import fabkit
from fabkit.checks.model import CheckOptions
from fabkit.cli.group import cli
from fabkit.intake.model import Intake, Member
from fabkit.package.build import read_package

FIXTURES = Path(__file__).parents[2] / "fixtures"
DEMO = Path(__file__).parents[2] / "fabkit" / "demo"
LEFT = [(8, 8), (8, 27), (27, 10), (27, 29), (46, 5)]
"""Key places of an invented half, mm; it is 55 x 40 mm."""


def files(halves, outlines, joining=""):
    """A package with keys of 3.4 mm, each with a pad, and a track from key to key."""
    body = "".join(dots(*((x + 3, y) for x, y in half)) for half in halves)
    body += "".join(line(*((x + 3, y) for x, y in half)) for half in halves)
    keys = [spot for half in halves for spot in half]
    return SOUND | {
        "top.gbr": layer("Copper,L1,Top", body + joining, pen=0.5),
        "bottom.gbr": layer("Copper,L2,Bot", dots((11, 8)), pen=0.5),
        "mask-top.gbr": layer("Soldermask,Top", body, polarity="Negative", pen=0.6),
        "profile.gbr": layer("Profile,NP", outlines, pen=0.1),
        "holes.drl": drill((11, 8), size=0.3),
        "keys.drl": drill(*keys, size=3.4, function="NonPlated,1,2,NPTH"),
    }


def told(texts, **options):
    """What is told about halves on one board."""
    members = tuple(Member(n, t.encode()) for n, t in sorted(texts.items()))
    package = read_package(Intake(name="p", source="p", members=members, left_out=()))
    result = fabkit.check(
        fabkit.build_board(package), options=CheckOptions(only=("half/together",), **options)
    )
    assert [o.state.value for o in result.outcomes] in (["passed"], ["found"])
    return list(result)


def moved(half, x, sign=1):
    """A half shifted to the right, mirrored when ``sign`` is -1."""
    return [(sign * a + x, b) for a, b in half]


TWO = frame(55, 40) + frame(55, 40, x=60)
ONE = frame(115, 40)


@pytest.mark.parametrize("outline", [TWO, ONE], ids=["two outlines", "one outline"])
def test_left_and_right_on_one_board(outline):
    """Mirror images on one board are two halves, and the order is told to say so."""
    (found,) = told(files([LEFT, moved(LEFT, 115, -1)], outline))

    assert (found.id, found.measured) == ("half/together", 2)
    assert "mirror images" in found.message
    assert 'side = "both"' in found.remedy
    assert [(p.x_mm, p.y_mm) for p in found.places] == [(27, 17), (88, 17)]


def test_two_copies_on_one_board():
    """Two copies of one half are told as such."""
    (found,) = told(files([LEFT, moved(LEFT, 60)], TWO))

    assert "copies" in found.message
    assert "halves = 2" in found.remedy


def test_an_order_that_counts_them_is_not_told():
    """With two halves a board in the order there is nothing to say."""
    assert told(files([LEFT, moved(LEFT, 115, -1)], TWO), halves=2) == []


def test_a_keyboard_in_one_piece_is_no_pair():
    """Where tracks run from one side to the other, the board is one keyboard."""
    right = moved(LEFT, 115, -1)
    joining = "".join(
        line((a + 3, b), (c + 3, d)) for (a, b), (c, d) in zip(LEFT, right, strict=True)
    )
    assert told(files([LEFT, right], ONE, joining)) == []


def test_one_half_is_no_pair():
    """One half alone, and the reversible demo, are one."""
    assert told(files([LEFT], frame(55, 40))) == []
    board = fabkit.build_board(fabkit.open_package(DEMO / "rev-b"))
    assert list(fabkit.check(board, options=CheckOptions(only=("half/together",)))) == []


def test_a_pair_is_judged_with_its_left_half():
    """``check(left, other_half=right)`` tells that the fixture's halves are mirror images."""
    left, right = (
        fabkit.build_board(fabkit.open_package(FIXTURES / "pair" / side))
        for side in ("left", "right")
    )
    options = CheckOptions(only=("half/pair",))
    (found,) = fabkit.check(left, options=options, other_half=right)

    assert found.id == "half/pair"
    assert "mirror images" in found.message
    assert list(fabkit.check(left, options=options)) == []


def test_the_command_compares_two_packages():
    """``check LEFT --right RIGHT`` tells it too, and of another board that it is no pair."""
    left = str(FIXTURES / "pair" / "left")
    for other, rule in (
        ("pair/right", "half/pair"),
        (DEMO, "half/pair-unrelated"),
    ):
        asked = ["check", left, "--right", str(FIXTURES / other), "--only", "half/pair", "--json"]
        record = json.loads(CliRunner().invoke(cli, asked).output)
        assert [f["id"] for f in record["findings"]] == [rule]
