"""The tool table while it is being read: definitions, selections, plating, sizes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from fabkit.base.findings import ProblemLog
from fabkit.base.limits import Limits
from fabkit.base.units import INCH_MM
from fabkit.formats.drill.comments import SizeHint
from fabkit.formats.drill.formats import HINT_CONFLICT, value_of
from fabkit.formats.drill.model import NumberFormat, Tool, Unit
from fabkit.formats.gerber.model import Attributes
from fabkit.rules import load_rule

TOOL_TWICE: Final = load_rule("drill/tool-defined-twice")
PLATING_CONFLICT: Final = load_rule("drill/plating-conflict")
COMMENT_TOOLS: Final = load_rule("drill/tools-from-comment")

_FIXED: Final = re.compile(rb"(\d{1,4})\.(\d{1,6})\Z")

_PLATING: Final = {"plated": True, "nonplated": False}


class LimitReached(Exception):
    """More objects than the limits allow; reading ends, what was read stays."""


@dataclass(slots=True)
class Entry:
    """One tool as stated so far; ``size`` is the text behind C."""

    number: int
    offset: int | None
    size: bytes | None = None
    unit: Unit | None = None
    diameter_mm: float | None = None
    attributes: Attributes | None = None
    group_plated: bool | None = None
    opening_of: int | None = None
    defined: bool = False


class ToolTable:
    """Tools in order of first mention."""

    def __init__(self, log: ProblemLog, limits: Limits) -> None:
        self._log = log
        self._limit = limits.apertures
        self.entries: list[Entry] = []
        self._rows: dict[int, int] = {}
        self._openings: dict[tuple[int, float], int] = {}
        self.sizes: list[SizeHint] = []
        self.plated_ranges: list[tuple[int, bool]] = []
        self.used_numbers = False

    def define(
        self,
        number: int,
        size: bytes | None,
        *,
        unit: Unit | None,
        attributes: Attributes,
        group_plated: bool | None,
        offset: int,
        in_header: bool,
    ) -> int:
        """Take a definition; the row of the tool.

        A later header line overrules an earlier one; the header overrules the body.
        """
        row = self._row(number, offset)
        entry = self.entries[row]
        entry.defined = True
        if size is not None:
            known = entry.size
            if known is not None and (known, entry.unit) != (size, unit):
                kept = size if in_header else known
                if not _same(known, size):
                    self._log.add(
                        TOOL_TWICE,
                        f"tool {number} is defined as {known.decode()} and {size.decode()}",
                        offset=offset,
                        assumed=f"{kept.decode()} is used",
                    )
            if known is None or in_header:
                entry.size, entry.unit, entry.offset = size, unit, offset
        if entry.attributes is None or attributes:
            entry.attributes = dict(attributes)
        if group_plated is not None:
            entry.group_plated = group_plated
        return row

    def _row(self, number: int, offset: int | None) -> int:
        """Row of the tool with a number; an unknown tool is added."""
        if number not in self._rows:
            self._rows[number] = self._new(Entry(number, offset))
        return self._rows[number]

    def _new(self, entry: Entry) -> int:
        if len(self.entries) >= self._limit:
            raise LimitReached
        self.entries.append(entry)
        return len(self.entries) - 1

    def select(self, text: bytes, offset: int) -> int:
        """Row of the tool that ``T`` and these digits choose; an unknown tool is added.

        Four digits are tool and compensation index unless a tool of that number is defined.
        """
        self.used_numbers = True
        number = int(text)
        if number not in self._rows and len(text) == 4:
            number = int(text[:2])
        return self._row(number, offset)

    def by_size(self, index: int) -> int:
        """Row of the tool in line ``index`` (from 0) of a table written as comments; -1 if none."""
        if index >= len(self.sizes):
            return -1
        size = self.sizes[index]
        return self._row(size.index if size.tool is None else size.tool, None)

    def opening(self, row: int, diameter_mm: float) -> int:
        """Row of the large round opening that tool ``row`` cuts."""
        key = (row, round(diameter_mm, 6))
        if key not in self._openings:
            cutter = self.entries[row]
            self._openings[key] = self._new(
                Entry(
                    cutter.number,
                    cutter.offset,
                    diameter_mm=diameter_mm,
                    attributes=cutter.attributes,
                    group_plated=cutter.group_plated,
                    opening_of=row,
                )
            )
        return self._openings[key]

    def fixed_digits(self) -> tuple[int, int] | None:
        """Digits before and after the point when all sizes are padded to the same ones."""
        shapes = set()
        for entry in self.entries:
            found = _FIXED.match(entry.size) if entry.size else None
            if not found:
                return None
            shapes.add((len(found.group(1)), len(found.group(2))))
        # A single zero before the point pads nothing.
        return shapes.pop() if len(shapes) == 1 and next(iter(shapes))[0] > 1 else None

    def diameter_mm(self, row: int, fmt: NumberFormat) -> float | None:
        """Diameter of the tool in one row, mm."""
        entry = self.entries[row]
        if entry.diameter_mm is None and entry.size is not None:
            unit = entry.unit or fmt.unit
            try:
                value = value_of(entry.size, fmt) * (INCH_MM if unit == "inch" else 1.0)
            except (ValueError, OverflowError):
                value = 0.0
            if value > 0:
                entry.diameter_mm = value
        return entry.diameter_mm

    @property
    def undefined(self) -> frozenset[int]:
        """Rows of tools that were chosen but never defined."""
        return frozenset(
            row for row, e in enumerate(self.entries) if not e.defined and e.opening_of is None
        )

    def finish(self, fmt: NumberFormat, *, file_plated: bool | None) -> tuple[Tool, ...]:
        """All tools, with sizes in mm and plating by the order of evidence."""
        for size in self.sizes:
            self._apply_size(size, fmt)
        return tuple(self._tool(row, fmt, file_plated) for row in range(len(self.entries)))

    def _apply_size(self, size: SizeHint, fmt: NumberFormat) -> None:
        row = self._rows.get(size.tool if size.tool is not None else size.index)
        if row is None:
            return
        entry = self.entries[row]
        told_mm = size.diameter * (size.unit_mm or fmt.unit_mm)
        known_mm = self.diameter_mm(row, fmt)
        if known_mm is None:
            entry.diameter_mm = told_mm
            self._log.add(
                COMMENT_TOOLS,
                f"the diameter of tool {entry.number} is stated in a comment only",
                offset=entry.offset,
                assumed=f"{told_mm:.4g} mm",
            )
        elif abs(known_mm - told_mm) > 0.01:
            # A row without a tool number may count lines instead of tools: a size that another tool
            # has is then no contradiction.
            others = (self.diameter_mm(r, fmt) or 0.0 for r in range(len(self.entries)))
            if size.tool is not None or not any(abs(d - told_mm) <= 0.01 for d in others):
                self._log.add(
                    HINT_CONFLICT,
                    f"a comment states {told_mm:.4g} mm for tool {entry.number},"
                    f" the command {known_mm:.4g} mm",
                    offset=entry.offset,
                    assumed="the command was followed",
                )
                return
        if entry.group_plated is None:
            entry.group_plated = size.plated

    def _tool(self, row: int, fmt: NumberFormat, file_plated: bool | None) -> Tool:
        entry = self.entries[row]
        attributes: Mapping[str, tuple[str, ...]] = entry.attributes or {}
        plated, function = split_function(attributes.get(".AperFunction", ()))
        if plated is not None and file_plated is not None and plated != file_plated:
            self._log.add(
                PLATING_CONFLICT,
                f"tool {entry.number} is {_word(plated)}, the file {_word(file_plated)}",
                offset=entry.offset,
                assumed="the tool was followed",
            )
        if plated is None:
            plated = file_plated
        if plated is None:
            plated = entry.group_plated
        if plated is None:
            below = [p for first, p in sorted(self.plated_ranges) if first <= entry.number]
            plated = below[-1] if below else None
        return Tool(
            number=entry.number,
            diameter_mm=self.diameter_mm(row, fmt),
            plated=plated,
            function=function,
            attributes=attributes,
            offset=entry.offset,
            opening_of=entry.opening_of,
        )


def split_function(values: tuple[str, ...]) -> tuple[bool | None, tuple[str, ...]]:
    """Plating and function fields of ``.AperFunction`` (plating leads in NC files)."""
    if values and values[0].lower() in _PLATING:
        return _PLATING[values[0].lower()], values[2:]
    return None, values


def _word(plated: bool) -> str:
    return "plated" if plated else "not plated"


def _same(first: bytes, second: bytes) -> bool:
    try:
        return b"." in first and b"." in second and float(first) == float(second)
    except ValueError:
        return False
