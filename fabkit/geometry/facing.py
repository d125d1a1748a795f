"""Where two boundaries face each other: the narrowest gaps and widths of a picture, all at once.

The boundary of every polygon is cut into facets with the material on their left.  Two facets
nearer than a reach are judged by the line between their nearest points: where neither boundary
comes nearer when followed a little way, that line is a *facing*, a local minimum of the distance.
Seen through material it is a width (a track, a neck), seen through open ground it is a gap.  A
sharp corner is neither, because the distance shrinks to nothing at its tip without a minimum.

No polygon is eroded or grown, so the cost follows the number of facets and the measures are as
exact as the polygons.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Columns
from fabkit.base.units import COINCIDENT_MM
from fabkit.geometry.facet_runs import near_pairs
from fabkit.geometry.facets import Facets
from fabkit.geometry.neighbours import label_groups

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CHUNK: Final = 100_000
"""Pairs judged at once: their tables, some tens of megabytes, are quickest when small."""

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
    def straight(self) -> NDArray[np.bool_]:
        """(n,) bool: no chord of an arc takes part in the measure."""
        return self.stretch > 0

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
    left, right = near_pairs(facets, reach, same_piece=not gap_mm)
    found = [
        _judge(facets, left[at : at + _CHUNK], right[at : at + _CHUNK], gap_mm, width_mm)
        for at in range(0, len(left), _CHUNK)
    ]
    gaps, widths = zip(*found, strict=True) if found else ((), ())
    return _in_order(gaps), _in_order(widths)


def _in_order(found: tuple[Facings, ...]) -> Facings:
    """One table, nearest first; among equals the longest stretch, whose middle is told."""
    if not found:
        return Facings.empty()
    table = _join_stretches(Facings.concat(*found))
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
    near = shapely.STRtree(shapely.points(x, y))
    reach = half.max() + half + COINCIDENT_MM
    left, right = near.query(shapely.box(x - reach, y - reach, x + reach, y + reach))
    joined = (
        (np.hypot(x[left] - x[right], y[left] - y[right]) <= half[left] + half[right] + _JOIN_MM)
        & (np.abs(found.distance[rows[left]] - found.distance[rows[right]]) < COINCIDENT_MM / 10)
        & (found.piece0[rows[left]] == found.piece0[rows[right]])
        & (found.piece1[rows[left]] == found.piece1[rows[right]])
    )
    label = label_groups(len(rows), left[joined], right[joined])
    weight = np.bincount(label, weights=found.stretch[rows])
    middle_x = np.bincount(label, weights=x * found.stretch[rows]) / weight
    middle_y = np.bincount(label, weights=y * found.stretch[rows]) / weight
    # The stretch that holds the common middle, or comes nearest to it where the row bends, tells
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
    left, right, p, q, s, t = left[near], right[near], p[near], q[near], s[near], t[near]
    distance, stretch = distance[near], stretch[near]
    across = q - p
    ok_p, side_p = _faces(facets, left, s, across)
    ok_q, side_q = _faces(facets, right, t, -across)
    touching = distance < COINCIDENT_MM
    facing = ok_p & ok_q & ~touching
    apart = facets.piece[left] != facets.piece[right]
    # Where boundaries touch the direction across means nothing; between two polygons it can
    # only be open ground.
    gap = (facing & (side_p < 0) & (side_q < 0)) | (apart & touching)
    width = facing & (side_p > 0) & (side_q > 0) & ~apart

    def table(keep: NDArray[np.bool_]) -> Facings:
        return Facings(
            distance=distance[keep],
            x0=p[keep, 0],
            y0=p[keep, 1],
            x1=q[keep, 0],
            y1=q[keep, 1],
            piece0=facets.piece[left[keep]],
            piece1=facets.piece[right[keep]],
            stretch=stretch[keep],
        )

    return table(gap & (distance < gap_mm)), table(width & (distance < width_mm))


def nearest_points(
    facets: Facets, left: Ints, right: Ints
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Nearest points of pairs of facets that do not cross.

    Returns
    -------
    p, q : (n, 2) float64, mm
        On the left and the right facet; where parallel facets overlap, the middle of the overlap.
    s, t : (n,) float64
        Their shares of the facets' lengths, 0 at the start.
    distance : (n,) float64, mm
    stretch : (n,) float64, mm
        Length that is equally near; 0 when one point is nearest.
    """
    a, b = _ends(facets, left)
    c, d = _ends(facets, right)
    shares = np.empty((4, len(left), 2))
    shares[0] = np.column_stack((np.zeros(len(left)), _foot(c, d, a)))
    shares[1] = np.column_stack((np.ones(len(left)), _foot(c, d, b)))
    shares[2] = np.column_stack((_foot(a, b, c), np.zeros(len(left))))
    shares[3] = np.column_stack((_foot(a, b, d), np.ones(len(left))))
    gaps = np.stack([_at(a, b, k[:, 0]) - _at(c, d, k[:, 1]) for k in shares])
    lengths = np.hypot(gaps[..., 0], gaps[..., 1])
    distance = lengths.min(axis=0)
    equal = lengths <= distance + 1e-9
    low_s = np.where(equal, shares[..., 0], np.inf).min(axis=0)
    high_s = np.where(equal, shares[..., 0], -np.inf).max(axis=0)
    pick = np.argmin(lengths, axis=0)
    along = (high_s - low_s) * np.hypot(*(b - a).T)
    straight = along > COINCIDENT_MM
    s = np.where(straight, (low_s + high_s) / 2, shares[pick, np.arange(len(left)), 0])
    t = np.where(straight, _foot(c, d, _at(a, b, s)), shares[pick, np.arange(len(left)), 1])
    return _at(a, b, s), _at(c, d, t), s, t, distance, np.where(straight, along, 0.0)


