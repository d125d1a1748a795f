"""The page reckons as the library does, to the cent, for every quantity and option."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date
from decimal import Decimal, getcontext
from itertools import pairwise

import pytest

from fabkit.costs.model import BoardFacts
from fabkit.costs.offers import designs_of, price_quantity
from fabkit.costs.quote import quote
from fabkit.outputs.formats import plain
from fabkit.outputs.report.price_rules import AXES, price_rules
from fabkit.sheets.house import load_house
from fabkit.sheets.order import BoardChoice, Exchange, Order, OrderedBoard, Tax
from fabkit.sheets.prices import HoleDensity

pytestmark = pytest.mark.browser

MANY = """const [cases, rules] = arguments;
return cases.map(([c, quantity]) => window.fabkit.price(c, quantity, rules || undefined));"""


def priced(designs, choice, quantity, *, house, order, bill):
    """What the library says, in the page's words."""
    wanted = replace(
        order.choice,
        thickness_mm=Decimal(choice["thickness_mm"]),
        copper_oz=Decimal(choice["copper_oz"]),
        colour=choice["colour"],
        finish=choice["finish"],
        lead_time=choice["lead_time"],
        extras=tuple(choice["extras"]),
    )
    offer = price_quantity(
        designs, quantity, house=house, order=replace(order, choice=wanted), bill=bill
    )
    money = offer.currency
    share = [
        None if value is None else str(money.round(value))
        for value in (offer.per_board, offer.per_half, offer.per_keyboard)
    ]
    return {
        "lines": [[a.key, str(a.amount)] for a in offer.lines],
        "total": str(offer.total),
        "per_board": share[0],
        "per_half": share[1],
        "per_keyboard": share[2],
        "left_over": offer.halves_left,
    }


def all_by_turn(rules):
    """Every quantity with the order's options, each option at every third, and mixtures of all."""
    chosen = rules["chosen"]
    values = {axis: [c["value"] for c in rules["choices"][axis]] for axis in AXES}
    choices = [chosen]
    choices += [{**chosen, axis: v} for axis in AXES for v in values[axis]]
    choices += [{**chosen, "extras": [name]} for name in rules["extras"]]
    quantities = rules["quantities"]
    cases = [(chosen, q) for q in quantities]
    cases += [(choice, q) for n, choice in enumerate(choices) for q in quantities[n % 3 :: 3]]
    dice = random.Random(7)
    for _ in range(100):
        mixed = {axis: dice.choice(values[axis]) for axis in AXES}
        count = dice.randint(0, min(3, len(rules["extras"])))
        mixed["extras"] = dice.sample(rules["extras"], count)
        cases.append((mixed, dice.choice(rules["quantities"])))
    return cases


def test_the_page_prices_the_demonstration_as_the_library_does(page, report):
    """Quantities of the slider with every option by turn, and mixtures: equal to the cent."""
    c = report.contents
    rules = page.execute_script("return window.fabkit.rules")
    cases = all_by_turn(rules)
    designs = designs_of(c.facts, c.order)

    assert len(cases) > 300
    for (choice, quantity), shown in zip(cases, page.execute_script(MANY, cases), strict=True):
        wanted = priced(designs, choice, quantity, house=c.house, order=c.order, bill=c.bill)
        assert shown == wanted, (choice, quantity)


def test_the_slider_shows_what_the_quote_says(page, report):
    """Moved to each quantity of the quote, the slider shows that offer's cost of a half."""
    rules = page.execute_script("return window.fabkit.rules")
    for offer in report.contents.costs.offers:
        shown = page.execute_script(
            """const s = document.getElementById('pieces');
            s.value = arguments[0];
            s.dispatchEvent(new Event('input', {bubbles: true}));
            return [...document.querySelectorAll('#price-form [data-show=per-half],'
                + '#price-form [data-show=total]')].map(e => e.textContent)""",
            rules["quantities"].index(offer.quantity),
        )
        money = offer.currency

        assert shown == [money.format(money.round(offer.per_half)), money.format(offer.total)]


