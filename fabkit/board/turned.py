"""A board as if it had been exported turned by quarter turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fabkit.base.columns import Floats
from fabkit.board.model import Board, Component
from fabkit.geometry.segments import Placing


def turn_points(points: Floats, turned_deg: int) -> Floats:
    """Points turned counter-clockwise about the origin, without rounding.

    Parameters
    ----------
    points : (n, 2) float64
    turned_deg
        A multiple of 90.

    Returns
    -------
    (n, 2) float64
    """
    return Placing(quarter_turns=turned_deg // 90).points(points)


def turn_board(board: Board, turned_deg: int) -> Board:
    """The whole board turned counter-clockwise about its origin.

    Parameters
    ----------
    board
        Left as it is.
    turned_deg
        A multiple of 90; at 0 the board itself is given back.

    Notes
    -----
    Its package stays what it was read from, so positions of a netlist are not turned.
    """
    if not turned_deg % 360:
        return board
    import shapely

    profile, placing = board.profile, Placing(quarter_turns=turned_deg // 90)
    return replace(
        board,
        profile=None if profile is None else shapely.transform(profile, placing.points),
        layers=tuple(replace(layer, file=layer.file.placed(placing)) for layer in board.layers),
        holes=board.holes.placed(placing),
        slots=board.slots.placed(placing),
        components=tuple(_component(c, turned_deg) for c in board.components),
    )


def _component(part: Component, turned_deg: int) -> Component:
    if part.x_mm is None or part.y_mm is None:
        return part
    (x, y) = turn_points(np.array([[part.x_mm, part.y_mm]]), turned_deg)[0].tolist()
    rotation = part.rotation_deg
    return replace(
        part,
        x_mm=x,
        y_mm=y,
        rotation_deg=None if rotation is None else (rotation + turned_deg) % 360,
    )
