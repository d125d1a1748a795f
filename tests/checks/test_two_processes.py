"""A verdict found by two processes is the one found by one."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from fabkit.base import copies
from fabkit.board.build import build_board
from fabkit.checks.judging import check
from fabkit.package.reading import open_package

CARD = Path(__file__).parents[2] / "fixtures/card"


@pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="two processors of Linux"
)
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
