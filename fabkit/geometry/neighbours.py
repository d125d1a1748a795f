"""What lies near what: nearest points, boxes that meet, connected groups.

Few points are compared all with all.  Of many, neighbours within a reach are found by cells as wide
as the reach, and nearest ones by shapely's tree.  Loading scipy takes 0.3 s, a tenth of a small
board's check, so its trees serve those questions alone that no check of a usual board asks: ask
for those :meth:`~PointTree.far_from` all others, not for distances that are compared with a reach.
Boxes are sorted, which for thousands of small ones beats a tree of shapes.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from itertools import pairwise, product, starmap
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes, ranges

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

_BOXES_AT_ONCE: Final = 2**20
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
        count = (last - first).astype(np.int64) + 1
        row, strip = np.repeat(np.arange(len(count)), count), ranges(first.astype(np.int64), count)
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
    if sum(int(count.sum()) for _, count in joins) > _CROWDED * len(every) + _BOXES_AT_ONCE:
        yield from _by_tree(boxes, others)
        return
    for turned, (first, count) in enumerate(joins):
        for part in _in_parts(count):
            left, right = (
                np.repeat(np.arange(len(count[part])), count[part]),
                ranges(first[part], count[part]),
            )
            left += part.start
            if turned:
                left, right = right, left
            # A pair that shares several strips counts in the first one of them.
            once = fresh[left] | other_fresh[right]
            a, b = row[left[once]], other[right[once]]
            meet = (boxes[a, :2] <= table[b, 2:]).all(axis=1)
            meet &= (table[b, :2] <= boxes[a, 2:]).all(axis=1)
            yield a[meet], b[meet]


def grown(boxes: Floats, reach: float | Floats) -> Floats:
    """Boxes that reach farther on all sides, (n, 4); by one length for all, or (n,) float64."""
    wider: Floats = boxes + np.multiply.outer(reach, (-1.0, -1.0, 1.0, 1.0))
    return wider


def boxes_of(start: Floats, end: Floats) -> Floats:
    """Boxes of straight lines between points, (n, 4)."""
    return np.column_stack((np.minimum(start, end), np.maximum(start, end)))


def boxes_of_groups(boxes: Floats, group: Ints, count: int) -> Floats:
    """Box around the boxes of each of so many groups, (count, 4); an inverted one around none.

    Parameters
    ----------
    boxes : (n, 4) float64
    group : (n,) integers
        Group of each box, from 0.
    """
    out = np.tile((np.inf, np.inf, -np.inf, -np.inf), (count, 1))
    np.minimum.at(out[:, :2], group, boxes[:, :2])
    np.maximum.at(out[:, 2:], group, boxes[:, 2:])
    return out


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
    part = np.cumsum(most) // _BOXES_AT_ONCE
    return starmap(slice, pairwise((0, *(np.flatnonzero(np.diff(part)) + 1).tolist(), len(most))))


FEW_PAIRS: Final = 400_000
"""Up to this many pairs are compared one with another; above it loading scipy pays."""

_FEWER_PAIRS: Final = 40_000
"""Above this many pairs shapely's tree, and cells, are quicker."""

_MANY: Final = 20_000
"""From this many questions on, loading scipy takes less time than its tree then saves."""

_PAIRS_AT_ONCE: Final = 4_000_000
"""Pairs of points in neighbouring cells that are compared at once: some hundred megabytes."""

_ASKED: Final = 500
"""Shapes whose neighbours are counted to estimate how many pairs there are in all."""


def numbers_of(bins: Floats) -> Ints:
    """Turn numbers of bins, whole but float64, into int64.

    What lies beyond 2**30, as damaged coordinates may, is counted in the last bin, so that two
    numbers fit one integer; what is no number, in the first.
    """
    last = 2.0**30
    kept = np.nan_to_num(np.clip(bins, -last, last), nan=-last)
    return np.asarray(kept.astype(np.int64))


