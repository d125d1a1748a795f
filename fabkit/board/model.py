"""The board that will be made, in millimetres, seen from the top."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from importlib import import_module
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.errors import TooHeavy
from fabkit.base.findings import Finding
from fabkit.base.once import once_per
from fabkit.base.tables import Result, Table, columns_of
from fabkit.base.units import counted, format_mm, format_number
from fabkit.formats.gerber.model import GerberFile
from fabkit.geometry.segments import Box, Points, Segments, join_boxes
from fabkit.package.model import Package, RoleKind, Side


class PathKind(StrEnum):
    """What a path is for."""

    BOARD_EDGE = "board edge"
    PANEL_EDGE = "panel edge"
    CUT_OUT = "inner cut-out"
    SLOT = "milled slot"
    TAB = "break-off tab"
    PERFORATION = "perforation"
    RAIL = "rail"
    SCORE = "score line"
    FRAME = "frame around a drawing"
    SHEET = "drawing-sheet border"
    DOUBLE = "line drawn again"
    LETTERING = "lettering"
    MARK = "mark"
    STRAY = "stray line"


@dataclass(frozen=True, slots=True, eq=False)
class EdgePath:
    """One path, or several of a kind that are too small to be listed one by one.

    Parameters
    ----------
    kind
        What it is for.
    reasons
        Why it is taken for that, one sentence part each.
    shape
        What it encloses, or its lines where it encloses nothing, mm.
    count
        How many paths the shape holds.
    """

    kind: PathKind
    reasons: tuple[str, ...]
    shape: BaseGeometry
    count: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One way to read the outline.

    Parameters
    ----------
    name
        What it takes for the board, in words.
    profile
        Outline with cut-outs, mm.
    reasons
        What speaks for it.
    """

    name: str
    profile: MultiPolygon
    reasons: tuple[str, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of its box."""
        x0, y0, x1, y1 = self.profile.bounds
        return float(x1 - x0), float(y1 - y0)


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """Where the material ends.

    Parameters
    ----------
    paths
        Every path of the outline with what it is and why.
    readings
        The ways to read the outline, the likeliest (the one that counts) first; empty when
        nothing gives an outline.
    """

    paths: tuple[EdgePath, ...] = ()
    readings: tuple[Reading, ...] = ()

    def of(self, kind: PathKind) -> tuple[EdgePath, ...]:
        """Paths of a kind."""
        return tuple(path for path in self.paths if path.kind is kind)


NO_EDGE: Final = Edge()


def size_words(shape: BaseGeometry) -> str:
    """Width and height of the box of a shape, such as ``100 × 60 mm``."""
    x0, y0, x1, y1 = shape.bounds
    return f"{format_number(x1 - x0, digits=2)} × {format_mm(y1 - y0, digits=2)}"


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Several boards, or one in a frame, that are made as one piece.

    Parameters
    ----------
    boards
        (n,) polygons, mm: the boards alone, without rails and tabs; from the left, from below.
    design
        (n,) int64: boards of one number are of one design.
    mirrored
        (n,) bool: the board is the mirror image of the first of its design.
    rails, tabs
        Polygons that are left over when the boards are taken out.
    score_lines
        Lines along which boards are broken apart, mm.
    paths
        What holds the boards together, with reasons.
    size_mm
        Width and height of the panel.
    """

    boards: Shapes
    design: Ints
    mirrored: Bools
    rails: Shapes
    tabs: Shapes
    score_lines: Shapes
    paths: tuple[EdgePath, ...]
    size_mm: tuple[float, float]

    @property
    def count(self) -> int:
        """How many boards it gives."""
        return len(self.boards)

    @property
    def equal(self) -> bool:
        """Whether all boards are of one design and none is a mirror image."""
        return int(self.design.max(initial=0)) == 0 and not self.mirrored.any()

    @property
    def words(self) -> str:
        """What it is, such as ``panel of 6 equal boards of 30 × 20 mm``."""
        first = size_words(self.boards[0])
        if self.count == 1:
            return f"panel of one board of {first}"
        if self.equal:
            return f"panel of {self.count} equal boards of {first}"
        if int(self.design.max()) == 0:
            return f"panel of {self.count} boards of {first}, mirror images of each other"
        # Designs of one size, such as halves that differ by a socket, are counted together.
        sizes = Counter(
            size_words(self.boards[int(np.argmax(self.design == kind))]) for kind in self.design
        )
        if len(sizes) == 1:
            return f"panel of {self.count} different boards of {first}"
        each = ", ".join(f"{count} of {size}" for size, count in sizes.items())
        return f"panel of {self.count} boards: {each}"


def panel_words(panel: Panel) -> str:
    """One line about a panel, its size included."""
    width, height = panel.size_mm
    rails = f", {counted(len(panel.rails), 'rail')}" if len(panel.rails) else ""
    return f"{panel.words}; {size_words(shapely.box(0, 0, width, height))} in all{rails}"


@dataclass(frozen=True, eq=False)
class Layer:
    """One production layer of the board.

    Parameters
    ----------
    kind, side
        What it is; ``side`` is None for inner copper.
    index
        Copper: layer number from the top, from 1.  Others: 1.
    file
        The Gerber file; geometry is in ``file.image`` and ``fabkit.formats.gerber.model``.
    negative
        True when the image shows absent material (``.FilePolarity,Negative``) and the layer is
        not one that is negative by nature (solder mask openings are always openings here).
    """

    kind: RoleKind
    side: Side | None
    index: int
    file: GerberFile
    negative: bool = False

    @property
    def name(self) -> str:
        """Trade name, such as ``top copper``."""
        if self.kind is RoleKind.COPPER and self.side is None:
            return f"inner copper {self.index}"
        return f"{self.side} {self.kind}" if self.side else str(self.kind)


@dataclass(frozen=True, slots=True, eq=False)
class Holes(Points):
    """Round holes of the board, duplicates between files removed.

    Columns
    -------
    x, y, diameter : float64, mm
    plated : int8
        1 plated, 0 non-plated, -1 not known.
    file : int32
        Index into ``Board.drill_names``.
    tool : int32
        Tool number in its file.
    first, last : int16
        Copper layers it spans, from 1.
    function : int32
        Index into ``Board.hole_functions``.
    offset : int64
        Byte offset in its file.
    """

    diameter: Floats
    plated: NDArray[np.int8]
    file: NDArray[np.int32]
    tool: NDArray[np.int32]
    first: NDArray[np.int16]
    last: NDArray[np.int16]
    function: NDArray[np.int32]
    offset: Ints


@dataclass(frozen=True, slots=True, eq=False)
class BoardSlots(Segments):
    """Slot segments of the board; segments of one routed path share ``path``.

    Columns as in :class:`Holes` with ``x0, y0, x1, y1, cx, cy, turn`` (see
    :mod:`fabkit.geometry.segments`) in place of the centre, and ``path`` (unique on the board).
    """

    diameter: Floats
    plated: NDArray[np.int8]
    file: NDArray[np.int32]
    tool: NDArray[np.int32]
    first: NDArray[np.int16]
    last: NDArray[np.int16]
    function: NDArray[np.int32]
    path: NDArray[np.int32]
    offset: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One component, from component attributes, a placement table or a netlist."""

    ref: str
    value: str = ""
    footprint: str = ""
    part_number: str = ""
    manufacturer: str = ""
    mount: str = ""
    """``TH``, ``SMD``, ``Fiducial``, ``Other`` or empty."""
    side: Side | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    rotation_deg: float | None = None
    pins: tuple[tuple[str, str], ...] = ()
    """Pin and net name, in pin order; net is empty when not known."""
    origin: str = ""
    """Where it was read: ``component attributes``, ``placement table``, ``netlist``."""


@dataclass(frozen=True, eq=False, repr=False)
class Board(Result):
    """The board that will be made.

    Parameters
    ----------
    name
        Stem of the package.
    package
        The files it was built from.
    profile
        Outline with cut-outs, mm; None when no profile could be built.  Several boards in one
        file give several polygons.
    layers
        Production layers, copper from the top down, then the others.
    holes, slots
        Everything drilled or routed.
    drill_names, hole_functions
        Tables the hole columns point into; a function is the tuple of ``.AperFunction`` fields.
    components
        Known components, by reference.
    thickness_mm
        As stated by the job file; None when not.
    problems
        What building the board met; what reading its files met is in ``package.problems``.
    edge
        What the drawn paths are, and how else the outline may be read.
    panel
        The boards that one piece gives, when it is a panel; the profile is the panel's then.
    """

    name: str
    package: Package
    profile: MultiPolygon | None
    layers: tuple[Layer, ...]
    holes: Holes
    slots: BoardSlots
    drill_names: tuple[str, ...]
    hole_functions: tuple[tuple[str, ...], ...]
    components: tuple[Component, ...]
    thickness_mm: float | None
    problems: tuple[Finding, ...]
    edge: Edge = NO_EDGE
    panel: Panel | None = None

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        width, height = self.size_mm
        return (
            f"{self.name}: {width:.2f} x {height:.2f} mm,"
            f" {counted(len(self.copper), 'copper layer')}, {counted(len(self.holes), 'hole')}"
        )

    def layer(self, kind: RoleKind, side: Side | None = None) -> Layer | None:
        """First layer of a kind on a side."""
        return next(
            (a for a in self.layers if a.kind is kind and (side is None or a.side == side)), None
        )

    @property
    def copper(self) -> tuple[Layer, ...]:
        """Copper layers from the top down."""
        return tuple(a for a in self.layers if a.kind is RoleKind.COPPER)

    def _repr_png_(self) -> bytes:
        """Front and back, as notebooks show them."""
        # Pictures stand above the board and are found by name, only when one is asked for.
        made: bytes = import_module("fabkit.pictures.finished").notebook_png(self)
        return made

    def table(self) -> Table:
        """Every round hole."""
        words = {1: "plated", 0: "non-plated", -1: "not known"}
        columns = (self.holes.x, self.holes.y, self.holes.diameter, self.holes.plated)
        return Table(
            columns_of("x_mm", "y_mm", "diameter_mm", "plating"),
            tuple(
                (x, y, diameter, words[plated])
                for x, y, diameter, plated in zip(*(c.tolist() for c in columns), strict=True)
            ),
        )

    @cached_property
    def bounds(self) -> Box:
        """Box of the profile, else of copper and holes, mm; all nan when there is nothing."""
        if self.profile is not None:
            x0, y0, x1, y1 = self.profile.bounds
            return float(x0), float(y0), float(x1), float(y1)
        boxes = [layer.file.bounds for layer in self.copper]
        holes, slots = self.holes, self.slots
        x = np.concatenate((holes.x, slots.x0, slots.x1))
        y = np.concatenate((holes.y, slots.y0, slots.y1))
        r = np.concatenate((holes.diameter, slots.diameter, slots.diameter)) / 2
        if len(r):
            boxes.append(((x - r).min(), (y - r).min(), (x + r).max(), (y + r).max()))
        if not boxes:
            boxes = [layer.file.bounds for layer in self.layers]
        return join_boxes(boxes) or (math.nan,) * 4

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the box."""
        x0, y0, x1, y1 = self.bounds
        return x1 - x0, y1 - y0

    @cached_property
    def area_mm2(self) -> float:
        """Area of the profile less cut-outs (holes not subtracted); nan without a profile."""
        return float(self.profile.area) if self.profile is not None else float("nan")

    @cached_property
    def hole_shapes(self) -> NDArray[np.object_]:
        """(len(holes),) discs, then (number of paths,) slot polygons by rising path, mm."""
        return cut_shapes(self.holes, self.slots)

    @cached_property
    def opening(self) -> BaseGeometry:
        """Union of all holes and slots, mm."""
        return shapely.union_all(self.hole_shapes)


def cut_shapes(holes: Holes, slots: BoardSlots) -> NDArray[np.object_]:
    """Areas that are cut: a disc per hole, then a polygon per slot path, mm.

    Returns
    -------
    (len(holes) + number of paths,) object array; holes in table order, paths by rising number.
    """
    places = holes.spots()
    discs = Segments.straight(places, places).drawn(holes.diameter)
    if not len(slots):
        return discs
    cuts = slots.drawn(slots.diameter)
    of_path = rows_by(slots.path)
    paths = np.empty(len(of_path), dtype=object)
    for number, rows in enumerate(of_path.values()):
        paths[number] = cuts[rows[0]] if len(rows) == 1 else shapely.union_all(cuts[rows])
    return np.concatenate((discs, paths))


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
