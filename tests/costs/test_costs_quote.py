"""Properties of a quote; every price is invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from parts.test_parts_bill import BOOK, book, make_board

import fabkit
from fabkit.base.errors import UsageError
from fabkit.costs.invoice import Unpriced
from fabkit.costs.model import BoardFacts, CostSheet, LaidPanel, Offer, facts_from_board
from fabkit.costs.offers import Design, curve_quantities, designs_of, pieces_needed, price_quantity
from fabkit.costs.quote import quote
from fabkit.costs.sensitivity import find_break_even
from fabkit.parts.bill import build_bill
from fabkit.sheets.house import EXAMPLE, House, house_from, load_house
from fabkit.sheets.order import (
    BoardChoice,
    Builder,
    Exchange,
    Order,
    OrderedBoard,
    Tax,
    order_for,
    order_from,
    ordered_board,
)
from fabkit.sheets.toml_text import parse_sheet

D = Decimal
DEFECTS = Path(__file__).parents[2] / "fixtures" / "defects"
HOUSE = load_house()
TEXT = EXAMPLE.read_text(encoding="utf-8")


def facts(width: str = "95", height: str = "72", **changes: object) -> BoardFacts:
    """Facts of a plain two-layer board."""
    made = BoardFacts(
        name="half",
        width_mm=D(width),
        height_mm=D(height),
        area_mm2=float(D(width) * D(height)),
        layers=2,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def order(**changes: object) -> Order:
    """An order for two keyboards."""
    return replace(order_for("half", keyboards=2), **changes)  # type: ignore[arg-type]


def house_with(*changes: tuple[str, str]) -> House:
    """The bundled house with some text replaced."""
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return house_from(parse_sheet(text, file="house.toml"))


def offer_of(board: BoardFacts, wanted: Order, quantity: int = 10, house: House = HOUSE) -> Offer:
    """One offer."""
    return price_quantity(designs_of((board,), wanted), quantity, house=house, order=wanted)


SURCHARGES = [
    ("colour", {"colour": "black"}, {}),
    ("finish", {"finish": "enig"}, {}),
    ("thickness", {"thickness_mm": D("0.6")}, {}),
    ("thickness", {"thickness_mm": D("2.0")}, {}),
    ("copper", {"copper_oz": D(2)}, {}),
    ("lead time", {"lead_time": "24h"}, {}),
    ("extra", {"extras": ("order-mark",)}, {}),
    ("drill", {}, {"smallest_drill_mm": D("0.15")}),
    ("track", {}, {"smallest_track_mm": D("0.1")}),
    ("density", {}, {"holes": 5000}),
    ("layers", {}, {"layers": 4}),
    ("fine class", {}, {"needs_fine": True}),
]


@pytest.mark.parametrize(("name", "choice", "board"), SURCHARGES, ids=lambda v: str(v)[:24])
@given(quantity=st.integers(1, 30).map(lambda n: 5 * n), side=st.integers(20, 480))
@settings(max_examples=10, deadline=None)
def test_a_surcharge_never_makes_it_cheaper(
    name: str, choice: dict[str, object], board: dict[str, object], quantity: int, side: int
) -> None:
    """Adding any surcharge adds to the board line, at every size and quantity."""
    plain = facts(str(side), "60", holes=10)
    wanted = order()
    dearer = replace(wanted, choice=replace(wanted.choice, **choice))
    before = offer_of(plain, wanted, quantity).lines[0].exact
    after = offer_of(replace(plain, **board), dearer, quantity).lines[0].exact

    assert after > before


@given(st.integers(1, 40), st.integers(1, 40))
@settings(max_examples=40, deadline=None)
def test_total_is_monotone_within_one_area_rate(a: int, b: int) -> None:
    """Inside one range of quantities more boards never cost less."""
    low, high = sorted((5 * a, 5 * b))
    rate = next(r for r in HOUSE.rates.area.rates if r.covers(low))  # type: ignore[union-attr]
    if rate.covers(high):
        wanted = order()
        assert offer_of(facts(), wanted, low).total <= offer_of(facts(), wanted, high).total


@given(
    width=st.decimals(20, 400, places=3),
    quantity=st.integers(1, 60).map(lambda n: 5 * n),
    vat=st.decimals(0, "0.3", places=3),
    duty=st.decimals(0, "0.2", places=3),
)
@settings(max_examples=60, deadline=None)
def test_rounding_loses_nothing(width: Decimal, quantity: int, vat: Decimal, duty: Decimal) -> None:
    """The total is the sum of the printed lines, each within half a cent of its exact value."""
    tax = Tax(vat_rate=vat, duty_rate=duty, duty_threshold=D(50), date=date(2025, 1, 1))
    offer = offer_of(facts(str(width)), order(tax=tax), quantity)

    assert offer.total == sum(line.amount for line in offer.lines)
    for line in offer.lines:
        assert abs(line.amount - line.exact) <= D("0.005")
        assert line.exact == sum(e.value for e in line.elements)


def test_surcharge_limits_do_not_apply_at_the_limit() -> None:
    """A drill of exactly the limit is not below it."""
    at = offer_of(facts(smallest_drill_mm=D("0.20")), order()).total
    below = offer_of(facts(smallest_drill_mm=D("0.199")), order()).total

    assert below - at == D("15.00")


def test_the_fine_class_is_named_among_the_terms() -> None:
    """It costs more and nobody chose it: the quote says that it is priced."""
    plain, fine = (
        quote(facts(needs_fine=needed), None, HOUSE, order()).terms for needed in (False, True)
    )

    assert "class" not in plain
    assert fine["class"].startswith("fine")


def test_fine_class_is_not_paid_twice() -> None:
    """A measured fine-track surcharge pays for the fine class."""
    thin = facts(smallest_track_mm=D("0.12"))

    assert offer_of(thin, order()).total == offer_of(replace(thin, needs_fine=True), order()).total


def test_a_fine_track_is_measured_by_the_checks() -> None:
    """The board planted with a thin track has its width from the verdict; without one, none."""
    board = fabkit.build_board(fabkit.open_package(DEFECTS / "track-thin"))
    verdict = fabkit.check(board)

    assert facts_from_board(board).smallest_track_mm is None
    assert facts_from_board(board, verdict=verdict).smallest_track_mm == D("0.08")


def test_size_tier_either_way_round() -> None:
    """A 60 x 99 mm board fits 100 x 100; 100.001 mm does not, and costs the next tier."""
    wanted = order()
    inside = offer_of(facts("100", "60"), wanted)
    outside = offer_of(facts("100.001", "60"), wanted)

    assert outside.lines[0].exact - inside.lines[0].exact >= D(6)
    assert offer_of(facts("60", "100"), wanted).total == inside.total


def test_just_over_a_tier_is_told() -> None:
    """A board 1.5 mm too long for the cheap size gets a note with the distance."""
    sheet = quote(facts("101.5", "60"), None, HOUSE, order())
    note = next(f for f in sheet.problems if f.id == "cost/near-tier")

    assert "1.5 mm over" in note.message
    assert all(f.id != "cost/near-tier" for f in quote(facts(), None, HOUSE, order()).problems)


def test_area_step_and_minimum() -> None:
    """Sides are rounded up to the step; a small piece counts as the least area."""
    house = house_with(("step_mm = 0\n", "step_mm = 1\n"), ("min_dm2 = 0\n", "min_dm2 = 0.5\n"))
    by_step = offer_of(facts("94.01", "71.2"), order(), house=house).lines[0]
    small = offer_of(facts("20", "20"), order(), house=house).lines[0]

    area = next(e for e in by_step.elements if e.key == "area")
    assert area.value == D("0.95") * D("0.72") * D("5.5")
    assert next(e for e in small.elements if e.key == "area").value == D("0.5") * 10 * D("0.55")


def test_more_boards_may_cost_less() -> None:
    """A steep break makes 15 cheaper than 10: the quote says so."""
    house = house_with(("per_dm2 = 0.47", "per_dm2 = 0.10"))
    sheet = quote(facts("240", "190"), None, house, order(quantities=(10,)))
    note = next(f for f in sheet.problems if f.id == "cost/more-costs-less")
    curve = {o.quantity: o for o in sheet.curve}

    assert curve[15].total < curve[10].total
    assert curve[10].marginal == curve[15].total - curve[10].total < 0
    assert "15 pieces" in note.message


def test_cheapest_quantity_that_covers() -> None:
    """The best offer covers the need, and no allowed quantity tried does so for less."""
    sheet = quote(facts(), None, HOUSE, order(keyboards=7))

    assert sheet.best is not None
    assert sheet.best.quantity == 15
    assert sheet.best.total == min(o.total for o in sheet.curve if o.covers)


@pytest.mark.parametrize(
    ("keyboards", "spare", "good", "pieces"),
    [(2, 0, "1", 4), (2, 1, "1", 5), (10, 0, "0.9", 23), (1, 0, "0.5", 4)],
)
def test_pieces_for_the_need(keyboards: int, spare: int, good: str, pieces: int) -> None:
    """Halves wanted, and enough more for those that fail: floor(q x yield) covers the need."""
    wanted = order(keyboards=keyboards, spare_halves=spare, good_share=D(good))

    assert pieces_needed(designs_of((facts(),), wanted), wanted) == pieces


def test_quantity_the_house_does_not_take() -> None:
    """Seven is neither five nor ten: an error that names ten."""
    sheet = quote(facts(), None, HOUSE, order(quantities=(7,)))
    error = next(f for f in sheet.problems if f.id == "cost/quantity-not-allowed")

    assert "Ask for 10" in error.advice
    assert not sheet.offers[0].allowed


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ({"thickness_mm": D("1.1")}, "1.1 mm is not offered"),
        ({"colour": "pink"}, "pink"),
        ({"finish": "gold"}, "gold"),
        ({"copper_oz": D(3)}, "3 oz"),
        ({"finish": "hasl"}, "contains lead"),
        ({"lead_time": "1h"}, "1h"),
        ({"extras": ("laser",)}, "laser"),
    ],
)
def test_option_not_offered(choice: dict[str, object], words: str) -> None:
    """No offer, and an error that names the option and what is offered instead."""
    sheet = quote(facts(), None, HOUSE, order(choice=replace(BoardChoice(), **choice)))

    assert sheet.offers == ()
    assert sheet.problems[0].id == "cost/not-offered"
    assert words in sheet.problems[0].message
    assert "another house, or what this one offers: " in sheet.problems[0].advice or (
        "lead-free finishes: " in sheet.problems[0].advice
    )


def test_board_larger_than_every_tier() -> None:
    """A size without base price is an error, not a free board."""
    sheet = quote(facts("700", "300"), None, HOUSE, order())

    assert sheet.problems[0].id == "cost/no-price"


def test_sheet_without_prices() -> None:
    """A sheet for checks alone cannot quote and says what to add."""
    house = house_from(parse_sheet('format = 1\nname = "x"\n', file="h.toml"))
    sheet = quote(facts(), None, house, order(choice=BoardChoice()))

    assert "no prices" in sheet.problems[0].message


def test_exchange_rate() -> None:
    """Amounts are converted once, line by line, at the rate entered; without one: an error."""
    rate = Exchange(rate=D("0.5"), date=date(2025, 1, 1), source="test", from_currency="cu")
    converted = quote(facts(), None, HOUSE, order(currency="EUR", exchange=(rate,)))
    plain = quote(facts(), None, HOUSE, order())
    missing = quote(facts(), None, HOUSE, order(currency="EUR"))

    assert converted.best is not None
    assert plain.best is not None
    assert converted.currency.code == "EUR"
    for a, b in zip(converted.best.lines, plain.best.lines, strict=True):
        assert a.amount == converted.currency.round(b.amount / 2)
    assert missing.problems[0].id == "cost/no-exchange-rate"
    assert "exchange" in missing.problems[0].advice


@pytest.mark.parametrize(
    ("goods_factor", "tax", "duty", "vat", "handling"),
    [
        ("net", {}, None, "8.78", None),
        ("net", {"duty_rate": D("0.10"), "duty_threshold": D(0)}, "4.39", "9.66", None),
        ("net", {"customs_value": "fob"}, None, "6.38", None),
        ("net", {"vat_threshold": D("40")}, None, "0.00", None),
        ("net", {"vat_threshold": D("40"), "test": "cif"}, None, "8.78", None),
        ("net", {"whole_units": True}, None, "8.00", None),
        ("net", {"handling": D(3), "handling_share": D("0.5")}, None, "8.78", "7.39"),
        ("net", {"prepaid": True, "handling": D(3)}, None, "8.78", None),
        ("net", {"prepaid": True, "duty_rate": D("0.10")}, "4.39", "9.66", None),
    ],
)
def test_tax_and_duty(
    goods_factor: str,
    tax: dict[str, object],
    duty: str | None,
    vat: str | None,
    handling: str | None,
) -> None:
    """Goods 31.90 and shipping 12.00 under each option of the tax table (rates invented)."""
    house = house_with(("per_dm2 = 0.55", "per_dm2 = 2.50"), ("price = 3.00", "price = 6.80"))
    wanted = order(
        tax=replace(Tax(vat_rate=D("0.20"), date=date(2025, 1, 1)), **tax)  # type: ignore[arg-type]
    )
    offer = offer_of(facts("95", "72"), wanted, 10, house)
    lines = {line.key: line.amount for line in offer.lines}

    assert lines["boards"] == D("31.90")
    assert lines.get("duty") == (D(duty) if duty else None)
    assert lines.get("vat") == (D(vat) if vat else None)
    assert lines.get("handling") == (D(handling) if handling else None)


def test_a_want_beyond_the_curve_is_priced() -> None:
    """Quantities are thinned below the need and bounded beyond it; the need itself is priced."""
    quantities = curve_quantities(200_000, HOUSE)
    sheet = quote(facts(), None, HOUSE, order(keyboards=100_000))

    assert quantities[0] == HOUSE.next_quantity(1)
    assert 200_000 in quantities
    assert len(quantities) < 1000
    assert sheet.best is not None
    assert sheet.best.quantity >= 200_000
    assert curve_quantities(6, HOUSE)[:4] == (5, 10, 15, 20)


def test_gross_boards_and_net_parts_without_tax_are_told() -> None:
    """Boards with tax in their prices, parts without, and no rate in the order."""
    gross = house_with(('tax = "net"', 'tax = "gross"'))
    bill = build_bill(make_board(), book(BOOK.replace("date =", 'tax = "net"\ndate =', 1)))
    rate = Tax(vat_rate=D("0.2"), date=date(2025, 1, 1))
    told = quote(facts(), bill, gross, order())

    assert "without tax on the parts" in told.lacking
    assert any("tax on the parts" in f.message for f in told.problems)
    assert "tax" not in quote(facts(), bill, gross, order(tax=rate)).lacking
    assert "tax" not in quote(facts(), None, gross, order()).lacking


def test_an_option_that_is_not_offered_is_named_with_its_line() -> None:
    """File and line where the order file asks for it, and the nearest name on offer."""
    text = 'format = 1\nname = "x"\n[[board]]\npackage = "x"\n[options]\ncolour = "blak"\n'
    wanted = order_from(
        replace(parse_sheet(text, file="a/order.toml"), raw=text.encode()), base=Path()
    )
    (told,) = quote(facts(), None, HOUSE, wanted).problems
    other = replace(wanted, choice=replace(wanted.choice, colour="grean"))

    assert told.message == f"order.toml:6: mask colour 'blak' is not offered by '{HOUSE.name}'"
    assert told.advice.endswith("did you mean 'black'?")
    assert quote(facts(), None, HOUSE, other).problems[0].message.startswith("mask colour")


def test_empty_tax_is_told() -> None:
    """Without tax inputs the total is shown without tax, and says so."""
    assert any(f.id == "cost/tax-empty" for f in quote(facts(), None, HOUSE, order()).problems)


def test_old_prices_are_told() -> None:
    """Ninety days are allowed, ninety-one are not; invented prices do not age."""

    def old(day: date | None, *, invented: bool = False) -> bool:
        sheet = quote(facts(), None, replace(HOUSE, invented=invented), order(), today=day)
        return any(f.id == "cost/card-old" for f in sheet.problems)

    assert not old(date(2025, 4, 15))
    assert old(date(2025, 4, 16))
    assert not old(date(2025, 4, 16), invented=True)
    assert not old(None)


def test_invented_prices_are_told() -> None:
    """The notice is on the sheet, not only among the findings."""
    sheet = quote(facts(), None, HOUSE, order())

    assert any("invented" in n for n in sheet.notices)


def test_shipping_bands() -> None:
    """A weight equal to the limit belongs to the band; beyond the top the order is split."""

    def shipping(area: float, quantity: int) -> Decimal:
        offer = offer_of(facts("95", "72", area_mm2=area), order(), quantity)
        return next(line.amount for line in offer.lines if line.key == "shipping")

    # (500 g - 150 g packing) / 1.05 = 333.333 g of boards: 10 of 33.333 g are the last in the band
    area = 33.333 / (1.85 * 0.16) * 100
    assert shipping(area, 10) == D(12)
    assert shipping(area * 1.001, 10) == D(18)
    assert shipping(6840.0, 200) == D(27) * 2 + D(12)  # 4402 g: two full parcels and 402 g


def test_volumetric_weight() -> None:
    """A light but bulky parcel is charged by its volume."""
    house = house_with(
        ("packing_share = 0.05", "packing_share = 0.05\nvolumetric_divisor = 1000\npadding_mm = 30")
    )
    offer = offer_of(facts("200", "150"), order(), 5, house)

    # 20 x 15 x 3.8 cm = 1140 cm3 -> 1.14 kg against 5 x 88.8 g + packing
    assert offer.weight_g == D("1140")


def test_shares_of_builders() -> None:
    """Whole keyboards each; the shares add up to the total."""
    builders = (Builder(name="A", keyboards=1), Builder(name="B", keyboards=2))
    sheet = quote(facts(), None, HOUSE, order(keyboards=3, builders=builders))

    assert sheet.best is not None
    assert sum(s.amount for s in sheet.shares) == sheet.best.total
    assert sheet.shares[1].amount - 2 * sheet.shares[0].amount in (D("0.00"), D("0.01"), D("-0.01"))


def test_ways_to_make_the_pair() -> None:
    """Two designs pay two set-ups; two of one design on a panel pay one, and the panel."""
    sheet = quote(facts(), None, HOUSE, order(keyboards=5))
    ways = {w.key: w for w in sheet.ways}
    two, panel = ways["two designs"].offer, ways["one panel"].offer

    assert ways["reversible"].ordered
    assert two is not None
    assert panel is not None
    assert [line.key for line in two.lines][:2] == ["boards 1", "boards 2"]
    keys = {e.key for e in panel.lines[0].elements}
    assert keys >= {"setup", "panel"}
    assert "extra-design" not in keys
    assert panel.halves_made == 2 * panel.quantity
    assert "by boxes" in ways["one panel"].note


def left_and_right(**given: object) -> Order:
    """An order of two designs."""
    boards = tuple(
        OrderedBoard(package=order_for("x").boards[0].package, name=s, use=s, per_keyboard=1)  # type: ignore[arg-type]
        for s in ("left", "right")
    )
    return order(boards=boards, **given)


def test_panel_of_two_designs_pays_the_further_one() -> None:
    """As the boards were laid, where that is known; 5.00 is the card's price for it."""
    laid = LaidPanel(width_mm=D("150"), height_mm=D("80"), counts=(1, 1), waste_share=0.2)
    sheet = quote((facts(), facts()), None, HOUSE, left_and_right(), laid=laid)
    way = next(w for w in sheet.ways if w.key == "one panel")

    assert way.offer is not None
    (line,) = (one for one in way.offer.lines if one.key == "boards")
    assert {e.key: e.value for e in line.elements}["extra-design"] == D("5.00")
    assert way.note == "150.0 x 80.0 mm by outlines, waste 20 %"