def harder_house():
    """Volumetric weight, rounded-up sides, a least area, density, panels: all that can differ."""
    house = load_house()
    rates = replace(
        house.rates,
        area=replace(house.rates.area, step_mm=Decimal("2.5"), min_dm2=Decimal("0.75")),
        hole_density=HoleDensity(per_dm2=Decimal(100), extra_hole=Decimal("0.013")),
        shipping=replace(house.rates.shipping, volumetric_divisor=Decimal(6000)),
    )
    finishes = dict(house.options.finishes)
    finishes["enig"] = replace(finishes["enig"], surcharge_per_dm2=Decimal("1.37"))
    return replace(
        house, rates=rates, options=replace(house.options, finishes=finishes), minimum=3, step=1
    )


def harder_order():
    """Two designs, another currency, tax in whole units, boards that fail."""
    boards = tuple(
        OrderedBoard(package=None, name=side, use=side, per_keyboard=1)
        for side in ("left", "right")
    )
    return Order(
        name="hard",
        file="",
        invented=True,
        boards=boards,
        keyboards=3,
        spare_halves=1,
        good_share=Decimal("0.9"),
        choice=BoardChoice(lead_free=False, extras=("stencil",)),
        currency="JPY",
        exchange=(
            Exchange(rate=Decimal("163.377"), date=None, source="invented", from_currency="cu"),
        ),
        tax=Tax(
            vat_rate=Decimal("0.19"),
            vat_threshold=Decimal(3000),
            duty_rate=Decimal("0.037"),
            duty_threshold=Decimal(9000),
            handling=Decimal(350),
            handling_share=Decimal("0.02"),
            whole_units=True,
            date=date(2025, 1, 1),
        ),
    )


FACTS = [
    BoardFacts(
        name=name,
        width_mm=Decimal(width),
        height_mm=Decimal("91.333"),
        area_mm2=9876.54321,
        layers=2,
        smallest_drill_mm=Decimal("0.3"),
        holes=holes,
        copper_cover=(0.41, 0.57),
        needs_fine=fine,
    )
    for name, width, holes, fine in (("left", "131.007", 251, True), ("right", "99.999", 90, False))
]


def test_harder_rates_are_priced_the_same(page):
    """Two designs with every kind of rate, tax and rounding: equal in every line."""
    house, order = harder_house(), harder_order()
    sheet = quote(FACTS, None, house, order)
    rules = plain(price_rules(FACTS, None, house, order, sheet))
    cases = all_by_turn(rules)
    designs = designs_of(FACTS, order)

    assert sheet.offers
    assert rules["jobs"][0]["forced"] == ["fine-class"]
    shown = page.execute_script(MANY, cases, rules)
    for (choice, quantity), page_says in zip(cases, shown, strict=True):
        wanted = priced(designs, choice, quantity, house=house, order=order, bill=None)
        assert page_says == wanted, (choice, quantity)


@pytest.mark.parametrize("mode", ["half-up", "half-even"])
def test_ties_are_rounded_the_same(page, mode):
    """A half goes up (away from zero) or to the even step, as the currency says."""
    house, order = (
        load_house(),
        Order(name="tie", file="", invented=True, boards=(OrderedBoard(package=None, name="b"),)),
    )
    facts = [replace(FACTS[1], width_mm=Decimal("123.5"), height_mm=Decimal(100))]
    rates = replace(house.rates, rounding=mode, setup=Decimal("8.0625"))
    house = replace(house, rates=rates)
    sheet = quote(facts, None, house, order)
    rules = plain(price_rules(facts, None, house, order, sheet))
    designs = designs_of(facts, order)
    cases = [(rules["chosen"], q) for q in rules["quantities"]]
    exact = [
        price_quantity(designs, q, house=house, order=order).lines[0].exact * 1000
        for q in rules["quantities"]
    ]

    assert any(value % 10 == 5 for value in exact), exact
    for (choice, quantity), shown in zip(
        cases, page.execute_script(MANY, cases, rules), strict=True
    ):
        assert shown == priced(designs, choice, quantity, house=house, order=order, bill=None)


def test_quantities_of_the_slider_can_be_ordered(page, report):
    """Every quantity is one the house takes, in ascending order, from below to beyond the need."""
    rules = page.execute_script("return window.fabkit.rules")
    house = report.contents.house

    assert all(house.allowed(q) for q in rules["quantities"])
    assert all(a < b for a, b in pairwise(rules["quantities"]))
    assert rules["quantities"][0] <= house.next_quantity(rules["need"]) <= rules["quantities"][-1]


def test_decimals_have_the_librarys_precision():
    """The page's 28 digits are those that Python's Decimal has by default."""
    assert getcontext().prec == 28
