"""Facets by the run: a few neighbours along a ring as one line in a spatial index.

A tree with one line for every facet of a dense layer holds a quarter of a million lines of two
points.  Facets that follow each other along a ring lie together anyhow, so a tree of runs finds
the same with a fraction of the lines, and what a run promises is looked up in numpy columns.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.geometry.facets import Facets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PAIRED: Final = 4
"""Facets a run when pairs of facets are sought: sixteen pairs for each pair of runs."""

SOUGHT: Final = 12
"""Facets a run when single places are looked up."""

_CHUNK: Final = 20_000
"""Pairs of runs opened at once: their tables, some megabytes, stay in the processor's cache."""

_ASIDE: Final = 0.2
"""Cosine above which two facets run so much alike that they cannot face each other."""

_ALIKE_RAD: Final = 1.36
"""A hair less than the angle of that cosine (1.3694)."""


def run_starts(facets: Facets, size: int) -> Ints:
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

    @cached_property
    def starts(self) -> Ints:
        """First facet of each run."""
        return run_starts(self.facets, SOUGHT)

    @cached_property
    def runs(self) -> shapely.STRtree:
        """Runs as lines in a tree; rows as in ``starts``."""
        f, starts = self.facets, self.starts
        if not len(starts):
            return shapely.STRtree([])
        stops = np.append(starts[1:], len(f))
        # Each run is one point longer than it has facets.
        at = np.arange(len(f)) + np.repeat(np.arange(len(starts)), stops - starts)
        points = np.empty((len(f) + len(starts), 2))
        points[at] = np.column_stack((f.x0, f.y0))
        last = stops + np.arange(len(starts))
        points[last] = np.column_stack((f.x1[stops - 1], f.y1[stops - 1]))
        rows = np.repeat(np.arange(len(starts)), stops - starts + 1)
        return shapely.STRtree(shapely.linestrings(points, indices=rows))

    def lines(self, rows: NDArray[Any]) -> NDArray[Any]:
        """(n,) object array of lines: single facets."""
        f = self.facets
        ends = np.column_stack((f.x0[rows], f.y0[rows], f.x1[rows], f.y1[rows]))
        lines: NDArray[Any] = shapely.linestrings(ends.reshape(-1, 2, 2))
        return lines

    def distance(self, shapes: NDArray[Any]) -> Floats:
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

    def pieces_within(self, shapes: NDArray[Any], reach_mm: float) -> tuple[Ints, Ints]:
        """Rows of shapes, and pieces whose boundary comes within ``reach_mm``, each pair once.

        Parameters
        ----------
        shapes : (n,) object array of geometries
        """
        shape, run = self.runs.query(_diagonals(shapely.bounds(shapes), reach_mm))
        near = shapely.dwithin(shapes[shape], self.runs.geometries[run], reach_mm)
        found = np.column_stack((shape[near], self.facets.piece[self.starts[run[near]]]))
        shape, piece = np.unique(found, axis=0).T
        return shape, piece

    def touching_pieces(self, reach_mm: float) -> tuple[Ints, Ints]:
        """Pairs of pieces whose boundaries come within ``reach_mm``; some more than once."""
        lines = self.runs.geometries
        one, other = self.runs.query(_diagonals(shapely.bounds(lines), reach_mm))
        piece = self.facets.piece[self.starts]
        apart = piece[one] < piece[other]
        one, other = one[apart], other[apart]
        near = shapely.dwithin(lines[one], lines[other], reach_mm)
        return piece[one[near]].astype(np.int64), piece[other[near]].astype(np.int64)

    def within(self, shapes: NDArray[Any], reach_mm: float | Floats) -> tuple[Ints, Ints]:
        """Rows of shapes and of facets at most ``reach_mm`` apart, in order.

        Parameters
        ----------
        shapes : (n,) object array of geometries
        reach_mm
            One for all, or (n,) float64.
        """
        reach = np.broadcast_to(np.asarray(reach_mm, dtype=np.float64), len(shapes))
        shape, run = self.runs.query(shapes, predicate="dwithin", distance=reach)
        starts = self.starts[run]
        counts = np.append(self.starts, len(self.facets))[run + 1] - starts
        shape = np.repeat(shape, counts)
        facet = np.arange(len(shape)) + np.repeat(starts - (np.cumsum(counts) - counts), counts)
        near = shapely.dwithin(shapes[shape], self.lines(facet), reach[shape])
        shape, facet = shape[near], facet[near]
        order = np.lexsort((facet, shape))
        return shape[order], facet[order]


