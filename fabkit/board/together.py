"""Several halves of a keyboard drawn on one board: side by side, or held by tabs to break."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import Copper
from fabkit.board.symmetry import Key, overlay

Floats = NDArray[np.float64]

FEWEST_KEYS: Final = 3
"""Keys of each half from which on they say that it is one."""

ALIKE: Final = 0.9
"""Share of keys that must fit for two groups to be halves of one keyboard."""

APART: Final = 0.98
"""Share of the copper with pads on one group's side alone, from which nothing joins the groups:
a keyboard in one piece has rows that run through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Groups of keys that make one half each.

    Parameters
    ----------
    centres : (n, 2) float64, mm
        Middle of the keys of each half.
    keys
        Keys of each half.
    mirrored
        Whether some are mirror images of others: left and right halves, not copies of one.
    """

    centres: Floats
    keys: int
    mirrored: bool

    @property
    def halves(self) -> int:
        """Number of halves."""
        return len(self.centres)


def find_together(copper: Copper, keys: tuple[Key, ...]) -> Together | None:
    """Find halves that lie on one board; None where there is one, or one keyboard in one piece.

    Separate outlines with keys are halves when their keys are copies or mirror images of each
    other.  Within one outline, two groups of keys are when, besides, no copper joins them.
    """
    if len(keys) < 2 * FEWEST_KEYS:
        return None
    spots = np.array([(k.x_mm, k.y_mm) for k in keys])
    profile = copper.board.profile
    if profile is not None and len(profile.geoms) > 1:
        outline = pieces_at(shapely.get_parts(profile), shapely.points(spots))
        groups = [spots[outline == number] for number in np.unique(outline[outline >= 0])]
        return _halves([g for g in groups if len(g) >= FEWEST_KEYS])
    for along in (0, 1):
        order = np.sort(spots[:, along])
        at = int(np.argmax(np.diff(order)))
        cut = (order[at] + order[at + 1]) / 2
        low, high = spots[spots[:, along] < cut], spots[spots[:, along] > cut]
        found = _halves([low, high]) if min(len(low), len(high)) >= FEWEST_KEYS else None
        if found is not None and _unjoined(copper, along, cut):
            return found
    return None


def _halves(groups: list[Floats]) -> Together | None:
    if len(groups) < 2:
        return None
    first, mirrored = _table(groups[0]), False
    for other in groups[1:]:
        table = _table(other)
        straight = max(overlay(first, table * sign)[0] for sign in ((1, 1, 1), (-1, -1, 1)))
        image = max(overlay(first, table * sign)[0] for sign in ((-1, 1, 1), (1, -1, 1)))
        if max(straight, image) < ALIKE:
            return None
        mirrored |= image > straight
    centres = np.array([(g.min(axis=0) + g.max(axis=0)) / 2 for g in groups])
    return Together(centres=centres, keys=len(groups[0]), mirrored=mirrored)


def _table(spots: Floats) -> Floats:
    return np.column_stack((spots, np.zeros(len(spots))))


def _unjoined(copper: Copper, along: int, cut: float) -> bool:
    """Whether hardly any copper with pads has pads on both sides of a line."""
    pads = copper.pads
    known = pads.island >= 0
    island, at = pads.island[known], (pads.x, pads.y)[along][known]
    if not len(island):
        return False
    low, high = np.full(island.max() + 1, np.inf), np.full(island.max() + 1, -np.inf)
    np.minimum.at(low, island, at)
    np.maximum.at(high, island, at)
    joined: Any = (low < cut) & (high > cut)
    several = high > low
    return bool(several.any() and joined[several].mean() <= 1 - APART)
