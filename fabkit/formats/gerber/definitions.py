"""From apertures, posed as they are used, to the AD and AM commands that define them anew.

Mirroring, turning and scaling (LM, LR, LS) go into the definition, so that written files need
none of them: older readers pass over these commands and would make another image.  Templates stay
standard ones wherever these can say it; other shapes become macros of plain numbers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.units import format_number
from fabkit.formats.gerber.macros import (
    MOST_RINGS,
    MacroShape,
    Primitive,
    StandardShape,
)
from fabkit.formats.gerber.model import Aperture, Pose, posed

_NAME: Final = re.compile(r"[_$A-Za-z][._$A-Za-z0-9]{0,99}\Z", re.ASCII)
_FINE_MM: Final = 1e-4
_DIGITS: Final = 9


def number(value: float) -> str:
    """Write a size in mm or an angle: fine enough that reading gives it back."""
    return format_number(value, digits=_DIGITS)


class Definitions:
    """Gives each aperture its AD command, and each macro shape one AM command."""

    def __init__(self) -> None:
        self.macros: dict[str, str] = {}
        """AM command to macro name, in order of use."""
        self._bodies: dict[str, str] = {}

    def define(self, code: int, aperture: Aperture, pose: Pose) -> str:
        """AD command of an aperture that is mirrored, turned and scaled by ``pose``."""
        plain = _standard_text(aperture, pose)
        if not plain:
            body = "".join(_macro_words(aperture, pose))
            plain = self._macro(aperture.template, body) if body else "C,0"
        return f"%ADD{code}{plain}*%\n"

    def _macro(self, template: str, body: str) -> str:
        if body not in self._bodies:
            stem = template if len(template) > 1 and _NAME.match(template) else "SHAPE"
            name, count = stem, 1
            while name in self.macros:
                count += 1
                name = f"{stem}_{count}"
            self._bodies[body] = name
            self.macros[name] = f"%AM{name}*\n{body[:-1]}%\n"
        return self._bodies[body]


def _standard_text(aperture: Aperture, pose: Pose) -> str:
    """Template and parameters of AD; empty when no standard template makes the shape."""
    shape = aperture.builder
    if not isinstance(shape, StandardShape):
        return ""
    w, h = shape.width * pose.scale, shape.height * pose.scale
    if w <= 0 or h <= 0:
        return "C,0"
    if len(shape.hole) > 1 or not _holds(shape):
        return ""
    hole = "".join(f"X{number(d * pose.scale)}" for d in shape.hole)
    if shape.template == "C":
        return f"C,{number(w)}{hole}"
    if shape.template == "P":
        if not 3 <= shape.vertices <= 12:
            return ""
        first = 180 - shape.rotation if pose.mirror_x else shape.rotation
        turn = number((first + pose.rotation_deg) % 360)
        return (
            f"P,{number(w)}X{shape.vertices}" + (f"X{turn}" if turn != "0" or hole else "") + hole
        )
    if pose.rotation_deg % 90:
        return ""
    if pose.rotation_deg % 180:
        w, h = h, w
    return f"{shape.template},{number(w)}X{number(h)}{hole}"


def _holds(shape: StandardShape) -> bool:
    """Whether the round hole lies inside the shape, as section 4.4.6 wants it."""
    reach = min(shape.width, shape.height)
    if shape.template == "P" and shape.vertices:
        reach *= math.cos(math.pi / shape.vertices)
    return not shape.hole or shape.hole[0] < reach


def _macro_words(aperture: Aperture, pose: Pose) -> Iterator[str]:
    """Words of the macro that makes the posed shape; none when it leaves no image."""
    if aperture.shape.is_empty:
        return
    shape = aperture.builder
    primitives: tuple[Primitive, ...] | None = None
    unit_mm = 1.0
    if isinstance(shape, StandardShape):
        primitives = tuple(_primitives(shape))
    elif isinstance(shape, MacroShape):
        primitives, unit_mm = _modern(shape.primitives), shape.unit_mm
    if primitives is None:
        drawn = posed(aperture.shape_at(_FINE_MM), pose)
        yield from (_word(p) for p in _outlines(drawn))
        return
    for primitive in primitives:
        yield _word(_posed(primitive, pose, unit_mm))


def _outline(points: np.ndarray, *, on: bool = True) -> Primitive:
    return Primitive("outline", on, (*points.ravel().tolist(), 0.0))


def _primitives(shape: StandardShape) -> Iterator[Primitive]:
    """Make a standard shape of primitives, mm."""
    w, h = shape.width, shape.height
    if shape.template == "P":
        if shape.vertices <= 12:
            yield Primitive("polygon", True, (shape.vertices, 0.0, 0.0, w, shape.rotation))
        else:
            yield _outline(shapely.get_coordinates(shape.outer(_FINE_MM)))
    elif shape.template == "R":
        yield _outline(shapely.get_coordinates(shapely.box(-w / 2, -h / 2, w / 2, h / 2)))
    else:
        x, y = max(w - h, 0) / 2, max(h - w, 0) / 2
        narrow = min(w, h)
        yield Primitive("circle", True, (narrow, x, y, 0.0))
        if x or y:
            yield Primitive("circle", True, (narrow, -x, -y, 0.0))
            dx, dy = (x, narrow / 2) if x else (narrow / 2, y)
            yield _outline(shapely.get_coordinates(shapely.box(-dx, -dy, dx, dy)))
    if len(shape.hole) == 1:
        yield Primitive("circle", False, (shape.hole[0], 0.0, 0.0, 0.0))
    elif shape.hole:
        w, h = shape.hole
        hole = shapely.box(-w / 2, -h / 2, w / 2, h / 2)
        yield _outline(shapely.get_coordinates(hole), on=False)


def _modern(primitives: tuple[Primitive, ...]) -> tuple[Primitive, ...] | None:
    """Primitives with each moiré as rings and bars; None where only the whole shape can be told.

    The insides of rings must not erase what other primitives drew, so moirés go first, and a
    macro with another erasure, or with two moirés, cannot be rewritten piece by piece.
    """
    if any(p.kind == "thermal" and not _is_sound(p) for p in primitives):
        return None
    moires = [p for p in primitives if p.kind == "moire"]
    if not moires:
        return primitives
    if len(moires) > 1 or not all(p.on for p in primitives):
        return None
    rest = tuple(p for p in primitives if p.kind != "moire")
    return (*_rings(moires[0]), *rest)


def _is_sound(thermal: Primitive) -> bool:
    _, _, outer, inner, gap, _ = thermal.values
    return outer > inner >= 0 and 0 <= gap < outer / math.sqrt(2)


def _rings(moire: Primitive) -> Iterator[Primitive]:
    x, y, outer, thick, gap, rings, hair, length, turn = moire.values
    if gap == 0:  # rings that touch are one thick ring
        thick, rings = thick * rings, min(rings, 1)
    for k in range(min(int(rings), MOST_RINGS)):
        diameter = outer - 2 * k * (thick + gap)
        if diameter <= 0:
            break
        yield Primitive("circle", True, (diameter, x, y, turn))
        if diameter > 2 * thick:
            yield Primitive("circle", False, (diameter - 2 * thick, x, y, turn))
    if hair > 0 and length > 0:
        for dx, dy in ((length / 2, hair / 2), (hair / 2, length / 2)):
            box = shapely.box(x - dx, y - dy, x + dx, y + dy)
            yield Primitive("outline", True, (*shapely.get_coordinates(box).ravel(), turn))


def _outlines(shape: shapely.Geometry) -> Iterator[Primitive]:
    """Outlines that add up to an area: rims add and holes erase, larger areas first."""
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, shapely.Polygon)]
    # An island inside a hole is smaller than what surrounds it, so it is drawn after the hole.
    for part in sorted(parts, key=lambda p: -shapely.Polygon(p.exterior).area):
        yield _outline(shapely.get_coordinates(part.exterior))
        for ring in part.interiors:
            yield _outline(shapely.get_coordinates(ring), on=False)


def _posed(primitive: Primitive, pose: Pose, unit_mm: float) -> Primitive:
    """Primitive in mm, mirrored, turned and scaled about the macro's origin."""
    v, scale = primitive.values, pose.scale * unit_mm
    side = -1.0 if pose.mirror_x else 1.0
    turn = side * v[-1]
    made: tuple[float, ...]
    if primitive.kind == "circle":
        made = (v[0] * scale, side * v[1] * scale, v[2] * scale)
    elif primitive.kind == "outline":
        points = np.reshape(v[:-1], (-1, 2)) * (side * scale, scale)
        made = tuple(points.ravel().tolist())
    elif primitive.kind == "polygon":
        # Mirrored, its first vertex points to -X: the same as half a turn with the centre at -c.
        turn = 180 - v[-1] if pose.mirror_x else v[-1]
        made = (v[0], v[1] * scale, side * v[2] * scale, v[3] * scale)
    else:
        made = (side * v[0] * scale, v[1] * scale, *(n * scale for n in v[2:-1]))
    return Primitive(primitive.kind, primitive.on, (*made, (turn + pose.rotation_deg) % 360))


def _word(primitive: Primitive) -> str:
    """One word of an AM command."""
    v = primitive.values
    on = int(primitive.on)
    turn = number(v[-1])
    if primitive.kind == "circle":
        text = ",".join(map(number, v[:-1]))
        return f"1,{on},{text}*\n" if turn == "0" else f"1,{on},{text},{turn}*\n"
    if primitive.kind == "outline":
        points = list(map(number, v[:-1]))
        if points[:2] != points[-2:]:
            points += points[:2]
        pairs = ",\n".join(map(",".join, zip(points[::2], points[1::2], strict=True)))
        return f"4,{on},{len(points) // 2 - 1},\n{pairs},\n{turn}*\n"
    text = ",".join(map(number, v[:-1]))
    if primitive.kind == "polygon":
        return f"5,{on},{text},{turn}*\n"
    return f"7,{text},{turn}*\n"
