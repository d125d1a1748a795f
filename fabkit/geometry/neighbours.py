"""Nearest points and connected groups, without loading a large library for a small question.

Most boards have a few hundred holes and pads.  Comparing all with all then takes less than a tenth
of the time that loading scipy takes (tests/bench); its trees are used where there are many.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from fabkit.base.columns import Floats, Ints

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

FEW_PAIRS: Final = 400_000
"""Up to this many pairs are compared one with another; above it a tree pays."""


class PointTree:
    """Finds neighbours of points.

    Parameters
    ----------
    points : (n, d) float64
    """

    def __init__(self, points: Floats) -> None:
        self.points = np.asarray(points, dtype=np.float64)

    @cached_property
    def _tree(self) -> cKDTree:
        from scipy.spatial import cKDTree

        return cKDTree(self.points)

    def query(
        self, points: Floats, *, k: int = 1, p: float = 2.0, within: float = np.inf
    ) -> tuple[Floats, Ints]:
        """Distance and row of the nearest point, or of the ``k`` nearest, nearest first.

        Parameters
        ----------
        points : (m, d) float64
        p
            2 for straight distance, inf for the larger of the differences.
        within
            Farther points do not count: their distance is inf, their row ``n``.

        Returns
        -------
        (m,) or (m, k) float64, the same of int64.
        """
        asked = np.asarray(points, dtype=np.float64)
        if len(asked) * len(self.points) > FEW_PAIRS:
            found = self._tree.query(asked, k=k, p=p, distance_upper_bound=within)
            return found[0], found[1]
        apart = _distances(asked, self.points, p)
        if k > len(self.points):
            missing = np.full((len(asked), k - len(self.points)), np.inf)
            apart = np.hstack((apart, missing))
        rows = np.argsort(apart, axis=1, kind="stable")[:, :k] if k > 1 else _nearest(apart)
        distance = np.take_along_axis(apart, rows, axis=1)
        # As in the tree, what lies just at the bound is outside.
        lost = ~(distance < within)
        distance[lost], rows[lost] = np.inf, len(self.points)
        return (distance, rows) if k > 1 else (distance[:, 0], rows[:, 0])

    def pairs(self, reach: float) -> Ints:
        """Rows of points at most ``reach`` apart, (m, 2), the smaller row first."""
        count = len(self.points)
        if count * count > FEW_PAIRS:
            found: Ints = self._tree.query_pairs(reach, output_type="ndarray")
            return found
        left, right = np.nonzero(_distances(self.points, self.points, 2.0) <= reach)
        both: Ints = np.column_stack((left, right))[left < right]
        return both

    def between(self, points: Floats, reach: float) -> Ints:
        """Pairs at most ``reach`` apart, (m, 2): row of the point asked, row of its neighbour."""
        asked = np.asarray(points, dtype=np.float64)
        if len(asked) * len(self.points) > FEW_PAIRS:
            lists = self._tree.query_ball_point(asked, reach)
            left = np.repeat(np.arange(len(asked)), [len(found) for found in lists])
            right = np.array([row for found in lists for row in sorted(found)], dtype=np.int64)
        else:
            left, right = np.nonzero(_distances(asked, self.points, 2.0) <= reach)
        return np.column_stack((left, right)).astype(np.int64)

    def near(self, point: Floats, reach: float) -> Ints:
        """Rows of points at most ``reach`` from one point, in ascending order."""
        if len(self.points) ** 2 > FEW_PAIRS:  # it is asked once a point, or nearly
            found = self._tree.query_ball_point(point, reach, return_sorted=True)
            return np.asarray(found, dtype=np.int64)
        rows: Ints = np.flatnonzero(((self.points - point) ** 2).sum(axis=1) <= reach**2)
        return rows


class SpotIndex:
    """Quick test whether points lie on spots of a set: a sorted list of cells, no tree.

    Parameters
    ----------
    spots : (n, 2) float64
    reach
        A point this near to a spot, in x and in y, lies on it.
    """

    def __init__(self, spots: Floats, reach: float) -> None:
        self.spots = np.asarray(spots, dtype=np.float64).reshape(-1, 2)
        self.reach = reach
        keys = self._keys(self.spots)
        self._order = np.argsort(keys, kind="stable")
        self._sorted = keys[self._order]

    def find(self, points: Floats) -> Ints:
        """Row of a spot that each point lies on, -1 where there is none.

        Of several spots in one cell of twice the reach only the first is looked at.
        """
        asked = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        found = np.full(len(asked), -1, dtype=np.int64)
        if not len(self.spots):
            return found
        # A cell is as wide as the square of reach around a point, so the square lies in the cells
        # of its four corners.
        for corner in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
            keys = self._keys(asked + self.reach * np.array(corner))
            at = np.minimum(np.searchsorted(self._sorted, keys), len(self._sorted) - 1)
            rows = self._order[at]
            near = self._sorted[at] == keys
            near &= (np.abs(self.spots[rows] - asked) <= self.reach).all(axis=1)
            found = np.where(near, rows, found)
        return found

    def share(self, points: Floats) -> float:
        """Share of points that lie on a spot; 0 without points."""
        return float((self.find(points) >= 0).mean()) if len(points) else 0.0

    def _keys(self, points: Floats) -> Ints:
        # A little wider than twice the reach, lest rounding puts a whole cell between two corners.
        # Wrong number formats give absurd places; cut off, both cell numbers fit into one integer.
        cells = np.floor(np.clip(np.nan_to_num(points), -1e6, 1e6) / (2.001 * self.reach))
        keys: Ints = cells[:, 0].astype(np.int64) * 2**31 + cells[:, 1].astype(np.int64)
        return keys


def usual_gap(points: Floats) -> float:
    """Usual distance of a point to the nearest other one; infinite for a lone one.

    Parameters
    ----------
    points : (n, d) float64

    >>> usual_gap(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 9.0]]))
    5.0
    """
    if len(points) < 2:
        return float("inf")
    return float(np.median(PointTree(points).query(points, k=2)[0][:, 1]))


def _distances(a: Floats, b: Floats, p: float) -> Floats:
    """(len(a), len(b)) float64."""
    out = np.zeros((len(a), len(b)))
    for axis in range(a.shape[1]):
        difference = np.abs(a[:, axis, None] - b[None, :, axis])
        out = np.maximum(out, difference) if np.isinf(p) else out + difference**2
    return out if np.isinf(p) else np.sqrt(out)


def _nearest(apart: Floats) -> Ints:
    rows: Ints = np.argmin(apart, axis=1)[:, None]
    return rows


def label_groups(count: int, left: Ints, right: Ints) -> Ints:
    """Find the number of the connected group of each node, counted by their first nodes.

    Every node is hooked to the lowest node it is joined to, and chains are shortened until all
    members of a group name the same one: a few rounds even for long chains.

    Parameters
    ----------
    count
        Nodes, numbered from 0.
    left, right : (m,) integers
        Nodes that are joined.

    >>> label_groups(5, np.array([3, 1]), np.array([1, 4])).tolist()
    [0, 1, 2, 1, 1]
    """
    lowest = np.arange(count)
    while len(left):
        a, b = lowest[left], lowest[right]
        apart = a != b
        if not apart.any():
            break
        left, right, a, b = left[apart], right[apart], a[apart], b[apart]
        np.minimum.at(lowest, np.maximum(a, b), np.minimum(a, b))
        while True:
            shorter = lowest[lowest]
            if np.array_equal(shorter, lowest):
                break
            lowest = shorter
    label: Ints = np.unique(lowest, return_inverse=True)[1].reshape(-1)
    return label
