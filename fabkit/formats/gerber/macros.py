"""Aperture macros (section 4.5): expressions, primitives and the shapes they make.

A macro is kept as parsed and evaluated anew for each aperture that calls it, because its
parameters and variables differ.  A primitive keeps its numbers in the file's unit until its area
is asked for.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.base.findings import Rule
from fabkit.base.limits import Limits
from fabkit.geometry.areas import paint, polygons_of
from fabkit.geometry.contours import fill_nonzero
from fabkit.geometry.segments import Segments, circle_chords, join_boxes, unit_circle
from fabkit.rules import load_rule

MACRO_EMPTY: Final = load_rule("gerber/macro-empty")
MACRO_PRIMITIVE: Final = load_rule("gerber/macro-primitive")
MACRO_EXPRESSION: Final = load_rule("gerber/macro-expression")
MACRO_MULTIPLY: Final = load_rule("gerber/macro-multiply")
MACRO_SPELLING: Final = load_rule("gerber/macro-spelling")
MACRO_VARIABLE: Final = load_rule("gerber/macro-variable")
MACRO_UNSET: Final = load_rule("gerber/macro-variable-unset")
MACRO_OLD: Final = load_rule("gerber/macro-deprecated")
MACRO_OUTLINE: Final = load_rule("gerber/macro-outline")

_TOKEN = re.compile(r"\$\d+|\d+\.?\d*|\.\d+|[-+xX/()]")

Report = Callable[[str, str], None]
"""Called with ``"spelling"`` or ``"unset"`` and a sentence."""

Node = float | int | tuple[str, "Node", "Node"]
"""A number, a variable (int), or an operator with two operands."""

_LONGEST: Final = 100_000


class ExpressionError(ValueError):
    """The text is no expression, or its value does not exist."""


@dataclass(slots=True)
class _Parser:
    text: str
    depth_limit: int
    report: Report
    tokens: list[str] = field(default_factory=list)
    at: int = 0

    def parse(self) -> Node:
        if len(self.text) > _LONGEST:
            raise ExpressionError("the expression is too long")
        self.tokens = _TOKEN.findall(self.text)
        if "".join(self.tokens) != self.text or not self.tokens:
            raise ExpressionError(f"'{self.text[:40]}' is no expression")
        node = self._sum(0)
        if self.at != len(self.tokens):
            raise ExpressionError(f"'{self.text[:40]}' is no expression")
        return node

    def _peek(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def _sum(self, depth: int) -> Node:
        if depth > self.depth_limit:
            raise ExpressionError(f"more than {self.depth_limit} nested parentheses")
        node: Node
        if self._peek() in ("+", "-"):
            sign = self._take()
            node = self._product(depth)
            if sign == "-":
                node = -node if isinstance(node, float) else ("-", 0.0, node)
        else:
            node = self._product(depth)
        while self._peek() in ("+", "-"):
            operator = self._take()
            node = (operator, node, self._product(depth))
        return node

    def _product(self, depth: int) -> Node:
        node = self._operand(depth)
        while self._peek() in ("x", "X", "/"):
            operator = self._take()
            if operator == "X":
                self.report("multiply", "upper-case X as multiplication sign")
                operator = "x"
            node = (operator, node, self._operand(depth))
        return node

    def _operand(self, depth: int) -> Node:
        part = self._take()
        sign = 1.0
        while part in ("+", "-"):
            self.report("spelling", "a sign behind an operator")
            sign = -sign if part == "-" else sign
            part = self._take()
        node: Node
        if part == "(":
            node = self._sum(depth + 1)
            if self._take() != ")":
                raise ExpressionError(f"'{self.text[:40]}' lacks a closing parenthesis")
        elif part.startswith("$"):
            if part.startswith("$0"):
                self.report("spelling", "a variable number with leading zeros")
            node = int(part[1:][:9])
        elif part and part[0] in ".0123456789":
            node = float(part)
        else:
            raise ExpressionError(f"'{self.text[:40]}' is no expression")
        if sign > 0:
            return node
        return -node if isinstance(node, float) else ("-", 0.0, node)

    def _take(self) -> str:
        token = self._peek()
        self.at += 1
        return token


def parse_expression(text: str, *, depth_limit: int, report: Report) -> Node:
    """Turn text into a tree.

    Raises
    ------
    ExpressionError
        When it is no expression, or nested more deeply than ``depth_limit``.
    """
    try:
        return (
            float(text)
            if text.replace(".", "", 1).isdecimal()
            else _Parser(text, depth_limit, report).parse()
        )
    except ValueError as error:
        raise ExpressionError(str(error)) from error


def evaluate(node: Node, variables: Mapping[int, float], report: Report) -> float:
    """Value of a tree.

    Raises
    ------
    ExpressionError
        On division by zero or overflow.
    """
    # Long sums nest to the left without parentheses, so the tree is walked with a stack.
    todo: list[Node | str] = [node]
    values: list[float] = []
    while todo:
        item = todo.pop()
        if isinstance(item, tuple):
            todo += (item[0], item[2], item[1])
        elif isinstance(item, str):
            right, left = values.pop(), values.pop()
            values.append(_apply(item, left, right))
        elif isinstance(item, float):
            values.append(item)
        else:
            if item not in variables:
                report("unset", f"${item} has no value")
            values.append(variables.get(item, 0.0))
    if not abs(values[0]) < 1e15:
        raise ExpressionError("the value is too large")
    return values[0]


def _apply(operator: str, left: float, right: float) -> float:
    if operator == "+":
        return left + right
    if operator == "-":
        return left - right
    if operator == "x":
        return left * right
    if right == 0:
        raise ExpressionError("division by zero")
    return left / right


Box = tuple[float, float, float, float]

MOST_RINGS: Final = 100

_LONG: Final = 5_000
"""Corners of a macro that takes more than ten milliseconds to make."""


def disc(x: float, y: float, diameter: float, chord_error_mm: float) -> BaseGeometry:
    """Disc as a polygon of true area and box."""
    if diameter <= 0:
        return shapely.Polygon()
    ring = unit_circle(circle_chords(diameter, chord_error_mm=chord_error_mm))
    return shapely.Polygon(ring * (diameter / 2) + np.array((x, y)))


def centred_box(width: float, height: float) -> BaseGeometry:
    """Box about the origin."""
    return shapely.box(-width / 2, -height / 2, width / 2, height / 2)


def size_of(shape: BaseGeometry) -> tuple[float, float]:
    """Width and height of the box of a shape; 0 where it is empty."""
    if shape.is_empty:
        return 0.0, 0.0
    x0, y0, x1, y1 = shape.bounds
    return float(x1 - x0), float(y1 - y0)


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
        return _moire(self, unit_mm, chord_error_mm)

    def corners(self, unit_mm: float) -> int:
        """How many corners its shape is made of."""
        v = self.values
        if self.kind == "circle":
            return circle_chords(v[0] * unit_mm)
        if self.kind == "outline":
            return len(v) // 2
        if self.kind == "polygon":
            return int(v[0])
        if self.kind == "thermal":
            return 2 * circle_chords(v[2] * unit_mm)
        return sum(p.corners(unit_mm) for p in self.rings())

    def rings(self) -> Iterator[Primitive]:
        """Circles and bars that make a moiré, in order: the inside of each ring is cut out."""
        x, y, outer, thick, gap, rings, hair, length, turn = self.values
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
        elif self.kind == "moire" and v[3] > 0:  # the largest of its rings is its edge
            return join_boxes(b for p in self.rings() if p.on and (b := p.box(unit_mm)))
        else:
            return None
        low, high = points.min(axis=0), points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _thermal(v: tuple[float, ...], unit_mm: float, chord_error_mm: float) -> BaseGeometry:
    outer, inner, gap = (n * unit_mm for n in v[2:5])
    # Circles are placed at the turned centre instead of being turned, which keeps boxes exact.
    x, y = turned(np.array([v[:2]]) * unit_mm, v[-1])[0].tolist()
    ring = disc(x, y, outer, chord_error_mm)
    if inner > 0:
        ring = ring.difference(disc(x, y, inner, chord_error_mm))
    if gap <= 0:
        return ring
    # Longer than the ring is wide, so that the gaps surely cut through its rim.
    return ring.difference(_cross(v, unit_mm, 2 * outer, gap))


def _moire(moire: Primitive, unit_mm: float, chord_error_mm: float) -> BaseGeometry:
    # Circles with as many chords do not cross where rings are thinner than a chord is deep.
    chords = circle_chords(moire.values[2] * unit_mm, chord_error_mm=chord_error_mm)
    centre = turned(np.array([moire.values[:2]]) * unit_mm, moire.values[-1])
    rings: list[BaseGeometry] = []
    bars: list[BaseGeometry] = []
    for p in moire.rings():
        if p.kind == "outline":
            bars.append(p.shape(unit_mm, chord_error_mm))
            continue
        area = shapely.Polygon(unit_circle(chords) * (p.values[0] * unit_mm / 2) + centre)
        if p.on:
            rings.append(area)
        else:  # the inside of the ring before it
            rings[-1] = rings[-1].difference(area)
    # Rings lie apart: united, each would be sorted with all others.
    whole: BaseGeometry = shapely.union_all(
        [shapely.multipolygons(polygons_of(np.array(rings))), *bars]
    )
    return whole


def _cross(v: tuple[float, ...], unit_mm: float, length: float, thickness: float) -> BaseGeometry:
    x, y = v[0] * unit_mm, v[1] * unit_mm
    a, b = length / 2, thickness / 2
    cross = shapely.union_all(
        [shapely.box(x - a, y - b, x + a, y + b), shapely.box(x - b, y - a, x + b, y + a)]
    )
    turn = v[-1]
    crossed: BaseGeometry = shapely.transform(cross, lambda p: turned(p, turn))
    return crossed


@dataclass(frozen=True, slots=True)
class MacroShape:
    """Builder of a macro aperture's shape: primitives in order, those switched off cut out."""

    primitives: tuple[Primitive, ...]
    unit_mm: float

    def __call__(self, chord_error_mm: float) -> BaseGeometry:
        """Shape at rest, mm."""
        layers = []
        # Order matters only between adding and cutting, so each run of one kind is one union.
        for adding, run in groupby(self.primitives, key=lambda primitive: primitive.on):
            once = dict.fromkeys(run)  # the same again adds and cuts nothing more
            shapes = [p.shape(self.unit_mm, chord_error_mm) for p in once]
            layers.append((adding, shapely.union_all(shapes) if len(shapes) > 1 else shapes[0]))
        return paint(layers)

    @property
    def corners(self) -> int:
        """Corners that making it sorts: joined by halves, each takes part once in every round."""
        runs = sum(1 for _ in groupby(self.primitives, key=lambda primitive: primitive.on))
        return runs.bit_length() * sum(p.corners(self.unit_mm) for p in self.primitives)

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
        # The shape of a long macro is made once it is drawn: a file may define thousands of them.
        if plain or (x0 < x1 and self.corners > _LONG):
            return max(x1 - x0, 0.0), max(y1 - y0, 0.0)
        return size_of(self(chord_error_mm))


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

    def holds(self, diameter: float) -> bool:
        """Whether a round hole lies inside the shape, as section 4.4.6 wants it."""
        reach = min(self.width, self.height)
        if self.template == "P" and self.vertices:
            # The middle of a side is nearer to the centre than the corners, which give the width.
            reach *= math.cos(math.pi / self.vertices)
        return diameter < reach

    def outer(self, chord_error_mm: float) -> BaseGeometry:
        """Shape without its hole."""
        w, h = self.width, self.height
        if w <= 0 or h <= 0:
            return shapely.Polygon()
        if self.template == "C" or (self.template == "O" and w == h):
            return disc(0.0, 0.0, w, chord_error_mm)
        if self.template == "R":
            return centred_box(w, h)
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
        return shape.difference(centred_box(*self.hole))