def shared_shifts(
    points: Floats, reference: Floats, reach: float, *, apart: float = 0.0, most: int = 1
) -> list[tuple[float, float]]:
    """Give the shifts that most pairs of a point and one of a reference share, the best first.

    Right pairs all have one shift, wrong pairs scatter: the fullest bins win.

    Parameters
    ----------
    points, reference : (n, 2) and (m, 2) float64
        All pairs are looked at, so one of them should be a sample.
    reach
        Width of a bin, and how far from its middle shifts still belong to it.
    apart
        Shifts that differ by no more are the same one.
    most
        How many are given.
    """
    shift = (reference[None] - points[:, None]).reshape(-1, 2)
    bins = numbers_of(np.round(shift / reach))
    # One integer per bin: sorting those is much faster than sorting rows.
    keys, counts = np.unique(bins[:, 0] * 2**32 + bins[:, 1], return_counts=True)
    found: list[tuple[float, float]] = []
    for key in keys[np.argsort(-counts, kind="stable")[:_TRIED]]:
        # Rounded, because the lower half of a key may be negative.
        at = np.array((round(key / 2**32), key - round(key / 2**32) * 2**32)) * reach
        if any(np.hypot(at[0] - x, at[1] - y) <= apart for x, y in found):
            continue
        # Borders of bins may part the shifts that belong together, so those around count, too.
        near = np.all(np.abs(shift - at) <= reach, axis=1)
        if not near.any():
            continue  # The last bin, in which all that is farther off was counted.
        dx, dy = np.median(shift[near], axis=0)
        found.append((float(dx), float(dy)))
        if len(found) == most:
            break
    return found


_TRIED: Final = 200
"""Bins that are looked at for another shift: those after the fullest are mostly its neighbours."""


def squares_of(points: Floats, pitch: float) -> tuple[Ints, Ints]:
    """Square of each point, (n, 2), in a grid; and how many points each square has.

    Tells how many pairs lie near each other without listing them.
    """
    column, row = numbers_of(np.floor(points / pitch)).T
    _, number, count = np.unique(column * 2**32 + row, return_inverse=True, return_counts=True)
    return number, count


