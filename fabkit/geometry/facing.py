"""Where two boundaries face each other: the narrowest gaps and widths of a picture, all at once.

The boundary of every polygon is cut into facets with the material on their left.  Two facets
nearer than a reach are judged by the line between their nearest points: where neither boundary
comes nearer when followed a little way, that line is a *facing*, a local minimum of the distance.
Seen through material it is a width (a track, a neck), seen through open ground it is a gap.  A
sharp corner is neither, because the distance shrinks to nothing at its tip without a minimum.

Facets are sought by the run.  A tree with one line for every facet of a dense layer holds a
quarter of a million lines of two points; facets that follow each other along a ring lie together
anyhow, so a tree of runs finds the same and is made in a tenth of the time (tests/bench).

No polygon is eroded or grown, so the cost follows the number of facets and the measures are as
exact as the polygons.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from threading import Lock
from typing import Final
from weakref import ref

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Columns, Floats, Ints, Shapes, ranges, run_starts
from fabkit.base.units import COINCIDENT_MM
from fabkit.geometry.neighbours import grown, label_groups, meeting_boxes

LONGEST_FACET_MM: Final = 2.0
"""Longer boundary segments are cut, so that the box of a slanted one stays small."""

_MOST_CUTS: Final = 1_000_000
"""Facets that cutting may add: enough for two kilometres of boundary on one layer."""


@dataclass(frozen=True, slots=True, eq=False)
class Facets(Columns):
    """Straight boundary segments of polygons, material on the left.

    Columns
    -------
    x0, y0 : float64, mm
        Start; where the next one along the ring starts, it ends.
    before, after : int32
        Rows of the neighbours along the ring.
    piece : int32
        Index of the polygon.
    """

    x0: Floats
    y0: Floats
    before: NDArray[np.int32]
    after: NDArray[np.int32]
    piece: NDArray[np.int32]

    @property
    def x1(self) -> Floats:
        """End of each, mm; not kept, for a board of many layers has millions."""
        return self.x0[self.after]

    @property
    def y1(self) -> Floats:
        """End of each, mm."""
        return self.y0[self.after]


def _without_rounding(rings: Shapes) -> Shapes:
    """Rings without steps of rounding; one that would shrink to nothing stays as it is."""
    try:
        return np.asarray(shapely.remove_repeated_points(rings, COINCIDENT_MM / 2))
    except shapely.errors.GEOSException:
        # One speck spoils the whole array: met on a real board.
        if len(rings) == 1:
            return rings
        half = len(rings) // 2
        parts = (_without_rounding(rings[:half]), _without_rounding(rings[half:]))
        return np.concatenate(parts)


def facets_of(polygons: Shapes, *, longest_mm: float = LONGEST_FACET_MM) -> Facets:
    """Cut the boundaries of polygons into facets.

    Parameters
    ----------
    polygons : (n,) object array of polygons, mm
        Single polygons; empty ones give no facets.
    longest_mm
        Longer segments are cut into equal parts, in coarser ones where those would be millions.
    """
    rings, piece_of_ring = shapely.get_rings(polygons, return_index=True)
    # The direction of a step that small is rounding, and a boundary would seem to face itself.
    rings = _without_rounding(rings)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return Facets.empty()
    moved = (ring[1:] == ring[:-1]) & (points[1:] != points[:-1]).any(axis=1)
    at = np.flatnonzero(moved)
    ring = ring[at]
    # Outer rings are to run counter-clockwise and holes clockwise, however they were written:
    # the side a facet is seen from decides between gap and width.
    outer = np.append(True, piece_of_ring[1:] != piece_of_ring[:-1])
    (x, y), (to_x, to_y) = points[at].T, points[at + 1].T
    area = np.bincount(ring, weights=x * to_y - y * to_x, minlength=len(rings))
    turned = ((area > 0) != outer)[ring]
    first, last = _ends_of_rings(ring)
    # A ring that is turned runs from its last segment to its first.
    count = last + 1 - first
    at = at[
        np.where(turned, np.repeat(first + last, count) - np.arange(len(at)), np.arange(len(at)))
    ]
    start, step = points[at + turned], points[at + ~turned]
    step -= start

    length = np.hypot(*step.T)
    # A digit too many in a coordinate draws a stroke of half a kilometre.
    longest_mm = max(longest_mm, float(length.sum()) / _MOST_CUTS)
    parts = np.maximum(np.ceil(length / longest_mm), 1).astype(np.int64)
    part = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    ring, start = np.repeat(ring, parts), np.repeat(start, parts, axis=0)
    start += np.repeat(step / parts[:, None], parts, axis=0) * part[:, None]
    first, last = _ends_of_rings(ring)
    before, after = (np.arange(by, len(ring) + by, dtype=np.int32) for by in (-1, 1))
    before[first], after[last] = last, first
    return Facets(
        x0=start[:, 0],
        y0=start[:, 1],
        before=before,
        after=after,
        piece=piece_of_ring[ring],
    )


def _ends_of_rings(ring: Ints) -> tuple[Ints, Ints]:
    """First and last row of each ring, from the number of the ring of each row."""
    first = run_starts(ring)
    return first, np.append(first[1:], len(ring)) - 1


PAIRED: Final = 4
"""Facets a run when pairs of facets are sought: sixteen pairs for each pair of runs."""

SOUGHT: Final = 12
"""Facets a run when single places are looked up."""

_RUNS_KEPT: Final = 50_000
"""Runs of all trees that are kept: some twenty megabytes, more than boards of four layers have."""

_kept: Final[list[ref[FacetTree]]] = []
_lock: Final = Lock()

_RUN_PAIRS: Final = 20_000
"""Pairs of runs opened at once: their tables, some megabytes, stay in the processor's cache."""