Note = Callable[[Rule, str], None]
"""Called with a rule and a sentence for each thing wrong."""

_COUNTS = {
    1: (4, 5),
    20: (7, 7),
    2: (7, 7),
    21: (6, 6),
    22: (6, 6),
    5: (6, 6),
    7: (6, 6),
    6: (9, 9),
}
_NAMES = {
    1: "circle",
    2: "vector line",
    20: "vector line",
    21: "centre line",
    22: "lower-left line",
    4: "outline",
    5: "polygon",
    6: "moiré",
    7: "thermal",
}
_MOST_VERTICES = 5000
"""Of an outline (section 4.5.1.6)."""
_LARGEST_MOIRE: Final = 2000.0
"""Rings a thousandth apart but kilometres wide cannot be computed with."""


@dataclass(frozen=True, slots=True)
class Statement:
    """``$target = value`` (``target`` > 0), or a primitive with its parameters."""

    target: int
    values: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Macro:
    """A template as the file defines it; ``broken`` gives the reason why it cannot be used."""

    name: str
    statements: tuple[Statement, ...]
    broken: str = ""


_REPORTED: Final = {"spelling": MACRO_SPELLING, "multiply": MACRO_MULTIPLY}


def _reporter(note: Note, name: str) -> Callable[[str, str], None]:
    def report(what: str, text: str) -> None:
        note(_REPORTED.get(what, MACRO_UNSET), f"macro {name}: {text}")

    return report


