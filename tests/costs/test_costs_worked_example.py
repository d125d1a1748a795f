"""Worked examples of how boards are commonly priced (common practice; every figure invented)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from fabkit.base.units import board_weight_g
from fabkit.costs.lines import Group
from fabkit.costs.model import BoardFacts
from fabkit.costs.offers import designs_of, price_quantity
from fabkit.costs.quote import quote
from fabkit.sheets.house import load_house
from fabkit.sheets.order import BoardChoice, Order, Tax, order_for

D = Decimal

FACTS = BoardFacts(
    name="half",
    width_mm=D("95.0"),
    height_mm=D("72.0"),
    area_mm2=6840.0,
    layers=2,
)


def example_order() -> Order:
    """95 x 72 mm, 1.2 mm, black, ENIG; 20 % tax, duty above 150 (all invented)."""
    return replace(
        order_for("half", keyboards=5),
        choice=BoardChoice(thickness_mm=D("1.2"), colour="black", finish="enig"),
        quantities=(10,),
        tax=Tax(
            vat_rate=D("0.20"), duty_rate=D("0.05"), duty_threshold=D(150), date=date(2025, 1, 1)
        ),
    )


def test_ten_boards_to_the_cent() -> None:
    """25.762 rounds once to 25.76, shipping 12.00, no duty, tax 7.55: 45.31 in all, 4.531 each."""
    order = example_order()
    house = load_house(None)
    offer = price_quantity(designs_of((FACTS,), order), 10, house=house, order=order)
    lines = {line.key: line for line in offer.lines}

    assert lines["boards"].exact == D("25.762")
    assert lines["boards"].amount == D("25.76")
    assert lines["shipping"].amount == D("12.00")
    assert lines["duty"].amount == D("0.00")
    assert lines["vat"].exact == D("7.552")
    assert lines["vat"].amount == D("7.55")
    assert offer.total == D("45.31")
    assert offer.per_board == D("4.531")


def test_terms_of_the_board_line() -> None:
    """Set-up 8.00, tier 3.00, area 6.84 dm2 at 0.55 = 3.762, colour 2.00, ENIG 9.00."""
    order = example_order()
    offer = price_quantity(designs_of((FACTS,), order), 10, house=load_house(None), order=order)
    board = next(line for line in offer.lines if line.group is Group.BOARDS)

    assert {e.key: e.value for e in board.elements} == {
        "setup": D(8),
        "base": D(3),
        "area": D("3.762"),
        "colour": D(2),
        "finish": D(9),
    }


def test_weight_of_the_parcel() -> None:
    """0.684 dm2 x 1.2 mm x 18.5 = 15.185 g; ten of them, 5 % and 150 g give 309.44 g."""
    assert board_weight_g(6840, 1.2) == pytest.approx(15.1848, abs=1e-6)
    order = example_order()
    offer = price_quantity(designs_of((FACTS,), order), 10, house=load_house(None), order=order)

    assert offer.weight_g == pytest.approx(D("15.185") * 10 * D("1.05") + 150)


@pytest.mark.parametrize(
    ("area", "thickness", "cover", "laminate_and_copper"),
    [
        (100 * 100, 1.6, (0.5, 0.5), 31.430),
        (300 * 100, 1.6, (0.35, 0.35), 91.485),
        (85.60 * 53.98, 0.76, (0.5, 0.5), 7.342),
    ],
)
def test_weight_with_copper(
    area: float, thickness: float, cover: tuple[float, ...], laminate_and_copper: float
) -> None:
    """FR-4 1.85 g/cm3 and 34.8 um of copper 8.96 g/cm3 (handbook densities), three closed forms."""
    got = board_weight_g(area, thickness, copper_um=34.8, cover=cover)

    assert got == pytest.approx(laminate_and_copper, abs=1.5e-3)


def test_weight_without_copper() -> None:
    """The simple product of density, area and thickness (29.600, 88.800 and 6.497 g)."""
    assert board_weight_g(10_000, 1.6) == pytest.approx(29.600, abs=5e-4)
    assert board_weight_g(30_000, 1.6) == pytest.approx(88.800, abs=5e-4)
    assert board_weight_g(85.60 * 53.98, 0.76) == pytest.approx(6.497, abs=5e-4)


def test_five_reversible_boards_are_two_and_a_half_keyboards() -> None:
    """Five boards of a reversible design give five halves (common practice)."""
    order = replace(example_order(), keyboards=2, quantities=(5,))
    sheet = quote(FACTS, None, load_house(None), order)

    assert sheet.offers[0].keyboards_possible == D("2.5")
    assert sheet.offers[0].halves_used == 4
    assert sheet.offers[0].halves_left == 1
