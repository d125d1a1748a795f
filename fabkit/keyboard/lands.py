"""Lands of the outer copper as columns, read from the flashes alone: no copper is traced."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Columns
from fabkit.board.copper import find_pads, pad_centres
from fabkit.board.model import Board, Layer
from fabkit.geometry.neighbours import PointTree

_SIDE_ON = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class LandTable(Columns):
    """Lands of both faces.

    Columns
    -------
    x, y : float64, mm
    width, height : float64, mm
        Of the box of the land as it lies on the board; 0 where it is drawn as a region.
    face : int8
        1 top, -1 bottom.
    through : bool
        It lies about a hole.
    net, ref : int32
        Codes into ``Lands.nets`` and ``Lands.refs``; 0 stands for not stated.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    width: NDArray[np.float64]
    height: NDArray[np.float64]
    face: NDArray[np.int8]
    through: NDArray[np.bool_]
    net: NDArray[np.int32]
    ref: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Lands:
    """The lands, and the names their codes stand for; the first name of each is empty."""

    table: LandTable
    nets: tuple[str, ...]
    refs: tuple[str, ...]


def read_lands(board: Board) -> Lands:
    """Read the lands of the outer copper layers.

    Returns
    -------
    Lands by layer (top first), then by order in the file.
    """
    nets, refs = {"": 0}, {"": 0}
    tables = [
        _read_layer(board, layer, nets, refs) for layer in board.copper if layer.side is not None
    ]
    return Lands(table=LandTable.concat(*tables), nets=tuple(nets), refs=tuple(refs))


def _read_layer(
    board: Board, layer: Layer, nets: dict[str, int], refs: dict[str, int]
) -> LandTable:
    file = layer.file
    rows = np.flatnonzero(find_pads(file))
    objects = file.objects
    x, y = pad_centres(layer, rows)
    size = np.zeros((len(rows), 2))
    flashed = objects.aperture[rows] >= 0
    boxes = np.array([a.size_mm for a in file.apertures] or [(0.0, 0.0)])
    turns = np.array([p.rotation_deg % 180 for p in file.poses] or [0.0])
    size[flashed] = boxes[objects.aperture[rows[flashed]]]
    on_side = flashed & (np.abs(turns[objects.pose[rows]] - 90) < _SIDE_ON)
    size[on_side] = size[on_side, ::-1]
    sets = file.attribute_sets
    net_of = [nets.setdefault((s.get(".N") or ("",))[0], len(nets)) for s in sets] or [0]
    ref_of = [refs.setdefault((s.get(".P") or ("",))[0], len(refs)) for s in sets] or [0]
    return LandTable(
        x=x,
        y=y,
        width=size[:, 0],
        height=size[:, 1],
        face=np.full(len(rows), 1 if layer.side == "top" else -1),
        through=_about_holes(board, x, y, size),
        net=np.array(net_of, np.int32)[objects.attributes[rows]],
        ref=np.array(ref_of, np.int32)[objects.attributes[rows]],
    )


def _about_holes(
    board: Board, x: NDArray[np.float64], y: NDArray[np.float64], size: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which lands have the middle of a hole or slot within them."""
    holes, slots = board.holes, board.slots
    points = np.vstack(
        (
            np.column_stack((holes.x, holes.y)),
            np.column_stack(((slots.x0 + slots.x1) / 2, (slots.y0 + slots.y1) / 2)),
        )
    )
    if not len(points) or not len(x):
        return np.zeros(len(x), dtype=bool)
    apart, near = PointTree(points).query(np.column_stack((x, y)))
    off = np.abs(points[near] - np.column_stack((x, y)))
    return np.asarray((off <= size / 2).all(axis=1) & np.isfinite(apart))
