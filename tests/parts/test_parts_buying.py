"""Packs, price breaks, spares and shops; prices are invented."""

from __future__ import annotations

import itertools
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.parts.book import Price, Shop
from fabkit.parts.buying import (
    Want,
    _search,
    _solve,
    list_lots,
    plan_purchases,
    shop_charges,
    total_of,
    with_spares,
)
from fabkit.parts.model import Lasting
from fabkit.sheets.order import SpareRule
from fabkit.sheets.prices import find_currency

D = Decimal
CU = find_currency("cu")
FREE = Shop(name="S")
BREAKS = ((1, D("0.60")), (10, D("0.50")), (50, D("0.42")), (100, D("0.28")))


def want(pieces: int, *prices: Price, key: str = "part") -> Want:
    """A wish for some pieces, without spares."""
    return Want(
        key=key, title=key, lasting=Lasting.USED_UP, need=pieces, wanted=pieces, prices=prices
    )


def price(
    shop: str = "S", pack: int = 1, breaks: tuple[tuple[int, Decimal], ...] = BREAKS
) -> Price:
    """A price of one shop."""
    return Price(shop=shop, pack=pack, minimum=1, breaks=breaks, at=f"{shop} {pack}")


@pytest.mark.parametrize(
    ("wanted", "pack", "bought", "unit", "cost"),
    [
        (8, 1, 8, "0.60", "4.80"),
        (9, 1, 10, "0.50", "5.00"),
        (45, 1, 50, "0.42", "21.00"),
        (62, 1, 62, "0.42", "26.04"),
        (66, 1, 66, "0.42", "27.72"),
        (67, 1, 100, "0.28", "28.00"),
        (120, 1, 120, "0.28", "33.60"),
        (8, 25, 25, "0.50", "12.50"),
        (9, 25, 25, "0.50", "12.50"),
        (45, 25, 50, "0.42", "21.00"),
        (62, 25, 100, "0.28", "28.00"),
        (66, 25, 100, "0.28", "28.00"),
        (67, 25, 100, "0.28", "28.00"),
        (120, 25, 125, "0.28", "35.00"),
    ],
)
def test_buying_up_to_a_break(wanted: int, pack: int, bought: int, unit: str, cost: str) -> None:
    """The worked table of price breaks: with and without packs of 25 (common practice)."""
    plan = plan_purchases([want(wanted, price(pack=pack))], {"S": FREE}, CU)
    (purchase,) = plan.purchases

    assert (purchase.bought, purchase.unit_price, purchase.cost) == (bought, D(unit), D(cost))
    assert plan.total == D(cost)


@pytest.mark.parametrize(
    ("need", "share", "least", "wanted"),
    [(36, "0.02", 2, 38), (36, "0.05", 2, 38), (400, "0.02", 2, 408), (5, "0.02", 1, 6)],
)
def test_spares(need: int, share: str, least: int, wanted: int) -> None:
    """The larger of the share and the least number (worked table, common practice)."""
    assert with_spares(need, SpareRule(share=D(share), least=least)) == wanted


def test_no_spares_of_nothing() -> None:
    """A part that is not needed gets no spares."""
    assert with_spares(0, SpareRule(share=D("0.1"), least=5)) == 0


def brute(wants: list[Want], shops: dict[str, Shop], *, extra: int) -> Decimal:
    """Least total over every number of pieces up to a bound and every shop, one by one.

    More pieces than the bound can only save charges of at most 2.00, and cost 0.30 each or more.
    """
    choices = []
    for item in wants:
        ways = []
        for offer in item.prices:
            top = max(item.wanted, *(b for b, _ in offer.breaks)) + extra + offer.pack
            ways.extend(
                (offer.shop, CU.round(pieces * offer.unit_price(pieces)))
                for pieces in range(item.wanted, top + 1)
                if pieces % offer.pack == 0 and pieces >= offer.minimum
            )
        choices.append(sorted(set(ways)))
    best = None
    for picked in itertools.product(*choices):
        goods: dict[str, Decimal] = {}
        for shop, cost in picked:
            goods[shop] = goods.get(shop, D(0)) + cost
        total = sum((v + sum(shop_charges(shops[s], v)) for s, v in goods.items()), D(0))
        best = total if best is None else min(best, total)
    assert best is not None
    return best


charges = st.integers(1, 100).map(lambda n: D(n) / 100)
unit_prices = st.integers(50, 300).map(lambda n: D(n) / 100)


