"""The current curve against the points of IPC-2221's curve fit."""

from __future__ import annotations

import pytest

from fabkit.checks.copper_objects import POWER, width_mm

# IPC-2221 curve fit I = k dT^0.44 A^0.725, k 0.048 outer and 0.024 inner (A in square mils):
# layer, width mm, copper um, rise K, ampere, as worked out by hand from it.
POINTS = [
    (False, 0.25, 34.8, 10, 0.8717),
    (False, 0.50, 34.8, 20, 1.9547),
    (True, 0.25, 34.8, 10, 0.4359),
    (False, 1.00, 69.6, 10, 3.9366),
    (False, 0.254, 35.0, 10, 0.8855),
    (False, 0.20, 34.8, 20, 1.0060),
]


@pytest.mark.parametrize(("inner", "width", "copper", "rise", "amps"), POINTS)
def test_current_follows_the_curve(inner, width, copper, rise, amps):
    """Each point of the curve is met to what the last digit of its current leaves open."""
    found = width_mm(amps, copper_um=copper, rise_k=rise, inner=inner)
    assert found == pytest.approx(width, abs=6e-5)


@pytest.mark.parametrize(
    ("amps", "inner", "rise", "width"),
    [(0.5, False, 10, 0.1161), (1.0, False, 10, 0.3021), (2.0, False, 10, 0.7859),
     (1.0, True, 10, 0.7859), (3.0, False, 20, 0.9028)],
)  # fmt: skip
def test_width_for_a_current(amps, inner, rise, width):
    """Widths for given currents, from the same curve solved for the area."""
    assert width_mm(amps, rise_k=rise, inner=inner) == pytest.approx(width, abs=6e-5)


@pytest.mark.parametrize("name", ["VBAT", "BAT+", "VBUS", "+5V", "3V3", "RAW", "VCC", "/power/VIN"])
def test_supply_nets_are_known_by_words_of_the_trade(name):
    """Names that carry supply current."""
    assert POWER.search(name)


@pytest.mark.parametrize("name", ["COL1", "ROW3", "LED_DATA", "SDA", "RESET", "D5", "KEY07"])
def test_signals_are_no_supply_nets(name):
    """Names that do not."""
    assert not POWER.search(name)
