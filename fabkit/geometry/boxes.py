"""Which boxes meet: asked by sorting, which for thousands of small boxes beats a tree of shapes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise, starmap
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints

_PAIRS_AT_ONCE: Final = 2**20
"""Pairs of boxes that are compared at once: some tens of megabytes."""

_STRIPS: Final = 2**20
"""Strips at most: a strip and a place along it then fit one number."""

_CROWDED: Final = 100
"""Candidates a box from which on a tree is asked: long boxes across each other share each strip."""


def meeting_boxes(boxes: Floats, others: Floats | None = None) -> Iterator[tuple[Ints, Ints]]:
    """Rows of boxes and of others that meet, each pair once, a bounded number of pairs at a time.

    The plane is cut into strips as high as the usual box.  Within a strip boxes are sorted along
    it, so that those which begin beside another one follow each other.

    Parameters
    ----------
    boxes : (n, 4) float64
        Min x, min y, max x, max y, as ``shapely.bounds`` gives them.
    others : (m, 4) float64
        Pairs of different boxes of the same table, in any order of the two, without them.
    """
    every = boxes if others is None else np.concatenate((boxes, others))
    if not len(every):
        yield np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
        return
    size = (every[:, 2:] - every[:, :2]).mean(axis=0)
    low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
    room = high - low
    # Strips lie along the axis on which boxes are long for the room they lie in.
    across = int(size[1] * room[0] <= size[0] * room[1])
    height = max(size[across], room[across] / _STRIPS) or 1.0
    along = 1 - across
    length = 1.01 * room[along] + 1.0

    def laid(table: Floats) -> tuple[Ints, Bools, Floats, Floats]:
        """Row, whether its first strip, begin and end of boxes in each strip, by their begins."""
        first, last = np.floor((table[:, (across, across + 2)] - low[across]) / height).T
        row, strip = _spread(first.astype(np.int64), (last - first).astype(np.int64) + 1)
        start = strip * length + (table[row, along] - low[along])
        order = np.argsort(start, kind="stable")
        row, strip = row[order], strip[order]
        end = strip * length + (table[row, along + 2] - low[along])
        return row, first[row] == strip, start[order], end

    row, fresh, start, end = laid(boxes)
    joins = []
    if others is None:
        table, other, other_fresh = boxes, row, fresh
        first = np.arange(1, len(row) + 1)
        joins.append((first, start.searchsorted(end, side="right") - first))
    else:
        table = others
        other, other_fresh, other_start, other_end = laid(others)
        first = other_start.searchsorted(start, side="left")
        joins.append((first, other_start.searchsorted(end, side="right") - first))
        first = start.searchsorted(other_start, side="right")
        joins.append((first, start.searchsorted(other_end, side="right") - first))
    if sum(int(count.sum()) for _, count in joins) > _CROWDED * len(every) + _PAIRS_AT_ONCE:
        yield from _by_tree(boxes, others)
        return
    for turned, (first, count) in enumerate(joins):
        for part in _in_parts(count):
            left, right = _spread(first[part], count[part])
            left += part.start
            if turned:
                left, right = right, left
            # A pair that shares several strips counts in the first one of them.
            once = fresh[left] | other_fresh[right]
            a, b = row[left[once]], other[right[once]]
            meet = (boxes[a, :2] <= table[b, 2:]).all(axis=1)
            meet &= (table[b, :2] <= boxes[a, 2:]).all(axis=1)
            yield a[meet], b[meet]


def _spread(first: Ints, count: Ints) -> tuple[Ints, Ints]:
    """Rows and numbers of runs: ``first[row]`` and as many that follow as ``count[row]`` says."""
    row = np.repeat(np.arange(len(count)), count)
    return row, np.arange(len(row)) + np.repeat(first - (np.cumsum(count) - count), count)


def _by_tree(boxes: Floats, others: Floats | None) -> Iterator[tuple[Ints, Ints]]:
    table = boxes if others is None else others
    tree = shapely.STRtree(shapely.linestrings(table.reshape(-1, 2, 2)))
    asked = shapely.linestrings(boxes.reshape(-1, 2, 2))
    # Each box meets at most those it overlaps along the better axis.
    met = np.minimum(
        *(
            np.searchsorted(np.sort(table[:, k]), boxes[:, k + 2], side="right")
            - np.searchsorted(np.sort(table[:, k + 2]), boxes[:, k])
            for k in (0, 1)
        )
    )
    for part in _in_parts(met):
        a, b = tree.query(asked[part])
        a += part.start
        once = slice(None) if others is not None else a < b
        yield a[once], b[once]


def _in_parts(most: Ints) -> Iterator[slice]:
    """Slices of rows of which each may have so many pairs, a bounded number in all."""
    part = np.cumsum(most) // _PAIRS_AT_ONCE
    return starmap(slice, pairwise((0, *(np.flatnonzero(np.diff(part)) + 1).tolist(), len(most))))
