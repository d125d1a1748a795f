"""Weight, stiffness and the thickness table against closed forms and handbook values."""

from __future__ import annotations

import pytest

from fabkit.base.materials import board_weight_g
from fabkit.checks.thickness import (
    plate_rigidity_nmm,
    press_deflection,
    relative_stiffness,
)


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