def _ends(facets: Facets, rows: Ints) -> tuple[Floats, Floats]:
    return (
        np.column_stack((facets.x0[rows], facets.y0[rows])),
        np.column_stack((facets.x1[rows], facets.y1[rows])),
    )


def _at(a: Floats, b: Floats, share: Floats) -> Floats:
    return a + (b - a) * share[:, None]


def _foot(a: Floats, b: Floats, p: Floats) -> Floats:
    """Share of ``a``-``b`` that is nearest to ``p``."""
    along = b - a
    share = np.sum((p - a) * along, axis=1) / np.sum(along * along, axis=1)
    return np.asarray(np.clip(share, 0.0, 1.0))


def _faces(
    facets: Facets, rows: Ints, share: Floats, across: Floats
) -> tuple[NDArray[np.bool_], Floats]:
    """Whether ``across`` leaves the boundary as a local minimum, and to which side.

    Returns
    -------
    ok : (n,) bool
    side : (n,) float64
        Positive into the material, negative away from it.
    """
    own = np.column_stack((facets.x1[rows] - facets.x0[rows], facets.y1[rows] - facets.y0[rows]))
    at_start, at_end = share <= 0.0, share >= 1.0
    other = np.where(at_start, facets.before[rows], facets.after[rows])
    beside = np.column_stack(
        (facets.x1[other] - facets.x0[other], facets.y1[other] - facets.y0[other])
    )
    length = np.hypot(*across.T)
    own /= np.hypot(*own.T)[:, None]
    beside /= np.hypot(*beside.T)[:, None]
    away_own = np.sum(own * across, axis=1) * np.where(at_start, 1.0, -1.0)
    away_beside = np.sum(beside * across, axis=1) * np.where(at_start, -1.0, 1.0)
    slack = _FLAT * length
    ok = ~(at_start | at_end) | ((away_own <= slack) & (away_beside <= slack))
    normal = np.column_stack((-own[:, 1], own[:, 0]))
    normal += np.where(
        (at_start | at_end)[:, None], np.column_stack((-beside[:, 1], beside[:, 0])), 0.0
    )
    return ok, np.sum(normal * across, axis=1)


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