def test_house_may_forbid_a_way() -> None:
    """A house without panels of several designs says so in the row."""
    house = house_with(("several_designs = true", "several_designs = false"))
    ways = quote((facts(), facts()), None, house, left_and_right()).ways
    way = next(w for w in ways if w.key == "one panel")

    assert way.offer is None
    assert "several designs" in way.reason


def test_pair_of_designs() -> None:
    """Left and right are priced apart, shipped together, and make one keyboard a piece of each."""
    wanted = left_and_right(keyboards=5)
    sheet = quote((facts(), facts("90", "72")), None, HOUSE, wanted)

    assert sheet.best is not None
    assert sheet.best.quantity == 5
    assert sheet.best.boards == 10
    assert sum(line.key == "shipping" for line in sheet.best.lines) == 1
    with pytest.raises(UsageError):
        quote(facts(), None, HOUSE, wanted)


def test_houses_compared() -> None:
    """Cheapest first; one that cannot make it is last with its reason."""
    dear = house_with(("setup = 8.00", "setup = 80.00"), ("Example Board Works", "Dear"))
    none = house_with(
        ("[options.colours.green]", "[options.colours.violet]"), ("Example Board Works", "None")
    )
    rows = quote(facts(), None, HOUSE, order(), others=(dear, none)).houses

    assert [r.name for r in rows] == ["Example Board Works", "Dear", "None"]
    assert rows[2].offer is None
    assert "green" in rows[2].reason


