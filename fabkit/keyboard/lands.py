"""Lands of the outer copper as columns, read from the flashes alone: no copper is traced."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Columns, Floats, Ints
from fabkit.board.copper import find_pads, pad_centres
from fabkit.board.model import Board, Layer
from fabkit.formats.gerber.model import GerberFile, object_shapes
from fabkit.geometry.neighbours import PointTree


@dataclass(frozen=True, slots=True, eq=False)
class LandTable(Columns):
    """Lands of both faces.

    Columns
    -------
    x, y : float64, mm
    width, height : float64, mm
        Of the smallest box round the land, however it is turned.
    turn : float64, degrees
        Of that box, counter-clockwise, from 0 up to 180.
    face : int8
        1 top, -1 bottom.
    through : bool
        It lies about a hole.
    net, ref : int32
        Codes into ``Lands.nets`` and ``Lands.refs``; 0 stands for not stated.
    """

    x: Floats
    y: Floats
    width: Floats
    height: Floats
    turn: Floats
    face: NDArray[np.int8]
    through: Bools
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
    size, turn = _boxes(file, rows)
    sets = file.attribute_sets
    net_of = [nets.setdefault((s.get(".N") or ("",))[0], len(nets)) for s in sets] or [0]
    ref_of = [refs.setdefault((s.get(".P") or ("",))[0], len(refs)) for s in sets] or [0]
    return LandTable(
        x=x,
        y=y,
        width=size[:, 0],
        height=size[:, 1],
        turn=turn,
        face=np.full(len(rows), 1 if layer.side == "top" else -1),
        through=_about_holes(board, x, y, size, turn),
        net=np.array(net_of, np.int32)[objects.attributes[rows]],
        ref=np.array(ref_of, np.int32)[objects.attributes[rows]],
    )


def _boxes(file: GerberFile, rows: Ints) -> tuple[Floats, Floats]:
    """Sides (n, 2), mm, and turn, degrees, of the smallest box round each land.

    Standard apertures state theirs.  Exporters write turned lands as macros or regions, of which
    the upright box shows neither how wide a lead is nor which way it points: the outline does.
    """
    objects = file.objects
    flashed = objects.aperture[rows] >= 0
    size, turn = np.zeros((len(rows), 2)), np.zeros(len(rows))
    used = np.unique(objects.aperture[rows[flashed]])
    boxes, turns = np.zeros((len(file.apertures), 2)), np.zeros(len(file.apertures))
    for number in used.tolist():
        aperture = file.apertures[number]
        if aperture.template in ("C", "R", "O"):
            boxes[number] = aperture.size_mm
        else:
            boxes[number], turns[number] = _smallest_box(aperture.shape)
    poses = np.array(
        [(p.rotation_deg, p.mirror_x, p.scale) for p in file.poses] or [(0.0, False, 1.0)]
    )
    rotation, mirrored, scale = poses[objects.pose[rows[flashed]]].T
    mine = objects.aperture[rows[flashed]]
    size[flashed] = boxes[mine] * scale[:, None]
    turn[flashed] = np.where(mirrored > 0, -turns[mine], turns[mine]) + rotation
    drawn = np.flatnonzero(~flashed)
    for row, shape in zip(drawn.tolist(), object_shapes(file, rows[drawn]), strict=True):
        size[row], turn[row] = _smallest_box(shape)
    return size, turn % 180


def _smallest_box(shape: BaseGeometry) -> tuple[tuple[float, float], float]:
    """Sides, mm, and turn of the first, degrees, of the smallest box round a shape."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    if len(corners) < 4:
        return (0.0, 0.0), 0.0
    first, second = corners[1] - corners[0], corners[2] - corners[1]
    sides = float(np.hypot(*first)), float(np.hypot(*second))
    return sides, float(np.degrees(np.arctan2(first[1], first[0])))


def _about_holes(board: Board, x: Floats, y: Floats, size: Floats, turn: Floats) -> Bools:
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
    away = (points[near, 0] - x) + 1j * (points[near, 1] - y)
    # In the land's own frame: the upright box of a turned land may hold a hole beside it.
    along = away * np.exp(-1j * np.radians(turn))
    inside = (np.abs(along.real) <= size[:, 0] / 2) & (np.abs(along.imag) <= size[:, 1] / 2)
    return np.asarray(inside & np.isfinite(apart))
