"""Patterns of hits: canned cycles, and copies of what was already drilled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.formats.drill.store import Rows

DIP_PITCH_MM: Final = 2.54
"""Pitch of G82 when none is given: 0.100 in (Excellon CNC-7, canned cycles)."""

DIP_GAP_MM: Final = 7.62
"""Row gap of G82 when none is given: 0.300 in (Excellon CNC-7, canned cycles)."""

CIRCLE_HITS: Final = 8


def dip_size(
    first: tuple[float, float], last: tuple[float, float], *, pitch: float, gap: float
) -> tuple[int, bool]:
    """Holes per row of a dual in-line pattern, and whether the rows run along X.

    The two corners are diagonally opposite; the side that equals the row gap lies across.
    """
    width, height = abs(last[0] - first[0]), abs(last[1] - first[1])
    along_x = abs(height - gap) <= abs(width - gap)
    length = width if along_x else height
    return round(length / pitch) + 1 if pitch > 0 else 1, along_x


def dip_hits(
    first: tuple[float, float], last: tuple[float, float], count: int, *, along_x: bool
) -> Floats:
    """Hits of a dual in-line pattern of ``count`` holes a row: out on one row, back on the other.

    Returns
    -------
    (2 * count, 2) float64, mm
    """
    share = np.linspace(0.0, 1.0, count) if count > 1 else np.zeros(1)
    x0, y0 = first
    x1, y1 = last
    if along_x:
        row = x0 + share * (x1 - x0)
        out, back = (row, np.full(count, y0)), (row[::-1], np.full(count, y1))
    else:
        row = y0 + share * (y1 - y0)
        out, back = (np.full(count, x0), row), (np.full(count, x1), row[::-1])
    return np.concatenate([np.column_stack(out), np.column_stack(back)])


def circle_hits(first: tuple[float, float], opposite: tuple[float, float]) -> Floats:
    """Eight hits evenly on the circle over two opposite ones.

    Returns
    -------
    (8, 2) float64, mm
    """
    cx, cy = (first[0] + opposite[0]) / 2, (first[1] + opposite[1]) / 2
    radius = math.hypot(first[0] - cx, first[1] - cy)
    angle = math.atan2(first[1] - cy, first[0] - cx)
    angles = angle + np.arange(CIRCLE_HITS) * (2 * np.pi / CIRCLE_HITS)
    return np.column_stack((cx + radius * np.cos(angles), cy + radius * np.sin(angles)))


def steps(count: int, dx: float, dy: float) -> Floats:
    """Offsets 1, 2 .. ``count`` times a step; (count, 2) float64."""
    made: Floats = np.arange(1, count + 1)[:, None] * np.array([dx, dy])
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Flips:
    """How a copy is turned over: mirrors first, then the swap of x and y."""

    mirror_x: bool = False
    """x changes sign (M80)."""
    mirror_y: bool = False
    """y changes sign (M90)."""
    swap: bool = False
    """x and y change places (M70)."""

    @property
    def turns_over(self) -> bool:
        """True when clockwise becomes counter-clockwise."""
        return self.mirror_x ^ self.mirror_y ^ self.swap


NO_FLIPS: Final = Flips()


def copied(
    rows: Rows,
    by: Floats,
    *,
    points: tuple[int, ...],
    flips: Flips,
    zero: tuple[float, float],
) -> Rows:
    """Give the copies of rows, one after the other: flipped, then moved.

    Parameters
    ----------
    by
        (k, 2) float64, mm: one move per copy.
    points
        Columns that hold an x and are followed by its y.
    zero
        The point that flips leave where it is.
    """
    made = np.tile(rows, (len(by), 1))
    move = np.repeat(by, len(rows), axis=0)
    for column in points:
        x, y = made[:, column] - zero[0], made[:, column + 1] - zero[1]
        x, y = (-x if flips.mirror_x else x), (-y if flips.mirror_y else y)
        if flips.swap:
            x, y = y, x
        made[:, column] = x + zero[0] + move[:, 0]
        made[:, column + 1] = y + zero[1] + move[:, 1]
    return made