def near_pairs(facets: Facets, reach_mm: float, *, same_piece: bool = False) -> tuple[Ints, Ints]:
    """Rows of facets that may face each other within ``reach_mm``, each pair once, in order.

    Parameters
    ----------
    facets
        Any number of rings, each in order.
    reach_mm
        Facets farther apart than this may or may not be among the pairs.
    same_piece
        Only pairs of one polygon.

    Returns
    -------
    left, right : (n,) int64
        Sorted, ``left < right``.  Neighbours along a ring, and facets that run the same way, are
        left out.
    """
    if not len(facets):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    starts = run_starts(facets, PAIRED)
    member = starts[:, None] + np.arange(PAIRED)
    inside = member < np.append(starts[1:], len(facets))[:, None]
    member = np.where(inside, member, starts[:, None])
    dx, dy = facets.x1 - facets.x0, facets.y1 - facets.y0
    length = np.hypot(dx, dy)
    ux, uy, half = (dx / length)[member], (dy / length)[member], (length / 2)[member]
    # A member that is none has its middle nowhere: no comparison with it holds.
    mx = np.where(inside, ((facets.x0 + facets.x1) / 2)[member], np.nan)
    my = np.where(inside, ((facets.y0 + facets.y1) / 2)[member], np.nan)
    kept = []
    one, other = _near_runs(facets, starts, reach_mm)
    if same_piece:
        same = facets.piece[starts[one]] == facets.piece[starts[other]]
        one, other = one[same], other[same]
    heading, spread = _headings(np.arctan2(uy, ux))
    turned = np.abs(np.mod(heading[one] - heading[other] + np.pi, 2 * np.pi) - np.pi)
    facing = turned + spread[one] + spread[other] > _ALIKE_RAD
    one, other = one[facing], other[facing]
    for at in range(0, len(one), _CHUNK):
        a, b = one[at : at + _CHUNK], other[at : at + _CHUNK]

        def outer(column: Floats, a: Ints = a, b: Ints = b) -> tuple[Floats, Floats]:
            return column[a][:, :, None], column[b][:, None, :]

        (ax, bx), (ay, by) = outer(ux), outer(uy)
        (cx, dx), (cy, dy), (ha, hb) = outer(mx), outer(my), outer(half)
        # Two boundaries that face each other run against each other; the slack keeps the pairs
        # of facets around sharp corners of which one looks aside.
        keep = (cx - dx) ** 2 + (cy - dy) ** 2 <= (ha + hb + reach_mm) ** 2
        keep &= ax * bx + ay * by < _ASIDE
        pair, i, j = np.nonzero(keep)
        kept.append(np.column_stack((member[a[pair], i], member[b[pair], j])))
    left, right = np.concatenate(kept).T if kept else np.empty((2, 0), np.int64)
    keep = (left < right) & (facets.before[left] != right) & (facets.after[left] != right)
    left, right = left[keep], right[keep]
    order = np.argsort(left * len(facets) + right)
    return left[order], right[order]


def _near_runs(facets: Facets, starts: Ints, reach_mm: float) -> tuple[Ints, Ints]:
    """Pairs of runs whose boxes come within reach, each with itself and with others once."""
    low = np.column_stack(
        [
            np.minimum.reduceat(np.minimum(a, b), starts)
            for a, b in ((facets.x0, facets.x1), (facets.y0, facets.y1))
        ]
    )
    high = np.column_stack(
        [
            np.maximum.reduceat(np.maximum(a, b), starts)
            for a, b in ((facets.x0, facets.x1), (facets.y0, facets.y1))
        ]
    )
    box = np.column_stack((low, high))
    one, other = shapely.STRtree(_diagonals(box, 0.0)).query(_diagonals(box, reach_mm))
    once = one <= other
    return one[once], other[once]


def _diagonals(box: Floats, reach_mm: float) -> NDArray[Any]:
    """The smallest geometries that have these boxes, grown; trees compare nothing else at first."""
    grown = box + np.array((-reach_mm, -reach_mm, reach_mm, reach_mm))
    lines: NDArray[Any] = shapely.linestrings(grown.reshape(-1, 2, 2))
    return lines


def _headings(angles: Floats) -> tuple[Floats, Floats]:
    """Middle of the directions of each run, and how far its members are off it, radians."""
    off = np.mod(angles - angles[:, :1] + np.pi, 2 * np.pi) - np.pi
    low, high = off.min(axis=1), off.max(axis=1)
    return angles[:, 0] + (low + high) / 2, (high - low) / 2
