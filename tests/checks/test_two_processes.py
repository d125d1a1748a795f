"""A verdict found by two processes is the one found by one."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from boards import board_at
from held import Meeting

from fabkit.base import copies, steps
from fabkit.base.copies import side_by_side
from fabkit.board.build import build_board
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.judging import check
from fabkit.checks.model import Case, State
from fabkit.checks.runner import _run_some
from fabkit.package.reading import open_package
from fabkit.sheets.house import load_house

CARD = Path(__file__).parents[2] / "fixtures/card"


needs_copies = pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="two processors of Linux"
)


@needs_copies
def test_two_processes_find_the_same(monkeypatch):
    """Findings, their order, and the outcome of every check, from the bytes on."""

    def judge():
        result = check(build_board(open_package(CARD)))
        outcomes = [(o.check.id, o.state, o.findings, o.reason) for o in result.outcomes]
        return result.findings, outcomes, result.verdict

    alone = judge()
    copied = []
    monkeypatch.setattr(copies, "is_bounded", lambda: copied.append(True) or True)
    assert judge() == alone
    assert copied, "nothing was divided"


BOTH = Meeting()


def dear(_):
    """Fail for want of memory in a copy, which has it once for certain."""
    if BOTH.wait():
        raise MemoryError
    yield from ()


# A check is sent by the name of its function.
dear = replace(CHECKS[0], function=dear, needs=())


@needs_copies
def test_what_is_too_heavy_for_the_copy_is_tried_again(monkeypatch):
    """The copy may take less memory: no check is given up for that."""
    case = Case(board_at(CARD.parent / "defects/clean"), load_house())
    monkeypatch.setattr(steps, "_bounded", [os.getpid()])
    works = [partial(_run_some, (dear,), case)] * 10
    outcomes = side_by_side(works, "groups of checks")
    assert {outcome.state for some in outcomes for outcome in some} == {State.PASSED}
