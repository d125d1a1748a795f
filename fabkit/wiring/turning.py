"""Turning the controller over: which pin comes to sit in which hole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.model import Spot
from fabkit.wiring.model import Pin

MEETS_MM: Final = 0.5
"""A hole whose mirror image lies this near to another one takes that one's pin; pins as far along
their rows stand opposite each other."""

STEP_MM: Final = 4.0
"""Holes of one row are at most this far apart (common practice: 2.54 mm, or 1.27 and 2.0)."""

NO_PARTNER: Final = "(no pin)"


@dataclass(frozen=True, eq=False)
class Turned:
    """Pins as they sit after the turn, and the two ends of the line it was turned about, mm."""

    pins: tuple[Pin, ...]
    axis: tuple[Spot, Spot] | None


def swap_rows(pins: Sequence[Pin]) -> Turned:
    """Pins as they sit when the module is turned over about its rows, holes in place.

    Every hole keeps its net and takes number and name of the pin opposite: the one of the other
    row that is as far along it.  Footprints that lie into each other, or one row for either face,
    have the same two pins there.  Where other than two pins are as far along, the hole takes the
    pin of the hole that mirrors it about the line half way between the outermost rows.  Doing it
    twice gives the pins back.
    """
    if len(pins) < 2:
        return Turned(tuple(pins), None)
    at = np.unique(np.round([(p.x_mm, p.y_mm) for p in pins], 4), axis=0)
    along = _along(at)
    across = np.array([-along[1], along[0]])
    # The middle of the outermost rows, whatever way the module is turned.
    reach = at @ across
    middle = across * (reach.min() + reach.max()) / 2
    spots = np.array([(p.x_mm, p.y_mm) for p in pins]) - middle
    image = 2 * np.outer(spots @ along, along) - spots
    apart, mirrored = PointTree(spots).query(image)
    opposite = _opposite(pins, spots @ along)
    out = []
    for k, pin in enumerate(pins):
        facing = opposite[k]
        if facing is not None:
            out.append(_as(pin, pins[facing]))
        elif apart[k] <= MEETS_MM:
            out.append(_as(pin, pins[int(mirrored[k])]))
        else:
            out.append(replace(pin, pin="", function=NO_PARTNER, home=""))
    ends = np.outer([(at @ along).min(), (at @ along).max()], along) + middle
    (x0, y0), (x1, y1) = ends.tolist()
    return Turned(tuple(out), ((x0, y0), (x1, y1)))


def _as(hole: Pin, there: Pin) -> Pin:
    return replace(
        hole, ref=there.ref, pin=there.pin, function=there.function, home=there.home or there.node
    )


def _opposite(pins: Sequence[Pin], along: NDArray[np.float64]) -> list[int | None]:
    """For each pin one of the pin opposite it; None where not exactly two are as far along."""
    out: list[int | None] = [None] * len(pins)
    order = np.argsort(along, kind="stable")
    for group in np.split(order, np.flatnonzero(np.diff(along[order]) > MEETS_MM) + 1):
        named = [int(k) for k in group if pins[k].pin]
        numbers = sorted({(pins[k].ref, pins[k].pin) for k in named})
        if len(numbers) != 2:
            continue
        for k in named:
            other = numbers[(pins[k].ref, pins[k].pin) == numbers[0]]
            out[k] = next(m for m in named if (pins[m].ref, pins[m].pin) == other)
    return out


def _along(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2,) direction of the rows: the step from hole to hole that is met most often.

    Rows that lie into each other are nearer than the holes of one row, but not so often.
    """
    apart = at[None] - at[:, None]
    gap = np.hypot(apart[..., 0], apart[..., 1])
    np.fill_diagonal(gap, np.inf)
    steps = apart[gap <= max(STEP_MM, float(gap.min()))]
    alike = np.abs(steps[:, None] - steps).max(axis=2) <= MEETS_MM / 10
    counts = alike.sum(axis=1)
    length = np.round(np.hypot(steps[:, 0], steps[:, 1]), 2)
    best = int(np.lexsort((length, -counts))[0])
    step = steps[alike[best]].mean(axis=0)
    direction: NDArray[np.float64] = step / np.hypot(*step)
    return direction
