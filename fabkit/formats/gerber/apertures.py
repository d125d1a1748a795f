"""From an AD command to an aperture (sections 4.3 and 4.4)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import shapely

from fabkit.base.units import CHORD_ERROR_MM
from fabkit.formats.gerber.macros import (
    ExpressionError,
    Macro,
    MacroShape,
    Note,
    StandardShape,
    evaluate_macro,
)
from fabkit.formats.gerber.model import Aperture, Attributes
from fabkit.formats.gerber.problems import (
    APERTURE_WRONG,
    HOLE_OUTSIDE,
    HOLE_RECTANGULAR,
    HOLE_ZERO,
    MACRO_EXPRESSION,
    MACRO_UNKNOWN,
    PARAMETER_COUNT,
    SIZE_ZERO,
    VERTICES,
)

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
    outer = shape.outer(CHORD_ERROR_MM)
    if outer.is_empty:
        return 0.0, 0.0
    x0, y0, x1, y1 = outer.bounds
    return float(x1 - x0), float(y1 - y0)


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
    return StandardShape(template, shape.width, shape.height, vertices, rotation, hole)


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
        reach = min(shape.width, shape.height) / 2
        if shape.template == "P":
            # The middle of a side is nearer to the centre than the corners, which give the width.
            reach = shape.width / 2 * math.cos(math.pi / shape.vertices)
        inside = hole[0] / 2 < reach
    else:
        w, h = hole
        outer = shape.outer(CHORD_ERROR_MM)
        inside = bool(shapely.contains_properly(outer, shapely.box(-w / 2, -h / 2, w / 2, h / 2)))
    if not inside:
        note(HOLE_OUTSIDE, f"the hole of {name} does not lie inside it")
    return hole
