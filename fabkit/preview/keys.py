"""Where the keys of a half are, read from the holes their switches stand in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fabkit.board.model import Board
from fabkit.package.model import Side
from fabkit.preview.scene import Floats

CENTRE_HOLE_MM: Final = (3.0, 5.4)
"""Diameters of the centre post's hole of key switches (common practice)."""

GUIDE_REACH_MM: Final = (4.0, 7.0)
"""Distance of a pair of guide holes from the centre (common practice)."""

_ALIKE_MM: Final = 0.05
_FEWEST: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyPosition:
    """Centre of a key, how it is turned (degrees, counter-clockwise), and its name if known."""

    x_mm: float
    y_mm: float
    rotation_deg: float = 0.0
    name: str = ""


def find_keys(board: Board) -> tuple[KeyPosition, ...]:
    """Guess the keys from unplated holes: the commonest size that fits a switch's centre post.

    The pair of guide holes symmetric about a centre, where there is one, tells how the key is
    turned (within a quarter turn).  Sorted from the top row down, then from the left.
    """
    h = board.holes
    low, high = CENTRE_HOLE_MM
    fits = (h.plated != 1) & (h.diameter >= low) & (h.diameter <= high)
    if not fits.any():
        return ()
    sizes, counts = np.unique(np.round(h.diameter[fits], 2), return_counts=True)
    if counts.max() < _FEWEST:
        return ()
    size = sizes[np.argmax(counts)]
    rows = np.flatnonzero(fits & (np.abs(h.diameter - size) < _ALIKE_MM))
    points = np.column_stack((h.x, h.y))
    bare = points[h.plated != 1]
    keys = [
        KeyPosition(x_mm=float(x), y_mm=float(y), rotation_deg=_turn_at(np.array((x, y)), bare))
        for x, y in points[rows]
    ]
    return tuple(sorted(keys, key=lambda k: (-round(k.y_mm), k.x_mm)))


def _turn_at(centre: Floats, bare: Floats) -> float:
    """Angle of the guide holes about a centre, folded into -45 to 45 degrees."""
    away = bare - centre
    reach = np.hypot(away[:, 0], away[:, 1])
    near = away[(reach >= GUIDE_REACH_MM[0]) & (reach <= GUIDE_REACH_MM[1])]
    for k, vector in enumerate(near):
        if (np.hypot(*(near[k + 1 :] + vector).T) < _ALIKE_MM).any():
            angle = float(np.degrees(np.arctan2(vector[1], vector[0])))
            return (angle + 45) % 90 - 45
    return 0.0


def left_face(keys: tuple[KeyPosition, ...]) -> Side:
    """Face that is up when a reversible board serves the left hand.

    The thumb keys lie lowest and towards the other hand (common practice), so on a left half
    they are right of the middle.
    """
    if not keys:
        return "top"
    y = np.array([k.y_mm for k in keys])
    x = np.array([k.x_mm for k in keys])
    lowest = y <= np.quantile(y, 0.15) + 1.0
    return "top" if x[lowest].mean() >= x.mean() else "bottom"
