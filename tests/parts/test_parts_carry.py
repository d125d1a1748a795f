"""What moves from revision to revision, what is bought and what is left: a worked example."""

from __future__ import annotations

import io
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from boards import board_at
from truth import load_truths

import fabkit
from fabkit.outputs.money import carry_record, print_carry, render_carry
from fabkit.outputs.terminal import Terminal
from fabkit.sheets.order import order_for

# The boards' checks are asked for by every price, and are the same each time.
pytestmark = pytest.mark.usefixtures("read_once")

WHEATEAR = Path(__file__).resolve().parents[2] / "fabkit" / "demo"

BOOK = """
format = 1
name = "Worked example"
currency = "cu"
date = 2025-01-20
tax = "gross"
invented = true

[spares.socket]
share = 0
least = 2

[[shop]]
name = "Shop"
shipping = 4.00
free_from = 50.00

[[part]]
key = "socket"
title = "Socket"
class = "socket"
match = [{ footprint = "socket-3post" }]
patterns = ["switch-low-socket"]
fitted = "soldered"
lasts = "used_up"
lets_carry = ["switch"]
stage = "sockets"

[[part.price]]
shop = "Shop"
pack = 10
breaks = [{ from = 10, each = 0.20 }]

[[part]]
key = "switch"
title = "Switch"
count = { key = 1 }
fitted = "socketed"
lasts = "carried_over"
stage = "plug"

[[part.price]]
shop = "Shop"
breaks = [{ from = 1, each = 0.50 }]

[[part]]
key = "controller"
title = "Controller"
count = { half = 1 }
fitted = "socketed"
lasts = "carried_over"
stage = "plug"

[[part.price]]
shop = "Shop"
breaks = [{ from = 1, each = 9.00 }]
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One keyboard of the old revision; one and a spare half of the new, 5 % lost on the way."""
    book = tmp_path_factory.mktemp("book") / "parts.toml"
    book.write_text(BOOK, encoding="utf-8")

    def side(name, **given):
        path = WHEATEAR / name
        order = replace(order_for(path), parts=book, loss_share=Decimal("0.05"), **given)
        return [board_at(path)], order

    return side("rev-a"), side("rev-b", spare_halves=1)


def _line(found, key):
    line = next(a for a in found.parts.lines if a.key == key)
    return (
        line.built_in,
        line.lost,
        line.drawer,
        line.needed,
        line.wanted,
        line.moves,
        line.from_drawer,
        line.buy,
        line.left,
    )


def test_worked_example(made):
    """Pieces of every part, and the price of what is lacking, to the cent.

    Old: 2 halves of 18 keys.  Sockets 36, wanted 38 with spares, bought 40 in packs of ten: 4 in
    the drawer.  Switches 36, of which 5 % = 1.8, so 2, are lost.  Controllers 2, 1 lost.
    New: 3 halves.  Sockets 54 + 2: 4 from the drawer, 52 to buy, 60 in packs = 12.00.  Switches
    54: 34 move, 20 to buy = 10.00.  Controllers 3: 1 moves, 2 to buy = 18.00.  Goods 40.00, below
    50.00, so shipping 4.00: 44.00 in all.
    """
    found = fabkit.carry_over(*made)

    assert _line(found, "socket") == (36, 0, 4, 54, 56, 0, 4, 52, 0)
    assert _line(found, "switch") == (36, 2, 0, 54, 54, 34, 0, 20, 0)
    assert _line(found, "controller") == (2, 1, 0, 3, 3, 1, 0, 2, 0)
    assert found.parts.plan.total == Decimal("44.00")


def test_cost_per_half_with_and_without(made):
    """Bought anew the parts cost 12.00 + 27.00 + 27.00, above 50.00 and so without shipping:
    66.00; boards cost the same both ways, so 22.00 over 3 halves, 7.33 a half, are saved."""
    found = fabkit.carry_over(*made)
    record = carry_record(found)

    cost = record["cost"]
    assert cost["without"]["parts_total"] == Decimal("66.00")
    assert cost["with"]["parts_total"] == Decimal("44.00")
    assert cost["with"]["board_total"] == cost["without"]["board_total"]
    assert cost["saved_per_half"] == Decimal("7.33")
    assert "Note: " in render_carry(found, "csv")


