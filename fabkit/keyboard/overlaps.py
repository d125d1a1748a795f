"""Places for switches that overlap: how many switches can be fitted at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.geometry.neighbours import PointTree

BODY_MM: Final = 13.0
"""Switches nearer to each other than this cannot both be fitted: bodies are 13.8 to 14 mm wide
(common practice)."""

_MOST_TOGETHER: Final = 16
"""Places that overlap in one chain and are tried in every way; larger chains are no keyboard."""


def find_overlaps(centres: Floats) -> list[tuple[int, ...]]:
    """For each place, ascending, the places too near for both to hold a switch.

    Parameters
    ----------
    centres : (n, 2) float64, mm
    """
    near: list[list[int]] = [[] for _ in range(len(centres))]
    if len(centres):
        for a, b in PointTree(centres).pairs(BODY_MM).tolist():
            near[a].append(b)
            near[b].append(a)
    return [tuple(sorted(rows)) for rows in near]


def fitted_range(instead_of: Sequence[Sequence[int]]) -> tuple[int, int]:
    """Fewest and most switches that leave no free place, given which places overlap.

    >>> fitted_range([(), (2,), (1,)])
    (2, 2)
    >>> fitted_range([(1,), (0, 2), (1,)])
    (1, 2)
    """
    fewest = most = 0
    for chain in _chains(instead_of):
        if len(chain) > _MOST_TOGETHER:
            return len(instead_of), len(instead_of)
        counts = list(_full_fits(chain, instead_of))
        fewest, most = fewest + min(counts), most + max(counts)
    return fewest, most


def _chains(instead_of: Sequence[Sequence[int]]) -> Iterator[list[int]]:
    """Places that overlap one another, directly or through others."""
    free = set(range(len(instead_of)))
    while free:
        chain, reached = [], [min(free)]
        while reached:
            place = reached.pop()
            if place in free:
                free.remove(place)
                chain.append(place)
                reached += instead_of[place]
        yield sorted(chain)


def _full_fits(chain: Sequence[int], instead_of: Sequence[Sequence[int]]) -> Iterator[int]:
    """Switches of every choice that overlaps nowhere and leaves no place that could be taken."""
    at = {place: bit for bit, place in enumerate(chain)}
    blocks = [sum(1 << at[o] for o in instead_of[place]) for place in chain]
    for choice in range(1, 1 << len(chain)):
        chosen = [bit for bit in range(len(chain)) if choice >> bit & 1]
        blocked = int(np.bitwise_or.reduce([blocks[bit] for bit in chosen]))
        if not blocked & choice and (blocked | choice) == (1 << len(chain)) - 1:
            yield len(chosen)
