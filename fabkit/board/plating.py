"""Whether holes are plated when no file says so: judged by the copper around them.

Rule of the trade: on boards with two or more copper layers a hole is plated unless it has no
pad, a pad no larger than itself, or a pad on one outer side only; on one-sided boards none is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Ints
from fabkit.base.findings import Finding, Place
from fabkit.board import rules
from fabkit.board.holes import Drilled
from fabkit.board.model import BoardSlots, Holes, Layer, join_boxes
from fabkit.formats.gerber.model import GerberFile, object_boxes, object_shapes

_MOSTLY: Final = 0.5
_RING_MM: Final = 0.03
"""How far outside the rim of a hole its pad is looked for."""
_DIRECTIONS: Final = 8
_ALL_AROUND: Final = 0.85
"""Share of directions in which copper must lie for a pad; a thermal gap may hide one."""


def infer_plating(
    drilled: Drilled, copper: Sequence[Layer], findings: list[Finding]
) -> tuple[Holes, BoardSlots]:
    """Fill in the plating that no file states.

    Parameters
    ----------
    drilled
        Merged drill data.
    copper
        Copper layers from the top down.
    findings
        Receives one note per kind of inference.
    """
    holes, slots = drilled.holes, drilled.slots
    placed = _placed_files(drilled, copper)
    open_holes = np.flatnonzero(
        (holes.plated < 0) & (holes.diameter > 0) & np.isin(holes.file, placed)
    )
    open_slots = np.flatnonzero(
        (slots.plated < 0) & (slots.diameter > 0) & np.isin(slots.file, placed)
    )
    if not copper or not len(open_holes) + len(open_slots):
        return holes, slots
    x = np.concatenate((holes.x[open_holes], (slots.x0 + slots.x1)[open_slots] / 2))
    y = np.concatenate((holes.y[open_holes], (slots.y0 + slots.y1)[open_slots] / 2))
    radius = np.concatenate((holes.diameter[open_holes], slots.diameter[open_slots])) / 2
    # A slot has its pad across its width, a hole all around.
    side = np.concatenate((np.zeros(len(open_holes)), _across(slots, open_slots)))
    is_slot = np.concatenate((np.zeros(len(open_holes), bool), np.ones(len(open_slots), bool)))
    pads = sum(
        _has_pad(layer.file, x, y, radius, side, is_slot).astype(np.int64) for layer in copper
    )
    plated = (np.asarray(pads) >= 2).astype(np.int8)
    of_holes, of_slots = holes.plated.copy(), slots.plated.copy()
    of_holes[open_holes] = plated[: len(open_holes)]
    of_slots[open_slots] = plated[len(open_holes) :]
    for value, word in ((1, "plated"), (0, "non-plated")):
        rows = np.flatnonzero(plated == value)
        if len(rows):
            why = "pads on two or more layers" if value else "no pads, or on one layer only"
            findings.append(
                Finding.of(
                    rules.PLATING_INFERRED,
                    f"{len(rows)} of {len(plated)} holes and slots taken for {word}: {why}",
                    *(Place(x_mm=float(x[i]), y_mm=float(y[i])) for i in rows[:20]),
                    count=len(rows),
                    assumed=f"taken for {word}",
                )
            )
    return holes.with_columns(plated=of_holes), slots.with_columns(plated=of_slots)


def _placed_files(drilled: Drilled, copper: Sequence[Layer]) -> list[int]:
    """Drill files most of whose holes lie on the copper's box: others tell nothing about pads."""
    x0, y0, x1, y1 = join_boxes([np.array(layer.file.bounds) for layer in copper])
    placed = []
    for number in range(len(drilled.names)):
        holes = drilled.holes.file == number
        slots = drilled.slots.file == number
        x = np.concatenate((drilled.holes.x[holes], drilled.slots.x0[slots]))
        y = np.concatenate((drilled.holes.y[holes], drilled.slots.y0[slots]))
        inside = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
        if len(x) and inside.mean() > _MOSTLY:
            placed.append(number)
    return placed


def _across(slots: BoardSlots, rows: Ints) -> NDArray[np.float64]:
    run = np.arctan2((slots.y1 - slots.y0)[rows], (slots.x1 - slots.x0)[rows])
    across: NDArray[np.float64] = run + np.pi / 2
    return across


def _has_pad(
    file: GerberFile,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: NDArray[np.float64],
    side: NDArray[np.float64],
    is_slot: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    turn = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
    # Slots are asked on their two long sides alone, each several times.
    angle = np.where(
        is_slot[:, None], side[:, None] + np.pi * (np.arange(_DIRECTIONS) % 2), turn[None, :]
    )
    reach = (radius + _RING_MM)[:, None]
    px = (x[:, None] + reach * np.cos(angle)).reshape(-1)
    py = (y[:, None] + reach * np.sin(angle)).reshape(-1)
    dark = is_dark_at(file, px, py).reshape(-1, _DIRECTIONS)
    found: NDArray[np.bool_] = dark.mean(axis=1) >= _ALL_AROUND
    return found


def is_dark_at(
    file: GerberFile, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether the image is dark at points: the last object that covers a point decides.

    Parameters
    ----------
    file
        The layer.
    x, y
        (n,) float64, mm.
    """
    dark = np.zeros(len(x), dtype=bool)
    boxes = object_boxes(file)
    real = np.flatnonzero(~np.isnan(boxes[:, 0]))
    if not len(real) or not len(x):
        return dark
    tree = shapely.STRtree(shapely.box(*boxes[real].T))
    points = shapely.points(x, y)
    at, box = tree.query(points)
    rows = real[box]
    used, back = np.unique(rows, return_inverse=True)
    shapes = object_shapes(file, used)
    shapely.prepare(shapes)
    covers = shapely.intersects(shapes[back.reshape(-1)], points[at])
    at, rows = at[covers], rows[covers]
    last = np.full(len(x), -1, dtype=np.int64)
    np.maximum.at(last, at, rows)
    hit = last >= 0
    dark[hit] = file.objects.dark[last[hit]]
    return dark
