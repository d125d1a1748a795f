"""How much laminate and copper a board has: for its weight."""

from __future__ import annotations

import math

import shapely

from fabkit.base.errors import TooHeavy
from fabkit.base.once import once_per
from fabkit.board.model import Board, Layer


@once_per
def measure_laminate(board: Board) -> tuple[float, tuple[float, ...]]:
    """Measure the area of a board, and the share of it that each copper layer covers.

    Returns
    -------
    Area of the outline less cut-outs, holes and slots, mm² (of its box where it has no outline),
    and a share from 0 to 1 for each copper layer; draws every copper layer, once per board.
    A layer that is too heavy to draw is taken as full: the weight is then an upper bound.
    """
    area = board.area_mm2
    if math.isnan(area):
        width, height = board.size_mm
        area = width * height
    area = max(0.0, area - float(shapely.area(board.hole_shapes).sum()))
    if not area > 0:
        return 0.0, ()
    return area, tuple(min(1.0, _copper_mm2(layer) / area) for layer in board.copper)


def _copper_mm2(layer: Layer) -> float:
    try:
        return float(shapely.area(layer.file.image))
    except TooHeavy:
        return math.inf
