"""Lines of a profile that divide the board are reported; score lines between boards are not."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from yardstick import outlines  # noqa: F401 -- its kinds are entered by its import
from yardstick.kind import KINDS
from yardstick.parcel import Parcel, load_parcel

import fabkit
from fabkit.base.findings import Finding

FIXTURES = Path(__file__).parents[2] / "fixtures"


@cache
def package(name: str) -> Parcel:
    return load_parcel(FIXTURES / name, name)


def across(parcel: Parcel, folder: Path) -> list[Finding]:
    board = fabkit.build_board(fabkit.open_package(parcel.written(folder)))
    return [f for f in board.problems if f.id == "profile/line-across"]


@pytest.mark.parametrize("name", ["card", "kinds/soldered", "kinds/both-equal"])
@pytest.mark.parametrize("kind_id", ["profile/line-across", "profile/crossing"])
def test_a_line_through_the_board_is_found(name, kind_id, tmp_path):
    """The line goes from edge to edge; the loop stands 2 mm to either side of the edge."""
    plant = KINDS[kind_id].plant(package(name))
    (found,) = across(plant.parcel, tmp_path)
    left, _, right, _ = plant.parcel.edge
    longest = right - left if kind_id == "profile/line-across" else 8.0
    assert 1.0 < found.measured <= longest + 0.1


@pytest.mark.parametrize("name", ["card", "kinds/soldered", "kinds/both-equal", "pair/left"])
def test_outlines_and_panels_have_none(name, tmp_path):
    assert across(package(name), tmp_path) == []
