"""Rules of legends on planted packages, and their silence on the same packages unplanted."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from yardstick import films  # noqa: F401 -- its kinds are entered by its import
from yardstick.kind import KINDS
from yardstick.parcel import Parcel, load_parcel

import fabkit
from fabkit.base.findings import Consequence, Finding
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case
from fabkit.checks.runner import run_check

FIXTURES = Path(__file__).parents[2] / "fixtures"


def findings(parcel: Parcel, folder: Path, check_id: str) -> tuple[Finding, ...]:
    board = fabkit.build_board(fabkit.open_package(parcel.written(folder)))
    outcome = run_check(
        next(c for c in CHECKS if c.id == check_id), Case(board, fabkit.load_house())
    )
    assert not outcome.trace
    return outcome.findings


@cache
def package(name: str) -> Parcel:
    return load_parcel(FIXTURES / name, name)


def planted(kind_id: str, name: str) -> Parcel:
    return KINDS[kind_id].plant(package(name)).parcel


def test_shifted_legend_is_out_of_place(tmp_path):
    """It is said how to lay it back: the plant moves it by 8 and 3 mm."""
    parcel = planted("legend/shifted", "kinds/unsplit")
    (found,) = findings(parcel, tmp_path, "legend/place")
    assert found.id == "legend/out-of-place"
    assert found.measured > 0.05


@pytest.mark.parametrize("name", ["card", "kinds/unsplit", "pair/left", "defects/clean"])
@pytest.mark.parametrize("check_id", ["legend/place", "legend/direction"])
def test_legends_in_their_place_are_not_reported(name, check_id, tmp_path):
    assert findings(package(name), tmp_path, check_id) == ()


def test_both_legends_mirrored_or_exchanged_are_each_named(tmp_path):
    found = findings(planted("legend/both-mirrored", "card"), tmp_path, "legend/direction")
    assert {p.side for f in found for p in f.places} == {"top", "bottom"}
    assert all("exchanged" in f.message for f in found)


def test_text_that_the_edge_cuts_needs_a_decision(tmp_path):
    """The plant moves the words of a small board over its edge; as drawn, they keep off it."""
    name = "kinds/soldered"
    moved = findings(planted("legend/shifted", name), tmp_path / "moved", "legend/board")
    assert [f.consequence for f in moved if f.message.startswith("text")] == [Consequence.DECIDE]
    kept = findings(package(name), tmp_path / "kept", "legend/board")
    assert [f for f in kept if f.consequence >= Consequence.DECIDE] == []


def test_one_legend_mirrored_is_named_alone(tmp_path):
    (found,) = findings(
        planted("legend/mirrored-top", "kinds/unsplit"), tmp_path, "legend/direction"
    )
    assert {p.side for p in found.places} == {"top"}
