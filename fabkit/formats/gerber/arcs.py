"""Arcs from file integers: centre, direction, full circle or not (section 4.7.2, 8.1.10)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import Rule
from fabkit.formats.gerber.problems import (
    ARC_BROKEN,
    ARC_DEVIATION,
    ARC_HALF_CENTRE,
    ARC_NO_CENTRE,
    ARC_POINT,
    ARC_SINGLE_QUADRANT,
    ARC_STRAIGHT,
    ARC_TINY,
    ARC_WITHOUT_G75,
)
from fabkit.formats.gerber.tokens import NONE

Say = Callable[[Rule, str, NDArray[Any]], None]
"""Reports a rule for the arcs with the given indices."""

ROUNDING_STEPS: Final = 3.0
"""Deviation that rounding start, end and centre to the grid can explain: 2 * sqrt(2) steps."""

BROKEN_SHARE: Final = 0.05
"""Deviation, as a share of the radius, from which an arc is an error."""

_SHORTEST_UM: Final = 2.0


@dataclass(slots=True)
class Arcs:
    """Centre and turn of each D01; ``dot`` marks arcs that are a single point."""

    cx: Floats
    cy: Floats
    turn: NDArray[np.int8]
    dot: Bools

    @classmethod
    def straight(cls, count: int) -> Self:
        """Lines only."""
        nan = np.full(count, np.nan)
        return cls(nan, nan.copy(), np.zeros(count, np.int8), np.zeros(count, bool))


def resolve_arcs(
    ends: tuple[Ints, Ints, Ints, Ints],
    offsets: tuple[Ints, Ints],
    *,
    clockwise: Bools,
    quadrant: Ints,
    unit_um: float,
    say: Say,
) -> Arcs:
    """Find centre (file integers, as floats) and turn of arcs.

    Parameters
    ----------
    ends : x0, y0, x1, y1, each (n,) int64, file integers
    offsets : I, J, ``NONE`` where not written
    quadrant : (n,) 74, 75, or 0 when neither was seen
    unit_um
        Micrometres of one coordinate step.
    """
    x0, y0, x1, y1 = ends
    no_i, no_j = offsets[0] == NONE, offsets[1] == NONE
    i, j = np.where(no_i, 0, offsets[0]), np.where(no_j, 0, offsets[1])
    single = quadrant == 74
    same = (x0 == x1) & (y0 == y1)
    say(
        ARC_WITHOUT_G75,
        "arcs stand before G75, the statement that they may be of any length",
        np.flatnonzero(quadrant == 0),
    )
    say(
        ARC_SINGLE_QUADRANT,
        "arcs under G74, of at most a quarter turn each",
        np.flatnonzero(single),
    )
    say(
        ARC_HALF_CENTRE,
        "an arc has only one of I and J, the way to its centre",
        np.flatnonzero(no_i ^ no_j),
    )
    lost = no_i & no_j
    say(ARC_NO_CENTRE, "an arc has neither I nor J, the way to its centre", np.flatnonzero(lost))
    di, dj = i.astype(np.float64), j.astype(np.float64)
    rows = np.flatnonzero(single)
    if len(rows):
        di[rows], dj[rows] = _single_quadrant(
            x1[rows] - x0[rows], y1[rows] - y0[rows], di[rows], dj[rows], clockwise[rows]
        )
    ex, ey = (x1 - x0).astype(np.float64), (y1 - y0).astype(np.float64)
    r0 = np.hypot(di, dj)
    r1 = np.hypot(ex - di, ey - dj)
    dot = same & ((r0 == 0) | single)
    say(
        ARC_POINT,
        "start, end and centre of an arc are one point",
        np.flatnonzero(same & (r0 == 0) & ~lost),
    )
    # A centre on the line through both ends makes an arc only between them (half a circle).
    cross = np.abs(ex * dj - ey * di)
    chord = np.hypot(ex, ey)
    share = np.divide(ex * di + ey * dj, chord**2, out=np.zeros_like(ex), where=chord > 0)
    on_line = ~same & (cross <= 0.5 * chord) & ((share <= 0) | (share >= 1))
    # Nearly straight arcs of large radius have their centre far off the line, not on it.
    straight = on_line | (~same & ((r0 == 0) | (r1 == 0))) | lost
    say(
        ARC_STRAIGHT,
        "the centre of an arc lies so that it makes none",
        np.flatnonzero(straight & ~lost),
    )
    curved = ~straight & ~dot
    deviation = np.where(curved & ~same, np.abs(r0 - r1), 0.0)
    broken = (deviation > ROUNDING_STEPS) & (deviation > BROKEN_SHARE * np.maximum(r0, r1))
    say(ARC_BROKEN, "start and end lie far off one circle", np.flatnonzero(broken))
    loose = (deviation > ROUNDING_STEPS) & ~broken
    say(ARC_DEVIATION, "start and end of an arc lie off one circle", np.flatnonzero(loose))
    tiny = curved & ~same & (chord * unit_um < _SHORTEST_UM)
    say(ARC_TINY, "start and end of an arc lie within 2 µm", np.flatnonzero(tiny))
    turn = np.where(clockwise, -1, 1) * np.where(same, 2, 1)
    return Arcs(
        np.where(curved, x0 + di, np.nan),
        np.where(curved, y0 + dj, np.nan),
        np.where(curved, turn, 0).astype(np.int8),
        dot,
    )


def _single_quadrant(
    end_x: Ints,
    end_y: Ints,
    i: Floats,
    j: Floats,
    clockwise: Bools,
) -> tuple[Floats, Floats]:
    """Signed offsets of G74 arcs: of four candidates the one turning the right way, at most 90°."""
    ex, ey = end_x.astype(np.float64), end_y.astype(np.float64)
    best_i, best_j = np.abs(i), np.abs(j)
    best = np.full(len(ex), np.inf)
    for sx in (1, -1):
        for sy in (1, -1):
            ci, cj = sx * np.abs(i), sy * np.abs(j)
            start = np.arctan2(-cj, -ci)
            end = np.arctan2(ey - cj, ex - ci)
            sweep = np.where(clockwise, start - end, end - start) % (2 * np.pi)
            off = np.abs(np.hypot(ci, cj) - np.hypot(ex - ci, ey - cj))
            # Rounding may push a quarter circle slightly over 90 degrees.
            off = np.where(sweep <= np.pi / 2 + 0.02, off, off + 1e15)
            better = off < best
            best = np.where(better, off, best)
            best_i, best_j = np.where(better, ci, best_i), np.where(better, cj, best_j)
    return best_i, best_j
