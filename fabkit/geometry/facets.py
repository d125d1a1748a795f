"""Boundaries of polygons as columns: short straight facets with the material on their left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Columns
from fabkit.base.units import COINCIDENT_MM

Floats = NDArray[np.float64]

LONGEST_FACET_MM: Final = 2.0
"""Longer boundary segments are cut, so that the box of a slanted one stays small."""


@dataclass(frozen=True, slots=True, eq=False)
class Facets(Columns):
    """Straight boundary segments of polygons, material on the left.

    Columns
    -------
    x0, y0, x1, y1 : float64, mm
    before, after : int32
        Rows of the neighbours along the ring.
    piece : int32
        Index of the polygon.
    """

    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    before: NDArray[np.int32]
    after: NDArray[np.int32]
    piece: NDArray[np.int32]


def _without_rounding(rings: NDArray[Any]) -> NDArray[Any]:
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


def facets_of(polygons: NDArray[Any], *, longest_mm: float = LONGEST_FACET_MM) -> Facets:
    """Cut the boundaries of polygons into facets.

    Parameters
    ----------
    polygons : (n,) object array of polygons, mm
        Single polygons; empty ones give no facets.
    longest_mm
        Longer segments are cut into equal parts.
    """
    rings, piece_of_ring = shapely.get_rings(polygons, return_index=True)
    # The direction of a step that small is rounding, and a boundary would seem to face itself.
    rings = _without_rounding(rings)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return Facets.empty()
    same = ring[1:] == ring[:-1]
    start, end = points[:-1][same], points[1:][same]
    ring = ring[:-1][same]
    moved = np.any(start != end, axis=1)
    start, end, ring = start[moved], end[moved], ring[moved]
    outer = np.append(True, piece_of_ring[1:] != piece_of_ring[:-1])
    cross = start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0]
    area = np.bincount(ring, weights=cross, minlength=len(rings))
    flip = ((area > 0) != outer)[ring]
    start, end = np.where(flip[:, None], end, start), np.where(flip[:, None], start, end)

    parts = np.maximum(np.ceil(np.hypot(*(end - start).T) / longest_mm), 1).astype(np.int64)
    row = np.repeat(np.arange(len(start)), parts)
    k = np.arange(len(row)) - np.repeat(np.cumsum(parts) - parts, parts)
    step = (end - start)[row] / parts[row, None]
    a = start[row] + step * k[:, None]
    b = np.where((k == parts[row] - 1)[:, None], end[row], start[row] + step * (k + 1)[:, None])
    # A flipped ring is stored against its own direction: parts run forwards within a segment,
    # segments run backwards within the ring, so neighbours are found by rank, not by row.
    rank = np.where(flip[row], -row, row)
    order = np.lexsort((k, rank, ring[row]))
    a, b, ring = a[order], b[order], ring[row][order]
    index = np.arange(len(a))
    first = np.append(True, ring[1:] != ring[:-1])
    starts = np.flatnonzero(first)
    ends = np.append(starts[1:], len(a)) - 1
    before, after = index - 1, index + 1
    before[starts], after[ends] = ends, starts
    return Facets(
        x0=a[:, 0],
        y0=a[:, 1],
        x1=b[:, 0],
        y1=b[:, 1],
        before=before.astype(np.int32),
        after=after.astype(np.int32),
        piece=piece_of_ring[ring],
    )
