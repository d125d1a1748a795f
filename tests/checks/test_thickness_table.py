"""Weight, stiffness and the thickness table against closed forms and handbook values."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from boards import board_at

import fabkit
from fabkit.base.units import board_weight_g
from fabkit.checks.choices import (
    judge_thicknesses,
    plate_rigidity_nmm,
    press_deflection,
    relative_stiffness,
)
from fabkit.costs.model import facts_of_order
from fabkit.outputs.records import thickness_record
from fabkit.outputs.verdict import thickness_table
from fabkit.sheets.order import order_for

FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.mark.parametrize(
    ("thickness", "ratio"), [(0.8, 0.125), (1.0, 0.2441), (1.2, 0.4219), (1.6, 1), (2.0, 1.9531)]
)
def test_stiffness_is_the_third_power(thickness, ratio):
    """(t / 1.6)^3."""
    assert relative_stiffness(thickness) == pytest.approx(ratio, abs=5e-5)


@pytest.mark.parametrize(
    ("width", "height", "thickness", "cover", "grams"),
    [
        (100, 100, 1.6, 0.50, 31.430),
        (300, 100, 1.6, 0.35, 91.485),
        (85.60, 53.98, 0.76, 0.5, 7.342),
    ],
)
def test_weight_of_laminate_and_copper(width, height, thickness, cover, grams):
    """Laminate 1.85 g/cm3, copper 8.96 g/cm3 and 34.8 um on two layers (handbook densities)."""
    found = board_weight_g(width * height, thickness, cover=(cover, cover), copper_um=34.8)
    assert found == pytest.approx(grams, abs=1e-3)


def test_deflection_goes_with_the_inverse_third_power():
    """Halving the thickness makes eight times the deflection, doubling the reach four times."""
    thick = press_deflection(30, 1.6)
    assert press_deflection(30, 0.8) == pytest.approx(8 * thick)
    assert press_deflection(60, 1.6) == pytest.approx(4 * thick)


def test_plate_rigidity():
    """E t^3 / 12 (1 - nu^2), E 22 GPa, nu 0.13, by hand: 7638.4 N mm at 1.6 mm."""
    assert plate_rigidity_nmm(1.6) == pytest.approx(22000 * 1.6**3 / 12 / (1 - 0.13**2), rel=1e-12)
    assert plate_rigidity_nmm(1.6) == pytest.approx(7638.4, abs=0.1)


def _board(path):
    return board_at(FIXTURES / path)


def test_weights_of_checks_and_costs_agree():
    """The demo's board weighs the same in the table of thicknesses and in the parcel."""
    board = _board("../fabkit/demo/rev-b")
    (facts,) = facts_of_order(order_for("rev-b"), [board], [fabkit.check(board)])

    for row in judge_thicknesses(board):
        assert facts.weight_g(Decimal(str(row.thickness_mm))) == Decimal(
            str(round(row.weight_g, 3))
        )


def test_the_table_states_the_support_and_what_clips_in():
    """A plate for full-height switches is 1.5 mm thick, for low-profile ones 1.2 mm, each within
    0.1 mm (common practice); what has no openings for switches has no such column."""
    plate, board = (judge_thicknesses(_board(p)) for p in ("kinds/plate", "linnet/rev-1"))
    table = thickness_table([thickness_record(row) for row in plate])

    assert {r.thickness_mm: r.clips for r in plate if r.clips != "none"} == {
        1.2: "low-profile",
        1.6: "full-height",
    }
    assert {r.held_by for r in (*plate, *board)} <= {"screws", "outline"}
    assert f"the key farthest from a screw, {plate[0].reach_mm:.0f} mm" in table.title
    assert not any(r.clips for r in board)
