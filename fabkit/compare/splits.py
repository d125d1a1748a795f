"""Two partitions of the same things: what was together in one and is apart in the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fabkit.base.columns import Ints
from fabkit.compare.model import Points
from fabkit.geometry.neighbours import PointTree


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Things that are together with others in one partition, and apart from them in the other.

    Parameters
    ----------
    group
        The part they share in the partition in which they are together.
    cut, rest : (n,) int64
        Rows that are apart, and rows of the largest share of the group, which stay together.
    apart
        The parts of ``cut`` and of ``rest`` in the other partition.
    """

    group: int
    cut: Ints
    rest: Ints
    apart: tuple[int, int]


def find_splits(together: Ints, apart: Ints, at: Points) -> Iterator[Split]:
    """Find what is together in one partition and apart in the other.

    Parameters
    ----------
    together, apart : (n,) int64
        Part of each thing in either partition.
    at : (n, 2) float64, mm
        Where the things lie; several on one place count once.

    Notes
    -----
    A group that falls into many is told once for each but the largest.  Two things of one group
    are apart just if they are in different ones of these, so nothing is told twice and nothing is
    left out.  Of equally large ones the one nearer to the middle of all stays, so that it does
    not depend on the origin nor on the order of the files.
    """
    if not len(at):
        return
    shares, share = np.unique(np.column_stack((together, apart)), axis=0, return_inverse=True)
    share = share.reshape(-1)
    order = np.argsort(share, kind="stable")
    members = np.split(order, np.flatnonzero(np.diff(share[order])) + 1)
    centre = (at.min(axis=0) + at.max(axis=0)) / 2
    # Shares are sorted by group: those of one group follow each other.
    starts = np.flatnonzero(np.diff(shares[:, 0], prepend=shares[0, 0] - 1))
    for first, last in zip(starts, [*starts[1:], len(shares)], strict=True):
        if last - first < 2:
            continue
        ranked = sorted(range(first, last), key=lambda k: _rank(at[members[k]], centre))
        for k in ranked[1:]:
            yield Split(
                group=int(shares[k, 0]),
                cut=members[k],
                rest=members[ranked[0]],
                apart=(int(shares[k, 1]), int(shares[ranked[0], 1])),
            )


def _rank(at: Points, centre: Points) -> tuple[float, ...]:
    """Sort key: most places first, then nearest to the centre, then by place."""
    middle = at.mean(axis=0)
    return (-count_places(at), round(float(np.hypot(*(middle - centre))), 3), *middle.round(3))


def count_places(at: Points) -> int:
    """How many places there are, to the hundredth of a millimetre."""
    return len(np.unique(np.round(at, 2), axis=0))


def nearest_ends(cut: Points, rest: Points) -> tuple[Points, Points]:
    """The place of each set that is nearest to the other.

    Of equally near ones the one nearer to the middle of ``rest``, which does not depend on how
    the board lies, then the leftmost.
    """
    middle = rest.mean(axis=0)

    def first(points: Points, distance: Points) -> Points:
        far = np.hypot(*(points - middle).T).round(3)
        x, y = points.round(3).T
        return np.asarray(points[np.lexsort((y, x, far, distance.round(3)))[0]])

    end = first(cut, PointTree(rest).query(cut)[0])
    return end, first(rest, np.hypot(*(rest - end).T))