_RUNS_AT_ONCE: Final = 20_000
"""Runs whose neighbours are sought at once."""

_ASIDE: Final = 0.2
"""Cosine above which two facets run so much alike that they cannot face each other."""

_ALIKE_RAD: Final = 1.36
"""A hair less than the angle of that cosine (1.3694)."""


def cut_runs(facets: Facets, size: int) -> Ints:
    """First facet of each run of up to ``size`` facets of one ring, in order."""
    count = len(facets)
    index = np.arange(count)
    first = np.flatnonzero(np.append(True, facets.after[:-1] != index[1:])) if count else index
    length = np.diff(np.append(first, count))
    since = index - np.repeat(first, length)
    starts: Ints = np.flatnonzero(since % size == 0)
    return starts


class FacetTree:
    """Boundary of polygons, to look up what lies near a place.

    Parameters
    ----------
    facets
        Any number of rings, each in order.
    """

    def __init__(self, facets: Facets) -> None:
        self.facets = facets
        self._runs: shapely.STRtree | None = None

    @cached_property
    def starts(self) -> Ints:
        """First facet of each run."""
        return cut_runs(self.facets, SOUGHT)

    @property
    def runs(self) -> shapely.STRtree:
        """Runs as lines in a tree; rows as in ``starts``.

        Kept until trees made later hold many: those of fourteen layers take 150 MB, and 0.3 s to
        be made again.
        """
        if (runs := self._runs) is None:
            runs = self._runs = self._make_runs()
            _keep(self)
        return runs

    def forget(self) -> None:
        """Let go of the runs; they are made again when they are asked for."""
        self._runs = None

    def _make_runs(self) -> shapely.STRtree:
        f, starts = self.facets, self.starts
        if not len(starts):
            return shapely.STRtree([])
        stops = np.append(starts[1:], len(f))
        # Each run is one point longer than it has facets.
        at = np.arange(len(f)) + np.repeat(np.arange(len(starts)), stops - starts)
        points = np.empty((len(f) + len(starts), 2))
        points[at] = np.column_stack((f.x0, f.y0))
        last, after = stops + np.arange(len(starts)), f.after[stops - 1]
        points[last] = np.column_stack((f.x0[after], f.y0[after]))
        rows = np.repeat(np.arange(len(starts)), stops - starts + 1)
        return shapely.STRtree(shapely.linestrings(points, indices=rows))

    @cached_property
    def boxes(self) -> Floats:
        """Boxes of the runs, (n, 4)."""
        return _run_boxes(self.facets, self.starts)

    def lines(self, rows: Ints) -> Shapes:
        """(n,) object array of lines: single facets."""
        f = self.facets
        after = f.after[rows]
        ends = np.column_stack((f.x0[rows], f.y0[rows], f.x0[after], f.y0[after]))
        lines: Shapes = shapely.linestrings(ends.reshape(-1, 2, 2))
        return lines

    def distance(self, shapes: Shapes) -> Floats:
        """Distance from each shape to the nearest boundary, mm; inf without any.

        Parameters
        ----------
        shapes : (n,) object array of geometries
        """
        out = np.full(len(shapes), np.inf)
        if len(self.facets) and len(shapes):
            (row, _), distance = self.runs.query_nearest(
                shapes, all_matches=False, return_distance=True
            )
            out[row] = distance
        return out

    def pieces_within(self, shapes: Shapes, reach_mm: float) -> tuple[Ints, Ints]:
        """Rows of shapes, and pieces whose boundary comes within ``reach_mm``, each pair once.

        Parameters
        ----------
        shapes : (n,) object array of geometries
        """
        boxes = grown(shapely.bounds(shapes), reach_mm)
        shape, run = np.concatenate([*meeting_boxes(boxes, self.boxes)], axis=1)
        near = shapely.dwithin(shapes[shape], self.runs.geometries[run], reach_mm)
        found = np.column_stack((shape[near], self.facets.piece[self.starts[run[near]]]))
        shape, piece = np.unique(found, axis=0).T
        return shape, piece

    def touching_pieces(self, reach_mm: float) -> tuple[Ints, Ints]:
        """Pairs of pieces whose boundaries come within ``reach_mm``; some more than once."""
        piece, lines = self.facets.piece[self.starts], self.runs.geometries
        found = []
        for one, other in meeting_boxes(grown(self.boxes, reach_mm / 2)):
            apart = piece[one] != piece[other]
            found.append((one[apart], other[apart]))
        one, other = np.concatenate(found, axis=1)
        near = shapely.dwithin(lines[one], lines[other], reach_mm)
        pairs = np.sort(np.column_stack((piece[one[near]], piece[other[near]])).astype(np.int64))
        return pairs[:, 0], pairs[:, 1]

    def within(
        self,
        shapes: Shapes,
        reach_mm: float | Floats,
        *,
        only: Callable[[Ints, Ints], Bools] | None = None,
    ) -> tuple[Ints, Ints]:
        """Rows of shapes and of facets at most ``reach_mm`` apart, in order.

        Parameters
        ----------
        shapes : (n,) object array of geometries
        reach_mm
            One for all, or (n,) float64.
        only
            Which rows of shapes and pieces, (m,) each, are of interest; the others are not
            measured.
        """
        reach = np.broadcast_to(np.asarray(reach_mm, dtype=np.float64), len(shapes))
        if only is None:
            shape, run = self.runs.query(shapes, predicate="dwithin", distance=reach)
        else:
            boxes = grown(shapely.bounds(shapes), reach)
            shape, run = np.concatenate([*meeting_boxes(boxes, self.boxes)], axis=1)
            wanted = only(shape, self.facets.piece[self.starts[run]])
            shape, run = shape[wanted], run[wanted]
            near = shapely.dwithin(shapes[shape], self.runs.geometries[run], reach[shape])
            shape, run = shape[near], run[near]
        starts = self.starts[run]
        counts = np.append(self.starts, len(self.facets))[run + 1] - starts
        shape, facet = np.repeat(shape, counts), ranges(starts, counts)
        near = np.zeros(len(shape), dtype=bool)
        spot = (shapely.get_type_id(shapes) == shapely.GeometryType.POINT)[shape]
        near[spot] = self._from_points(shapes[shape[spot]], facet[spot]) <= reach[shape[spot]]
        near[~spot] = shapely.dwithin(
            shapes[shape[~spot]], self.lines(facet[~spot]), reach[shape[~spot]]
        )
        shape, facet = shape[near], facet[near]
        order = np.lexsort((facet, shape))
        return shape[order], facet[order]

    def apart(self, shapes: Shapes, rows: Ints) -> Floats:
        """Distance of each shape from one facet, mm; rows of facets as :meth:`within` gives them.

        Parameters
        ----------
        shapes : (n,) object array of geometries
        rows : (n,) int64
        """
        distance = np.empty(len(shapes))
        spot = shapely.get_type_id(shapes) == shapely.GeometryType.POINT
        distance[spot] = self._from_points(shapes[spot], rows[spot])
        distance[~spot] = shapely.distance(shapes[~spot], self.lines(rows[~spot]))
        return distance

    def _from_points(self, points: Shapes, rows: Ints) -> Floats:
        """Distance of each point from one facet, mm, without making a shape of the facet.

        A board of many layers asks it of a million facets around its holes.
        """
        f = self.facets
        x, y = shapely.get_x(points), shapely.get_y(points)
        after = f.after[rows]
        ax, ay = f.x0[rows] - x, f.y0[rows] - y
        ux, uy = f.x0[after] - f.x0[rows], f.y0[after] - f.y0[rows]
        square = ux * ux + uy * uy
        share = -(ax * ux + ay * uy) / square
        beside = np.abs(ay * ux - ax * uy) / square * np.sqrt(square)
        start = np.sqrt(ax * ax + ay * ay)
        end = np.sqrt((f.x0[after] - x) ** 2 + (f.y0[after] - y) ** 2)
        distance: Floats = np.where(share <= 0, start, np.where(share >= 1, end, beside))
        return distance


