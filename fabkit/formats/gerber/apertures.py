"""Apertures: made of AD commands (sections 4.3 and 4.4), and defined anew by AD and AM commands.

Mirroring, turning and scaling (LM, LR, LS) go into the new definition, so that written files need
none of them: older readers pass over these commands and would make another image.  Templates stay
standard ones wherever these can say it; other shapes become macros of plain numbers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.units import CHORD_ERROR_MM, format_number
from fabkit.formats.gerber.macros import (
    MACRO_EXPRESSION,
    ExpressionError,
    Macro,
    MacroShape,
    Note,
    Primitive,
    StandardShape,
    centred_box,
    evaluate_macro,
    size_of,
)
from fabkit.formats.gerber.model import Aperture, Attributes, Pose, posed
from fabkit.rules import load_rule

APERTURE_WRONG: Final = load_rule("gerber/aperture-wrong")
PARAMETER_COUNT: Final = load_rule("gerber/parameter-count")
SIZE_ZERO: Final = load_rule("gerber/size-zero")
HOLE_OUTSIDE: Final = load_rule("gerber/hole-outside")
HOLE_ZERO: Final = load_rule("gerber/hole-zero")
HOLE_RECTANGULAR: Final = load_rule("gerber/hole-rectangular")
VERTICES: Final = load_rule("gerber/vertices")
MACRO_UNKNOWN: Final = load_rule("gerber/macro-unknown")

_SHAPE_PARAMETERS: Final = {"C": 1, "R": 2, "O": 2, "P": 3}
_LARGEST = 1e9


def build_aperture(
    code: int,
    template: str,
    parameters: tuple[float, ...],
    *,
    macros: Mapping[str, Macro],
    unit_mm: float,
    attributes: Attributes,
    offset: int,
    note: Note,
) -> Aperture | None:
    """Make the aperture; None (and a note why) when it cannot be used."""
    name = f"aperture D{code}"
    if any(not abs(p) < _LARGEST for p in parameters):
        note(APERTURE_WRONG, f"{name} has an impossible size")
        return None
    diameter: float | None = None
    builder: StandardShape | MacroShape
    if template in _SHAPE_PARAMETERS:
        standard = _standard(name, template, parameters, unit_mm, note)
        if standard is None:
            return None
        builder = standard
        size = _standard_size(standard)
        if template == "C" and not standard.hole:
            diameter = standard.width
    else:
        macro = macros.get(template)
        if macro is None:
            note(MACRO_UNKNOWN, f"{name} calls the macro {template}, which is not defined")
            return None
        try:
            primitives = evaluate_macro(macro, parameters, note)
        except ExpressionError as error:
            note(MACRO_EXPRESSION, f"{name}, macro {template}: {error}")
            return None
        builder = MacroShape(tuple(primitives), unit_mm)
        size = builder.size(CHORD_ERROR_MM)
        if primitives and not all(math.isfinite(s) and s > 0 for s in size):
            note(SIZE_ZERO, f"{name} of macro {template} leaves no image")
    return Aperture(code, template, parameters, diameter, size, attributes, offset, builder)


def _standard_size(shape: StandardShape) -> tuple[float, float]:
    if shape.template != "P":
        return shape.width, shape.height
    return size_of(shape.outer(CHORD_ERROR_MM))


def _standard(
    name: str, template: str, parameters: tuple[float, ...], unit_mm: float, note: Note
) -> StandardShape | None:
    needed = _SHAPE_PARAMETERS[template] - (template == "P")
    if len(parameters) < needed:
        note(PARAMETER_COUNT, f"{name} of template {template} lacks parameters")
        return None
    first_hole = _SHAPE_PARAMETERS[template]
    holes = parameters[first_hole:]
    if len(holes) > 2:
        note(PARAMETER_COUNT, f"{name} of template {template} has too many parameters")
        holes = holes[:2]
    vertices, rotation = 0, 0.0
    width = parameters[0] * unit_mm
    height = parameters[1] * unit_mm if template in "RO" else width
    if template == "P":
        rotation = parameters[2] if len(parameters) > 2 else 0.0
        if not float(parameters[1]).is_integer() or not 3 <= parameters[1] <= 12:
            note(VERTICES, f"{name} has {parameters[1]:g} vertices")
            if not float(parameters[1]).is_integer() or not 3 <= parameters[1] <= 360:
                return None
        vertices = int(parameters[1])
    smallest = min(width, height)
    # Only a circle may have size 0 (section 4.3.2): it leaves no image but carries attributes.
    if smallest < 0 or (smallest == 0 and template != "C"):
        note(SIZE_ZERO, f"{name} has size {width:g} x {height:g} mm")
        width = height = 0.0
    shape = StandardShape(template, max(width, 0.0), max(height, 0.0), vertices, rotation)
    hole = _hole(name, shape, tuple(h * unit_mm for h in holes), note)
    return replace(shape, hole=hole)


def _hole(
    name: str, shape: StandardShape, hole: tuple[float, ...], note: Note
) -> tuple[float, ...]:
    if not hole:
        return ()
    if len(hole) == 2:
        note(HOLE_RECTANGULAR, f"{name} has a rectangular hole")
    if min(hole) <= 0:
        if min(hole) < 0:
            note(SIZE_ZERO, f"{name} has a hole of negative size")
        else:
            note(HOLE_ZERO, f"{name} has a hole of size 0")
        return ()
    if shape.width <= 0:
        return ()
    if len(hole) == 1:
        inside = shape.holds(hole[0])
    else:
        outer = shape.outer(CHORD_ERROR_MM)
        inside = bool(shapely.contains_properly(outer, centred_box(*hole)))
    if not inside:
        note(HOLE_OUTSIDE, f"the hole of {name} does not lie inside it")
    return hole


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
    if shape.hole and (len(shape.hole) > 1 or not shape.holds(shape.hole[0])):
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
        yield _outline(shapely.get_coordinates(centred_box(w, h)))
    else:
        x, y = max(w - h, 0) / 2, max(h - w, 0) / 2
        narrow = min(w, h)
        yield Primitive("circle", True, (narrow, x, y, 0.0))
        if x or y:
            yield Primitive("circle", True, (narrow, -x, -y, 0.0))
            sides = (2 * x, narrow) if x else (narrow, 2 * y)
            yield _outline(shapely.get_coordinates(centred_box(*sides)))
    if len(shape.hole) == 1:
        yield Primitive("circle", False, (shape.hole[0], 0.0, 0.0, 0.0))
    elif shape.hole:
        yield _outline(shapely.get_coordinates(centred_box(*shape.hole)), on=False)


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
    return (*moires[0].rings(), *rest)


def _is_sound(thermal: Primitive) -> bool:
    _, _, outer, inner, gap, _ = thermal.values
    return outer > inner >= 0 and 0 <= gap < outer / math.sqrt(2)


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
