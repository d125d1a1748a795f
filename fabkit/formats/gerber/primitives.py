"""Shapes of apertures at rest: standard templates and macro primitives as polygons."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.geometry.contours import fill_nonzero
from fabkit.geometry.segments import Segments, circle_chords, unit_circle

Box = tuple[float, float, float, float]

MOST_RINGS: Final = 100


def disc(x: float, y: float, diameter: float, chord_error_mm: float) -> BaseGeometry:
    """Disc as a polygon of true area and box."""
    if diameter <= 0:
        return shapely.Polygon()
    ring = unit_circle(circle_chords(diameter, chord_error_mm=chord_error_mm))
    return shapely.Polygon(ring * (diameter / 2) + np.array((x, y)))


def turned(points: Floats, degrees: float) -> Floats:
    """Points turned about the origin; right angles exactly."""
    if degrees % 90 == 0:
        quarter = int(degrees // 90) % 4
        x, y = points[:, 0], points[:, 1]
        pairs = ((x, y), (-y, x), (-x, -y), (y, -x))
        return np.column_stack(pairs[quarter])
    angle = math.radians(degrees % 360)
    c, s = math.cos(angle), math.sin(angle)
    return np.column_stack(
        (points[:, 0] * c - points[:, 1] * s, points[:, 0] * s + points[:, 1] * c)
    )


def regular_polygon(x: float, y: float, diameter: float, vertices: int, degrees: float) -> Floats:
    """Vertices of a regular polygon; the first lies on +X of its centre before turning."""
    angle = np.arange(vertices) * (2 * np.pi / vertices)
    ring = np.column_stack((np.cos(angle), np.sin(angle))) * (diameter / 2)
    return turned(ring + np.array((x, y)), degrees) if degrees else ring + np.array((x, y))


@dataclass(frozen=True, slots=True)
class Primitive:
    """One primitive of a macro, in the file's unit.

    ========= ==================================================================
    kind      values
    ========= ==================================================================
    circle    diameter, x, y, rotation
    outline   x0, y0, x1, y1, ..., rotation
    polygon   vertices, x, y, diameter, rotation
    thermal   x, y, outer, inner, gap, rotation
    moire     x, y, outer, thickness, gap, rings, hair thickness, length, rotation
    ========= ==================================================================
    """

    kind: str
    on: bool
    values: tuple[float, ...]

    def shape(self, unit_mm: float, chord_error_mm: float) -> BaseGeometry:
        """Its area in mm."""
        v = self.values
        turn = v[-1]
        if self.kind == "circle":
            centre = turned(np.array([[v[1], v[2]]]) * unit_mm, turn)[0]
            return disc(float(centre[0]), float(centre[1]), v[0] * unit_mm, chord_error_mm)
        if self.kind == "outline":
            return fill_nonzero(turned(np.reshape(v[:-1], (-1, 2)) * unit_mm, turn))
        if self.kind == "polygon":
            ring = regular_polygon(v[1], v[2], v[3], int(v[0]), turn)
            return fill_nonzero(ring * unit_mm)
        if self.kind == "thermal":
            return _thermal(v, unit_mm, chord_error_mm)
        return _moire(v, unit_mm, chord_error_mm)

    def box(self, unit_mm: float) -> Box | None:
        """Its box in mm; None when only its shape knows."""
        v = self.values
        if self.kind == "circle":
            x, y = v[1] * unit_mm, v[2] * unit_mm
            if v[3] and (x or y):
                x, y = turned(np.array([[x, y]]), v[3])[0].tolist()
            r = v[0] * unit_mm / 2
            return (x - r, y - r, x + r, y + r) if r > 0 else None
        if self.kind == "outline":
            points = turned(np.reshape(v[:-1], (-1, 2)), v[-1]) * unit_mm
        elif self.kind == "polygon":
            points = regular_polygon(v[1], v[2], v[3], int(v[0]), v[-1]) * unit_mm
        else:
            return None
        low, high = points.min(axis=0), points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _thermal(v: tuple[float, ...], unit_mm: float, chord_error_mm: float) -> BaseGeometry:
    outer, inner, gap = (n * unit_mm for n in v[2:5])
    x, y = _centre(v, unit_mm)
    ring = disc(x, y, outer, chord_error_mm)
    if inner > 0:
        ring = ring.difference(disc(x, y, inner, chord_error_mm))
    if gap <= 0:
        return ring
    return ring.difference(_cross(v, unit_mm, 2 * outer, gap))


def _centre(v: tuple[float, ...], unit_mm: float) -> tuple[float, float]:
    # Circles are placed at the turned centre instead of being turned, which keeps boxes exact.
    x, y = turned(np.array([v[:2]]) * unit_mm, v[-1])[0].tolist()
    return x, y


def _cross(v: tuple[float, ...], unit_mm: float, length: float, thickness: float) -> BaseGeometry:
    x, y = v[0] * unit_mm, v[1] * unit_mm
    a, b = length / 2, thickness / 2
    cross = shapely.union_all(
        [shapely.box(x - a, y - b, x + a, y + b), shapely.box(x - b, y - a, x + b, y + a)]
    )
    turn = v[-1]
    crossed: BaseGeometry = shapely.transform(cross, lambda p: turned(p, turn))
    return crossed


def _moire(v: tuple[float, ...], unit_mm: float, chord_error_mm: float) -> BaseGeometry:
    outer, thickness, gap = (n * unit_mm for n in v[2:5])
    x, y = _centre(v, unit_mm)
    hair, length = v[6] * unit_mm, v[7] * unit_mm
    count = min(int(v[5]), MOST_RINGS)
    if gap == 0:  # rings that touch are one thick ring
        thickness, count = thickness * count, min(count, 1)
    rings: list[BaseGeometry] = []
    step = 2 * (thickness + gap)
    for k in range(count):
        diameter = outer - k * step
        if diameter <= 0:
            break
        ring = disc(x, y, diameter, chord_error_mm)
        if diameter > 2 * thickness:
            ring = ring.difference(disc(x, y, diameter - 2 * thickness, chord_error_mm))
        rings.append(ring)
    made: BaseGeometry = shapely.MultiPolygon(
        [ring for ring in rings if isinstance(ring, shapely.Polygon) and not ring.is_empty]
    )
    if hair > 0 and length > 0:
        made = made.union(_cross(v, unit_mm, length, hair))
    return made


@dataclass(frozen=True, slots=True)
class MacroShape:
    """Builder of a macro aperture's shape: primitives in order, those switched off cut out."""

    primitives: tuple[Primitive, ...]
    unit_mm: float

    def __call__(self, chord_error_mm: float) -> BaseGeometry:
        """Shape at rest, mm."""
        made: BaseGeometry = shapely.Polygon()
        for adding, run in groupby(self.primitives, key=lambda primitive: primitive.on):
            once = dict.fromkeys(run)  # the same again adds and cuts nothing more
            made = _join(made, [p.shape(self.unit_mm, chord_error_mm) for p in once], adding)
        return made

    def size(self, chord_error_mm: float) -> tuple[float, float]:
        """Width and height of its box, mm."""
        x0, y0, x1, y1 = math.inf, math.inf, -math.inf, -math.inf
        cuts: list[Box] = []
        plain = True
        for primitive in self.primitives:
            box = primitive.box(self.unit_mm)
            if box is None:
                plain = False
            elif primitive.on:
                x0, y0 = min(x0, box[0]), min(y0, box[1])
                x1, y1 = max(x1, box[2]), max(y1, box[3])
            else:
                cuts.append(box)
        # What is cut out well inside the box cannot move its sides.
        plain &= all(c[0] > x0 and c[1] > y0 and c[2] < x1 and c[3] < y1 for c in cuts)
        if plain:
            return max(x1 - x0, 0.0), max(y1 - y0, 0.0)
        shape = self(chord_error_mm)
        if shape.is_empty:
            return 0.0, 0.0
        low_x, low_y, high_x, high_y = shape.bounds
        return float(high_x - low_x), float(high_y - low_y)


