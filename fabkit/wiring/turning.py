"""Turning the controller over: which pin comes to sit in which hole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.geometry.neighbours import PointTree
from fabkit.wiring.model import Pin

MEETS_MM: Final = 0.5
"""A hole whose mirror image lies this near to another one takes that one's pin."""

NO_PARTNER: Final = "(no pin)"


def swap_rows(pins: Sequence[Pin]) -> tuple[Pin, ...]:
    """Pins as they sit when the module is turned over about its rows, holes in place.

    Every hole keeps its net and takes number and name of the hole that mirrors it about the line
    half way between the outermost rows.  Doing it twice gives the pins back.
    """
    if len(pins) < 2:
        return tuple(pins)
    at = np.unique(np.round([(p.x_mm, p.y_mm) for p in pins], 4), axis=0)
    along = _along(at)
    across = np.array([-along[1], along[0]])
    # The middle of the outermost rows, whatever way the module is turned.
    reach = at @ across
    middle = across * (reach.min() + reach.max()) / 2
    spots = np.array([(p.x_mm, p.y_mm) for p in pins]) - middle
    image = 2 * np.outer(spots @ along, along) - spots
    apart, partner = PointTree(spots).query(image)
    out = []
    for pin, gap, k in zip(pins, apart.tolist(), partner.tolist(), strict=True):
        if gap > MEETS_MM:
            out.append(replace(pin, pin="", function=NO_PARTNER))
        else:
            there = pins[k]
            out.append(replace(pin, ref=there.ref, pin=there.pin, function=there.function))
    return tuple(out)


def _along(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2,) direction of the rows: that in which most holes have their nearest neighbour."""
    apart = at[None] - at[:, None]
    gap = np.hypot(apart[..., 0], apart[..., 1])
    np.fill_diagonal(gap, np.inf)
    step = apart[np.arange(len(at)), gap.argmin(axis=1)]
    # Twice the angle, so that steps up and down a row agree.
    twice = 2 * np.arctan2(step[:, 1], step[:, 0])
    turn = np.arctan2(np.sin(twice).sum(), np.cos(twice).sum()) / 2
    return np.array([np.cos(turn), np.sin(turn)])
