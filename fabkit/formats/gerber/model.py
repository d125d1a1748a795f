"""What a Gerber file becomes: columns of graphic objects, apertures, attributes, problems."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import Finding, Severity, raise_for
from fabkit.base.units import CHORD_ERROR_MM, counted
from fabkit.geometry.segments import Placing, Segments

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
class Objects(Segments):
    """Graphic objects in file order, blocks and step-and-repeat expanded.

    Columns
    -------
    x0, y0, x1, y1, cx, cy, turn
        As in :class:`fabkit.geometry.segments.Segments`; start and end of a flash are the flash
        point, those of a region nan.
    kind : int8
        See :class:`Kind`.
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
    aperture: NDArray[np.int32]
    dark: Bools
    pose: NDArray[np.int32]
    attributes: NDArray[np.int32]
    first: Ints
    last: Ints
    offset: Ints


@dataclass(frozen=True, slots=True, eq=False)
class ContourSegments(Segments):
    """Contour segments of all regions, in file order.

    Columns
    -------
    x0, y0, x1, y1, cx, cy, turn
        As in :mod:`fabkit.geometry.segments`.
    contour : int32
        Number of the contour; equal for the consecutive segments of one contour.
    offset : int64
        Byte offset of the command.
    """

    contour: NDArray[np.int32]
    offset: Ints


@dataclass(frozen=True, slots=True, eq=False)
class RawObjects(Objects):
    """Objects before blocks and repeats are expanded.

    Columns
    -------
    aperture : int32
        ``-2 - k`` for block ``k``.
    attributes, aperture_set : int32
        Sets of object attributes and, for regions, of aperture attributes; -1 elsewhere.
    """

    aperture_set: NDArray[np.int32]

    def replaced(self, rows: Ints, by: RawObjects) -> RawObjects:
        """The same table with some rows exchanged."""
        order = np.arange(len(self))
        order[rows] = len(self) + np.arange(len(rows))
        return RawObjects.concat(self, by).take(order)


@dataclass(frozen=True, slots=True)
class Pose:
    """Mirror about the Y axis (x changes sign), then turn, then scale (section 4.9).

    Mirroring in Y alone is mirroring in X and half a turn; in both it is half a turn.
    """

    mirror_x: bool = False
    rotation_deg: float = 0.0
    scale: float = 1.0

    def placed(self, placing: Placing) -> Pose:
        """The pose of what is laid elsewhere as a whole."""
        turn = 90.0 * placing.quarter_turns
        if not placing.mirrored:
            return replace(self, rotation_deg=(turn + self.rotation_deg) % 360)
        # A mirror image of a turned shape is the mirrored shape turned the other way.
        rotation = (turn - self.rotation_deg) % 360
        return replace(self, mirror_x=not self.mirror_x, rotation_deg=rotation)

    def inside(self, outer: Pose) -> Pose:
        """Pose of something so posed inside something posed by ``outer``."""
        turn = -self.rotation_deg if outer.mirror_x else self.rotation_deg
        return Pose(
            outer.mirror_x != self.mirror_x,
            (outer.rotation_deg + turn) % 360.0,
            outer.scale * self.scale,
        )


@dataclass(frozen=True, slots=True)
class Poses:
    """The pose of each of many things, as columns."""

    mirror: Bools
    rotation_deg: Floats
    scale: Floats

    @classmethod
    def of(cls, poses: Sequence[Pose], rows: NDArray[np.int32]) -> Poses:
        """Poses picked by their rows in the table of poses."""
        return cls(
            np.array([p.mirror_x for p in poses])[rows],
            np.array([p.rotation_deg for p in poses])[rows],
            np.array([p.scale for p in poses])[rows],
        )

    def move(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Mirror, turn, then scale points about the origin; right angles exactly."""
        x = np.where(self.mirror, -x, x)
        angle = np.radians(self.rotation_deg)
        c, s = np.cos(angle), np.sin(angle)
        quarter = self.rotation_deg % 90 == 0
        c, s = np.where(quarter, np.round(c), c), np.where(quarter, np.round(s), s)
        return (x * c - y * s) * self.scale, (x * s + y * c) * self.scale


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
    segments: ContourSegments
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

    def placed(self, placing: Placing) -> GerberFile:
        """The same layer laid elsewhere: every object, contour and pose."""
        return replace(
            self,
            objects=self.objects.placed(placing),
            segments=self.segments.placed(placing),
            poses=tuple(pose.placed(placing) for pose in self.poses),
        )

    def raise_for(self, severity: Severity) -> None:
        """Raise UnreadableInput when any problem is at least as severe."""
        raise_for(self.problems, severity)