def _keep(tree: FacetTree) -> None:
    """Note that a tree has its runs; let go of those made longest ago when they are many."""
    with _lock:
        alive = [one for one in (held() for held in _kept) if one is not None and one is not tree]
        many = len(tree.starts) + sum(len(one.starts) for one in alive)
        while alive and many > _RUNS_KEPT:
            oldest = alive.pop(0)
            many -= len(oldest.starts)
            oldest.forget()
        _kept[:] = map(ref, [*alive, tree])


def near_pairs(
    facets: Facets, reach_mm: float, *, same_piece: bool = False
) -> Iterator[tuple[Ints, Ints]]:
    """Rows of facets that may face each other within ``reach_mm``, each pair once, in order.

    Parameters
    ----------
    facets
        Any number of rings, each in order.
    reach_mm
        Facets farther apart than this may or may not be among the pairs.
    same_piece
        Only pairs of one polygon.

    Yields
    ------
    left, right : (n,) int64
        Sorted, ``left < right``, a stretch of the facets at a time: a layer of ninety thousand
        small pads has pairs for a gigabyte.  Neighbours along a ring, and facets that run the
        same way, are left out.
    """
    if not len(facets):
        return
    starts = cut_runs(facets, PAIRED)
    member = starts[:, None] + np.arange(PAIRED)
    inside = member < np.append(starts[1:], len(facets))[:, None]
    member = np.where(inside, member, starts[:, None])
    x1, y1 = facets.x1, facets.y1
    dx, dy = x1 - facets.x0, y1 - facets.y0
    length = np.hypot(dx, dy)
    ux, uy, half = (dx / length)[member], (dy / length)[member], (length / 2)[member]
    # A member that is none has its middle nowhere: no comparison with it holds.
    mx = np.where(inside, ((facets.x0 + x1) / 2)[member], np.nan)
    my = np.where(inside, ((facets.y0 + y1) / 2)[member], np.nan)
    heading, spread = _headings(np.arctan2(uy, ux))
    piece = facets.piece[starts]
    for one, other in _near_runs(facets, starts, reach_mm):
        if same_piece:
            same = piece[one] == piece[other]
            one, other = one[same], other[same]
        turned = np.abs(np.mod(heading[one] - heading[other] + np.pi, 2 * np.pi) - np.pi)
        # The most by which any two members can differ in direction; whole runs are left out by it
        # before the sixteen pairs of each are opened.
        facing = turned + spread[one] + spread[other] > _ALIKE_RAD
        one, other = one[facing], other[facing]
        kept = []
        for at in range(0, len(one), _RUN_PAIRS):
            a, b = one[at : at + _RUN_PAIRS], other[at : at + _RUN_PAIRS]

            def outer(column: Floats, a: Ints = a, b: Ints = b) -> tuple[Floats, Floats]:
                return column[a][:, :, None], column[b][:, None, :]

            (ax, bx), (ay, by) = outer(ux), outer(uy)
            (cx, dx), (cy, dy), (ha, hb) = outer(mx), outer(my), outer(half)
            # Two boundaries that face each other run against each other; the slack keeps the
            # pairs of facets around sharp corners of which one looks aside.
            keep = (cx - dx) ** 2 + (cy - dy) ** 2 <= (ha + hb + reach_mm) ** 2
            keep &= ax * bx + ay * by < _ASIDE
            pair, i, j = np.nonzero(keep)
            kept.append(np.column_stack((member[a[pair], i], member[b[pair], j])))
        left, right = np.concatenate(kept).T if kept else np.empty((2, 0), np.int64)
        keep = (left < right) & (facets.before[left] != right) & (facets.after[left] != right)
        left, right = left[keep], right[keep]
        order = np.argsort(left * len(facets) + right)
        yield left[order], right[order]


