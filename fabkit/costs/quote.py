"""The quote: board facts, parts list, house and order in, cost sheet out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

from fabkit.base.findings import Finding, worst_first
from fabkit.base.units import counted
from fabkit.costs.board_line import Unpriced, rates_of
from fabkit.costs.facts import BoardFacts
from fabkit.costs.model import Basis, CostSheet, HouseRow, LaidPanel, Offer
from fabkit.costs.offers import (
    best_of,
    compare_ways,
    curve_quantities,
    designs_of,
    pieces_needed,
    price_quantity,
    shown_quantities,
    target_currency,
    try_cheapest,
    with_marginals,
)
from fabkit.costs.remarks import (
    bill_remarks,
    facts_remarks,
    house_remarks,
    invented_remarks,
    learned_notices,
    notices_of,
    offer_remarks,
    unpriced_parts,
    untaxed,
)
from fabkit.costs.sensitivity import find_effects, price_revisions
from fabkit.costs.sharing import share_cost
from fabkit.parts.model import Bill
from fabkit.sheets.house import House
from fabkit.sheets.money import find_currency
from fabkit.sheets.order import Order


def quote(
    facts: BoardFacts | Sequence[BoardFacts],
    bill: Bill | None,
    house: House,
    order: Order,
    *,
    others: Sequence[House] = (),
    today: date | None = None,
    laid: LaidPanel | None = None,
) -> CostSheet:
    """Price an order.

    What the house does not offer, or has no price for, is a finding and leaves the sheet without
    offers: a total with a hole in it is never shown.

    Parameters
    ----------
    facts
        Of each design of the order, in its order.
    bill
        Parts list of the keyboard; None prices bare boards.
    others
        Further houses to compare with.
    today
        For the age of prices; None leaves it unjudged.
    laid
        One panel of the boards, as they were laid; None prices it by their boxes.

    Raises
    ------
    UsageError
        Facts and order do not belong together.
    """
    measured = (facts,) if isinstance(facts, BoardFacts) else tuple(facts)
    try:
        sheet = _quote(measured, bill, house, order, others, today)
        ways = compare_ways(measured, house=house, order=order, bill=bill, laid=laid)
        return replace(sheet, ways=ways)
    except Unpriced as error:
        where = order.place_of_option(error.option)
        problem = Finding.of(error.rule, f"{where}{error.message}", advice=error.hint)
        code = order.currency or (house.rates.currency.code if house.rates else "cu")
        return CostSheet(
            name=order.name,
            house=house.name,
            currency=find_currency(code),
            houses=compare_houses(measured, bill, (house, *others), order) if others else (),
            problems=(problem,),
            notices=notices_of(house, bill),
            terms=_terms(house, order, bill),
        )


def _quote(
    measured: Sequence[BoardFacts],
    bill: Bill | None,
    house: House,
    order: Order,
    others: Sequence[House],
    today: date | None,
) -> CostSheet:
    designs = designs_of(measured, order)
    need = pieces_needed(designs, order)

    def priced(quantities: Sequence[int]) -> tuple[Offer, ...]:
        return tuple(
            price_quantity(designs, q, house=house, order=order, bill=bill) for q in quantities
        )

    curve = with_marginals(priced(curve_quantities(need, house)))
    offers = with_marginals(priced(order.quantities or shown_quantities(need, house)))
    best = best_of(curve)
    problems: list[Finding] = [
        *house_remarks(house, order, bill, today),
        *invented_remarks(house, bill),
        *facts_remarks(measured, house),
        *offer_remarks(offers, curve, designs, house, order),
        *(bill_remarks(bill, order, today) if bill is not None else ()),
    ]
    return CostSheet(
        name=order.name,
        house=house.name,
        currency=target_currency(house, order),
        offers=offers,
        best=best,
        curve=curve,
        basis=Basis(house=house, order=order, facts=tuple(measured), bill=bill),
        unpriced=unpriced_parts(bill),
        untaxed=untaxed(house, order, bill),
        revisions=price_revisions(best, designs, house=house, order=order, bill=bill)
        if best is not None and bill is not None
        else None,
        shares=share_cost(best, order, bill) if best is not None else (),
        effects=find_effects(best, designs, house=house, order=order, bill=bill)
        if best is not None
        else (),
        houses=compare_houses(measured, bill, (house, *others), order) if others else (),
        problems=worst_first(problems),
        notices=(*notices_of(house, bill), *learned_notices(house, best, measured)),
        terms=_terms(house, order, bill),
    )


def compare_houses(
    facts: Sequence[BoardFacts], bill: Bill | None, houses: Sequence[House], order: Order
) -> tuple[HouseRow, ...]:
    """Find each house's cheapest covering offer, cheapest first; houses without one come last."""
    designs = designs_of(facts, order)
    rows = []
    for house in houses:
        found = try_cheapest(designs, house=house, order=order, bill=bill)
        rows.append(
            HouseRow(
                name=house.name, offer=found.offer, reason=found.reason, invented=house.invented
            )
        )
    return tuple(sorted(rows, key=lambda r: (r.offer is None, r.offer.total if r.offer else 0)))


def _wanted(order: Order) -> str:
    return "board" if all(one.use == "none" for one in order.boards) else "keyboard"


def _spare(halves: int) -> str:
    return "1 spare half" if halves == 1 else f"{halves} spare halves"


def _terms(house: House, order: Order, bill: Bill | None) -> Mapping[str, str]:
    choice = order.choice
    finish = house.options.finishes.get(choice.finish)
    terms = {
        "house": house.name,
        "prices of": str(rates_of(house).date) if house.rates else "no prices",
        "thickness": choice.thickness_words,
        "copper": f"{choice.copper_oz:f} oz/ft2",
        "mask": choice.colour,
        "finish": finish.title if finish else choice.finish,
        "lead time": choice.lead_time,
        "wanted": counted(order.keyboards, _wanted(order))
        + (" and " + _spare(order.spare_halves) if order.spare_halves else ""),
    }
    if bill is not None and order.reuse_share:
        worth = bill.currency.format(bill.left_worth(order.reuse_share))
        terms["left-over parts are worth"] = f"{worth}, at {order.reuse_share * 100:.0f} %"
    if choice.extras:
        terms["extras"] = ", ".join(choice.extras)
    return terms
