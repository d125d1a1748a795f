"""Write drill files: columns of hits and slots in, an XNC program out.

Millimetres with a decimal point, one tool for each size and use, holes in the order of the tools,
attributes as comments of the form ``; #@! TF...``.  The same columns give the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Ints
from fabkit.base.errors import UnreadableInput
from fabkit.base.units import INCH_MM, counted, format_number
from fabkit.formats.drill.model import DrillFile, Slots, Tool
from fabkit.formats.gerber.model import Attributes
from fabkit.formats.gerber.standard import escape
from fabkit.formats.gerber.writer import in_mm
from fabkit.geometry.segments import Segments

_DIGITS: Final = (3, 4, 5, 6)
"""Decimals of coordinates; the fewest that say all of them are written."""
_WORDS: Final = {True: ("Plated", "PTH"), False: ("NonPlated", "NPTH")}
"""How attributes state whether holes are plated: the kind, and the label that follows it."""
_LONGEST_SWEEP: Final = 2 * math.pi / 3
"""Longer arcs are cut: near half a turn, radians, a radius hardly fixes the centre."""


def write_drill(file: DrillFile) -> bytes:
    """Write the holes and slots as an XNC program.

    Parameters
    ----------
    file
        As read, or as made.  Tools that make no hole are left out, tools of one size and use are
        one, and a large round opening (G84, G32, G33) becomes a hole of its finished diameter.

    Raises
    ------
    UnreadableInput
        Holes without a diameter.

    Notes
    -----
    Files of mixed plating are written as such (``MixedPlating``); :func:`split_plating` takes
    them apart.  Arcs of more than a third of a turn are written as several.
    """
    tools = _Tools(file)
    digits = _digits(file)
    held = _Held()
    out = ["M48\n", *_file_attributes(file), "METRIC\n", *tools.header(), "%\nG05\n"]
    for number, rows in tools.numbers.items():
        out.append(f"T{number}\n")
        out += _hits(file, rows, digits, held)
        out += _slots(file, rows, digits, held)
    return "".join([*out, "M30\n"]).encode()


def split_plating(file: DrillFile, *, layers: int) -> tuple[DrillFile, ...]:
    """Give the plated holes, those not plated and those of unknown plating as files of their own.

    Parameters
    ----------
    layers
        Copper layers of the board, for files that state no span.
    """
    plating = [tool.plated for tool in file.tools]
    parts = []
    for plated in (True, False, None):
        rows = [row for row, value in enumerate(plating) if value is plated]
        hits = file.hits.take(np.isin(file.hits.tool, rows))
        slots = file.slots.take(np.isin(file.slots.tool, rows))
        if not len(hits) and not len(slots):
            continue
        attributes = dict(file.attributes)
        if plated is not None:
            kind, label = _WORDS[plated]
            first, last = file.span or (1, layers)
            stated = file.function[3:] if file.function[:1] == (kind,) else (label,)
            attributes[".FileFunction"] = (kind, str(first), str(last), *stated)
        parts.append(replace(file, hits=hits, slots=slots, plated=plated, attributes=attributes))
    return tuple(parts)


class _Tools:
    """Numbers of the tools that are used, and the lines that define them."""

    def __init__(self, file: DrillFile) -> None:
        self._file = file
        used = np.union1d(file.hits.tool, file.slots.tool).tolist()
        sizeless = [row for row in used if row < 0 or file.tools[row].diameter_mm is None]
        if sizeless:
            cut = np.concatenate((file.hits.tool, file.slots.tool))
            raise UnreadableInput(
                f"{file.name}: {counted(int(np.isin(cut, sizeless).sum()), 'hole')} without a"
                " diameter cannot be written",
                hint="State the diameters of all tools in the drill file.",
            )
        alike: dict[tuple[object, ...], int] = {}
        self.numbers: dict[int, list[int]] = {}
        """Rows of the tools with each number."""
        spare = max((tool.number for tool in file.tools), default=0)
        for row in used:
            tool = file.tools[row]
            key = (round(tool.diameter_mm or 0, 6), tool.plated, tool.function,
                   tuple(sorted(tool.attributes.items())))  # fmt: skip
            if key not in alike:
                number = tool.number
                if number in self.numbers or number < 1:
                    spare = number = spare + 1
                alike[key] = number
                self.numbers[number] = []
            self.numbers[alike[key]].append(row)

    def header(self) -> Iterator[str]:
        """Attributes and diameters."""
        before: Attributes = {}
        for number, rows in self.numbers.items():
            tool = self._file.tools[rows[0]]
            after = _tool_attributes(self._file, tool)
            yield from _change("A", before, after)
            yield f"T{number}C{tool.diameter_mm:.{_decimals([tool.diameter_mm or 0])}f}\n"
            before = after
        yield from _change("A", before, {})


def _tool_attributes(file: DrillFile, tool: Tool) -> Attributes:
    """Give what a program states of a tool: plating leads its function."""
    out = dict(tool.attributes)
    function = tool.function
    if not function and file.plated is None and tool.plated is not None:
        function = ("OtherDrill", "hole")
    if function and tool.plated is not None:
        kind, label = _WORDS[tool.plated]
        stated = tool.attributes.get(".AperFunction", ())
        if stated[:1] == (kind,):
            label = stated[1]
        elif file.function[:1] == (kind,) and len(file.function) > 3:
            label = file.function[3]
        function = (kind, label, *function)
    if function:
        out[".AperFunction"] = function
    if ".DrillTolerance" in out and file.format.unit == "inch":
        out[".DrillTolerance"] = tuple(in_mm(text, INCH_MM) for text in out[".DrillTolerance"])
    return out


def _file_attributes(file: DrillFile) -> Iterator[str]:
    attributes = {name: value for name, value in file.attributes.items() if name != ".MD5"}
    mixed = file.plated is None and any(tool.plated is not None for tool in file.tools)
    if ".FileFunction" not in attributes and file.span is not None:
        span = tuple(map(str, file.span))
        if file.plated is not None:
            kind, label = _WORDS[file.plated]
            attributes[".FileFunction"] = (kind, *span, label)
        elif mixed:
            attributes[".FileFunction"] = ("MixedPlating", *span)
    for name, fields in attributes.items():
        yield _attribute("TF", name, fields)


def _attribute(verb: str, name: str, fields: Iterable[str]) -> str:
    return f"; #@! {verb}{','.join((name, *map(escape, fields)))}\n"


def _change(kind: str, before: Attributes, after: Attributes) -> Iterator[str]:
    """Comments from one set of attributes to another."""
    gone = [name for name in before if name not in after]
    if gone and not after:
        yield "; #@! TD\n"
        return
    for name in gone:
        yield f"; #@! TD{name}\n"
    for name, fields in after.items():
        if before.get(name) != fields:
            yield _attribute(f"T{kind}", name, fields)


class _Held:
    """Object attributes in force."""

    def __init__(self) -> None:
        self._before: Attributes = {}

    def change(self, after: Attributes) -> str:
        """Comments in front of the next object."""
        before, self._before = self._before, after
        return "".join(_change("O", before, after)) if before != after else ""


def _decimals(values: Iterable[float] | Floats) -> int:
    numbers = np.asarray(values, np.float64)
    fine = np.rint(numbers * 10 ** _DIGITS[-1]) / 10 ** _DIGITS[-1]
    return next(
        (d for d in _DIGITS if np.abs(np.round(fine, d) - fine).max(initial=0) < 1e-9), _DIGITS[-1]
    )


def _digits(file: DrillFile) -> int:
    s = file.slots
    if (np.abs(s.sweeps()) > _LONGEST_SWEEP).any():
        return _DIGITS[-1]  # the points where such arcs are cut are on no grid
    columns = (file.hits.x, file.hits.y, s.x0, s.y0, s.x1, s.y1)
    return _decimals(np.concatenate(columns))


def _of_tools(column: NDArray[np.int32], rows: list[int]) -> Ints:
    return np.flatnonzero(np.isin(column, rows))


def _hits(file: DrillFile, tools: list[int], digits: int, held: _Held) -> Iterator[str]:
    rows = _of_tools(file.hits.tool, tools)
    if not len(rows):
        return
    sets = file.hits.attributes[rows]
    # Adding zero makes -0.0 a plain zero.
    at = np.round(np.column_stack((file.hits.x[rows], file.hits.y[rows])), digits) + 0.0
    word = f"X%.{digits}fY%.{digits}f\n"
    bounds = [0, *(np.flatnonzero(np.diff(sets)) + 1).tolist(), len(rows)]
    for first, last in pairwise(bounds):
        yield held.change(_objects(file, int(sets[first])))
        yield word * (last - first) % tuple(at[first:last].ravel().tolist())


def _objects(file: DrillFile, row: int) -> Attributes:
    return file.attribute_sets[row] if row < len(file.attribute_sets) else {}


def _slots(file: DrillFile, tools: list[int], digits: int, held: _Held) -> Iterator[str]:
    rows = _of_tools(file.slots.tool, tools)
    if not len(rows):
        return
    paths = file.slots.path[rows]
    for part in np.split(rows, np.flatnonzero(np.diff(paths)) + 1):
        slots = file.slots.take(part)
        yield held.change(_objects(file, int(slots.attributes[0])))
        if slots.routed[0]:
            yield from _routed(slots, digits)
        else:
            for x0, y0, x1, y1 in np.column_stack((slots.starts(), slots.ends())).tolist():
                yield f"{_point(x0, y0, digits)}G85{_point(x1, y1, digits)}\n"


def _routed(slots: Slots, digits: int) -> Iterator[str]:
    yield f"G00{_point(float(slots.x0[0]), float(slots.y0[0]), digits)}\nM15\n"
    sweeps, radii = slots.sweeps(), slots.radii()
    ends = np.hypot(slots.x1 - slots.cx, slots.y1 - slots.cy)
    for row, (x, y) in enumerate(slots.ends().tolist()):
        if slots.turn[row] == 0:
            yield f"G01{_point(x, y, digits)}\n"
            continue
        code = "G03" if slots.turn[row] > 0 else "G02"
        radius = format_number(float(radii[row] + ends[row]) / 2, digits=_DIGITS[-1])
        if "." not in radius:
            radius += ".0"
        for px, py in _stops(Segments.of(slots).take(np.array([row])), float(sweeps[row])):
            yield f"{code}{_point(px, py, digits)}A{radius}\n"
    yield "M16\nG05\n"


def _stops(arc: Segments, sweep: float) -> Iterator[tuple[float, float]]:
    """Find the ends of the pieces of an arc, each less than half a turn."""
    count = max(1, math.ceil(abs(sweep) / _LONGEST_SWEEP - 1e-9))
    cx, cy = float(arc.cx[0]), float(arc.cy[0])
    start = math.atan2(float(arc.y0[0]) - cy, float(arc.x0[0]) - cx)
    radius = float(arc.radii()[0])
    for k in range(1, count):
        angle = start + sweep * k / count
        yield cx + radius * math.cos(angle), cy + radius * math.sin(angle)
    yield float(arc.x1[0]), float(arc.y1[0])


def _point(x: float, y: float, digits: int) -> str:
    return f"X{round(x, digits) + 0.0:.{digits}f}Y{round(y, digits) + 0.0:.{digits}f}"
