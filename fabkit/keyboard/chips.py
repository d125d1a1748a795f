"""Integrated circuits known by their lands alone: rows of narrow lands at one fine pitch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Ints
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.keyboard.lands import LandTable
from fabkit.keyboard.runs import find_runs

PITCHES_MM: Final = (0.4, 0.5, 0.65, 0.8, 1.27)
"""Pitches of leads of integrated circuits (IPC-7351 families QFN, QFP and SOP)."""

FEWEST_IN_ROW: Final = 6
"""Shorter rows are of small connectors and supply parts as well."""

BODY_MM: Final = 16.0
"""Rows of one circuit are no farther apart (common practice: up to 14 mm)."""

NESTED_MM: Final = 0.5
"""Two packages offered for one circuit have the same middle within half a lead pitch or so."""

ALIKE_MM: Final = 0.06
"""Lands of one row differ in size by less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """An integrated circuit: its middle, its face (1 top, -1 bottom) and its leads."""

    x_mm: float
    y_mm: float
    face: int
    pins: int


def find_chips(lands: LandTable) -> tuple[Chip, ...]:
    """Find integrated circuits: two or four facing rows of like lands.

    Returns
    -------
    Those with most leads first.
    """
    found: list[Chip] = []
    for face in (1, -1):
        rows = np.flatnonzero(~lands.through & (lands.face == face))
        points = np.column_stack((lands.x[rows], lands.y[rows]))
        free = np.ones(len(rows), dtype=bool)
        for pitch in PITCHES_MM:
            runs = _rows(points, lands, rows, free, pitch)
            for members in _bodies(points, runs):
                mine = np.concatenate([runs[m] for m in members])
                low, high = points[mine].min(axis=0), points[mine].max(axis=0)
                x, y = (low + high) / 2
                free[mine] = False
                found.append(Chip(x_mm=float(x), y_mm=float(y), face=face, pins=len(mine)))
    ordered = sorted(found, key=lambda c: (-c.pins, c.x_mm, c.y_mm))
    # A footprint inside another is the same circuit in a smaller package: one is fitted.
    return tuple(c for k, c in enumerate(ordered) if not any(_nested(c, o) for o in ordered[:k]))


def _nested(a: Chip, b: Chip) -> bool:
    return a.face == b.face and np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) <= NESTED_MM


def _rows(
    points: Floats, lands: LandTable, rows: Ints, free: NDArray[np.bool_], pitch: float
) -> list[Ints]:
    """Rows of narrow free lands at a pitch."""
    short = np.minimum(lands.width, lands.height)[rows]
    narrow = np.flatnonzero(free & (short < pitch))
    return [
        narrow[run]
        for run in find_runs(points[narrow], pitch, least=FEWEST_IN_ROW, tolerance_mm=ALIKE_MM)
    ]


def _bodies(points: Floats, runs: list[Ints]) -> list[list[int]]:
    """Rows that face a row as long as they, with those across them: one circuit each."""
    if len(runs) < 2:
        return []
    middles = np.array([points[r].mean(axis=0) for r in runs])
    ways = np.array([points[r[-1]] - points[r[0]] for r in runs])
    lengths = np.hypot(ways[:, 0], ways[:, 1])
    ways /= lengths[:, None]
    near = PointTree(middles).pairs(BODY_MM)
    shift = middles[near[:, 1]] - middles[near[:, 0]]
    apart = np.hypot(shift[:, 0], shift[:, 1])
    a, b = near[:, 0], near[:, 1]
    along = np.abs((ways[a] * ways[b]).sum(axis=1))
    lean = np.abs((ways[a] * shift).sum(axis=1)) / np.maximum(apart, 1e-9)
    counts = np.array([len(r) for r in runs])
    facing = (along > 0.99) & (lean < 0.05) & (counts[a] == counts[b]) & (apart > 1.0)
    faced = np.zeros(len(runs), dtype=bool)
    faced[a[facing]] = faced[b[facing]] = True
    # The rows across have the same middle as the pair they belong to.
    centre = {int(i): (middles[i] + middles[j]) / 2 for i, j in near[facing].tolist()}
    keys = sorted(centre)
    spots = np.array([centre[k] for k in keys]).reshape(-1, 2)
    joins = PointTree(spots).pairs(1.0) if len(keys) else np.empty((0, 2), np.int64)
    labels = label_groups(len(keys), joins[:, 0], joins[:, 1])
    partner = {int(i): int(j) for i, j in near[facing].tolist()}
    groups: dict[int, list[int]] = {}
    for label, key in zip(labels.tolist(), keys, strict=True):
        groups.setdefault(label, []).extend((key, partner[key]))
    return [sorted(set(g)) for _, g in sorted(groups.items())]
