"""Jumpers with three pads, which join the middle one with either neighbour."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from itertools import groupby
from typing import Final

import numpy as np

from fabkit.base.errors import UsageError
from fabkit.base.natural import natural
from fabkit.wiring.model import Bridge, Pin, WiringOptions

Joined = Mapping[str, tuple[str, str]]

NAMED: Final = 6
"""Jumpers named one by one."""


def throws_of(pins: Sequence[Pin]) -> tuple[tuple[Pin, Pin], ...]:
    """The two pairs of pads that a jumper can join, that of the lower pad first.

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
        What the user says is joined.
    right
        For the right half.
    turned
        The half is the left half's board turned over: what is not said is closed the other way.

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
    """The way that is asked for; 0 when none is. Of several patterns the last counts."""
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


def told(bridges: Iterable[Bridge]) -> Iterator[str]:
    """Which pads are joined, in sentences.

    Parameters
    ----------
    bridges
        Those that count on a half.
    """
    closed = {(b.pads, b.ref) for b in bridges if b.throw}
    for pads, mine in groupby(sorted(closed), key=lambda c: c[0]):
        refs = sorted({ref for _, ref in mine}, key=natural)
        more = f" and {len(refs) - NAMED} more" if len(refs) > NAMED + 1 else ""
        names = ", ".join(refs[:NAMED] if more else refs) + more
        verb = "joins" if len(refs) == 1 else "join"
        yield f"{names} {verb} pads {pads[0]} and {pads[1]} (--joined says otherwise)."
