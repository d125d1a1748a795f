"""What a Gerber file becomes: columns of graphic objects, apertures, attributes, problems."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Columns
from fabkit.base.findings import Finding, Severity, raise_for
from fabkit.base.units import CHORD_ERROR_MM, counted

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Attributes = Mapping[str, tuple[str, ...]]
"""Attribute name to its fields, unescaped; a name without fields maps to ``()``."""


class Kind(IntEnum):
    """Kinds of graphic objects (Gerber Layer Format Specification 2021.02, section 2.3)."""

    FLASH = 0
    DRAW = 1
    ARC = 2
    REGION = 3


@dataclass(frozen=True, slots=True, eq=False)
class Objects(Columns):
    """Graphic objects in file order, blocks and step-and-repeat expanded.

    Columns
    -------
    kind : int8
        See :class:`Kind`.
    x0, y0, x1, y1 : float64, mm
        Start and end; both the flash point for a flash, both nan for a region.
    cx, cy : float64, mm
        Centre of an arc; nan elsewhere.
    turn : int8
        As in :mod:`fabkit.geometry.arcs`; 0 for everything but arcs.
    aperture : int32
        Index into ``GerberFile.apertures``; -1 for a region.
    dark : bool
        True adds, False erases everything before it.
    pose : int32
        Index into ``GerberFile.poses``: how the aperture is mirrored, turned and scaled.
    attributes : int32
        Index into ``GerberFile.attribute_sets``: object attributes (for a region also its
        aperture attributes).
    first, last : int64
        A region's rows ``first:last`` in ``GerberFile.segments``; 0, 0 elsewhere.
    offset : int64
        Byte offset of the command that made the object.
    """

    kind: NDArray[np.int8]
    x0: NDArray[np.float64]
    y0: NDArray[np.float64]
    x1: NDArray[np.float64]
    y1: NDArray[np.float64]
    cx: NDArray[np.float64]
    cy: NDArray[np.float64]
    turn: NDArray[np.int8]
    aperture: NDArray[np.int32]
    dark: NDArray[np.bool_]
    pose: NDArray[np.int32]
    attributes: NDArray[np.int32]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    offset: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Segments(Columns):
    """Contour segments of all regions, in file order.

    Columns
    -------
    x0, y0, x1, y1, cx, cy, turn
        As in :mod:`fabkit.geometry.arcs`.
    contour : int32
        Number of the contour; equal for the consecutive segments of one contour.
    offset : int64
        Byte offset of the command.
    """

    x0: NDArray[np.float64]
    y0: NDArray[np.float64]
    x1: NDArray[np.float64]
    y1: NDArray[np.float64]
    cx: NDArray[np.float64]
    cy: NDArray[np.float64]
    turn: NDArray[np.int8]
    contour: NDArray[np.int32]
    offset: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pose:
    """Mirror about the Y axis (x changes sign), then turn, then scale (section 4.9).

    Mirroring in Y alone is mirroring in X and half a turn; in both it is half a turn.
    """

    mirror_x: bool = False
    rotation_deg: float = 0.0
    scale: float = 1.0


@dataclass(frozen=True, eq=False)
class Aperture:
    """One aperture, ready to flash.

    Parameters
    ----------
    code
        Its D number.
    template
        ``"C"``, ``"R"``, ``"O"``, ``"P"`` or the macro's name.
    parameters
        As written in AD; lengths in file units (see ``GerberFile.unit_mm``).
    diameter_mm
        Diameter of a solid standard circle, the only tool that strokes; None for all others.
    size_mm
        Width and height of the box of its shape at rest.
    attributes
        Aperture attributes attached when it was defined.
    offset
        Byte offset of its definition.
    builder
        Makes the shape at rest, centred on the flash point: ``builder(chord_error_mm)``.
    """

    code: int
    template: str
    parameters: tuple[float, ...]
    diameter_mm: float | None
    size_mm: tuple[float, float]
    attributes: Attributes
    offset: int
    builder: Any

    @cached_property
    def shape(self) -> BaseGeometry:
        """Its shape at rest in mm, built once."""
        return self.shape_at(CHORD_ERROR_MM)

    def shape_at(self, chord_error_mm: float) -> BaseGeometry:
        """Its shape at rest in mm, with the given chord error."""
        shape: BaseGeometry = self.builder(chord_error_mm)
        return shape

    @property
    def function(self) -> tuple[str, ...]:
        """Fields of its ``.AperFunction``; empty when it has none."""
        return self.attributes.get(".AperFunction", ())

    @property
    def label(self) -> str:
        """Its number and form in words: ``aperture D10, a rectangle``."""
        forms = {"C": "a circle", "R": "a rectangle", "O": "an obround", "P": "a polygon"}
        return f"aperture D{self.code}, {forms.get(self.template, f'macro {self.template}')}"


@dataclass(frozen=True, eq=False, repr=False)
class GerberFile:
    """A Gerber file as read.

    Parameters
    ----------
    name
        Member name.
    size_bytes
        Length of the file.
    objects, segments
        The image, in file order.
    apertures, poses, attribute_sets
        Tables that the columns point into.
    attributes
        File attributes.
    unit_mm
        25.4 for inch files, 1.0 for millimetre files.
    decimals
        Decimals of the coordinate format (X); coordinates are multiples of
        ``unit_mm / 10**decimals``.
    problems
        What the reader met.
    complete
        False when a limit or damage ended the reading early.
    """

    name: str
    size_bytes: int
    objects: Objects
    segments: Segments
    apertures: tuple[Aperture, ...]
    poses: tuple[Pose, ...]
    attribute_sets: tuple[Attributes, ...]
    attributes: Attributes
    unit_mm: float
    decimals: int
    problems: tuple[Finding, ...]
    complete: bool

    def __repr__(self) -> str:
        return f"<GerberFile {self.name}: {counted(len(self.objects), 'object')}>"

    @cached_property
    def image(self) -> BaseGeometry:
        """Union of everything dark less everything erased later, mm; built when first asked."""
        return self.image_at(CHORD_ERROR_MM)

    def image_at(self, chord_error_mm: float) -> BaseGeometry:
        """The image with the given chord error."""
        from fabkit.formats.gerber.shapes import compose

        return compose(self, chord_error_mm=chord_error_mm)

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Box of all dark objects, mm: min x, min y, max x, max y; all nan when empty."""
        from fabkit.formats.gerber.shapes import object_bounds

        return object_bounds(self)

    @property
    def function(self) -> tuple[str, ...]:
        """Fields of ``.FileFunction``; empty when it has none."""
        return self.attributes.get(".FileFunction", ())

    @property
    def has_nets(self) -> bool:
        """True when any object carries a net name."""
        return any(".N" in s for s in self.attribute_sets)

    def raise_for(self, severity: Severity) -> None:
        """Raise UnreadableInput when any problem is at least as severe."""
        raise_for(self.problems, severity)
