"""Parts lists of whole keyboards, against the plans of the fixtures (fixtures/TRUTH.toml)."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest
from boards import board_at
from truth import Truth, load_truths

import fabkit
from fabkit.board.model import Board
from fabkit.keyboard.build import find_keyboard
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.parts.bill import build_bill
from fabkit.parts.book import EXAMPLE, book_from
from fabkit.parts.model import Bill, Lasting, Usage
from fabkit.parts.places import decoded, one_spelling
from fabkit.sheets.order import Order, order_from
from fabkit.sheets.toml_text import parse_sheet

FIXTURES = Path(__file__).parents[2] / "fixtures"
PLANS = [
    (truth, path)
    for truth in load_truths()
    if not truth.panel
    for path in (truth.path, *truth.same)
]
BOOK = EXAMPLE.read_text(encoding="utf-8")


def board_of(path: str) -> Board:
    """The board of a fixture."""
    return board_at(FIXTURES / path)


def bill_of(path: str, more: str = "", usage: Usage | None = None) -> Bill:
    """Parts list of a fixture with the bundled book and what is added to it."""
    board = board_of(path)
    return build_bill(board, book_from(parse_sheet(BOOK + more, file="parts.toml")), usage=usage)


@cache
def plain_bill(path: str) -> Bill:
    """Parts list of a fixture with the bundled book alone, made once."""
    return bill_of(path)


def count(bill: Bill, kind: str) -> int:
    """Places of a kind on one board."""
    return sum(f.place.kind == kind for f in bill.found)


@pytest.mark.parametrize(("truth", "path"), PLANS, ids=[path for _, path in PLANS])
def test_switches_and_sockets_are_as_many_as_keys(truth: Truth, path: str) -> None:
    """A board's keys, once each: a switch, a socket where sockets hold them, none for a plate."""
    bill = plain_bill(path)
    switches = [a for a in bill.lines if a.cls == "switch" or a.key == "key switch"]
    sockets = [a for a in bill.lines if a.cls == "socket"]
    boards = 2 if truth.board == "reversible" else 1
    wanted = 0 if truth.board == "plate" else truth.keys * boards

    assert sum(a.per_keyboard for a in switches) == wanted
    assert sum(a.per_keyboard for a in sockets) == (wanted if truth.held == "socket" else 0)
    assert all(("soldered" in a.title) is (truth.held == "soldered") for a in switches)
    assert not [f for f in bill.problems if f.id == "parts/conflict" and "witch" in f.message]


@pytest.mark.parametrize(("truth", "path"), PLANS, ids=[path for _, path in PLANS])
def test_other_parts_are_those_of_the_plan(truth: Truth, path: str) -> None:
    """Diodes, controllers and screws of one board, and no screw for a switch's centre."""
    bill = plain_bill(path)

    assert count(bill, "diode") == truth.diodes
    assert count(bill, "controller") == truth.controllers
    assert count(bill, "screw hole") == truth.screws
    assert count(bill, "stabiliser") == truth.wide


def test_halves_of_one_board_are_counted_by_their_keys() -> None:
    """kinds/both-unequal: eight keys left, nine right, whatever lies left of the board's middle."""
    bill = bill_of("kinds/both-unequal")
    switch = next(a for a in bill.lines if a.cls == "switch")

    assert (switch.left, switch.right, switch.per_keyboard) == (8, 9, 17)
    assert bill.keys_per_half == {"left": 8, "right": 9}


def test_a_netlist_alone_gives_the_parts_of_attributes() -> None:
    """kinds/both-unequal without attributes, tables and component layers; its netlist is left."""
    path = "kinds/both-unequal"
    members = [
        Member(f.name, re.sub(rb"%T[OD][^%]*%\n?", b"", f.read_bytes()))
        for f in sorted((FIXTURES / path).iterdir())
        if not re.search("component|placement|parts", f.name)
    ]
    intake = Intake(name="bare", source="bare", members=tuple(members), left_out=())
    bare = fabkit.list_parts(fabkit.build_board(read_package(intake)))

    assert {next(iter(a.sources)) for a in bare.lines if a.refs["left"]} == {"netlist"}
    for kind in ("key switch", "diode", "controller", "controller row", "screw hole"):
        assert count(bare, kind) == count(plain_bill(path), kind)


def test_keyboard_in_one_piece_is_bought_once() -> None:
    """kinds/unsplit: 39 keys a keyboard, not a half."""
    switch = next(a for a in bill_of("kinds/unsplit").lines if a.cls == "switch")

    assert (switch.left, switch.right, switch.per_keyboard) == (0, 0, 39)


def test_faces_are_those_of_the_keyboard_room() -> None:
    """A part on the side of the keys lies on the face that is up on that half."""
    path = "defects/reversible-clean"
    board = board_of(path)
    up = {g.hand: g.face_up for g in find_keyboard(board).hands.groups}
    switch = next(a for a in bill_of(path).lines if a.cls == "switch")

    assert switch.faces == {"left": up["left"], "right": up["right"]}
    assert up["left"] != up["right"]


def test_parts_on_leads_turn_over_with_the_board() -> None:
    """The demo's socket rows, laid from the front on the left half, from the back on the right."""
    rows = next(a for a in bill_of("../fabkit/demo/rev-b").lines if "Socket row" in a.title)

    assert rows.faces == {"left": "top", "right": "bottom"}


def test_one_half_alone_says_that_the_other_is_missing() -> None:
    """pair/left: only the left half's parts, and a warning."""
    bill = bill_of("pair/left")
    switch = next(a for a in bill.lines if a.cls == "switch")

    assert (switch.left, switch.right) == (6, 0)
    assert any("right half's parts are not listed" in f.message for f in bill.problems)


