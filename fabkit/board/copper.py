"""Copper as designed: pads, tracks and fills of every layer, each with its piece and net."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Shapes, ranges
from fabkit.base.once import once_per
from fabkit.board.connectivity import Pieces, pieces_at, trace_board
from fabkit.board.model import Board, Layer
from fabkit.formats.gerber import standard
from fabkit.formats.gerber.model import GerberFile, Kind, object_shapes
from fabkit.formats.sidecars.model import Netlist
from fabkit.geometry.areas import touched
from fabkit.geometry.segments import Points

BESIDE_MM: Final = 0.002
"""How far beside an edge a point is taken: within the chord error of what is drawn."""

LATTICE: Final = 7
"""Points along each side of the lattice that shows on which piece most of an object lies."""

Ints = NDArray[np.int32]
T = TypeVar("T")

NO_NET: Final = frozenset({"", "N/C"})
"""Net names that name no net: Gerber Layer Format Specification 2021.02, section 5.6.14."""

PAD_FUNCTIONS: Final = standard.PAD_FUNCTIONS | {"ThermalReliefPad", "EtchedComponent", "AntiPad"}
"""Aperture functions of pads (Gerber Layer Format Specification 2021.02, section 5.6.10)."""

ATTACHED: Final = frozenset(
    {"ComponentPad", "SMDPad", "BGAPad", "ConnectorPad", "HeatsinkPad", "CastellatedPad", "TestPad"}
)
"""Pad functions that something is soldered to, plugged into or pressed on."""


VIA_MM: Final = 0.45
"""Plated holes up to this size are vias (published maker guides)."""


@dataclass(frozen=True, slots=True, eq=False)
class Pads(Points):
    """Pads of all copper layers.

    Columns
    -------
    x, y : float64, mm
    layer : int32
        Copper layer, from 0 on top.
    row : int32
        Object in the layer's file.
    piece, island : int32
        See :class:`fabkit.board.connectivity.Pieces`; -1 where nothing is left of the pad.
    net, pin, function : int32
        Codes into ``Copper.nets``, ``Copper.pins`` and ``Copper.functions``; -1 when not stated.
    """

    layer: Ints
    row: Ints
    piece: Ints
    island: Ints
    net: Ints
    pin: Ints
    function: Ints


@dataclass(frozen=True, eq=False)
class LayerObjects:
    """What one copper layer's objects are part of.

    Parameters
    ----------
    piece : (n,) int32
        Row of the piece (of the whole board) each object is part of; -1 where nothing is left.
    net : (n,) int32
        Code of its net; -1 when not stated.
    pad : (n,) bool
    """

    piece: Ints
    net: Ints
    pad: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Copper:
    """All copper of a board.

    Parameters
    ----------
    board
        Where it lies.
    pieces
        Its separate polygons and islands.
    layers
        Objects of each copper layer, top first.
    nets
        Net names; the first is always ``""``.
    pins
        Reference and pin of pads, such as ``("SW1", "2")``.
    functions
        Fields of ``.AperFunction``.
    pads
        All pads.
    """

    board: Board
    pieces: Pieces
    layers: tuple[LayerObjects, ...]
    nets: tuple[str, ...]
    pins: tuple[tuple[str, str], ...]
    functions: tuple[tuple[str, ...], ...]
    pads: Pads

    @cached_property
    def pad_shapes(self) -> Shapes:
        """(len(pads),) object array of polygons, mm: the pads as drawn."""
        out = np.empty(len(self.pads), dtype=object)
        for index, layer in enumerate(self.board.copper):
            mine = np.flatnonzero(self.pads.layer == index)
            out[mine] = object_shapes(layer.file, self.pads.row[mine])
        return out

    @cached_property
    def named(self) -> NDArray[np.bool_]:
        """(len(nets),) bool: the code names a real net."""
        return np.array([name not in NO_NET for name in self.nets], dtype=bool)

    @cached_property
    def island_nets(self) -> NDArray[np.int32]:
        """(n, 2) int32: every island and every real net some object of it names, each once."""
        rows = []
        for layer in self.layers:
            known = (layer.piece >= 0) & (layer.net >= 0)
            known[known] = self.named[layer.net[known]]
            rows.append(np.column_stack((self.pieces.island[layer.piece[known]], layer.net[known])))
        table = np.concatenate(rows) if rows else np.empty((0, 2), np.int32)
        return np.unique(table, axis=0).astype(np.int32)

    @cached_property
    def held(self) -> NDArray[np.bool_]:
        """(number of islands,) bool: a pad or a plated hole is part of it."""
        out = np.zeros(self.pieces.islands, dtype=bool)
        out[self.pads.island[self.pads.island >= 0]] = True
        out[self.pieces.island[self.pieces.joints[:, 1]]] = True
        return out

    def pads_stating(self, functions: frozenset[str]) -> Bools:
        """(len(pads),) bool: the pad states one of some functions."""
        # The last entry answers for code -1: a pad that states no function.
        stated = np.array([bool(f) and f[0] in functions for f in self.functions] + [False])
        return stated[self.pads.function]

    def pad_name(self, pad: int) -> str:
        """``SW1 pin 2`` where the file names it, else ``a pad``."""
        pin = self.pads.pin[pad]
        if pin < 0:
            return "a pad"
        ref, name = self.pins[pin]
        return f"{ref} pin {name}" if name else ref


@once_per
def trace_copper(board: Board) -> Copper:
    """Find pieces, islands, pads and nets of a board's copper, once a board."""
    pieces = trace_board(board)
    nets: dict[str, int] = {"": 0}
    pins: dict[tuple[str, str], int] = {}
    functions: dict[tuple[str, ...], int] = {}
    layers, pads = [], []
    for index, layer in enumerate(board.copper):
        objects = layer.file.objects
        sets = layer.file.attribute_sets
        net_of_set = np.array(
            [_code(nets, s[".N"][0]) if s.get(".N") else -1 for s in sets] or [-1], np.int32
        )
        pin_of_set = np.array(
            [_code(pins, (s[".P"][0], (*s[".P"], "")[1])) if s.get(".P") else -1 for s in sets]
            or [-1],
            np.int32,
        )
        function = _function_codes(layer.file, functions)
        is_pad = find_pads(layer.file)
        on_layer = pieces.on_layer(index)
        # Pieces of this layer alone: under a pad lies copper of other layers, too.
        local = object_pieces(layer.file, pieces.polygons[on_layer])
        piece = np.where(local >= 0, on_layer[local] if len(on_layer) else -1, -1).astype(np.int32)
        net = net_of_set[objects.attributes] if len(objects) else np.empty(0, np.int32)
        layers.append(LayerObjects(piece=piece, net=net, pad=is_pad))
        rows = np.flatnonzero(is_pad)
        x, y = pad_centres(layer, rows)
        pads.append(
            Pads(
                layer=np.full(len(rows), index),
                row=rows.astype(np.int32),
                x=x,
                y=y,
                piece=piece[rows],
                island=np.where(piece[rows] >= 0, pieces.island[piece[rows]], -1)
                if len(pieces)
                else np.full(len(rows), -1),
                net=net[rows],
                pin=pin_of_set[objects.attributes[rows]],
                function=function[rows],
            )
        )
    return Copper(
        board=board,
        pieces=pieces,
        layers=tuple(layers),
        nets=tuple(nets),
        pins=tuple(pins),
        functions=tuple(functions),
        pads=Pads.concat(*pads),
    )


