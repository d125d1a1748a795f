"""Texts of the workbook, the chart, and expressions."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook

import fabkit
from fabkit.base.findings import Finding
from fabkit.costs.chart import TICK_ROOM, Line, Words, curve_chart
from fabkit.costs.lines import evaluate, to_cells
from fabkit.costs.model import UNNAMED, BoardFacts, CostSheet, shares_of
from fabkit.costs.quote import quote
from fabkit.costs.workbook import write_workbook
from fabkit.keyboard.model import BoardIs, Group, Hand, Hands, Keyboard
from fabkit.outputs.money import cost_record
from fabkit.parts.book import Price, Shop
from fabkit.parts.buying import Want, plan_purchases
from fabkit.parts.model import Bill, Lasting, Usage
from fabkit.rules import load_rule
from fabkit.sheets.house import EXAMPLE, house_from
from fabkit.sheets.order import BoardChoice, BoardUse, Exchange, Tax, order_for
from fabkit.sheets.prices import find_currency
from fabkit.sheets.toml_text import parse_sheet

D = Decimal
CU = find_currency("cu")
SETUP = "setup = 8.00"


def make_bill() -> Bill:
    """Two parts at a shop with shipping; prices invented."""
    breaks = ((1, D("0.333")), (50, D("0.295")))
    price = Price(shop="Shop", pack=7, minimum=1, breaks=breaks, at="parts.toml:9 part[1].price[1]")
    wants = [
        Want(key="a", title="=part", lasting=Lasting.USED_UP, need=36, wanted=38, prices=(price,)),
        Want(key="b", title="B", lasting=Lasting.CARRIED_OVER, need=4, wanted=4, prices=(price,)),
    ]
    plan = plan_purchases(wants, {"Shop": Shop(name="Shop", shipping=D("3.45"))}, CU)
    return Bill(
        name="half",
        usage=Usage(keyboards=2),
        lines=(),
        currency=CU,
        plan=plan,
        rebuild=plan,
        assembly=(),
        left_out=(),
        keys_per_half={"left": 18, "right": 18},
        problems=(),
        notices=("'Test' is an invented parts book",),
        prices_date="2025-01-01",
        prices_gross=False,
    )


def make_sheet(setup: str = "8.00", *, mode: str = "half-up") -> CostSheet:
    """A quote with every kind of line: options, tax, duty, handling, exchange, parts."""
    text = EXAMPLE.read_text(encoding="utf-8").replace(SETUP, f"setup = {setup}")
    text = text.replace('tax = "net"', f'tax = "net"\nrounding = "{mode}"')
    order = replace(
        order_for("half", keyboards=2),
        choice=BoardChoice(thickness_mm=D("1.2"), colour="black", finish="enig"),
        quantities=(5, 15),
        tax=Tax(
            vat_rate=D("0.19"),
            duty_rate=D("0.037"),
            duty_threshold=D(10),
            handling=D("1.25"),
            handling_share=D("0.02"),
            date=date(2025, 1, 1),
        ),
        currency="EUR",
        exchange=(
            Exchange(rate=D("0.9137"), date=date(2025, 1, 1), source="test", from_currency="cu"),
        ),
    )
    facts = BoardFacts(
        name="half",
        width_mm=D("95.123"),
        height_mm=D("72.004"),
        area_mm2=6500.0,
        layers=2,
        holes=400,
        smallest_drill_mm=D("0.15"),
    )
    return quote(facts, make_bill(), house_from(parse_sheet(text, file="house.toml")), order)


def test_workbook_holds_no_foreign_formula() -> None:
    """A part named like a formula stays text; notices are repeated."""
    book = load_workbook(io.BytesIO(write_workbook(make_sheet())))
    texts = [
        cell.value
        for page in book.worksheets
        for row in page.iter_rows()
        for cell in row
        if isinstance(cell.value, str)
    ]

    assert not any(t.startswith("=part") for t in texts)
    assert any("invented parts book" in t for t in texts)
    assert any("'Example Board Works' is an invented example" in t for t in texts)


def test_chart_puts_quantities_and_amounts_on_one_scale() -> None:
    """The curve ends where the scale says; steps pay the larger quantity (closed form)."""
    sheet = make_sheet()
    chart = curve_chart(sheet)
    scale = chart.scale
    assert scale is not None
    assert (scale.x(scale.low), scale.x(scale.high)) == (scale.left, scale.left + scale.wide)
    assert (scale.y(scale.least), scale.y(scale.most)) == (scale.foot, scale.foot - scale.tall)
    lines = {m.kind: m.points for m in chart.marks if isinstance(m, Line) and m.kind != "grid"}
    for kind, worth in (("bare", "per_half_used"), ("whole", "per_half")):
        for offer in (o for o in sheet.curve if o.quantity <= scale.high):
            place = scale.x(offer.quantity), scale.y(float(getattr(offer, worth)))
            assert place in lines[kind]
        # Between two quantities the line only runs level or upright.
        assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(lines[kind]))


def test_chart_numbers_the_quantities_that_are_priced() -> None:
    """Below the axis stand the quantities of the table, and no two numbers touch."""
    sheet = make_sheet()
    chart = curve_chart(sheet)
    assert chart.scale is not None
    foot = [m for m in chart.marks if isinstance(m, Words) and m.y == chart.scale.foot + 18]
    priced = {str(o.quantity) for o in sheet.offers}
    assert {m.text for m in foot} <= priced | {str(chart.scale.high)}
    assert all(b.x - a.x >= TICK_ROOM for a, b in pairwise(foot))


def test_axis_shows_differences() -> None:
    """Amounts that differ little fill the chart, which names where it begins; others begin at 0."""
    sheet = make_sheet()
    near, far = curve_chart(sheet), curve_chart(replace(sheet, offers=sheet.curve[-1:]))
    assert near.scale is not None
    assert far.scale is not None
    shown = [o for o in sheet.curve if o.quantity <= near.scale.high]
    amounts = [float(v) for o in shown for v in (o.per_half_used, o.per_half) if v is not None]
    assert min(amounts) > max(amounts) / 2
    assert 0 < near.scale.least <= min(amounts) < max(amounts) <= near.scale.most
    texts = [m.text for m in near.marks if isinstance(m, Words)]
    assert any(t.endswith(f" per half, from {near.scale.least:g} up") for t in texts)
    assert far.scale.least == 0


def test_chart_without_offers() -> None:
    """A quote without offers still gives a chart that says so."""
    chart = curve_chart(replace(make_sheet(), offers=(), curve=(), best=None))

    assert chart.scale is None
    assert [m.text for m in chart.marks if isinstance(m, Words)] == ["no price"]


@pytest.mark.parametrize(
    ("use", "hand", "unit"),
    [
        ("reversible", "left", ("half", 1)),
        ("whole", "whole", ("keyboard", 2)),
        ("plate", "whole", ("keyboard", 2)),
        ("plate", "left", ("half", 1)),
        ("none", "", ("board", 2)),
    ],
)
def test_costs_are_given_for_what_the_order_has(
    use: BoardUse, hand: Hand, unit: tuple[str, int]
) -> None:
    """Halves only where there are halves, in the answer and in every table, in whole steps."""
    groups = (Group(hand=hand, face_up="top", keys=()),) if hand else ()
    hands = Hands(use=use, halves=1, groups=groups, stated_by="files", why="")
    said = BoardIs(name="x", keyboard=Keyboard(keys=(), hands=hands), headline="")
    sheet = replace(make_sheet(), boards=(said,))
    assert sheet.best is not None
    assert sheet.best.per_half is not None
    name, cost = sheet.each()[0]

    assert sheet.unit == unit
    assert (name.partition(" (")[0], cost) == (f"one {unit[0]}", unit[1] * sheet.best.per_half)
    heads = [head for t in (sheet.compared_table(), *sheet.comparisons()) for head in t.heads]
    assert any("half" in head for head in heads) is (unit[0] == "half")
    shown = [
        c for t in sheet.comparisons() for row in t.rows for c in row if isinstance(c, Decimal)
    ]
    assert all(c == sheet.currency.round(c) and c.as_tuple().exponent == -2 for c in shown)


def test_answer_says_what_to_order_and_what_is_missing() -> None:
    """Boards, total and shares are those of the cheapest offer; nothing missing is passed over."""
    sheet = make_sheet()
    best, money = sheet.best, sheet.currency.format
    assert best is not None
    assert best.per_half is not None
    whole = sheet.answer()
    lacking = replace(sheet, unpriced=("Controller", "Diode", "Jack", "Screw")).answer()
    assert whole[0] == f"order {best.boards} boards: {money(best.total)} in all, everything in"
    assert lacking[0].endswith(", without Controller, Diode, Jack and 1 more: no price known")
    assert "everything in" not in lacking[0]
    unnamed = replace(sheet, unpriced=("Jack", "Screw", UNNAMED)).answer()[0]
    assert unnamed.endswith(
        ", without Jack, Screw, and parts that the files do not name: no price known"
    )
    taxed = replace(sheet, untaxed=("tax", "duty"), unpriced=("Jack",)).answer()[0]
    assert taxed.endswith(" in all, without tax and duty, without Jack: no price known")
    larger = next(o for o in sheet.curve if o.quantity > best.quantity)
    more = money(abs(larger.total - best.total))
    assert whole[2].endswith(f"; {larger.boards} boards cost {more} more")
    # What is paid adds up to the total.
    assert sum(amount for _, amount in shares_of(best)) == best.total
    assert all(
        f"{money(amount)} for {title}" in whole[1] for title, amount in shares_of(best) if amount
    )
    assert whole[2].startswith(f"one half {money(best.per_half)}, one keyboard ")
    assert replace(sheet, best=None).answer() == ()
    refused = Finding.of(load_rule("cost/not-offered"), "12 copper layers are not offered")
    assert replace(sheet, best=None, problems=(refused,)).answer() == (
        "no price: 12 copper layers are not offered",
    )
    # An order says beforehand what the checks think of it, a quote does not.
    assert replace(sheet, judged=("fabkit check: do not order",)).answer() == whole


def test_a_panel_of_equal_boards_is_ordered_as_panels() -> None:
    """One piece gives 25 boards: what is ordered are panels, in words and in the table."""
    sheet = make_sheet()
    board = SimpleNamespace(copies=25, use="none")
    panels = replace(sheet, boards=(board,))
    assert sheet.best is not None

    assert panels.answer()[0].startswith(f"order {sheet.best.boards} panels of 25 boards: ")
    # Who wants one of 125 boards reads that the price of one pays for the others, too.
    spared = replace(panels, best=replace(sheet.best, halves_made=250, halves_used=2))
    assert spared.each()[0][0] == "one board (124 of 125 left over)"
    assert replace(panels, best=replace(sheet.best, halves_made=4, halves_used=4)).each()[0][0] == (
        "one board"
    )
    assert " panels cost " in panels.answer()[2]
    assert panels.compared_table().columns[0].heading == "panels"
    assert sheet.compared_table().columns[0].heading == "boards"


values = st.decimals(min_value=0, max_value=1000, places=3)


@given(a=values, b=values, c=st.decimals(min_value="0.5", max_value=50, places=2))
def test_expressions_mean_what_python_means(a: Decimal, b: Decimal, c: Decimal) -> None:
    """The evaluator agrees with the language the expressions are written in."""
    text = "max(a, b) * c - min(a, b) / c + 2 * (a + b)"

    assert evaluate(text, {"a": a, "b": b, "c": c}) == max(a, b) * c - min(a, b) / c + 2 * (a + b)


def test_expressions_as_cells() -> None:
    """Brackets, ceilings and comparisons become spreadsheet functions."""
    text = "ceil(a / b) * b * above(a, c)"

    assert to_cells(text, {"a": "A1", "b": "B1", "c": "C1"}) == (
        "(ROUNDUP(ROUND((A1/B1),9),0)*B1)*IF(A1>C1,1,0)"
    )
    assert evaluate(text, {"a": D(7), "b": D(3), "c": D(6)}) == D(9)
    assert evaluate(text, {"a": D(6), "b": D(3), "c": D(6)}) == D(0)
    text = "choose(q <= 10 and c == k, 5, q > 50, floor(q / 2), 0 / 0)"
    assert to_cells(text, {"q": "A1", "c": "B1", "k": "C1"}) == (
        "IF(AND((A1<=10),(B1=C1)),5,IF((A1>50),ROUNDDOWN(ROUND((A1/2),9),0),(0/0)))"
    )
    assert evaluate(text, {"q": D(10), "c": "red", "k": "red"}) == D(5)
    assert evaluate(text, {"q": D(51), "c": "red", "k": "blue"}) == D(25)


def test_foreign_expressions_are_refused() -> None:
    """Only the little language is evaluated."""
    with pytest.raises(ValueError, match="not an expression"):
        evaluate("__import__('os')", {})


def test_a_board_that_is_no_keyboard_costs_per_board() -> None:
    """Text counts such boards; the keys of the JSON stay, where it counts as both halves."""
    clean = Path(__file__).parents[2] / "fixtures" / "defects" / "clean"
    board = fabkit.build_board(fabkit.open_package(clean))
    sheet = fabkit.quote(board)
    costs = cost_record(sheet)
    best = costs["best"]
    (title, each), *more = sheet.each()

    assert (title, more) == ("one board (4 of 5 left over)", [])
    assert f"{each:.4f}" == str(best["per_keyboard"])
    assert sheet.compared_table().rows[0][-1] == costs["offers"][0]["per_keyboard"]
    # By definition: all that is paid, over the one board that is wanted.
    assert best["per_keyboard"] == best["total"]
    assert not any("half" in table["title"] for table in costs["tables"])
