"""What changes on a half that is turned over: jumpers with three pads, rows of the controller."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from itertools import groupby
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.errors import UsageError
from fabkit.base.natural import natural
from fabkit.base.units import some_of
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.model import Spot
from fabkit.wiring.model import Bridge, Pin, WiringOptions

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
    # Each hole once: two pins in one hole would be a step of no length.
    at = np.unique(np.round([(p.x_mm, p.y_mm) for p in pins], 4), axis=0)
    along = _along(at)
    across = np.array([-along[1], along[0]])
    # Half way between the outermost rows, in whatever direction they run.
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


def _opposite(pins: Sequence[Pin], along: Floats) -> list[int | None]:
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


def _along(at: Floats) -> Floats:
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
    direction: Floats = step / np.hypot(*step)
    return direction


Joined = Mapping[str, tuple[str, str]]

NAMED: Final = 6
"""Jumpers named one by one."""


def throws_of(pins: Sequence[Pin]) -> tuple[tuple[Pin, Pin], ...]:
    """Pair the pads that a jumper can join, the pair with the lower pad first.

    The middle pad is the one that lies most nearly between the other two, whatever its number.

    Parameters
    ----------
    pins
        All pins of one part.

    Returns
    -------
    Two pairs, each of one outer and the middle pad; empty when the part has other than three pads.
    """
    pads: dict[str, list[Pin]] = defaultdict(list)
    for pin in pins:
        pads[pin.pin].append(pin)
    if len(pads) != 3:
        return ()
    names = sorted(pads, key=natural)
    at = np.array([np.mean([(p.x_mm, p.y_mm) for p in pads[n]], axis=0) for n in names])
    # Twice the way from each pad to the midpoint of the other two.
    off = np.hypot(*(3 * at - at.sum(axis=0)).T)
    # Rounded, so that of pads equally far off the lower number counts, not the last digit.
    middle = names[int(np.argmin(np.round(off, 3)))]
    first, second = (n for n in names if n != middle)
    return (pads[first][0], pads[middle][0]), (pads[middle][0], pads[second][0])


def thrown(
    bridges: Iterable[Bridge], options: WiringOptions, *, right: bool, turned: bool
) -> dict[str, int]:
    """Which way each jumper with three pads is closed on a half, by reference.

    Parameters
    ----------
    bridges
        Those of the board.
    options
        What the user states is joined.
    right
        For the right half.
    turned
        The half is the left half's board turned over: what is not stated is closed the other way.

    Raises
    ------
    UsageError
        A jumper has no such pads.
    """
    ways: dict[str, dict[int, tuple[str, str]]] = defaultdict(dict)
    for bridge in bridges:
        if bridge.throw:
            ways[bridge.ref][bridge.throw] = bridge.pads
    out = {}
    for ref, mine in ways.items():
        throw = _chosen(ref, mine, options.joined) or 1
        if turned:
            throw = 3 - throw
        out[ref] = (right and _chosen(ref, mine, options.right_joined)) or throw
    return out


def _chosen(ref: str, ways: Mapping[int, tuple[str, str]], joined: Joined) -> int:
    """Find the way that is asked for; 0 when none is.  Of several patterns the last counts."""
    asked = [pads for pattern, pads in joined.items() if fnmatchcase(ref, pattern)]
    if not asked:
        return 0
    hit = [throw for throw, pads in ways.items() if set(pads) == set(asked[-1])]
    if not hit:
        there = " or ".join("-".join(pads) for _, pads in sorted(ways.items()))
        raise UsageError(f"{ref} cannot join pads {'-'.join(asked[-1])}", hint=f"it joins {there}")
    return hit[0]


def refuse_unknown(bridges: Iterable[Bridge], options: WiringOptions) -> None:
    """Refuse names of jumpers that no board has.

    Raises
    ------
    UsageError
        A name or pattern matches no jumper with three pads.
    """
    refs = sorted({b.ref for b in bridges if b.throw}, key=natural)
    for pattern in (*options.joined, *options.right_joined):
        if not any(fnmatchcase(ref, pattern) for ref in refs):
            raise UsageError(
                f"'{pattern}' is no jumper with three pads",
                hint=f"there are {', '.join(refs[:20])}"
                if refs
                else "no part named JP or SJ, or called a jumper, has three pads with known pins",
            )


def closed_words(bridges: Iterable[Bridge]) -> Iterator[str]:
    """Which pads are joined, in sentences.

    Parameters
    ----------
    bridges
        Those that count on a half.
    """
    closed = {(b.pads, b.ref) for b in bridges if b.throw}
    for pads, mine in groupby(sorted(closed), key=lambda c: c[0]):
        refs = sorted({ref for _, ref in mine}, key=natural)
        names = some_of(refs, NAMED if len(refs) > NAMED + 1 else len(refs))
        verb = "joins" if len(refs) == 1 else "join"
        yield f"{names} {verb} pads {pads[0]} and {pads[1]} (--joined changes this)."
