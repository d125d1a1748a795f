"""How many corners an image has, counted before any shape is made.

A few bytes can ask for a million copies of an arc of four thousand chords; what that takes of the
machine is known from the columns alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.findings import ProblemLog
from fabkit.base.limits import Limits
from fabkit.formats.gerber.model import Aperture, Kind
from fabkit.formats.gerber.problems import TOO_LARGE
from fabkit.geometry.arcs import chord_counts, circle_chords, sweep_rad

Rows = Mapping[str, NDArray[Any]]
Ints = NDArray[np.int64]

_STROKE = 64
"""Corners of a stroke without a known tool."""


def corner_counts(rows: Rows, segments: Rows, apertures: Sequence[Aperture]) -> Ints:
    """Corners of the shape of each object.

    Parameters
    ----------
    rows, segments
        Columns as in ``Objects`` and ``Segments``.

    Returns
    -------
    (n,) int64
    """
    kind = rows["kind"]
    counts = np.zeros(len(kind), dtype=np.int64)
    tools = kind != Kind.REGION
    corners = np.full(len(apertures) + 1, _STROKE)
    used = np.bincount(rows["aperture"][tools] + 1, minlength=len(corners))[1:]
    for row in np.flatnonzero(used).tolist():
        corners[row] = _of_tool(apertures[row])
    counts[tools] = corners[rows["aperture"][tools]]
    arcs = np.flatnonzero(kind == Kind.ARC)
    counts[arcs] += 2 * _chords({name: column[arcs] for name, column in rows.items()})
    total = np.concatenate(([0], np.cumsum(_chords(segments))))
    regions = ~tools
    counts[regions] = total[rows["last"][regions]] - total[rows["first"][regions]]
    return counts


def _chords(table: Rows) -> Ints:
    counts = np.ones(len(table["turn"]), dtype=np.int64)
    curved = np.flatnonzero(table["turn"])
    names = ("x0", "y0", "x1", "y1", "cx", "cy", "turn")
    x0, y0, x1, y1, cx, cy, turn = (table[name][curved] for name in names)
    radius = np.hypot(x0 - cx, y0 - cy)
    counts[curved] = chord_counts(radius, sweep_rad(x0, y0, x1, y1, cx, cy, turn))
    return counts


def _of_tool(aperture: Aperture) -> int:
    if aperture.diameter_mm is not None:
        return circle_chords(aperture.diameter_mm) + 1
    return int(shapely.get_num_coordinates(aperture.shape))


def drop_beyond(
    rows: dict[str, NDArray[Any]],
    segments: Rows,
    apertures: Sequence[Aperture],
    limits: Limits,
    log: ProblemLog,
) -> tuple[dict[str, NDArray[Any]], bool]:
    """Leave out the objects beyond the limit; gives the columns, and whether all were kept."""
    total = np.cumsum(corner_counts(rows, segments, apertures))
    kept = int(np.searchsorted(total, limits.corners, side="right"))
    if kept == len(total):
        return rows, True
    log.add(
        TOO_LARGE,
        f"the shapes have over {limits.corners} corners (limit corners)",
        offset=int(rows["offset"][kept]),
        assumed="the rest was left out",
    )
    return {name: column[:kept] for name, column in rows.items()}, False
