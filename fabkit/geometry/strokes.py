"""Strokes of a round pen as polygons: what a draw, an arc, a slot or a routed path covers."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.units import CHORD_ERROR_MM
from fabkit.geometry.arcs import Floats, circle_chords, flatten, unit_circle

Shapes = NDArray[Any]
"""(n,) object array of shapely geometries."""


def capsules(
    x0: Floats,
    y0: Floats,
    x1: Floats,
    y1: Floats,
    diameter: Floats,
    *,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Shapes:
    """Area a disc covers on its way along straight segments; a disc where they have no length.

    Parameters
    ----------
    x0, y0, x1, y1, diameter : (n,) float64, mm

    Returns
    -------
    (n,) object array of polygons (empty polygons where the diameter is 0).
    """
    out = np.full(len(x0), shapely.Polygon(), dtype=object)
    for width in np.unique(diameter):
        if width <= 0:
            continue
        rows = np.flatnonzero(diameter == width)
        count = circle_chords(float(width), chord_error_mm=chord_error_mm)
        disc = unit_circle(count) * (width / 2)
        half = count // 2
        dx, dy = x1[rows] - x0[rows], y1[rows] - y0[rows]
        length = np.hypot(dx, dy)
        ux = np.divide(dx, length, out=np.ones_like(dx), where=length > 0)
        uy = np.divide(dy, length, out=np.zeros_like(dy), where=length > 0)
        # The front half of the disc at the far end, the back half at the near end.
        local = np.roll(disc, count // 4, axis=0)
        px = local[:, 0] * ux[:, None] - local[:, 1] * uy[:, None]
        py = local[:, 0] * uy[:, None] + local[:, 1] * ux[:, None]
        at_end = np.zeros(count, dtype=bool)
        at_end[: half + 1] = True
        ring = np.empty((len(rows), count + 1, 2))
        ring[:, :count, 0] = np.where(at_end, x1[rows, None], x0[rows, None]) + px
        ring[:, :count, 1] = np.where(at_end, y1[rows, None], y0[rows, None]) + py
        # The seam between the halves lies on vertices that both ends share.
        ring[:, half, 0] = x1[rows] + px[:, half]
        ring[:, half, 1] = y1[rows] + py[:, half]
        back = np.column_stack((x0[rows] + px[:, half], y0[rows] + py[:, half]))
        front = np.column_stack((x0[rows] + px[:, 0], y0[rows] + py[:, 0]))
        full = np.concatenate(
            (ring[:, : half + 1], back[:, None], ring[:, half + 1 : count], front[:, None]), axis=1
        )
        full = np.concatenate((full, full[:, :1]), axis=1)
        out[rows] = shapely.polygons(full)
    return out


def arc_strokes(
    x0: Floats,
    y0: Floats,
    x1: Floats,
    y1: Floats,
    cx: Floats,
    cy: Floats,
    turn: NDArray[np.int8],
    diameter: Floats,
    *,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Shapes:
    """Area a disc covers on its way along arcs; parameters as in :func:`capsules`."""
    out = np.full(len(x0), shapely.Polygon(), dtype=object)
    wide = np.flatnonzero(diameter > 0)
    if not len(wide):
        return out
    # Half the error for the centre line, half for the offset by the pen's radius.
    points, offsets = flatten(
        x0[wide],
        y0[wide],
        x1[wide],
        y1[wide],
        cx[wide],
        cy[wide],
        turn[wide],
        chord_error_mm=chord_error_mm / 2,
    )
    start = np.column_stack((x0[wide], y0[wide]))
    counts = np.diff(offsets)
    where = np.repeat(np.arange(len(wide)), counts + 1)
    full = np.empty((len(where), 2))
    first = offsets[:-1] + np.arange(len(wide))
    is_first = np.zeros(len(where), dtype=bool)
    is_first[first] = True
    full[is_first] = start
    full[~is_first] = points
    lines = shapely.linestrings(full, indices=where)
    for width in np.unique(diameter[wide]):
        rows = np.flatnonzero(diameter[wide] == width)
        quads = circle_chords(float(width), chord_error_mm=chord_error_mm / 2) // 4
        out[wide[rows]] = shapely.buffer(lines[rows], width / 2, quad_segs=quads)
    return out


def strokes(
    x0: Floats,
    y0: Floats,
    x1: Floats,
    y1: Floats,
    cx: Floats,
    cy: Floats,
    turn: NDArray[np.int8],
    diameter: Floats,
    *,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Shapes:
    """Area a disc covers along straight segments and arcs alike; see :func:`capsules`."""
    out = np.full(len(x0), shapely.Polygon(), dtype=object)
    straight = np.flatnonzero(turn == 0)
    out[straight] = capsules(
        x0[straight],
        y0[straight],
        x1[straight],
        y1[straight],
        diameter[straight],
        chord_error_mm=chord_error_mm,
    )
    curved = np.flatnonzero(turn != 0)
    out[curved] = arc_strokes(
        x0[curved],
        y0[curved],
        x1[curved],
        y1[curved],
        cx[curved],
        cy[curved],
        turn[curved],
        diameter[curved],
        chord_error_mm=chord_error_mm,
    )
    return out
