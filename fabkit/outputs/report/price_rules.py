"""The house's rates as data, so that a page can price other quantities and options by itself.

No price is worked out twice: terms, formulas and numbers are those of ``fabkit.costs``, taken for
every value of the options that a term depends on.  The page evaluates the same formulas in the
same decimal arithmetic (28 digits, half to even, as Python's), and rounds where the library does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import product
from typing import Final

from fabkit.base.tables import Record
from fabkit.costs.invoice import Job, Unpriced, board_elements, rates_of, tax_lines
from fabkit.costs.lines import PARTS_GROUPS, Element, Group, Input, Line
from fabkit.costs.model import BoardFacts, CostSheet, Offer
from fabkit.costs.offers import (
    Design,
    curve_quantities,
    designs_of,
    exchange_to,
    jobs_of,
    pieces_needed,
    price_quantity,
    target_currency,
)
from fabkit.parts.model import Bill
from fabkit.sheets.house import House
from fabkit.sheets.order import BoardChoice, Order
from fabkit.sheets.prices import Currency, RateCard

AXES: Final = ("thickness_mm", "copper_oz", "colour", "finish", "lead_time")
"""Options the page offers, in the order of their controls."""

DEPENDS: Final[Mapping[str, tuple[str, ...]]] = {
    "base": ("range",),
    "area": ("range", "copper_oz", "lead_time"),
    "thickness": ("thickness_mm",),
    "colour": ("colour",),
    "finish": ("finish",),
}
"""What the terms of a board line depend on beside the number of pieces; others on nothing."""

PIECES: Final = "pieces"
"""The input of a formula that is the quantity."""


def price_rules(
    facts: Sequence[BoardFacts], bill: Bill | None, house: House, order: Order, costs: CostSheet
) -> Record | None:
    """Everything a page needs to price an order; None when the order itself has no price.

    None, too, for a house with a least price: the page adds terms, and that one is no term.

    Parameters
    ----------
    facts
        Of each design of the order, in its order.
    costs
        The quote; the page must come to the same.
    """
    if not costs.offers or rates_of(house).minimum:
        return None
    designs = designs_of(facts, order)
    need = pieces_needed(designs, order)
    quantities = curve_quantities(need, house)
    quantities = tuple(q for q in quantities if house.allowed(q))
    ordered = {q: jobs_of(designs, q, house, order) for q in quantities}
    rates, target = rates_of(house), target_currency(house, order)
    exchange = exchange_to(rates.currency, target, order)
    choices, refused = _choices(designs[0].facts, quantities[0], house, order)
    sample = price_quantity(designs, quantities[0], house=house, order=order, bill=bill)
    start = costs.best or costs.offers[0]
    return {
        "currency": _currency(target),
        "invoice": _currency(rates.currency),
        "exchange": None if exchange is None else str(exchange.value),
        "quantities": list(quantities),
        "start": start.quantity if start.quantity in quantities else quantities[0],
        "good_share": str(order.good_share),
        "halves_wanted": order.halves_wanted,
        "need": need,
        "choices": choices,
        "refused": refused,
        "chosen": {
            **{axis: _value(order.choice, axis) for axis in AXES},
            "extras": list(order.choice.extras),
        },
        "extras": list(rates.extras),
        "ranges": _ranges(rates),
        "jobs": [
            _job(design, k, len(designs), choices, house, order)
            | {"pieces": {str(q): jobs[k - 1].quantity for q, jobs in ordered.items()}}
            for k, design in enumerate(designs, start=1)
        ],
        "parcel": _parcel(rates),
        "tax": [_template(line) for line in _taxes(sample, rates, order, target)],
        "parts": [
            {"key": a.key, "title": a.title, "group": a.group.value, "amount": str(a.amount)}
            for a in sample.lines
            if a.group in PARTS_GROUPS
        ],
    }


def _currency(money: Currency) -> Record:
    return {
        "code": money.code,
        "step": str(money.step),
        "digits": money.digits,
        "half": "even" if money.mode == "half-even" else "up",
    }


def _value(choice: BoardChoice, axis: str) -> str:
    """Write an option as the key of a table; lengths without superfluous zeros."""
    value = getattr(choice, axis)
    return f"{float(value):g}" if isinstance(value, Decimal) else str(value)


def _with(choice: BoardChoice, axis: str, value: str) -> BoardChoice:
    if axis in ("thickness_mm", "copper_oz"):
        return replace(choice, **{axis: Decimal(value)})  # type: ignore[arg-type]
    return replace(choice, **{axis: value})  # type: ignore[arg-type]


def _choices(
    facts: BoardFacts, quantity: int, house: House, order: Order
) -> tuple[dict[str, list[Record]], list[str]]:
    """Values of each option that have a price, and why the others have none."""
    options, rates = house.options, rates_of(house)
    offered: dict[str, list[tuple[str, str]]] = {
        "thickness_mm": [(f"{t:g}", f"{t:g} mm") for t in options.thickness_mm],
        "copper_oz": [(f"{c:g}", f"{c:g} oz/ft²") for c in options.copper_oz],
        "colour": [(c, c) for c in options.colours],
        "finish": [(f.key, f.title) for f in options.finishes.values()],
        "lead_time": [(name, name) for name in rates.lead_time],
    }
    job = Job(facts=facts, quantity=quantity)
    good: dict[str, list[Record]] = {}
    refused: list[str] = []
    for axis, values in offered.items():
        good[axis] = []
        for value, title in values:
            try:
                board_elements(job, house, _with(order.choice, axis, value))
            except Unpriced as error:
                refused.append(error.message)
            else:
                good[axis].append({"value": value, "title": title})
    return good, refused


def _ranges(rates: RateCard) -> list[int]:
    """First quantities of the ranges within which tiers and area rates do not change."""
    starts = {1}
    rows = [
        *((a.from_quantity, a.to_quantity) for a in rates.area.rates),
        *((t.from_quantity, t.to_quantity) for t in rates.tiers),
    ]
    for first, last in rows:
        starts.add(first)
        if last is not None:
            starts.add(last + 1)
    return sorted(starts)


def _job(
    design: Design,
    number: int,
    designs: int,
    choices: Mapping[str, list[Record]],
    house: House,
    order: Order,
) -> Record:
    facts = design.facts
    ranges = _ranges(rates_of(house))
    values = {
        "range": [str(r) for r in ranges],
        **{axis: [c["value"] for c in found] for axis, found in choices.items()},
    }
    plain = replace(order.choice, extras=())

    def elements(where: Mapping[str, str], extras: tuple[str, ...] = ()) -> tuple[Element, ...]:
        choice = replace(plain, extras=extras)
        for axis, value in where.items():
            if axis != "range":
                choice = _with(choice, axis, value)
        quantity = int(where.get("range", ranges[0]))
        job = Job(facts=facts, quantity=quantity, designs=design.designs, panel=design.panel)
        return board_elements(job, house, choice)

    # A price that one range of quantities lacks must not hide what the others cost.
    usual = {"range": str(next(r for r in reversed(ranges) if r <= house.next_quantity(1)))}
    at_rest = elements(usual)
    forced = [e.key for e in at_rest if e.key == house.fine_surcharge]
    terms = [
        {"axes": [], "rows": {"": [_element(e)]}}
        for e in at_rest
        if e.key not in DEPENDS and e.key not in forced
    ]
    for key, axes in DEPENDS.items():
        rows: Record = {}
        for point in product(*(values[a] for a in axes)):
            where = {**usual, **dict(zip(axes, point, strict=True))}
            try:
                rows["|".join(point)] = [_element(e) for e in elements(where) if e.key == key]
            except Unpriced as error:
                rows["|".join(point)] = error.message
        terms.append({"axes": list(axes), "rows": rows})
    return {
        "key": "boards" if designs == 1 else f"boards {number}",
        "name": facts.name,
        "halves": design.halves,
        "width_mm": str(facts.width_mm),
        "height_mm": str(facts.height_mm),
        "grams": {
            f"{t['value']}|{c['value']}": str(facts.weight_g(Decimal(t["value"]), c["value"]))
            for t in choices["thickness_mm"]
            for c in choices["copper_oz"]
        },
        "terms": terms,
        "forced": forced,
        "extras": {
            name: _element([e for e in elements(usual, (name,)) if e.key == name][-1])
            for name in rates_of(house).extras
        },
    }


def _element(element: Element) -> Record:
    return {
        "title": element.title,
        "rule": element.rule,
        "formula": element.expression,
        "inputs": [_input(i) for i in element.inputs],
    }


def _input(item: Input) -> Record:
    made: Record = {"name": item.name, "unit": item.unit, "origin": item.origin}
    if item.lines:
        made["lines"] = list(item.lines)
    elif item.name != PIECES:
        made["value"] = str(item.value)
    return made


def _parcel(rates: RateCard) -> Record:
    ship = rates.shipping
    return {
        "packing_g": str(ship.packing_g),
        "packing_share": str(ship.packing_share),
        "divisor": str(ship.volumetric_divisor) if ship.volumetric_divisor else None,
        "stack_height_mm": str(ship.stack_height_mm),
        "bands": [{"up_to_g": str(b.up_to_g), "price": str(b.price)} for b in ship.bands],
    }


def _taxes(
    sample: Offer, rates: RateCard, order: Order, target: Currency
) -> tuple[Line, ...] | Iterator[Line]:
    if rates.tax != "net":
        return ()
    carried = [a for a in sample.lines if a.group in (Group.BOARDS, Group.SHIPPING)]
    return tax_lines(carried, order.tax, target)


def _template(line: Line) -> Record:
    return {
        "key": line.key,
        "title": line.title,
        "group": line.group.value,
        "whole_units": line.whole_units,
        "terms": [_element(e) for e in line.elements],
    }
