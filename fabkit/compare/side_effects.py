"""Changes that follow from another: holes of a key that moved, pads of a hole that is new."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.compare.causes import LARGE_MM2
from fabkit.compare.model import HALF_KEY_MM, MOVED_MM, Change, Verb, What

REACH_MM: Final = {
    What.KEY: HALF_KEY_MM,
    What.PART: 3.0,
    What.HOLE: 1.0,
    What.SLOT: 1.0,
    What.CONNECTION: 0.05,
}
"""Around a change of this, areas are its pads, openings, rings and copper (our choice)."""

MOST_MM: Final = 25.0
"""Larger areas are no side effect of one key, part or hole (our choice)."""


def fold_side_effects(changes: Sequence[Change]) -> Iterator[Change]:
    """Give all changes in order, those that follow from another with its words in ``because``."""
    causes = [c for c in changes if c.what in REACH_MM and c.x_mm is not None]
    tree = shapely.STRtree([_around(c) for c in causes])
    for change in changes:
        box = change.box_mm
        if box is None or not causes:
            yield change
            continue
        rows = np.sort(tree.query(shapely.box(*box), predicate="intersects")).tolist()
        found = next((causes[k] for k in rows if _explains(causes[k], change)), None)
        yield change if found is None else replace(change, because=found.message)


def _around(change: Change) -> BaseGeometry:
    """Where a change may have side effects: where it is, and where it was."""
    reach = REACH_MM[change.what]
    x, y = change.x_mm or 0.0, change.y_mm or 0.0
    x0, y0, x1, y1 = change.box_mm or (x, y, x, y)
    here = shapely.box(x0 - reach, y0 - reach, x1 + reach, y1 + reach)
    if change.moved_mm is None:
        return here
    dx, dy = change.moved_mm
    there = shapely.box(x0 - dx - reach, y0 - dy - reach, x1 - dx + reach, y1 - dy + reach)
    return shapely.union(here, there)


def _explains(cause: Change, change: Change) -> bool:
    """Whether a change near another follows from it."""
    if change.what in (What.HOLE, What.SLOT):
        if cause.what not in (What.KEY, What.PART) or cause.verb is not change.verb:
            return False
        if cause.verb is not Verb.MOVED or cause.turned_deg:
            return cause.verb in (Verb.MOVED, Verb.ADDED, Verb.REMOVED)
        if cause.moved_mm is None or change.moved_mm is None:
            return False
        apart = np.subtract(cause.moved_mm, change.moved_mm)
        return bool(np.hypot(*apart) <= 4 * MOVED_MM)
    size = change.size_mm
    if not change.is_area or size is None or change.is_pour:
        return False
    if change.what is What.PROFILE:
        # The opening of a switch in a plate: material is gone where a key is new.
        opposite = {Verb.ADDED: Verb.REMOVED, Verb.REMOVED: Verb.ADDED}
        return (
            cause.what is What.KEY
            and opposite.get(cause.verb) is change.verb
            and max(size) <= MOST_MM
        )
    # A part of another value or footprint name alone moves no copper.
    if cause.what is What.PART and cause.verb is Verb.CHANGED and "footprint" not in cause.after:
        return False
    if cause.what is What.CONNECTION:
        return change.added_mm2 + change.removed_mm2 <= LARGE_MM2
    return max(size) <= MOST_MM