def estimate_pairs(tree: shapely.STRtree, shapes: Shapes) -> int:
    """Estimate how many pairs of a tree's shapes have boxes that meet, by asking some of them."""
    every = max(1, len(shapes) // _ASKED)
    return int(tree.query(shapes[::every]).shape[1]) * every // 2


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

    @cached_property
    def _flat(self) -> tuple[shapely.STRtree, Ints]:
        """Tree of the distinct points, and the first row of each."""
        spots, first = np.unique(self.points, axis=0, return_index=True)
        return shapely.STRtree(shapely.points(spots)), first

    @cached_property
    def _along(self) -> tuple[Floats, Ints]:
        """First coordinates in rising order, and the row of each."""
        order = np.argsort(self.points[:, 0], kind="stable")
        return self.points[order, 0], order

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
        pairs = len(asked) * len(self.points)
        plain = k == 1 and p == 2 and self.points.shape[1] == 2 and len(asked) < _MANY
        if plain and pairs > _FEWER_PAIRS:
            return self._nearest(asked, within)
        if pairs > FEW_PAIRS:
            found = self._tree.query(asked, k=k, p=p, distance_upper_bound=within)
            return found[0], found[1]
        apart = _distances(asked, self.points, p)
        if k > len(self.points):
            missing = np.full((len(asked), k - len(self.points)), np.inf)
            apart = np.hstack((apart, missing))
        if k > 1:
            rows = np.argsort(apart, axis=1, kind="stable")[:, :k]
        else:
            rows = np.argmin(apart, axis=1)[:, None]
        distance = np.take_along_axis(apart, rows, axis=1)
        # As in the tree, what lies just at the bound is outside.
        lost = ~(distance < within)
        distance[lost], rows[lost] = np.inf, len(self.points)
        return (distance, rows) if k > 1 else (distance[:, 0], rows[:, 0])

    def _nearest(self, asked: Floats, within: float) -> tuple[Floats, Ints]:
        """Nearest points on a plane; of equally near ones the first."""
        tree, first = self._flat
        bound = within if np.isfinite(within) and within > 0 else None
        (at, spot), apart = tree.query_nearest(
            shapely.points(asked), max_distance=bound, return_distance=True
        )
        distance = np.full(len(asked), np.inf)
        rows = np.full(len(asked), len(self.points), dtype=np.int64)
        kept = apart < within
        distance[at[kept]] = apart[kept]
        np.minimum.at(rows, at[kept], first[spot[kept]])
        return distance, rows

    def pairs(self, reach: float) -> Ints:
        """Rows of points at most ``reach`` apart, (m, 2), the smaller row first."""
        both = self.between(self.points, reach)
        return both[both[:, 0] < both[:, 1]]

    def between(self, points: Floats, reach: float) -> Ints:
        """Pairs at most ``reach`` apart, (m, 2): row of the point asked, row of its neighbour."""
        asked = np.asarray(points, dtype=np.float64)
        if len(asked) * len(self.points) <= _FEWER_PAIRS:
            left, right = np.nonzero(_distances(asked, self.points, 2.0) <= reach)
            return np.column_stack((left, right)).astype(np.int64)
        found = [np.empty((0, 2), dtype=np.int64)]
        for left, right in _in_neighbouring_cells(asked, self.points, reach):
            near = np.sqrt(((asked[left] - self.points[right]) ** 2).sum(axis=1)) <= reach
            found.append(np.column_stack((left[near], right[near])))
        both = np.concatenate(found)
        ordered: Ints = both[np.lexsort((both[:, 1], both[:, 0]))]
        return ordered

    def far_from(self, points: Floats, reach: float) -> Bools:
        """Which of the points asked have no neighbour at most ``reach`` away, (m,) bool."""
        far = np.ones(len(points), dtype=bool)
        far[self.between(points, reach)[:, 0]] = False
        return far

    def near(self, point: Floats, reach: float) -> Ints:
        """Rows of points at most ``reach`` from one point, in ascending order."""
        along, order = self._along
        # A hair more, lest rounding leaves out what lies just at the reach.
        low, high = along.searchsorted(point[0] + np.array((-1, 1)) * reach * (1 + 1e-9))
        rows = order[low:high]
        found: Ints = np.sort(rows[((self.points[rows] - point) ** 2).sum(axis=1) <= reach**2])
        return found


def _in_neighbouring_cells(
    left: Floats, right: Floats, reach: float
) -> Iterator[tuple[Ints, Ints]]:
    """Rows of all pairs of points in cells that touch; none nearer than ``reach`` is left out."""
    # A little wider, lest rounding puts a whole cell between two points.
    cells = np.floor(np.nan_to_num(np.concatenate((left, right))) / (reach * (1 + 1e-9) or 1.0))
    key, strides, room = np.zeros(len(cells), dtype=np.int64), list[int](), 1
    for axis in cells.T:
        used, at = np.unique(axis, return_inverse=True)
        # Cells are numbered anew, touching ones next to each other and all others apart.
        number = np.cumsum(np.where(np.diff(used, prepend=-np.inf) > 1, 2, 1))
        if (room := room * int(number[-1] + 2)) >= 2**62:
            break
        strides = [stride * int(number[-1] + 2) for stride in strides] + [1]
        key = key * (number[-1] + 2) + number[at.reshape(-1)]
    mine, theirs = key[: len(left)], key[len(left) :]
    order = np.argsort(theirs, kind="stable")
    theirs = theirs[order]
    for steps in product((-1, 0, 1), repeat=len(strides) - 1):
        # Cells along the last axis follow each other.
        middle = mine + np.dot(steps, strides[:-1]) if steps else mine
        first = theirs.searchsorted(middle - 1, side="left")
        count = theirs.searchsorted(middle + 1, side="right") - first
        total = np.cumsum(count)
        rows = np.flatnonzero(count)
        cuts = np.flatnonzero(np.diff(total[rows] // _PAIRS_AT_ONCE)) + 1
        for some in np.split(rows, cuts):
            yield np.repeat(some, count[some]), order[ranges(first[some], count[some])]


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