def _near_runs(facets: Facets, starts: Ints, reach_mm: float) -> Iterator[tuple[Ints, Ints]]:
    """Pairs of runs whose boxes come within reach, each with itself and with others once.

    The pairs of some thousand runs at a time, in order.
    """
    box = _run_boxes(facets, starts)
    for at in range(0, len(box), _RUNS_AT_ONCE):
        found = [*meeting_boxes(grown(box[at : at + _RUNS_AT_ONCE], reach_mm), box[at:])]
        one, other = np.concatenate(found, axis=1) + at
        once = one <= other
        yield one[once], other[once]


def _run_boxes(facets: Facets, starts: Ints) -> Floats:
    """Boxes of runs, (n, 4)."""
    axes = (facets.x0, facets.x1), (facets.y0, facets.y1)
    low = [np.minimum.reduceat(np.minimum(*ends), starts) for ends in axes]
    high = [np.maximum.reduceat(np.maximum(*ends), starts) for ends in axes]
    return np.column_stack((*low, *high))


def _headings(angles: Floats) -> tuple[Floats, Floats]:
    """Middle of the directions of each run, and how far its members are off it, radians."""
    off = np.mod(angles - angles[:, :1] + np.pi, 2 * np.pi) - np.pi
    low, high = off.min(axis=1), off.max(axis=1)
    return angles[:, 0] + (low + high) / 2, (high - low) / 2