def test_the_users_word_wins() -> None:
    """A board stated to be whole is counted whole, although its files show a reversible half."""
    bill = bill_of("defects/reversible-clean", usage=Usage(use="whole"))
    switch = next(a for a in bill.lines if a.cls == "switch")

    assert (switch.left, switch.per_keyboard) == (0, 2)


def test_what_is_lacking_is_reported() -> None:
    """linnet has keys and diodes, and a header instead of a controller."""
    bill = bill_of("linnet/rev-1")

    assert any("no controller" in f.message for f in bill.problems)
    assert not any("no diode" in f.message for f in bill.problems)


def _order(*tables: str) -> Order:
    boards = "".join(f"[[board]]\n{table}\n" for table in tables)
    text = f'format = 1\nname = "Two designs"\n{boards}[want]\nkeyboards = 2\n'
    return order_from(parse_sheet(text, file="order.toml"), base=FIXTURES)


def _listed(order: Order) -> Bill:
    boards = [fabkit.build_board(fabkit.open_package(one.package)) for one in order.boards]
    return fabkit.list_parts(boards, order)


def test_parts_of_every_design_are_listed() -> None:
    """A whole keyboard of 39 diodes and 4 screws, and twice a board of 6 diodes beside it."""
    unsplit, linnet = (
        next(t for t in load_truths() if t.path == p) for p in ("kinds/unsplit", "linnet/rev-1")
    )
    order = _order(
        'package = "kinds/unsplit"\nis = "whole"',
        'package = "linnet/rev-1"\nname = "pad"\nis = "none"\nper_keyboard = 2',
    )
    bill = _listed(order)
    diodes, screws = bill.line("diode-small"), bill.line("screw-m2")

    assert diodes is not None
    assert screws is not None
    assert diodes.per_keyboard == unsplit.diodes + 2 * linnet.diodes == 51
    assert diodes.need(bill.usage) == 2 * diodes.per_keyboard
    assert screws.per_keyboard == unsplit.screws + 2 * linnet.screws
    assert "pad:D1" in diodes.refs["left"]
    assert not bill.halved


def test_screws_of_plates_are_those_of_the_board() -> None:
    """A plate of 6 screws above and below a board of 4: 6 in all; alone, two plates have 12."""
    plate = 'package = "kinds/plate"\nis = "plate"'
    board = 'package = "kinds/unsplit"\nis = "whole"'
    one = "\nper_keyboard = 1"
    both = _listed(_order(board, f'{plate}\nname = "top"{one}', f'{plate}\nname = "bottom"{one}'))
    alone = _listed(_order(f"{plate}\nper_keyboard = 2"))

    for bill, count in ((both, 6), (alone, 12)):
        line = bill.line("screw-m2")
        assert line is not None
        assert line.per_keyboard == count


def test_one_part_in_two_spellings_is_one_line() -> None:
    """Case and blanks do not count, but for m and M after a number (milli and mega)."""
    assert one_spelling("10K | R 0402") == one_spelling("10k | r 0402")
    assert one_spelling("0.1UF") == one_spelling("0.1 uF")
    assert one_spelling("1M | R") != one_spelling("1m | R")
    assert one_spelling("12MHz") == one_spelling("12 mhz")


def test_a_mapping_mends_what_was_taken_wrongly() -> None:
    """References mapped to a part, to a description and to nothing."""
    more = '\n[map]\n"D*" = "screw-m2"\n"J1" = "Ribbon cable"\n'
    bill = bill_of("linnet/rev-1", more)
    screws = bill.line("screw-m2")

    assert screws is not None
    assert screws.per_keyboard == 6
    assert bill.line("diode-small") is None
    assert bill.line("Ribbon cable") is not None
    none = bill_of("linnet/rev-1", '\n[map]\n"D*" = "nothing"\n')
    assert none.line("diode-small") is None
    assert ("D1", "nothing, by the parts book") in none.left_out


def test_the_mapping_of_the_order_comes_before_that_of_the_book() -> None:
    """A wildcard of the order file beats a reference that the book names; the rest stays."""
    more = '\n[map]\n"D1" = "screw-m2"\n"J1" = "Ribbon cable"\n'
    text = (
        'format = 1\nname = "x"\n[[board]]\npackage = "y"\nis = "whole"\n[map]\n"D*" = "nothing"\n'
    )
    order = order_from(parse_sheet(text, file="order.toml"), base=Path())
    bill = bill_of("linnet/rev-1", more, usage=Usage.of(order))

    assert ("D1", "nothing, by the order file") in bill.left_out
    assert bill.line("screw-m2") is None
    assert bill.line("Ribbon cable") is not None


def test_soldered_switches_are_used_up_unless_the_book_says_otherwise() -> None:
    """Moving soldered switches over needs desoldering; the user may do so."""
    plain = next(a for a in bill_of("linnet/rev-1").lines if a.cls == "switch")
    more = (
        '\n[[part]]\nkey = "mine"\ntitle = "My switch"\nclass = "switch"\n'
        'match = [{ ref = "SW*" }]\nfitted = "soldered"\nlasts = "carried_over"\n'
        'stage = "switches"\n'
    )
    moved = bill_of("linnet/rev-1", more).line("mine")

    assert plain.lasting is Lasting.USED_UP
    assert moved is not None
    assert moved.lasting is Lasting.CARRIED_OVER
    assert "desoldered" in moved.reason


def test_escapes_in_attributes_are_decoded() -> None:
    """Gerber Layer Format 2021.02, section 3.4.3: a character by its code."""
    assert decoded("G\\002A\\002A") == "G**"
    assert decoded("\\u00B5F") == "\u00b5F"