def parse_macro(name: str, words: Sequence[str], *, limits: Limits, note: Note) -> Macro:
    """Read the words of an AM command behind its name."""
    report = _reporter(note, name)
    statements: list[Statement] = []
    for word in words:
        text = word.strip()
        if not text or text == "0" or text.startswith(("0 ", "0,")):
            continue
        if " " in text:
            report("spelling", "spaces inside")
            text = text.replace(" ", "")
        try:
            statements.append(_parse_statement(text, limits, report))
        except ExpressionError as error:
            note(MACRO_EXPRESSION, f"macro {name}: {error}")
            return Macro(name, (), broken=str(error))
        if len(statements) > limits.macro_primitives:
            note(MACRO_EXPRESSION, f"macro {name}: more than {limits.macro_primitives} statements")
            return Macro(name, (), broken="too many statements")
    if not statements:
        note(MACRO_EMPTY, f"macro {name} draws nothing")
    return Macro(name, tuple(statements))


def _parse_statement(text: str, limits: Limits, report: Callable[[str, str], None]) -> Statement:
    depth = limits.macro_depth
    if text.startswith("$"):
        target, equals, value = text.partition("=")
        if not equals or not target[1:].isdecimal():
            raise ExpressionError(f"'{text[:40]}' is no definition")
        node = parse_expression(value, depth_limit=depth, report=report)
        return Statement(int(target[1:][:9]), (node,))
    fields = text.split(",")
    if fields[-1] == "":
        report("spelling", "a comma at the end of a primitive")
        fields.pop()
    nodes = tuple(parse_expression(f, depth_limit=depth, report=report) for f in fields)
    return Statement(0, nodes)