@st.composite
def shopping(draw: st.DrawFn) -> tuple[list[Want], dict[str, Shop]]:
    """Up to three parts at two shops with shipping, free limits and fees."""
    shops = {
        name: Shop(
            name=name,
            shipping=draw(charges),
            free_from=draw(st.none() | st.integers(1, 12).map(Decimal)),
            small_below=draw(st.sampled_from([D(0), D(4), D(8)])),
            small_fee=draw(charges),
        )
        for name in ("N", "S")
    }
    wants = []
    for index in range(draw(st.integers(1, 3))):
        prices = []
        for name in draw(
            st.lists(st.sampled_from(["N", "S"]), min_size=1, max_size=2, unique=True)
        ):
            first = draw(unit_prices)
            second = first * draw(st.integers(60, 100)) / 100
            breaks = ((1, first), (draw(st.integers(2, 9)), second.quantize(D("0.01"))))
            prices.append(
                Price(shop=name, pack=draw(st.integers(1, 3)), minimum=1, breaks=breaks, at=name)
            )
        wants.append(want(draw(st.integers(1, 6)), *prices, key=f"p{index}"))
    return wants, shops


@given(shopping())
@settings(max_examples=30, deadline=None)
def test_plan_is_the_cheapest_there_is(case: tuple[list[Want], dict[str, Shop]]) -> None:
    """No number of pieces at any shop is cheaper: checked one by one."""
    wants, shops = case

    assert plan_purchases(wants, shops, CU).total == brute(wants, shops, extra=8)


@given(shopping())
@settings(max_examples=60, deadline=None)
def test_programme_agrees_with_the_search(case: tuple[list[Want], dict[str, Shop]]) -> None:
    """The mixed-integer programme finds the same least total as trying all combinations."""
    wants, shops = case
    lots = [list_lots(i, w, shops, CU) for i, w in enumerate(wants)]
    solved, proven = _solve([a for group in lots for a in group], len(wants), shops, CU)
    tried = total_of(_search(lots, shops, CU), shops)

    assert total_of(solved, shops) == tried
    assert proven


def test_large_case_is_solved() -> None:
    """Forty parts at three shops: solved, and no single change makes it cheaper."""
    shops = {
        n: Shop(name=n, shipping=D(s), free_from=D(f))
        for n, s, f in (("A", "4.00", "30"), ("B", "6.00", "50"), ("C", "2.50", "90"))
    }
    wants = [
        want(
            3 + i % 7,
            *(
                price(n, pack=1 + (i + j) % 5, breaks=((1, D(20 + (i * 7 + j * 5) % 60) / 100),))
                for j, n in enumerate(shops)
            ),
            key=f"p{i}",
        )
        for i in range(40)
    ]
    plan = plan_purchases(wants, shops, CU)
    lots = [list_lots(i, w, shops, CU) for i, w in enumerate(wants)]
    lots = [[a.with_packs(n, CU) for a in g for n in range(a.further + 1)] for g in lots]
    chosen = [
        next(a for a in lots[i] if a.price.at == p.at and a.pieces == p.bought)
        for i, p in enumerate(plan.purchases)
    ]

    assert "programme" in plan.method
    assert total_of(chosen, shops) == plan.total
    for i, group in enumerate(lots):
        for lot in group:
            changed = [*chosen[:i], lot, *chosen[i + 1 :]]
            assert total_of(changed, shops) >= plan.total


def test_many_cheap_pieces_reach_free_shipping() -> None:
    """50 more pieces at 0.01 lift 19.50 to 20.00 and save 4.95: 0.50 paid instead of shipping.

    By hand: 1950 pieces at 0.01 are 19.50, with shipping 24.45; 2000 pieces are 20.00.
    """
    shops = {"S": Shop(name="S", shipping=D("4.95"), free_from=D(20))}
    plan = plan_purchases([want(1950, price(breaks=((1, D("0.01")),)))], shops, CU)

    assert plan.total == D("20.00")
    assert plan.purchases[0].bought == 2000
    filler = [want(1, price(breaks=((1, D("0.03")),)), key=f"p{i}") for i in range(12)]
    many = plan_purchases([want(1950, price(breaks=((1, D("0.01")),))), *filler], shops, CU)
    assert many.total == D("20.00")
    assert "proven" in many.method


def test_shipping_decides_where_to_buy() -> None:
    """A second parcel for one cheaper part is not worth its shipping."""
    shops = {"N": Shop(name="N", shipping=D(5)), "S": Shop(name="S", shipping=D(4))}
    wants = [
        want(10, price("N", breaks=((1, D("1.00")),)), key="a"),
        want(
            10, price("N", breaks=((1, D("0.50")),)), price("S", breaks=((1, D("0.40")),)), key="b"
        ),
    ]
    plan = plan_purchases(wants, shops, CU)

    assert [o.shop for o in plan.shops] == ["N"]
    assert plan.total == D("20.00")


def test_unpriced_parts_are_left_out() -> None:
    """What nobody sells is not bought."""
    plan = plan_purchases([want(4)], {}, CU)

    assert plan.purchases == ()
    assert plan.total == D(0)
