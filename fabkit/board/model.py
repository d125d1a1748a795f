"""The board that will be made, in millimetres, seen from the top."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Columns
from fabkit.base.findings import Finding
from fabkit.base.results import Result
from fabkit.base.units import counted
from fabkit.board.edge import NO_EDGE, Edge
from fabkit.formats.gerber.model import GerberFile
from fabkit.package.model import Package, RoleKind, Side

if TYPE_CHECKING:
    from shapely.geometry import MultiPolygon
    from shapely.geometry.base import BaseGeometry

    from fabkit.board.copper import Copper
    from fabkit.board.panel import Panel


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
        The Gerber file; geometry is in ``file.image`` and ``fabkit.formats.gerber.shapes``.
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
class Holes(Columns):
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

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    diameter: NDArray[np.float64]
    plated: NDArray[np.int8]
    file: NDArray[np.int32]
    tool: NDArray[np.int32]
    first: NDArray[np.int16]
    last: NDArray[np.int16]
    function: NDArray[np.int32]
    offset: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class BoardSlots(Columns):
    """Slot segments of the board; segments of one routed path share ``path``.

    Columns as in :class:`Holes` with ``x0, y0, x1, y1, cx, cy, turn`` (see
    :mod:`fabkit.geometry.arcs`) in place of the centre, and ``path`` (unique on the board).
    """

    x0: NDArray[np.float64]
    y0: NDArray[np.float64]
    x1: NDArray[np.float64]
    y1: NDArray[np.float64]
    cx: NDArray[np.float64]
    cy: NDArray[np.float64]
    turn: NDArray[np.int8]
    diameter: NDArray[np.float64]
    plated: NDArray[np.int8]
    file: NDArray[np.int32]
    tool: NDArray[np.int32]
    first: NDArray[np.int16]
    last: NDArray[np.int16]
    function: NDArray[np.int32]
    path: NDArray[np.int32]
    offset: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One component, from component attributes or a placement table."""

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
    """Where it was read: ``component attributes``, ``placement table``."""


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
        What building the board met, after the package's own.
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
        made: bytes = import_module("fabkit.api.notebook").png_of(self)
        return made

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Box of the profile, else of copper and holes, mm."""
        from fabkit.board.extent import board_bounds

        return board_bounds(self)

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
        from fabkit.board.cutting import cut_shapes

        return cut_shapes(self.holes, self.slots)

    @cached_property
    def traced(self) -> Copper:
        """Pads, tracks and islands of all copper, found once."""
        from fabkit.board.copper import trace_copper

        return trace_copper(self)

    @cached_property
    def opening(self) -> BaseGeometry:
        """Union of all holes and slots, mm."""
        import shapely

        return shapely.union_all(self.hole_shapes)
