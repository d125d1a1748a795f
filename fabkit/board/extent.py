"""How large a board is when asked for its box."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fabkit.package.model import RoleKind

if TYPE_CHECKING:
    from fabkit.board.model import Board

Box = tuple[float, float, float, float]


def board_bounds(board: Board) -> Box:
    """Box of the profile, else of copper and holes, mm; all nan when there is nothing.

    Returns
    -------
    min x, min y, max x, max y.
    """
    if board.profile is not None:
        x0, y0, x1, y1 = board.profile.bounds
        return float(x0), float(y0), float(x1), float(y1)
    boxes = [np.array(layer.file.bounds) for layer in board.layers if layer.kind is RoleKind.COPPER]
    holes, slots = board.holes, board.slots
    if len(holes):
        r = holes.diameter / 2
        boxes.append(
            np.array(
                [
                    (holes.x - r).min(),
                    (holes.y - r).min(),
                    (holes.x + r).max(),
                    (holes.y + r).max(),
                ]
            )
        )
    if len(slots):
        r = slots.diameter / 2
        x, y = np.concatenate((slots.x0, slots.x1)), np.concatenate((slots.y0, slots.y1))
        r = np.concatenate((r, r))
        boxes.append(np.array([(x - r).min(), (y - r).min(), (x + r).max(), (y + r).max()]))
    if not boxes:
        boxes = [np.array(layer.file.bounds) for layer in board.layers]
    return join_boxes(boxes)


def join_boxes(boxes: list[NDArray[np.float64]]) -> Box:
    """Smallest box around boxes, those of nothing (nan) left aside."""
    real = [box for box in boxes if not np.isnan(box).any()]
    if not real:
        nan = float("nan")
        return nan, nan, nan, nan
    stack = np.array(real)
    low, high = stack[:, :2].min(axis=0), stack[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