Axes = tuple[Floats, Floats]
"""Coordinates of points, or lengths of vectors, along x and y; (n,) each: rows of two are slow."""

_FACET_PAIRS: Final = 50_000
"""Pairs judged at once: their tables, some ten megabytes, are quickest when small."""

_JOIN_MM: Final = 0.01
"""Stretches whose ends are this near to each other are one."""

_FLAT: Final = 1e-6
"""Cosine below which a direction counts as square to a facet (rounding of coordinates)."""


@dataclass(frozen=True, slots=True, eq=False)
class Facings(Columns):
    """Local minima of the distance between boundaries, nearest first.

    Columns
    -------
    distance : float64, mm
    x0, y0, x1, y1 : float64, mm
        Nearest points; on ``piece0`` and ``piece1``.
    piece0, piece1 : int32
    stretch : float64, mm
        Length over which two parallel facets overlap, 0 when they are nearest in one point.
    """

    distance: Floats
    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    piece0: NDArray[np.int32]
    piece1: NDArray[np.int32]
    stretch: Floats

    @property
    def straight(self) -> Bools:
        """(n,) bool: no chord of an arc takes part in the measure."""
        return self.stretch > 0

    def thinned(self, apart_mm: float) -> Facings:
        """Nearest ones of those within a distance of each other; see :func:`thin_out`."""
        return self.take(thin_out(self.x, self.y, apart_mm))

    @property
    def x(self) -> Floats:
        """(n,) middle between the nearest points, mm."""
        return (self.x0 + self.x1) / 2

    @property
    def y(self) -> Floats:
        """(n,) middle between the nearest points, mm."""
        return (self.y0 + self.y1) / 2


