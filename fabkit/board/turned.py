"""A board as if it had been exported turned by quarter turns."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fabkit.board.model import Board, Component, Layer
from fabkit.formats.gerber.blocks import compose_poses
from fabkit.formats.gerber.model import GerberFile, Pose
from fabkit.formats.gerber.primitives import turned

Floats = NDArray[np.float64]

_AXES: Final = (("x", "y"), ("x0", "y0"), ("x1", "y1"), ("cx", "cy"))
"""Pairs of columns that are points."""


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
    # Adding zero makes -0.0 a plain zero, so that equal places have equal bytes.
    return turned(points, turned_deg) + 0.0


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

    profile = board.profile
    return replace(
        board,
        profile=None
        if profile is None
        else shapely.transform(profile, lambda points: turn_points(points, turned_deg)),
        layers=tuple(_layer(layer, turned_deg) for layer in board.layers),
        holes=_columns(board.holes, turned_deg),
        slots=_columns(board.slots, turned_deg),
        components=tuple(_component(c, turned_deg) for c in board.components),
    )


def _columns(table: Any, turned_deg: int) -> Any:
    """A table of columns with all its points turned."""
    moved = {}
    for x, y in _AXES:
        if hasattr(table, x):
            points = np.column_stack((getattr(table, x), getattr(table, y)))
            moved[x], moved[y] = turn_points(points, turned_deg).T
    return table.with_columns(**moved)


def _layer(layer: Layer, turned_deg: int) -> Layer:
    file: GerberFile = layer.file
    turn = Pose(rotation_deg=turned_deg)
    poses = tuple(compose_poses(turn, pose) for pose in file.poses)
    laid = replace(
        file,
        objects=_columns(file.objects, turned_deg),
        segments=_columns(file.segments, turned_deg),
        poses=poses,
    )
    return replace(layer, file=laid)


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