def evaluate_macro(macro: Macro, parameters: Sequence[float], note: Note) -> list[Primitive]:
    """Primitives of ``macro`` called with ``parameters``, in the file's unit.

    Raises
    ------
    ExpressionError
        When a value cannot be computed; the aperture is then unusable.
    """
    if macro.broken:
        raise ExpressionError(macro.broken)
    report = _reporter(note, macro.name)
    variables = dict(enumerate(parameters, start=1))
    out: list[Primitive] = []
    for statement in macro.statements:
        values = [evaluate(v, variables, report) for v in statement.values]
        if statement.target:
            if statement.target in variables:
                note(MACRO_VARIABLE, f"macro {macro.name} sets ${statement.target} again")
            variables[statement.target] = values[0]
            continue
        primitive = _make_primitive(macro.name, values, note)
        if primitive is not None:
            out.append(primitive)
    return out


def _make_primitive(name: str, values: list[float], note: Note) -> Primitive | None:
    code = int(values[0]) if values[0].is_integer() else -1
    if code not in _NAMES:
        note(MACRO_PRIMITIVE, f"macro {name} calls the unknown primitive {values[0]:g}")
        return None
    rest = values[1:]

    def wrong(text: str) -> None:
        note(MACRO_PRIMITIVE, f"macro {name}: {_NAMES[code]} {text}")

    if code in (2, 22, 6):
        note(MACRO_OLD, f"macro {name} uses the deprecated {_NAMES[code]} (code {code})")
    if code == 4:
        return _make_outline(name, rest, note)
    fewest, most = _COUNTS[code]
    if not fewest <= len(rest) <= most:
        wrong(f"has {len(rest)} parameters instead of {most}")
        if len(rest) < fewest - 1:
            return None
        rest = [*rest, 0.0][:most]  # only a rotation can be missing: it stands last
    # Neither has an exposure: a thermal is always on (section 4.5.1.8), and so is a moiré.
    if code in (6, 7):
        return _make_ringed(code, rest, wrong)
    exposure, *rest = rest
    if exposure not in (0.0, 1.0):
        wrong(f"has exposure {exposure:g}")
    on = exposure != 0
    if code == 1:
        if rest[0] < 0:
            wrong("has a negative diameter")
            return None
        return Primitive("circle", on, (*rest, 0.0)[:4])
    return _make_polygon(on, rest, wrong) if code == 5 else _make_line(code, on, rest, wrong)