def _join(made: BaseGeometry, run: list[BaseGeometry], adding: bool) -> BaseGeometry:
    if adding:
        return shapely.union_all([made, *run]) if not made.is_empty or len(run) > 1 else run[0]
    return made if made.is_empty else made.difference(shapely.union_all(run))


@dataclass(frozen=True, slots=True)
class StandardShape:
    """Builder of a standard aperture's shape, mm.

    Parameters
    ----------
    template
        ``"C"``, ``"R"``, ``"O"`` or ``"P"``.
    width, height
        Both the diameter for C and P.
    vertices, rotation
        Of a polygon.
    hole
        Diameter of a round hole, or width and height of a rectangular one, or nothing.
    """

    template: str
    width: float
    height: float
    vertices: int = 0
    rotation: float = 0.0
    hole: tuple[float, ...] = ()

    def outer(self, chord_error_mm: float) -> BaseGeometry:
        """Shape without its hole."""
        w, h = self.width, self.height
        if w <= 0 or h <= 0:
            return shapely.Polygon()
        if self.template == "C" or (self.template == "O" and w == h):
            return disc(0.0, 0.0, w, chord_error_mm)
        if self.template == "R":
            return shapely.box(-w / 2, -h / 2, w / 2, h / 2)
        if self.template == "P":
            return shapely.Polygon(regular_polygon(0.0, 0.0, w, self.vertices, self.rotation))
        x, y = max(w - h, 0) / 2, max(h - w, 0) / 2
        line = Segments.straight(np.array([[-x, -y]]), np.array([[x, y]]))
        shape: BaseGeometry = line.drawn(np.array([min(w, h)]), chord_error_mm=chord_error_mm)[0]
        return shape

    def __call__(self, chord_error_mm: float) -> BaseGeometry:
        """Shape at rest."""
        shape = self.outer(chord_error_mm)
        if not self.hole or shape.is_empty:
            return shape
        if len(self.hole) == 1:
            return shape.difference(disc(0.0, 0.0, self.hole[0], chord_error_mm))
        w, h = self.hole
        return shape.difference(shapely.box(-w / 2, -h / 2, w / 2, h / 2))
