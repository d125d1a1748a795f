"""Arcs as columns, and the chords that stand for them.

A segment is ``x0, y0, x1, y1, cx, cy, turn`` (mm).  ``turn`` says how it runs:

===== ==========================================================
turn  meaning
===== ==========================================================
0     straight; the centre is ignored
+1    arc, counter-clockwise, less than a full turn
-1    arc, clockwise, less than a full turn
+2    full circle, counter-clockwise
-2    full circle, clockwise
===== ==========================================================

Whether an arc is a full circle is decided by the readers on file integers, never here.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.units import CHORD_ERROR_MM

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MIN_CIRCLE_CHORDS: Final = 16
_MOST_CHORDS: Final = 4096
"""Enough for a circle of 6 m radius; a file may ask for one of a thousand kilometres."""


def sweep_rad(
    x0: Floats, y0: Floats, x1: Floats, y1: Floats, cx: Floats, cy: Floats, turn: NDArray[np.int8]
) -> Floats:
    """Signed sweep of each segment, radians, counter-clockwise positive; 0 when straight."""
    start = np.arctan2(y0 - cy, x0 - cx)
    end = np.arctan2(y1 - cy, x1 - cx)
    ahead = np.mod(end - start, 2 * np.pi)
    # An arc whose end direction equals its start direction within rounding has swept nothing
    # (full circles carry turn +-2), so a value next to a full turn is rounding, not sweep.
    sweep = np.where(turn > 0, ahead, np.where(ahead > 0, ahead - 2 * np.pi, 0.0))
    full = np.abs(turn) == 2
    sweep = np.where(full, np.sign(turn) * 2 * np.pi, sweep)
    return np.where(turn == 0, 0.0, sweep)


def chord_counts(radius: Floats, sweep: Floats, *, chord_error_mm: float = CHORD_ERROR_MM) -> Ints:
    """How many chords keep each arc within ``chord_error_mm``; 1 for straight segments."""
    safe = np.maximum(radius, chord_error_mm)
    step = 2 * np.arccos(np.clip(1 - chord_error_mm / safe, -1.0, 1.0))
    step = np.clip(step, 1e-9, 2 * np.pi / _MIN_CIRCLE_CHORDS)
    wanted = np.ceil(np.abs(sweep) / step - 1e-9)
    counts: Ints = np.clip(wanted, 1, _MOST_CHORDS).astype(np.int64)
    return counts


@lru_cache(maxsize=4096)
def circle_chords(diameter_mm: float, *, chord_error_mm: float = CHORD_ERROR_MM) -> int:
    """Chords of a full circle, a multiple of four so that its box is exact."""
    count = int(
        chord_counts(
            np.array([diameter_mm / 2]), np.array([2 * np.pi]), chord_error_mm=chord_error_mm
        )[0]
    )
    return -(-count // 4) * 4


def _push(chords: NDArray[Any], step: Floats) -> Floats:
    """Radius factor of the inner vertices that gives ``chords`` chords the sector's true area.

    End vertices stay on the arc, so ends, boxes and stroke widths are exact.
    """
    wanted = chords * step / np.sin(step)
    rest = np.maximum(chords - 2, 1)
    return np.where(chords > 2, (np.sqrt(1 + rest * wanted) - 1) / rest, wanted / 2)


@lru_cache(maxsize=1024)
def unit_circle(count: int) -> Floats:
    """Vertices of a ``count``-gon (a multiple of four) with the area and box of the unit circle.

    Returns
    -------
    (count, 2) float64, read-only, counter-clockwise, first vertex on +X.  Vertices off the axes
    lie slightly outside the circle and chords slightly inside, both by less than the chord error.
    """
    quarter = count // 4
    step = 2 * np.pi / count
    angle = np.arange(count) * step
    push = float(_push(np.array(quarter), np.array(step)))
    radius = np.where(np.arange(count) % quarter == 0, 1.0, push)
    points = np.column_stack((np.cos(angle), np.sin(angle))) * radius[:, None]
    points[::quarter] = [(1, 0), (0, 1), (-1, 0), (0, -1)]
    points.setflags(write=False)
    return points


def flatten(
    x0: Floats,
    y0: Floats,
    x1: Floats,
    y1: Floats,
    cx: Floats,
    cy: Floats,
    turn: NDArray[np.int8],
    *,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> tuple[Floats, Ints]:
    """Points of each segment without its start point.

    Parameters
    ----------
    x0, y0, x1, y1, cx, cy : (n,) float64, mm
    turn : (n,) int8
        See the module's table.

    Returns
    -------
    points : (m, 2) float64, mm
        Chord ends of all segments in order; the last point of each segment is its end, exactly.
    offsets : (n + 1,) int64
        Segment ``i`` owns ``points[offsets[i]:offsets[i + 1]]``.

    Notes
    -----
    The radius runs linearly from the start's to the end's distance from the centre, which the
    Gerber Layer Format Specification 2021.02, section 4.7.2.2, allows for arcs with deviation.
    Inner vertices are pushed out so that the chords enclose the sector's true area.
    """
    sweep = sweep_rad(x0, y0, x1, y1, cx, cy, turn)
    r0 = np.hypot(x0 - cx, y0 - cy)
    r1 = np.hypot(x1 - cx, y1 - cy)
    # The centre of a straight segment is ignored and may be nan.
    radius = np.where(turn == 0, 0.0, np.maximum(r0, r1))
    counts = chord_counts(radius, sweep, chord_error_mm=chord_error_mm)
    offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    points = np.empty((int(offsets[-1]), 2))
    ends = offsets[1:] - 1
    points[ends, 0] = x1
    points[ends, 1] = y1
    curved = np.flatnonzero(counts > 1)
    if len(curved):
        inner = counts[curved] - 1
        owner = np.repeat(curved, inner)
        first = np.repeat(np.cumsum(inner) - inner, inner)
        k = np.arange(len(owner)) - first + 1
        share = k / counts[owner]
        step = np.abs(sweep[owner]) / counts[owner]
        push = _push(counts[owner], step)
        angle = np.arctan2(y0[owner] - cy[owner], x0[owner] - cx[owner]) + sweep[owner] * share
        radius = (r0[owner] + (r1[owner] - r0[owner]) * share) * push
        at = offsets[owner] + k - 1
        points[at, 0] = cx[owner] + radius * np.cos(angle)
        points[at, 1] = cy[owner] + radius * np.sin(angle)
    return points, offsets


def arc_boxes(
    x0: Floats, y0: Floats, x1: Floats, y1: Floats, cx: Floats, cy: Floats, turn: NDArray[np.int8]
) -> Floats:
    """Box of each segment's own line, without any width.

    Returns
    -------
    (n, 4) float64, mm
        min x, min y, max x, max y.  Where the ends of an arc have different radii the larger one
        is taken.
    """
    box = np.column_stack(
        (np.minimum(x0, x1), np.minimum(y0, y1), np.maximum(x0, x1), np.maximum(y0, y1))
    )
    curved = np.flatnonzero(turn)
    if not len(curved):
        return box
    px, py, qx, qy = x0[curved], y0[curved], x1[curved], y1[curved]
    mx, my = cx[curved], cy[curved]
    sweep = sweep_rad(px, py, qx, qy, mx, my, turn[curved])
    radius = np.maximum(np.hypot(px - mx, py - my), np.hypot(qx - mx, qy - my))
    start = np.arctan2(py - my, px - mx)
    low = np.minimum(start, start + sweep)
    span = np.abs(sweep)
    for quarter, column, sign in ((0, 2, 1), (1, 3, 1), (2, 0, -1), (3, 1, -1)):
        passed = np.mod(quarter * np.pi / 2 - low, 2 * np.pi) <= span
        centre = mx if column % 2 == 0 else my
        reach = centre + sign * radius
        limit = np.maximum if sign > 0 else np.minimum
        box[curved, column] = np.where(
            passed, limit(box[curved, column], reach), box[curved, column]
        )
    return box