def test_quote_and_carry_price_the_next_revision_alike(made):
    """To build the same again costs what the quote calls the next revision.

    Three halves: sockets 56, of 60 bought 6 are left over: 50 to buy = 10.00.  Switches 54, 3 lost:
    3 to buy = 1.50.  Controllers 3, 1 lost: 9.00.  20.50 and shipping 4.00 are 24.50.
    """
    boards, order = made[1]
    carried = fabkit.carry_over((boards, order), (boards, order))
    quoted = fabkit.quote(boards, order, bill=fabkit.list_parts(boards, order))

    assert carried.parts.plan.total == Decimal("24.50")
    assert quoted.revisions is not None
    assert carried.with_it.best is not None
    assert quoted.revisions.next == carried.with_it.best.total / order.halves_wanted


def test_parts_still_to_buy_that_have_no_price_are_named(made, tmp_path):
    """Two controllers less at 9.00 each are 26.00, which looks cheaper than the order is."""
    book = tmp_path / "parts.toml"
    dear = '[[part.price]]\nshop = "Shop"\nbreaks = [{ from = 1, each = 9.00 }]\n'
    book.write_text(BOOK.replace(dear, ""), encoding="utf-8")
    sides = [(boards, replace(order, parts=book)) for boards, order in made]

    printed = io.StringIO()
    print_carry(Terminal(printed), fabkit.carry_over(*sides))

    (total,) = [a for a in printed.getvalue().splitlines() if a.startswith("parts still to buy")]
    assert total.startswith("parts still to buy: 26.00 cu, without Controller; ")
    assert total.endswith(" more: no price known")
    assert "Controller" not in fabkit.carry_over(*sides[::-1]).parts.unpriced  # all move over
    assert "Controller" not in fabkit.carry_over(*made).parts.unpriced


def test_kept_keyboards_give_nothing(made):
    """An old keyboard that stays as it is gives no switch; only the drawer does."""
    found = fabkit.carry_over(*made, keep=1)

    assert _line(found, "switch") == (0, 0, 0, 54, 54, 0, 0, 54, 0)
    assert _line(found, "socket") == (0, 0, 4, 54, 56, 0, 4, 52, 0)
    with pytest.raises(fabkit.FabkitError, match="cannot be kept"):
        fabkit.carry_over(*made, keep=2)


def test_what_the_new_revision_does_not_need_stays_in_the_drawer(made):
    """Going back to the smaller build, switches are left and nothing is bought but sockets."""
    old, new = made

    found = fabkit.carry_over(new, old)

    # 3 halves of 18 switches, 5 % of 54 = 2.7, so 3, lost: 51 free, 36 move, 15 are left.
    assert _line(found, "switch") == (54, 3, 0, 36, 36, 36, 0, 0, 15)
    assert _line(found, "controller") == (3, 1, 0, 2, 2, 2, 0, 0, 0)
    assert [p.key for p in found.parts.plan.purchases] == ["socket"]


def test_pieces_add_up(made):
    """Whatever is built in or in the drawer is moved, lost, stays or is left; nothing vanishes."""
    for pair in (made, made[::-1]):
        for line in fabkit.carry_over(*pair).parts.lines:
            there = line.built_in + line.drawer
            gone = line.lost + line.stays + line.moves + line.from_drawer + line.left
            assert there == gone
            assert line.moves + line.from_drawer + line.buy == line.wanted


def test_what_a_board_without_names_needs_is_not_known(made):
    """Parts that only names show are null, neither 0 nor a saving; what holes show is counted."""
    (rev_b,), order = made[1]
    bare = replace(rev_b, components=())

    record = carry_record(fabkit.carry_over(made[0], ([bare], order)))

    lines = {line["key"]: line for line in record["lines"]}
    known = {key for key, line in lines.items() if line["needed"] is not None}
    assert lines["switch"]["needed"] == 54
    assert set(lines) - known
    assert all(lines[key]["left"] is None for key in set(lines) - known)
    assert record["cost"]["saved_per_half"] is None


def test_both_halves_on_one_board_are_one_keyboard():
    """TRUTH.toml has the keys of either half: one board a keyboard, its switches once."""
    truth = next(t for t in load_truths() if t.path == "kinds/both-equal")
    order, board = (
        order_for(truth.folder),
        board_at(truth.folder),
    )

    found = fabkit.carry_over(([board], order), ([board], order))

    switch = next(a for a in found.parts.lines if "switch" in a.key)
    assert order.keyboards == truth.keyboard_boards == 1
    assert switch.built_in == switch.needed == truth.keys