def find_gaps(facets: Facets, reach_mm: float) -> Facings:
    """Places where open ground between (or inside) polygons is narrower than ``reach_mm``."""
    return find_facings(facets, gap_mm=reach_mm, width_mm=0.0)[0]


def find_widths(facets: Facets, reach_mm: float) -> Facings:
    """Places where the material of a polygon is narrower than ``reach_mm``; see above."""
    return find_facings(facets, gap_mm=0.0, width_mm=reach_mm)[1]


def find_facings(facets: Facets, *, gap_mm: float, width_mm: float) -> tuple[Facings, Facings]:
    """Gaps narrower than ``gap_mm`` and widths narrower than ``width_mm``, seen in one pass."""
    reach = max(gap_mm, width_mm)
    gaps, widths = [], []
    for left, right in near_pairs(facets, reach, same_piece=not gap_mm):
        for at in range(0, len(left), _FACET_PAIRS):
            part = slice(at, at + _FACET_PAIRS)
            gap, width = _judge(facets, left[part], right[part], gap_mm, width_mm)
            gaps.append(gap)
            widths.append(width)
    return _in_order(gaps), _in_order(widths)


def _in_order(found: list[Facings]) -> Facings:
    """One table, nearest first; among equals the longest stretch, whose middle is reported.

    The list is emptied, so that its tables do not stay beside the whole.
    """
    if not found:
        return Facings.empty()
    whole = Facings.concat(*found)
    found.clear()
    table = _join_stretches(whole)
    # Distances that differ by rounding alone are equal, or noise would choose the place.
    rank = np.round(table.distance, 6)
    return table.take(np.lexsort((table.y, table.x, -table.stretch, rank)))


def _join_stretches(found: Facings) -> Facings:
    """Make one facing of the parallel stretches in a row: its place is their common middle.

    Long facets were cut, and two parallel edges face each other piece by piece.
    """
    rows = np.flatnonzero(found.straight)
    if len(rows) < 2:
        return found
    x, y, half = found.x[rows], found.y[rows], found.stretch[rows] / 2
    reach = half.max() + half + COINCIDENT_MM
    spot = np.column_stack((x, y, x, y))
    pairs = []
    for left, right in meeting_boxes(grown(spot, reach), spot):
        a, b = rows[left], rows[right]
        joined = (
            (
                np.hypot(x[left] - x[right], y[left] - y[right])
                <= half[left] + half[right] + _JOIN_MM
            )
            & (np.abs(found.distance[a] - found.distance[b]) < COINCIDENT_MM / 10)
            & (found.piece0[a] == found.piece0[b])
            & (found.piece1[a] == found.piece1[b])
            & (left != right)
        )
        pairs.append(np.column_stack((left[joined], right[joined])))
    left, right = np.concatenate(pairs).T
    label = label_groups(len(rows), left, right)
    weight = np.bincount(label, weights=found.stretch[rows])
    middle_x = np.bincount(label, weights=x * found.stretch[rows]) / weight
    middle_y = np.bincount(label, weights=y * found.stretch[rows]) / weight
    # The stretch that holds the common middle, or comes nearest to it where the row bends, is
    # the place; on a straight row it is then moved along itself to the middle.
    off = np.hypot(x - middle_x[label], y - middle_y[label])
    order = np.lexsort((off, label))
    pick = order[np.unique(label[order], return_index=True)[1]]
    chosen = found.take(rows[pick])
    straight = off[pick] <= half[pick] + _JOIN_MM
    dx = np.where(straight, middle_x - x[pick], 0.0)
    dy = np.where(straight, middle_y - y[pick], 0.0)
    whole = chosen.with_columns(
        x0=chosen.x0 + dx,
        y0=chosen.y0 + dy,
        x1=chosen.x1 + dx,
        y1=chosen.y1 + dy,
        stretch=weight,
    )
    return Facings.concat(found.take(~found.straight), whole)