def _make_polygon(on: bool, rest: list[float], wrong: Callable[[str], None]) -> Primitive | None:
    vertices = rest[0]
    if not vertices.is_integer() or not 3 <= vertices <= 12:
        wrong(f"has {vertices:g} vertices")
        if not vertices.is_integer() or not 3 <= vertices <= 360:
            return None
    if rest[3] < 0:
        wrong("has a negative diameter")
        return None
    return Primitive("polygon", on, tuple(rest))


def _make_line(
    code: int, on: bool, rest: list[float], wrong: Callable[[str], None]
) -> Primitive | None:
    """Codes 20, 21, 22 as one: four corners and a rotation."""
    if rest[0] < 0 or (code in (21, 22) and rest[1] < 0):
        wrong("has a negative size")
        return None
    if code in (20, 2):
        width, x0, y0, x1, y1, turn = rest
        length = math.hypot(x1 - x0, y1 - y0)
        if length == 0:
            return None
        nx, ny = -(y1 - y0) / length * width / 2, (x1 - x0) / length * width / 2
        corners = (x0 - nx, y0 - ny, x1 - nx, y1 - ny, x1 + nx, y1 + ny, x0 + nx, y0 + ny)
    else:
        width, height, x, y, turn = rest
        if code == 21:
            x, y = x - width / 2, y - height / 2
        corners = (x, y, x + width, y, x + width, y + height, x, y + height)
    return Primitive("outline", on, (*corners, turn))


def _make_ringed(code: int, rest: list[float], wrong: Callable[[str], None]) -> Primitive | None:
    if code == 7:
        _, _, outer, inner, gap, _ = rest
        if outer <= inner or inner < 0 or gap < 0:
            wrong(f"has outer {outer:g}, inner {inner:g}, gap {gap:g}")
        elif gap >= outer / math.sqrt(2):
            wrong(f"has gap {gap:g}, which leaves nothing of outer {outer:g}")
        return Primitive("thermal", True, tuple(rest)) if outer > max(inner, 0) else None
    _, _, outer, thickness, gap, rings, hair, length, _ = rest
    if min(outer, thickness, gap, rings, hair, length) < 0 or not rings.is_integer():
        wrong("has a negative size or a broken ring count")
        return None
    if max(outer, length) > _LARGEST_MOIRE:
        wrong(f"is {max(outer, length):g} wide, larger than any board")
        return None
    if rings > MOST_RINGS:
        wrong(f"asks for {rings:g} rings; {MOST_RINGS} are drawn")
    return Primitive("moire", True, tuple(rest))


def _make_outline(name: str, rest: list[float], note: Note) -> Primitive | None:
    def wrong(text: str) -> None:
        note(MACRO_PRIMITIVE, f"macro {name}: outline {text}")

    if len(rest) < 3:
        wrong("has too few parameters")
        return None
    exposure, count = rest[0], rest[1]
    if exposure not in (0.0, 1.0):
        wrong(f"has exposure {exposure:g}")
    if not count.is_integer() or not 3 <= count <= _MOST_VERTICES:
        wrong(f"has {count:g} vertices")
        if not count.is_integer() or not count >= 2:
            return None
    points = int(min(count, len(rest))) + 1
    numbers = rest[2:]
    if len(numbers) != 2 * points + 1:
        wrong(f"has {len(numbers)} numbers instead of {2 * points + 1}")
        if len(numbers) == 2 * points:
            numbers = [*numbers, 0.0]
        elif len(numbers) < 2 * points:
            return None
        numbers = numbers[: 2 * points + 1]
    if numbers[:2] != numbers[-3:-1]:
        note(MACRO_OUTLINE, f"macro {name}: an outline does not end where it starts")
    return Primitive("outline", exposure != 0, tuple(numbers))