def find_pads(file: GerberFile) -> NDArray[np.bool_]:
    """(n,) bool: objects that are pads, by their function, else because they are flashed."""
    objects = file.objects
    by_aperture = np.array(
        [a.function[0] in PAD_FUNCTIONS if a.function else True for a in file.apertures] or [True]
    )
    by_set = np.array(
        [
            bool(s.get(".AperFunction")) and s[".AperFunction"][0] in PAD_FUNCTIONS
            for s in file.attribute_sets
        ]
        or [False]
    )
    flashed = (objects.kind == Kind.FLASH) & (objects.aperture >= 0)
    pad = flashed & by_aperture[np.where(flashed, objects.aperture, 0)]
    region = objects.kind == Kind.REGION
    return np.asarray((pad | (region & by_set[objects.attributes])) & objects.dark)


def pad_centres(
    layer: Layer, rows: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Flash points, and centres of the box for pads drawn as regions, mm."""
    objects = layer.file.objects
    x, y = objects.x0[rows].copy(), objects.y0[rows].copy()
    drawn = np.flatnonzero(objects.kind[rows] == Kind.REGION)
    if len(drawn):
        box = shapely.bounds(object_shapes(layer.file, rows[drawn]))
        x[drawn] = (box[:, 0] + box[:, 2]) / 2
        y[drawn] = (box[:, 1] + box[:, 3]) / 2
    return x, y


def object_pieces(file: GerberFile, polygons: Shapes) -> Ints:
    """Row of the polygon each dark object is part of; -1 for erasing objects and lost ones.

    Parameters
    ----------
    polygons : (n,) object array of polygons, mm
        Separate polygons of the file's image.

    Notes
    -----
    An object that was erased in part, or cut by a hole, belongs to the polygon under its middle,
    else to the one that most of its points lie in, else to the one that shares most area with it.
    """
    objects = file.objects
    out = np.full(len(objects), -1, dtype=np.int32)
    dark = np.flatnonzero(objects.dark)
    if not len(polygons) or not len(dark):
        return out
    x = (objects.x0 + objects.x1) / 2
    y = (objects.y0 + objects.y1) / 2
    # The middle of an arc's chord is not on the arc; its start is.
    arc = objects.kind == Kind.ARC
    x[arc], y[arc] = objects.x0[arc], objects.y0[arc]
    plain = dark[objects.kind[dark] != Kind.REGION]
    out[plain] = pieces_at(polygons, shapely.points(x[plain], y[plain]))
    # What nothing erases later keeps its whole shape, so any point of it shows the piece.
    erasing = np.flatnonzero(~objects.dark)
    whole = dark[dark > erasing[-1]] if len(erasing) else dark
    regions = whole[objects.kind[whole] == Kind.REGION]
    regions, sides = _beside_edges(file, regions)
    for spots in sides:
        # The point outside the region finds nothing (-1) unless other copper lies within BESIDE_MM.
        out[regions] = np.maximum(out[regions], pieces_at(polygons, spots))
    # Laying every region on all polygons it touches took minutes on copper that is drawn like a
    # picture; so points decide, and areas only where no point hits.
    rest = dark[out[dark] < 0]
    if len(rest):
        shapes = object_shapes(file, rest)
        out[rest] = _most_points(polygons, shapes)
        lost = out[rest] < 0
        rest, shapes = rest[lost], shapes[lost]
    if len(rest):
        polygon, shape = shapely.STRtree(shapes).query(polygons, predicate="intersects")
        shared = shapely.area(shapely.intersection(polygons[polygon], shapes[shape]))
        order = np.lexsort((-polygon, shared))
        order = order[shared[order] > 0]
        out[rest[shape[order]]] = polygon[order]
    return out


def _beside_edges(file: GerberFile, regions: Ints) -> tuple[Ints, tuple[Shapes, Shapes]]:
    """Take a point on either side of the longest straight edge of regions: one of them is inside.

    Regions without a straight edge are left out.
    """
    segments, objects = file.segments, file.objects
    counts = objects.last[regions] - objects.first[regions]
    owner = np.repeat(np.arange(len(regions)), counts)
    edges = segments.take(ranges(objects.first[regions], counts))
    along = edges.ends() - edges.starts()
    length = np.where(edges.turn == 0, np.hypot(along[:, 0], along[:, 1]), 0.0)
    # The longest edge, because beside a short one the next corner may be nearer than the step.
    order = np.lexsort((length, owner))
    best = order[np.flatnonzero(np.diff(owner[order], append=len(regions)))]
    best = best[length[best] > 2 * BESIDE_MM]
    middle = edges.take(best).middles()
    aside = along[best, ::-1] * (-1, 1) * (BESIDE_MM / length[best, None])
    return regions[owner[best]], (shapely.points(middle + aside), shapely.points(middle - aside))


def _most_points(polygons: Shapes, shapes: Shapes) -> Ints:
    """Polygon that holds most of a lattice of points of each shape; -1 where none holds any."""
    box = shapely.bounds(shapes)
    share = (np.arange(LATTICE) + 0.5) / LATTICE
    u, v = (a.ravel() for a in np.meshgrid(share, share))
    x = box[:, :1] + u * (box[:, 2:3] - box[:, :1])
    y = box[:, 1:2] + v * (box[:, 3:] - box[:, 1:2])
    owner = np.repeat(np.arange(len(shapes)), len(u))
    spots = shapely.points(x.ravel(), y.ravel())
    shapely.prepare(shapes)
    mine = shapely.intersects(shapes[owner], spots)
    owner, spots = owner[mine], spots[mine]
    piece = pieces_at(polygons, spots)
    pairs, counts = np.unique(
        np.column_stack((owner, piece))[piece >= 0], axis=0, return_counts=True
    )
    out = np.full(len(shapes), -1, dtype=np.int32)
    order = np.lexsort((-pairs[:, 1], counts))
    out[pairs[order, 0]] = pairs[order, 1]
    return out


def _function_codes(file: GerberFile, functions: dict[tuple[str, ...], int]) -> Ints:
    """Code of the aperture function of every object; -1 when none."""
    objects = file.objects
    by_aperture = np.array(
        [_code(functions, a.function) if a.function else -1 for a in file.apertures] + [-1],
        np.int32,
    )
    by_set = np.array(
        [
            _code(functions, s[".AperFunction"]) if s.get(".AperFunction") else -1
            for s in file.attribute_sets
        ]
        or [-1],
        np.int32,
    )
    # What has no aperture (-1) reads the last entry.
    out = by_aperture[objects.aperture]
    region = objects.kind == Kind.REGION
    out[region] = by_set[objects.attributes[region]]
    return out


def _code(codes: dict[T, int], value: T) -> int:
    """Give the number of a value, in order of appearance."""
    return codes.setdefault(value, len(codes))


def netlist_of(board: Board) -> Netlist | None:
    """Find the board's bare-board netlist, when its package has one."""
    for file in board.package.files:
        if isinstance(file.content, Netlist):
            return file.content
    return None


def outer_face(copper: Copper) -> NDArray[np.int8]:
    """(len(pads),) int8: 1 on top, -1 on the bottom, 0 inside."""
    face = np.array(
        [{"top": 1, "bottom": -1}.get(str(a.side), 0) for a in copper.board.copper] or [0], np.int8
    )
    return face[copper.pads.layer]


def surface_pads(copper: Copper) -> Ints:
    """List the pads on outer layers that are for parts and have no hole."""
    pads = copper.pads
    # A pad that states no function may be for a part.
    attached = copper.pads_stating(ATTACHED) | (pads.function < 0)
    rows = np.flatnonzero((outer_face(copper) != 0) & attached).astype(np.int32)
    return rows[~touched(shapely.points(pads.x[rows], pads.y[rows]), copper.board.hole_shapes)]