def _judge(
    facets: Facets, left: Ints, right: Ints, gap_mm: float, width_mm: float
) -> tuple[Facings, Facings]:
    """Gaps and widths among pairs: their nearest points are a local minimum on that side."""
    p, q, s, t, distance, stretch = nearest_points(facets, left, right)
    near = distance < max(gap_mm, width_mm)
    left, right, s, t = left[near], right[near], s[near], t[near]
    (px, py), (qx, qy) = ((x[near], y[near]) for x, y in (p, q))
    distance, stretch = distance[near], stretch[near]
    ok_p, side_p = _faces(facets, left, s, (qx - px, qy - py))
    ok_q, side_q = _faces(facets, right, t, (px - qx, py - qy))
    touching = distance < COINCIDENT_MM
    facing = ok_p & ok_q & ~touching
    apart = facets.piece[left] != facets.piece[right]
    # Where boundaries touch the direction across means nothing; between two polygons it can
    # only be open ground.
    gap = (facing & (side_p < 0) & (side_q < 0)) | (apart & touching)
    width = facing & (side_p > 0) & (side_q > 0) & ~apart

    def table(keep: Bools) -> Facings:
        return Facings(
            distance=distance[keep],
            x0=px[keep],
            y0=py[keep],
            x1=qx[keep],
            y1=qy[keep],
            piece0=facets.piece[left[keep]],
            piece1=facets.piece[right[keep]],
            stretch=stretch[keep],
        )

    return table(gap & (distance < gap_mm)), table(width & (distance < width_mm))


def nearest_points(
    facets: Facets, left: Ints, right: Ints
) -> tuple[Axes, Axes, Floats, Floats, Floats, Floats]:
    """Nearest points of pairs of facets that do not cross.

    Returns
    -------
    p, q : x and y, (n,) float64, mm
        On the left and the right facet; where parallel facets overlap, the middle of the overlap.
    s, t : (n,) float64
        Their shares of the facets' lengths, 0 at the start.
    distance : (n,) float64, mm
    stretch : (n,) float64, mm
        Length that is equally near; 0 when one point is nearest.
    """
    one, other = _Lines.of(facets, left), _Lines.of(facets, right)
    zero, full = np.zeros(len(left)), np.ones(len(left))
    # Facets that do not cross are nearest at an end of one of them: four feet are enough.
    shares = np.stack(
        (
            (zero, other.foot(one.x, one.y)),
            (full, other.foot(one.x1, one.y1)),
            (one.foot(other.x, other.y), zero),
            (one.foot(other.x1, other.y1), full),
        )
    )
    lengths = np.stack([np.hypot(*_between(other.at(t), one.at(s))) for s, t in shares])
    distance = lengths.min(axis=0)
    # Feet that are equally near bound the stretch over which parallel facets overlap.
    equal = lengths <= distance + 1e-9
    low_s = np.where(equal, shares[:, 0], np.inf).min(axis=0)
    high_s = np.where(equal, shares[:, 0], -np.inf).max(axis=0)
    pick = np.argmin(lengths, axis=0)
    along = (high_s - low_s) * np.hypot(*one.step)
    straight = along > COINCIDENT_MM
    rows = np.arange(len(left))
    s = np.where(straight, (low_s + high_s) / 2, shares[pick, 0, rows])
    p = one.at(s)
    t = np.where(straight, other.foot(*p), shares[pick, 1, rows])
    return p, other.at(t), s, t, distance, np.where(straight, along, 0.0)


