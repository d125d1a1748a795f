"""Turning the controller over: which pin comes to sit in which hole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.geometry.neighbours import PointTree
from fabkit.wiring.model import Pin

MEETS_MM: Final = 0.5
"""A hole whose mirror image lies this near to another one takes that one's pin."""

NO_PARTNER: Final = "(no pin)"


def swap_rows(pins: Sequence[Pin]) -> tuple[Pin, ...]:
    """Pins as they sit when the module is turned over about its long axis, holes in place.

    Every hole keeps its net and takes number and name of the hole that mirrors it about the line
    through the middle of all the module's holes, along their longer side.  Doing it twice gives
    the pins back.
    """
    if len(pins) < 2:
        return tuple(pins)
    at = np.unique(np.round([(p.x_mm, p.y_mm) for p in pins], 4), axis=0)
    middle = (at.min(axis=0) + at.max(axis=0)) / 2
    # The rows are farther long than apart, whatever way the module is turned.
    _, _, axes = np.linalg.svd(at - at.mean(axis=0), full_matrices=False)
    along = axes[0]
    middle = at.mean(axis=0) if abs(along[0] * along[1]) > 1e-6 else middle
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
