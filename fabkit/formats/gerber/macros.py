"""Aperture macros: templates whose primitives are computed when an aperture calls them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from fabkit.base.findings import Rule
from fabkit.base.limits import Limits
from fabkit.formats.gerber.expressions import ExpressionError, Node, evaluate, parse_expression
from fabkit.formats.gerber.primitives import MOST_RINGS, Primitive
from fabkit.formats.gerber.problems import (
    MACRO_EMPTY,
    MACRO_EXPRESSION,
    MACRO_MULTIPLY,
    MACRO_OLD,
    MACRO_OUTLINE,
    MACRO_PRIMITIVE,
    MACRO_SPELLING,
    MACRO_UNSET,
    MACRO_VARIABLE,
)

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
_LARGEST_MOIRE: Final = 2000.0
"""Rings a thousandth apart but kilometres wide cannot be computed with."""


@dataclass(frozen=True, slots=True)
class Statement:
    """``$target = value`` (``target`` > 0), or a primitive with its parameters."""

    target: int
    values: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Macro:
    """A template as the file defines it; ``broken`` says why it cannot be used."""

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
