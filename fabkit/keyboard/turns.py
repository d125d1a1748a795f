"""The turn of switches that only their lands show: laid on the lands of the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.geometry.neighbours import PointTree

ALIKE_MM: Final = 0.15
"""Lands of two footprints of one make lie on each other within this."""

FEWEST_LANDS: Final = 3
"""Two lands lie on each other turned by 180 degrees as well."""


def find_turns(lands: Sequence[Floats]) -> list[tuple[float, Floats] | None]:
    """Turn of each footprint against the usual one, and where its middle lies.

    Parameters
    ----------
    lands
        (n, 2) float64 each, mm: the lands of every footprint on the board.

    Returns
    -------
    For each footprint its turn, degrees counter-clockwise from 0 up to 360, and its middle, (2,)
    float64, mm: that of the usual footprint's box, turned with it.  None where it is of another
    make, has too few lands, or no footprint is usual.
    """
    spread = [at - at.mean(axis=0) if len(at) else at for at in lands]
    usual = _usual(spread)
    if usual is None:
        return [None] * len(lands)
    middle = (usual.min(axis=0) + usual.max(axis=0)) / 2
    out: list[tuple[float, Floats] | None] = []
    for at, away in zip(lands, spread, strict=True):
        turn = _turn(usual, away)
        if turn is None:
            out.append(None)
            continue
        out.append((turn, at.mean(axis=0) + _turned(middle, turn)))
    return out


def _usual(spread: Sequence[Floats]) -> Floats | None:
    """The footprint that lies on most others as it is, at least on one."""
    best, most = None, 0
    for away in spread:
        if len(away) < FEWEST_LANDS:
            continue
        alike = sum(_lie_on(away, other) for other in spread) - 1
        if alike > most:
            best, most = away, alike
    return best


def _turn(usual: Floats, away: Floats) -> float | None:
    """Turn that lays the usual footprint on another; the smallest when several do."""
    if len(usual) != len(away):
        return None
    reach = np.hypot(usual[:, 0], usual[:, 1])
    far = int(reach.argmax())
    there = np.hypot(away[:, 0], away[:, 1])
    start = np.degrees(np.arctan2(usual[far, 1], usual[far, 0]))
    found = []
    for row in np.flatnonzero(np.abs(there - reach[far]) <= ALIKE_MM).tolist():
        turn = float(np.degrees(np.arctan2(away[row, 1], away[row, 0])) - start)
        if _lie_on(_turned(usual, turn), away):
            found.append(round(turn, 2) % 360)
    return min(found, key=lambda turn: min(turn, 360 - turn), default=None)


def _lie_on(a: Floats, b: Floats) -> bool:
    """Whether two footprints about their middles are the same."""
    return len(a) == len(b) and bool((PointTree(b).query(a)[0] <= ALIKE_MM).all())


def _turned(points: Floats, turn_deg: float) -> Floats:
    turn = np.radians(turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(points @ np.array([[c, s], [-s, c]]))
