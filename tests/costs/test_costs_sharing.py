"""Sharing an order, against tables reckoned by hand."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from fabkit.base.errors import SheetError
from fabkit.costs.lines import Group
from fabkit.costs.model import BoardFacts, CostSheet
from fabkit.costs.quote import quote
from fabkit.outputs.money import cost_files
from fabkit.sheets.house import load_house
from fabkit.sheets.order import Builder, order_for, order_from
from fabkit.sheets.toml_text import parse_sheet

D = Decimal


def shared(*builders: Builder) -> CostSheet:
    """Ten bare boards of the bundled house: 14.76 cu and 12.00 cu of shipping, by hand.

    8.00 set-up, 3.00 base price, 6.84 dm2 at 0.55: 14.762.
    """
    order = order_for("half", keyboards=sum(b.keyboards for b in builders))
    facts = BoardFacts(
        name="half", width_mm=D(95), height_mm=D(72), area_mm2=6840.0, layers=2, holes=0
    )
    return quote(facts, None, load_house(), replace(order, builders=builders))


def test_shares_are_exact_to_the_cent() -> None:
    """1 : 1 : 3 of 14.76 and 12.00: largest remainders, worked out by hand."""
    sheet = shared(*(Builder(name=n, keyboards=k) for n, k in (("a", 1), ("b", 1), ("c", 3))))
    assert sheet.best is not None
    assert sheet.best.total == D("26.76")
    # A fifth of 14.76 is 2.952, three fifths 8.856: 2.95 + 2.95 + 8.85 lack one cent, which goes
    # to the largest remainder, 0.6 of the last.
    assert [s.parts_of for s in sheet.shares] == [
        (D("2.95"), D("0.00"), D("2.40"), D("0.00")),
        (D("2.95"), D("0.00"), D("2.40"), D("0.00")),
        (D("8.86"), D("0.00"), D("7.20"), D("0.00")),
    ]
    assert [s.amount for s in sheet.shares] == [D("5.35"), D("5.35"), D("16.06")]
    assert sum(s.amount for s in sheet.shares) == sheet.best.total


def test_every_column_adds_up() -> None:
    """Seven builders of unlike numbers: each kind of cost adds up to its lines."""
    sheet = shared(*(Builder(name=f"b{n}", keyboards=n) for n in (1, 2, 3, 5, 7, 11, 13)))
    assert sheet.best is not None
    for n, groups in ((0, {Group.BOARDS}), (2, {Group.SHIPPING})):
        lines = sum(a.amount for a in sheet.best.lines if a.group in groups)
        assert sum(s.parts_of[n] for s in sheet.shares) == lines


def test_what_is_owed() -> None:
    """Share, onward shipping and payment in advance, by hand; one gets money back."""
    sheet = shared(
        Builder(name="Ada", keyboards=2, paid=D(30), keeps_left_overs=True),
        Builder(name="Ben", keyboards=3, shipping_out=D("4.50"), paid=D(5)),
    )
    ada, ben = sheet.shares
    # Two fifths of 14.76 are 5.904, of 12.00 4.80; three fifths 8.856 and 7.20.
    assert (ada.amount, ada.owed) == (D("10.70"), D("-19.30"))
    assert (ben.amount, ben.owed) == (D("16.06"), D("15.56"))
    files = {k: v.decode() for k, v in cost_files(sheet).items()}
    rows = list(csv.DictReader(io.StringIO(files["sharing.csv"])))
    assert [(r["builder"], r["pays"], r["owes"], r["left overs"]) for r in rows[:2]] == [
        ("Ada", "10.70", "-19.30", "keeps them"),
        ("Ben", "16.06", "15.56", ""),
    ]
    assert "you get back                       19.30 cu" in files["share-Ada.txt"]
    assert "onward shipping to you              4.50 cu" in files["share-Ben.txt"]
    assert "you owe                            15.56 cu" in files["share-Ben.txt"]
    assert "    6 x board half" in files["share-Ben.txt"]
    assert "Left-overs stay with Ada." in files["share-Ben.txt"]


def test_left_overs_go_to_their_keeper() -> None:
    """Three keyboards take six of ten halves: four bare ones are left over."""
    sheet = shared(
        Builder(name="Ada", keyboards=1), Builder(name="Ben", keyboards=2, keeps_left_overs=True)
    )
    assert sheet.best is not None
    assert sheet.best.halves_good == 10
    assert sheet.shares[1].keeps == ((4, "bare halves"),)
    assert sheet.shares[0].keeps == ()


def test_builders_of_one_name_have_files_of_their_own() -> None:
    """Names that differ in case, or in signs that no file may have, do not share a file."""
    sheet = shared(*(Builder(name=n, keyboards=1) for n in ("Ada", "ada", "../ada", "=a\x1b[1m")))
    files = [name for name in cost_files(sheet) if name.startswith("share-")]
    assert len(files) == len({name.casefold() for name in files}) == 4
    assert all("/" not in name and "\x1b" not in name for name in files)
    assert not any("\x1b" in cost_files(sheet)[name].decode() for name in files)


def test_two_keepers_are_refused() -> None:
    """File, line and both names."""
    text = """format = 1
name = "x"
[[board]]
package = "x"
[want]
keyboards = 2
[[want.builder]]
name = "Ada"
keyboards = 1
keeps_left_overs = true
[[want.builder]]
name = "Ben"
keyboards = 1
keeps_left_overs = true
"""
    with pytest.raises(SheetError, match="Ada and Ben both keep the left-overs"):
        order_from(parse_sheet(text, file="order.toml"), base=Path())
