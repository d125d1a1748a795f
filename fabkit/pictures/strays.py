"""Holes that lie beside the board they belong to."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.units import counted
from fabkit.board.model import Board
from fabkit.pictures.finished import outline


def stray_holes(board: Board) -> NDArray[np.bool_]:
    """Which of ``board.hole_shapes`` cut nothing of the board: off it, or in a cut-out."""
    if not len(board.hole_shapes):
        return np.zeros(0, dtype=bool)
    whole = outline(board)
    shapely.prepare(whole)
    touched: NDArray[np.bool_] = shapely.intersects(whole, board.hole_shapes)
    return ~touched


def stray_note(board: Board) -> str:
    """Words about holes that lie off the board; none when all lie on it."""
    strays = stray_holes(board)
    lost, total = int(strays.sum()), len(strays)
    if not lost:
        return ""
    noun = "hole or slot" if len(board.slots) else "hole"
    if total == 1:
        return f"The only {noun} lies off the board"
    if lost == total:
        return f"All {total} {noun.replace(' or ', 's and ')}s lie off the board"
    verb = "lies" if lost == 1 else "lie"
    return f"{counted(lost, 'hole')} of {total} {verb} off the board"
