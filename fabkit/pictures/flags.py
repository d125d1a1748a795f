"""Where the numbers of findings stand: beside their place, clear of each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fabkit.pictures.scene import Floats

RING: Final = 1.25
"""Outer radius of the ring around a place, in sizes."""

FLAG: Final = 1.45
"""Outer radius of a number's disc with its rim, in sizes."""

_NEAR: Final = (2.75, 3.5)
_FAR: Final = (4.5, 6.0, 8.0, 10.5, 14.0, 18.0, 24.0, 32.0)
"""Distances from place to number that are tried, in sizes."""

_ANGLES: Final = tuple(45 + a for k in range(9) for a in ((20 * k, -20 * k) if k else (0,)))
"""Upper right first, then away from it on both sides, degrees."""

Flag = tuple[int, float, float]
"""Which place it belongs to, and where it stands, mm."""


def place_flags(spots: Floats, numbers: Sequence[int], size: float, *, sign: float) -> list[Flag]:
    """Find room for the number of each place.

    Every number is put up at least once, for its first place; at further places only where there
    is room close by, for the rings show these places, too.

    Parameters
    ----------
    spots : (n, 2) float64, mm
    numbers
        Of each place; the order is that of importance.
    size
        What the distances are measured in, mm.
    sign
        -1 on a face that is seen mirrored.
    """
    firsts = set(np.unique(np.asarray(numbers, dtype=np.int64), return_index=True)[1].tolist())
    flags: list[Flag] = []
    at = np.empty((0, 2))
    for wanted in (True, False):
        for k in range(len(spots)):
            if (k in firsts) is not wanted:
                continue
            found = _room(spots[k], spots, at, size, sign, far=wanted)
            if found is not None:
                flags.append((k, float(found[0]), float(found[1])))
                at = np.vstack((at, found))
    return flags


def _room(
    spot: Floats, spots: Floats, flags: Floats, size: float, sign: float, *, far: bool
) -> Floats | None:
    """A place for a number; None when there is none close by and ``far`` is not asked for."""
    turned = np.radians(_ANGLES)
    away = np.column_stack((sign * np.cos(turned), np.sin(turned)))
    reaches = np.array((*_NEAR, *_FAR) if far else _NEAR)
    tried = spot + (reaches[:, None, None] * size * away).reshape(-1, 2)
    of_flags = _least(tried, flags) >= 2 * FLAG * size
    of_rings = _least(tried, spots) >= (RING + FLAG) * size
    for good in (of_flags & of_rings, of_flags):
        if good.any():
            best: Floats = tried[int(np.argmax(good))]
            return best
        if not far:
            return None
    return np.asarray(tried[0])


def _least(points: Floats, others: Floats) -> Floats:
    """Distance of each point from the nearest of the others; infinite without any."""
    if not len(others):
        return np.full(len(points), np.inf)
    apart = points[:, None] - others[None]
    least: Floats = np.hypot(apart[..., 0], apart[..., 1]).min(axis=1)
    return least
