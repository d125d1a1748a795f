"""Halves and copies on one board share net names and are circuits of their own."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from boards import board_at

from fabkit.board.build import build_board
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case, CheckOptions, State
from fabkit.checks.runner import run_check
from fabkit.package.reading import open_package
from fabkit.sheets.house import load_house

KINDS = Path(__file__).parents[2] / "fixtures" / "kinds"
HALVES, PANEL = KINDS / "both-equal", KINDS / "panel-scored"


def opens(folder, rule):
    """Nets and parts cut off that one rule finds, in the order found."""
    (check,) = [c for c in CHECKS if any(r.id == rule for r in c.rules)]
    outcome = run_check(check, Case(build_board(open_package(folder)), load_house()))
    assert outcome.state in (State.PASSED, State.FOUND), outcome
    return [f.message for f in outcome.findings if f.id == rule]


def changed(source, target, name, old, new):
    """A copy of a package with the last place of some text in one file changed."""
    shutil.copytree(source, target)
    text = (target / name).read_text(encoding="ascii")
    before, found, after = text.rpartition(old)
    assert found
    (target / name).write_text(before + new + after, encoding="ascii")
    return target


@pytest.mark.parametrize(
    ("folder", "rule"),
    [(HALVES, "net/netlist-open"), (HALVES, "net/open"), (PANEL, "net/open")],
    ids=["netlist of halves", "halves", "copies on a panel"],
)
def test_circuits_that_share_names_need_no_copper_between_them(folder, rule):
    """The plan of either fixture draws each circuit whole: no net of them is open."""
    assert opens(folder, rule) == []


def test_a_board_stated_to_be_a_half_may_have_no_keys():
    """``--board reversible`` on a board without keys: its nets are one circuit."""
    (check,) = [c for c in CHECKS if any(r.id == "net/open" for r in c.rules)]
    board = board_at(KINDS.parent / "defects" / "clean")
    for use in ("reversible", "both"):
        case = Case(board, load_house(), options=CheckOptions(use=use))
        assert run_check(check, case).state is State.PASSED


def test_the_netlist_of_one_half_is_still_compared(tmp_path):
    """A pin of the right half's second switch, listed on the net of another column."""
    name = "redwing-netlist.ipc"
    half = changed(
        HALVES, tmp_path / "p", name, "327COL1             SW2R", "327COL0             SW2R"
    )
    (message,) = opens(half, "net/netlist-open")

    assert message.startswith("net COL0: SW2R pin 1 not joined")


def test_each_board_of_a_panel_is_still_judged(tmp_path):
    """One pad on a wrong net on the last of six equal boards is one open."""
    name = "goldcrest-copper-bottom.gbr"
    old, new = (f"%TO.P,D1,2,A*%\n%TO.N,{net}*%" for net in ("MID1", "MID2"))
    (message,) = opens(changed(PANEL, tmp_path / "p", name, old, new), "net/open")

    assert message.startswith("net MID2: D1 pin 2 not joined")
