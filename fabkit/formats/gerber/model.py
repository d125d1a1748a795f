"""What a Gerber file becomes: columns of graphic objects, apertures, attributes, and their areas.

Objects stay columns of lines and arcs; :func:`object_shapes` makes polygons of them, and
:func:`compose` the image that they make in file order, dark on clear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property
from typing import Final, Protocol

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by, run_starts
from fabkit.base.findings import Finding, Severity, raise_for
from fabkit.base.once import once_per
from fabkit.base.steps import step
from fabkit.base.units import CHORD_ERROR_MM, counted
from fabkit.geometry.areas import crowding, paint, pierce, swept, swept_straight, unite
from fabkit.geometry.contours import fill_crossed
from fabkit.geometry.segments import Placing, Segments, join_boxes, portions

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

    @property
    def stroked(self) -> Bools:
        """Which are draws or arcs."""
        return np.asarray((self.kind == Kind.DRAW) | (self.kind == Kind.ARC))

    def dark_rows(self, *kinds: Kind) -> Ints:
        """Rows of what draws, and does not erase, of some kinds."""
        return np.flatnonzero(np.isin(self.kind, kinds) & self.dark)


def nowhere(count: int) -> dict[str, Floats]:
    """Columns of so many objects that lie on no line of their own: regions."""
    return dict.fromkeys(("x0", "y0", "x1", "y1", "cx", "cy"), np.full(count, np.nan))


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


@dataclass(frozen=True, slots=True)
class Pose:
    """Mirror about the Y axis (x changes sign), then turn, then scale (section 4.9).

    Mirroring in Y alone is mirroring in X and half a turn; in both it is half a turn.
    """

    mirror_x: bool = False
    rotation_deg: float = 0.0
    scale: float = 1.0

    def placed(self, placing: Placing) -> Pose:
        """Pose what is laid elsewhere as a whole."""
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


class Builder(Protocol):
    """Makes the shape of an aperture at rest, mm, centred on the flash point."""

    def __call__(self, chord_error_mm: float) -> BaseGeometry:
        """Make the shape with this chord error."""
        ...


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
        Makes its shape.
    """

    code: int
    template: str
    parameters: tuple[float, ...]
    diameter_mm: float | None
    size_mm: tuple[float, float]
    attributes: Attributes
    offset: int
    builder: Builder

    @property
    @once_per
    def shape(self) -> BaseGeometry:
        """Its shape at rest in mm, built once."""
        return self.shape_at(CHORD_ERROR_MM)

    def shape_at(self, chord_error_mm: float) -> BaseGeometry:
        """Its shape at rest in mm, with the given chord error."""
        return self.builder(chord_error_mm)

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
        Tables that the columns point into; the first pose is at rest, the first set empty.
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
        """Name and size."""
        return f"<GerberFile {self.name}: {counted(len(self.objects), 'object')}>"

    @property
    @once_per
    def image(self) -> BaseGeometry:
        """Union of everything dark less everything erased later, mm; built when first asked.

        No cached property: up to Python 3.11 that has one lock for all files, and layers could
        not be drawn side by side.
        """
        return self.image_at(CHORD_ERROR_MM)

    def image_at(self, chord_error_mm: float) -> BaseGeometry:
        """Make the image with the given chord error."""
        with step(f"drawing {self.name} ({self.size_bytes:,} bytes)"):
            return compose(self, chord_error_mm=chord_error_mm)

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Box of all dark objects, mm: min x, min y, max x, max y; all nan when empty."""
        return join_boxes(object_boxes(self)[self.objects.dark]) or (np.nan,) * 4

    @property
    def function(self) -> tuple[str, ...]:
        """Fields of ``.FileFunction``; empty when it has none."""
        return self.attributes.get(".FileFunction", ())

    @property
    def has_nets(self) -> bool:
        """True when any object carries a net name."""
        return any(".N" in s for s in self.attribute_sets)

    def placed(self, placing: Placing) -> GerberFile:
        """Lay the layer elsewhere: every object, contour and pose."""
        return replace(
            self,
            objects=self.objects.placed(placing),
            segments=self.segments.placed(placing),
            poses=tuple(pose.placed(placing) for pose in self.poses),
        )

    def raise_for(self, severity: Severity) -> None:
        """Raise UnreadableInput when any problem is at least as severe."""
        raise_for(self.problems, severity)


def blank_layer() -> GerberFile:
    """Make a layer that draws nothing yet."""
    return GerberFile(
        name="",
        size_bytes=0,
        objects=Objects.empty(),
        segments=ContourSegments.empty(),
        apertures=(),
        poses=(Pose(),),
        attribute_sets=({},),
        attributes={},
        unit_mm=1.0,
        decimals=6,
        problems=(),
        complete=True,
    )


_NOTHING: Final = shapely.Polygon()

_MOST_CROWDING: Final = 20_000
"""Pairs of dark and clear objects that are worked on one by one, about."""

_CROWD: Final = 50_000
"""More objects are united square by square."""

_AT_ONCE: Final = 8_000
"""Objects of one square."""

_FINE_MM: Final = 1e-6


def posed(shape: BaseGeometry, pose: Pose) -> BaseGeometry:
    """Show a shape at rest as a pose does, still about the origin."""
    if pose == Pose():
        return shape

    def move(points: Floats) -> Floats:
        held = Poses.of([pose], np.zeros(len(points), np.int32))
        return np.column_stack(held.move(points[:, 0], points[:, 1]))

    moved: BaseGeometry = shapely.transform(shape, move)
    return moved


def object_shapes(
    file: GerberFile,
    rows: Ints | NDArray[np.int32] | Bools | None = None,
    *,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Shapes:
    """Area of each object, mm, whatever its polarity.

    Parameters
    ----------
    file
        As read.
    rows
        Index array or mask; all objects when None.
    chord_error_mm
        Largest distance between an arc and its chords.

    Returns
    -------
    (n,) object array of valid polygons or multipolygons; empty ones where an object leaves no
    image.
    """
    objects = file.objects
    chosen = np.arange(len(objects)) if rows is None else np.arange(len(objects))[rows]
    out = np.full(len(chosen), _NOTHING, dtype=object)
    kind = objects.kind[chosen]
    flashes = np.flatnonzero(kind == Kind.FLASH)
    out[flashes] = _flashes(file, chosen[flashes], chord_error_mm)
    lines = np.flatnonzero(objects.stroked[chosen])
    out[lines] = _strokes(file, chosen[lines], chord_error_mm)
    regions = np.flatnonzero(kind == Kind.REGION)
    if len(regions):
        row = chosen[regions]
        out[regions] = (
            filled_regions(file)[row]
            if chord_error_mm == CHORD_ERROR_MM
            else _regions(file, row, chord_error_mm)
        )
    return out


@once_per
def filled_regions(file: GerberFile) -> Shapes:
    """Area of each object that is a region, empty for the others, (n,) object array, mm.

    A pour costs more to fill than all other objects together, and the image, the tracing and
    the closeups all want it: filling it anew was half the time of keyboards with large pours.
    """
    out = np.full(len(file.objects), _NOTHING, dtype=object)
    rows = np.flatnonzero(file.objects.kind == Kind.REGION)
    out[rows] = _regions(file, rows, CHORD_ERROR_MM)
    return out


def _groups(aperture: NDArray[np.int32], pose: NDArray[np.int32]) -> list[tuple[int, int, Ints]]:
    """Rows of each pair of aperture and pose."""
    keys = aperture.astype(np.int64) << 32 | pose.astype(np.int64)
    return [(key >> 32, key & 0xFFFFFFFF, rows) for key, rows in rows_by(keys).items()]


def _flashes(file: GerberFile, rows: Ints, chord_error_mm: float) -> Shapes:
    out = np.full(len(rows), _NOTHING, dtype=object)
    objects = file.objects
    for aperture, pose, part in _groups(objects.aperture[rows], objects.pose[rows]):
        tool = file.apertures[aperture]
        at_rest = tool.shape if chord_error_mm == CHORD_ERROR_MM else tool.shape_at(chord_error_mm)
        shape = posed(at_rest, file.poses[pose])
        if shape.is_empty:
            continue
        corners = shapely.count_coordinates(shape)
        for some in portions(part, corners):
            at = np.column_stack((objects.x0[rows[some]], objects.y0[rows[some]]))
            copies = np.full(len(some), shape, dtype=object)
            shift = np.repeat(at, corners, axis=0)
            out[some] = shapely.transform(copies, lambda points, shift=shift: points + shift)
    return out


def pen_widths(file: GerberFile, rows: Ints) -> Floats:
    """Width of the strokes of draws and arcs, mm; nan where the tool is no solid circle."""
    objects = file.objects
    if not file.apertures:
        return np.full(len(rows), np.nan)
    diameters = np.array(
        [np.nan if a.diameter_mm is None else a.diameter_mm for a in file.apertures]
    )
    scales = np.array([p.scale for p in file.poses])
    widths: Floats = diameters[objects.aperture[rows]] * scales[objects.pose[rows]]
    return widths


def _strokes(file: GerberFile, rows: Ints, chord_error_mm: float) -> Shapes:
    out = np.full(len(rows), _NOTHING, dtype=object)
    if not len(rows):
        return out
    o = file.objects
    widths = pen_widths(file, rows)
    round_tool = np.flatnonzero(~np.isnan(widths))
    line = o.take(rows[round_tool])
    out[round_tool] = line.drawn(widths[round_tool], chord_error_mm=chord_error_mm)
    odd = np.flatnonzero(np.isnan(widths))
    if len(odd):
        out[odd] = _odd_strokes(file, rows[odd], chord_error_mm)
    return out


def _odd_strokes(file: GerberFile, rows: Ints, chord_error_mm: float) -> Shapes:
    """Strokes of tools that are no solid circle."""
    out = np.full(len(rows), _NOTHING, dtype=object)
    o = file.objects
    for aperture, pose, part in _groups(o.aperture[rows], o.pose[rows]):
        shape = posed(file.apertures[aperture].shape_at(chord_error_mm), file.poses[pose])
        if shape.is_empty:
            continue
        straight = o.kind[rows[part]] == Kind.DRAW
        lines = o.take(rows[part[straight]])
        out[part[straight]] = swept_straight(shape, lines.starts(), lines.ends())
        for k in part[~straight].tolist():
            out[k] = swept(shape, _path(file, rows[k], chord_error_mm))
    return out


def _path(file: GerberFile, row: int, chord_error_mm: float) -> Floats:
    """One draw or arc as points, its start included, (n, 2) float64, mm."""
    one = file.objects.take(np.array([row]))
    return np.vstack((one.starts(), one.flatten(chord_error_mm=chord_error_mm)[0]))


def contour_rings(
    file: GerberFile, first: int, last: int, chord_error_mm: float = CHORD_ERROR_MM
) -> tuple[Floats, Ints, Ints]:
    """Vertices of the contours in ``segments[first:last]``.

    Returns
    -------
    points : (m, 2) float64, mm
        Each contour starts with its first segment's start and is closed explicitly.
    ring : (m,) int64
        Number of the contour of each point, from 0.
    starts : (k,) int64
        First segment of each contour.
    """
    s = file.segments.take(slice(first, last))
    ends, offsets = s.flatten(chord_error_mm=chord_error_mm)
    fresh = run_starts(s.contour)
    bounds = np.append(fresh, last - first)
    counts = offsets[bounds[1:]] - offsets[bounds[:-1]]
    # One point in front of each contour (its start) and one behind (the same again).
    total = counts + 2
    base = np.cumsum(total) - total
    points = np.empty((int(total.sum()), 2))
    start = s.starts()[fresh]
    points[base] = start
    points[base + total - 1] = start
    inner = np.ones(len(points), bool)
    inner[base] = False
    inner[base + total - 1] = False
    points[inner] = ends
    return points, np.repeat(np.arange(len(fresh)), total), fresh + first


def _regions(file: GerberFile, rows: Ints, chord_error_mm: float) -> Shapes:
    out = np.full(len(rows), _NOTHING, dtype=object)
    objects = file.objects
    first, last = objects.first[rows], objects.last[rows]
    held = np.flatnonzero(last > first)
    if not len(held):
        return out
    low, high = int(first[held].min()), int(last[held].max())
    points, ring, starts = contour_rings(file, low, high, chord_error_mm)
    counts = np.bincount(ring)
    # A ring is three corners and its start again; what has fewer covers nothing.
    long = counts[ring] >= 4
    rings = np.full(len(starts), _NOTHING, dtype=object)
    drawable = np.flatnonzero(counts >= 4)
    renumber = np.cumsum(counts >= 4) - 1
    rings[drawable] = shapely.polygons(
        shapely.linearrings(points[long], indices=renumber[ring[long]])
    )
    bad = drawable[~shapely.is_valid(rings[drawable])]
    base = np.cumsum(counts) - counts
    for k in bad.tolist():
        rings[k] = fill_crossed(points[base[k] : base[k] + counts[k]])
    begin = np.searchsorted(starts, first)
    end = np.searchsorted(starts, last)
    single = np.flatnonzero((end - begin == 1) & (last > first))
    out[single] = rings[begin[single]]
    for k in np.flatnonzero((end - begin > 1) & (last > first)).tolist():
        out[k] = shapely.union_all(rings[begin[k] : end[k]])
    return out


def object_boxes(file: GerberFile) -> Floats:
    """Box of each object, mm.

    Returns
    -------
    (n, 4) float64
        min x, min y, max x, max y; nan where an object leaves no image.  Boxes of flashes and
        strokes with turned or odd-shaped tools come from the tool's own shape.
    """
    o = file.objects
    boxes = np.full((len(o), 4), np.nan)
    if not len(o):
        return boxes
    flashes = np.flatnonzero(o.kind == Kind.FLASH)
    for aperture, pose, part in _groups(o.aperture[flashes], o.pose[flashes]):
        at = flashes[part]
        low_x, low_y, high_x, high_y = _tool_box(file, aperture, pose)
        boxes[at] = np.column_stack(
            (o.x0[at] + low_x, o.y0[at] + low_y, o.x0[at] + high_x, o.y0[at] + high_y)
        )
    lines = np.flatnonzero(o.stroked)
    if len(lines):
        path = o.take(lines).boxes()
        for aperture, pose, part in _groups(o.aperture[lines], o.pose[lines]):
            boxes[lines[part]] = path[part] + np.array(_tool_box(file, aperture, pose))
    regions = np.flatnonzero((o.kind == Kind.REGION) & (o.last > o.first))
    if len(regions):
        each = file.segments.boxes()
        bounds = np.column_stack((o.first[regions], o.last[regions])).ravel()
        # reduceat takes no index at the end of a column: hence one row more.
        tail = np.vstack((each, each[-1:]))
        boxes[regions, :2] = np.minimum.reduceat(tail[:, :2], bounds)[::2]
        boxes[regions, 2:] = np.maximum.reduceat(tail[:, 2:], bounds)[::2]
    return boxes


def _tool_box(file: GerberFile, aperture: int, pose: int) -> tuple[float, float, float, float]:
    tool, held = file.apertures[aperture], file.poses[pose]
    if tool.diameter_mm is not None:
        r = tool.diameter_mm * held.scale / 2
        return (-r, -r, r, r) if r > 0 else (np.nan,) * 4
    # Turned circles are no longer exact at their extreme points, so look more closely.
    upright = held.rotation_deg % 90 == 0
    shape = posed(tool.shape if upright else tool.shape_at(_FINE_MM), held)
    box: tuple[float, float, float, float] = shape.bounds
    return box


def compose(file: GerberFile, *, chord_error_mm: float = CHORD_ERROR_MM) -> BaseGeometry:
    """Make the image: dark objects add, clear ones erase what came before them, in file order.

    Notes
    -----
    Only dark objects that a later clear one touches need the order; all others are simply
    united.  Of the touched ones, those with no erasure between them keep their own remainder:
    cutting later erasures out of them alone and uniting all remainders gives the same image as
    painting in order, because union and erasure both act point by point.
    """
    if len(file.objects) > _CROWD and file.objects.dark.all():
        return unite(_united_by_squares(file, chord_error_mm))
    shapes = object_shapes(file, chord_error_mm=chord_error_mm)
    dark = np.flatnonzero(file.objects.dark)
    clear = np.flatnonzero(~file.objects.dark)
    clear = clear[~shapely.is_empty(shapes[clear])]
    dark = dark[~shapely.is_empty(shapes[dark])]
    if len(clear) and crowding(shapes[dark], shapes[clear]) > _MOST_CROWDING:
        runs = np.split(np.arange(len(shapes)), run_starts(file.objects.dark)[1:])
        return paint([(bool(file.objects.dark[run[0]]), unite(shapes[run])) for run in runs])
    left = _erased(shapes, dark, clear) if len(clear) and len(dark) else shapes[dark]
    return unite(left[~shapely.is_empty(left)])


def _united_by_squares(file: GerberFile, chord_error_mm: float) -> Shapes:
    """Polygons of the unions of the objects in each square, (n,) object array.

    The shapes of all objects are never held at once: half a million discs take 230 MB.
    """
    box = object_boxes(file)
    drawn = np.flatnonzero(~np.isnan(box[:, 0]))
    x, y = (box[drawn, :2] + box[drawn, 2:]).T / 2
    # Columns of squares, each with as many objects.
    high = round((len(drawn) / _AT_ONCE) ** 0.5) * _AT_ONCE
    column = np.empty(len(drawn), dtype=np.int64)
    column[np.argsort(x, kind="stable")] = np.arange(len(drawn)) // max(high, _AT_ONCE)
    rows = drawn[np.lexsort((y, column))]
    made = []
    for some in np.split(rows, range(_AT_ONCE, len(rows), _AT_ONCE)):
        shapes = object_shapes(file, some, chord_error_mm=chord_error_mm)
        made.append(shapely.get_parts(unite(shapes[~shapely.is_empty(shapes)])))
    return np.concatenate(made)


def _erased(shapes: Shapes, dark: Ints, clear: Ints) -> Shapes:
    """Dark shapes less what clear shapes after them cover; those that lose the same are united."""
    tree = shapely.STRtree(shapes[clear])
    which, by = tree.query(shapes[dark], predicate="intersects")
    rows = np.unique(dark[which[clear[by] > dark[which]]])
    if not len(rows):
        return shapes[dark]
    # Letters are many strokes over the same erasures: cut one by one, each united these anew,
    # half of the time of a legend with a thousand of them.
    before = np.searchsorted(clear, rows)
    runs = np.split(rows, np.flatnonzero(np.diff(before)) + 1)
    united = [shapely.get_parts(unite(shapes[run])) for run in runs]
    parts = np.concatenate(united)
    since = np.repeat(np.unique(before), [len(some) for some in united])
    which, by = tree.query(parts, predicate="intersects")
    later = by >= since[which]
    which, by = which[later], by[later]
    order = np.lexsort((by, which))
    which, by = which[order], by[order]
    touched, first, counts = np.unique(which, return_index=True, return_counts=True)
    lone = counts == 1
    one = touched[lone]
    parts[one] = shapely.difference(parts[one], shapes[clear[by[first[lone]]]])
    for k in np.flatnonzero(~lone).tolist():
        cut = unite(shapes[clear[by[first[k] : first[k] + counts[k]]]])
        parts[touched[k]] = pierce(parts[touched[k]], cut)
    return np.concatenate((shapes[np.setdiff1d(dark, rows)], parts))
