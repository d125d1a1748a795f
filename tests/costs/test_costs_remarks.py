"""What a quote remarks: each rule fires on one change to a plain order, and not without it.

All prices are invented; how surcharges and parcel bands work is common practice.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from parts.test_parts_bill import BOOK, book, make_board
from test_costs_quote import HOUSE, facts, order

from fabkit.costs.model import BoardFacts
from fabkit.costs.quote import quote
from fabkit.parts.bill import build_bill
from fabkit.sheets.order import Order

D = Decimal
BAND_MM2 = 33.333 / (1.85 * 0.16) * 100
"""Area of a 1.6 mm board of 33.333 g, mm2: ten and the packing weigh 500 g, a whole band."""


def told(board: BoardFacts, wanted: Order, bill_of: str | None = None) -> set[str]:
    """Ids of the remarks on an order; ``bill_of`` is a parts book for the plain board."""
    bill = None if bill_of is None else build_bill(make_board(keys=4), book(bill_of))
    return {finding.id for finding in quote(board, bill, HOUSE, wanted).problems}


@pytest.mark.parametrize(
    ("rule", "fails", "passes"),
    [
        ("cost/small-drill", {"smallest_drill_mm": D("0.15")}, {"smallest_drill_mm": D("0.20")}),
        ("cost/fine-track", {"smallest_track_mm": D("0.12")}, {"smallest_track_mm": D("0.125")}),
    ],
)
def test_surcharges_that_few_features_cause(
    rule: str, fails: dict[str, Decimal], passes: dict[str, Decimal]
) -> None:
    """Below the house's step it is told; at the step it costs nothing and is not."""
    assert rule in told(facts(**fails), order())
    assert rule not in told(facts(**passes), order())


def test_parcels_near_and_beyond_a_band() -> None:
    """cost/near-band just under a band's end; cost/split-parcel beyond the last; else neither."""
    rules = {"cost/near-band", "cost/split-parcel"}

    def parcels(area: float, quantity: int) -> set[str]:
        return rules & told(facts(area_mm2=area), order(quantities=(quantity,)))

    assert parcels(BAND_MM2, 10) == {"cost/near-band"}
    assert parcels(BAND_MM2 / 2, 10) == set()
    assert parcels(6840.0, 200) == {"cost/split-parcel"}


def test_quantity_that_gives_too_few_halves() -> None:
    """cost/not-enough: ten keyboards of two halves need twenty boards."""
    assert "cost/not-enough" in told(facts(), order(keyboards=10, quantities=(15,)))
    assert "cost/not-enough" not in told(facts(), order(keyboards=10, quantities=(25,)))


def test_parts_without_a_price() -> None:
    """cost/parts-unpriced: key cap and cable of the test book have no price."""
    price = 'price = [{ shop = "Shop", breaks = [{ from = 1, each = 1.00 }] }]\n'
    entries = [e if "price" in e else e + price for e in BOOK.split("\n[[part]]")]

    assert "cost/parts-unpriced" in told(facts(), order(), BOOK)
    assert "cost/parts-unpriced" not in told(
        facts(), order(), "\n[[part]]".join([BOOK.split("\n[[part]]")[0], *entries[1:]])
    )


def test_lithium_cells_are_told() -> None:
    """cost/lithium: cells travel under rules of their own."""
    cell = (
        '\n[[part]]\nkey = "cell"\ntitle = "Cell"\ncount = { keyboard = 2 }\nfitted = "loose"\n'
        'lasts = "carried_over"\nstage = "power"\n'
    )

    assert "cost/lithium" in told(facts(), order(), BOOK + cell + 'caution = "lithium"\n')
    assert "cost/lithium" not in told(facts(), order(), BOOK + cell)
