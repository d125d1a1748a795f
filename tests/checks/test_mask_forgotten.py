"""Openings left out by mistake, told from pads that are covered on purpose."""

from __future__ import annotations

import numpy as np

from fabkit.checks.mask import _forgotten


def forgotten(*pads: tuple[float, bool]) -> list[bool]:
    """Which of (area, open) are forgotten."""
    area, opened = np.array(pads).T
    return _forgotten(area, opened.astype(bool)).tolist()


def test_one_covered_pad_among_ten_open_ones_is_forgotten():
    assert forgotten(*[(2.0, True)] * 10, (2.0, False)) == [False] * 10 + [True]


def test_pads_covered_all_alike_are_meant():
    assert not any(forgotten(*[(2.0, True)] * 10, *[(0.3, False)] * 40))


def test_a_third_covered_is_no_slip():
    assert not any(forgotten(*[(2.0, True)] * 10, *[(2.0, False)] * 5))


def test_a_pad_of_a_size_of_its_own_says_nothing():
    assert not any(forgotten((2.0, True), (3.0, False)))