def test_sensitivity_is_what_a_new_quote_gives() -> None:
    """Raising set-up by ten per cent moves the half as much as a card with that set-up does."""
    sheet = quote(facts(), None, HOUSE, order())
    effect = next(e for e in sheet.effects if e.title.startswith("set-up"))
    other = quote(facts(), None, house_with(("setup = 8.00", "setup = 8.80")), order())

    assert sheet.best is not None
    assert other.best is not None
    assert effect.per_half == other.best.per_half
    assert [abs(e.difference) for e in sheet.effects] == sorted(
        (abs(e.difference) for e in sheet.effects), reverse=True
    )


@pytest.mark.parametrize(
    ("first", "later", "new", "even"),
    [
        ("50", "20", "40", 2),
        ("60", "20", "40", 2),
        ("100", "20", "40", 4),
        ("50", "45", "40", None),
    ],
)
def test_break_even(first: str, later: str, new: str, even: int | None) -> None:
    """Smallest n with first + (n - 1) later <= n new."""
    assert find_break_even(D(first), D(later), D(new)) == even


def test_panel_design_without_price() -> None:
    """A further design without a price is an error, not free."""
    house = house_with(("extra_design = 5.00 ", "# extra_design = 5.00 "))
    design = Design(facts=facts(), halves=2, designs=2, panel=True)
    with pytest.raises(Unpriced, match="further design"):
        price_quantity((design,), 5, house=house, order=order())