def _between(start: Axes, end: Axes) -> Axes:
    return end[0] - start[0], end[1] - start[1]


def _dot(a: Axes, b: Axes) -> Floats:
    product: Floats = a[0] * b[0] + a[1] * b[1]
    return product


@dataclass(frozen=True, slots=True)
class _Lines:
    """Facets by their ends, mm."""

    x: Floats
    y: Floats
    x1: Floats
    y1: Floats
    step: Axes

    @classmethod
    def of(cls, facets: Facets, rows: Ints) -> _Lines:
        after = facets.after[rows]
        x, y, x1, y1 = facets.x0[rows], facets.y0[rows], facets.x0[after], facets.y0[after]
        return cls(x, y, x1, y1, (x1 - x, y1 - y))

    def at(self, share: Floats) -> Axes:
        """Points at a share of the length."""
        return self.x + self.step[0] * share, self.y + self.step[1] * share

    def foot(self, x: Floats, y: Floats) -> Floats:
        """Shares that are nearest to points."""
        share = _dot((x - self.x, y - self.y), self.step) / _dot(self.step, self.step)
        return np.asarray(np.clip(share, 0.0, 1.0))


def _faces(facets: Facets, rows: Ints, share: Floats, across: Axes) -> tuple[Bools, Floats]:
    """Whether ``across`` leaves the boundary as a local minimum, and to which side.

    Returns
    -------
    ok : (n,) bool
    side : (n,) float64
        Positive into the material, negative away from it.
    """
    at_start, corner = share <= 0.0, (share <= 0.0) | (share >= 1.0)
    other = np.where(at_start, facets.before[rows], facets.after[rows])
    own, beside = (_directions(facets, some) for some in (rows, other))
    length = np.hypot(*across)
    away_own = _dot(own, across) * np.where(at_start, 1.0, -1.0)
    away_beside = _dot(beside, across) * np.where(at_start, -1.0, 1.0)
    slack = _FLAT * length
    # Inside a facet the nearest point is square to it.  At a corner neither facet may lead
    # nearer, or the minimum lies farther along it.
    ok = ~corner | ((away_own <= slack) & (away_beside <= slack))
    # At a corner one facet may run along the way across and show no side, so both are added.
    normal = (
        -own[1] + np.where(corner, -beside[1], 0.0),
        own[0] + np.where(corner, beside[0], 0.0),
    )
    return ok, _dot(normal, across)


def _directions(facets: Facets, rows: Ints) -> Axes:
    """Directions of facets, of length 1."""
    x, y = _Lines.of(facets, rows).step
    length = np.hypot(x, y)
    return x / length, y / length


def thin_out(x: Floats, y: Floats, apart_mm: float) -> Ints:
    """Rows that remain when, in order, each kept place silences those within ``apart_mm``.

    Parameters
    ----------
    x, y : (n,) float64, mm
        Places, worst first.
    """
    # Two places in one square of this grid are within reach of each other, so a square holds one
    # kept place at most, and what that silences lies in it or in the twenty next to it.
    side = apart_mm / np.sqrt(2) * (1 - 1e-9)
    column, row = np.floor(x / side).astype(np.int64), np.floor(y / side).astype(np.int64)
    across = int(np.ptp(row)) + 5 if len(row) else 1
    squares = (column - column.min(initial=0)) * across + row
    around = [i * across + j for i in range(-2, 3) for j in range(-2, 3) if abs(i) + abs(j) < 4]
    holds: dict[int, tuple[float, float]] = {}
    kept = []
    for k, (px, py, square) in enumerate(
        zip(x.tolist(), y.tolist(), squares.tolist(), strict=True)
    ):
        if square in holds:
            continue
        for step in around:
            near = holds.get(square + step)
            if near and (px - near[0]) ** 2 + (py - near[1]) ** 2 <= apart_mm**2:
                break
        else:
            holds[square] = px, py
            kept.append(k)
    return np.array(kept, dtype=np.int64)