def test_same_input_same_sheet() -> None:
    """A quote is a function of its input alone."""

    def digest(sheet: CostSheet) -> str:
        return repr([(o.quantity, o.total, o.lines) for o in sheet.curve])

    assert digest(quote(facts(), None, HOUSE, order())) == digest(
        quote(facts(), None, load_house(), order())
    )


def plated(**changes: object) -> Order:
    """Two keyboards of boards with both halves, and two bottom plates each."""
    both = ordered_board(Path("both"), name="both", use="both")
    plate = replace(ordered_board(Path("plate"), name="plate", use="plate"), per_keyboard=2)
    return replace(order(boards=(plate, both)), **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("keyboards", "spare_halves", "quantity", "plates"),
    # By hand, at a minimum and step of 5: two plates for each keyboard that is built.
    [(2, 0, 5, 5), (2, 0, 20, 5), (3, 0, 5, 10), (5, 0, 5, 10), (5, 1, 10, 15), (9, 0, 5, 10)],
)
def test_plates_are_ordered_for_the_halves_that_are_built(
    keyboards: int, spare_halves: int, quantity: int, plates: int
) -> None:
    """Five boards with both halves of which two are built need four plates, and five are sold."""
    wanted = plated(keyboards=keyboards, spare_halves=spare_halves)
    designs = designs_of([facts(), facts("190")], wanted)
    offer = price_quantity(designs, quantity, house=HOUSE, order=wanted)

    assert offer.pieces == (plates, quantity)
    assert offer.boards == plates + quantity
    assert offer.halves_made == 2 * quantity


def test_a_plate_costs_what_it_costs_alone() -> None:
    """The line of a plate is that of a plain board of its size and number."""
    wanted = plated()
    sheet = quote([facts(), facts("190")], None, HOUSE, wanted)
    alone = quote(facts(), None, HOUSE, order(quantities=(5,)))
    assert sheet.best is not None

    assert sheet.best.lines[0].amount == alone.offers[0].lines[0].amount
    assert not sheet.ways
