"""What a drill file states of its tools: in comments, by attributes, in its name, by definitions.

Comments fill gaps but never overrule a command.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from fabkit.base.findings import ProblemLog, Severity
from fabkit.base.limits import Limits
from fabkit.base.units import INCH_MM
from fabkit.formats.drill.formats import HINT_CONFLICT, value_of
from fabkit.formats.drill.model import FormatHint, Hits, NumberFormat, Slots, Tool, Unit, Zeros
from fabkit.formats.gerber.model import Attributes
from fabkit.formats.gerber.standard import DRILL_FUNCTIONS, STANDARD, unescape
from fabkit.rules import load_rule

TOOL_TWICE: Final = load_rule("drill/tool-defined-twice")
PLATING_CONFLICT: Final = load_rule("drill/plating-conflict")
COMMENT_TOOLS: Final = load_rule("drill/tools-from-comment")
PLATING_FROM_NAME: Final = load_rule("drill/plating-from-name")
BAD_SPAN: Final = load_rule("drill/bad-span")
TF_PLACE: Final = load_rule("drill/file-attribute-misplaced")
ATTRIBUTE_UNKNOWN: Final = load_rule("drill/unknown-attribute")

_FIXED: Final = re.compile(rb"(\d{1,4})\.(\d{1,6})\Z")

_PLATING: Final = {"plated": True, "nonplated": False}

_ATTRIBUTE: Final = re.compile(r"\s*#@!\s*(T[FAOD])(.*)\Z", re.DOTALL)
_FORMAT_BRACES: Final = re.compile(r"FORMAT\s*=?\s*\{([^}]*)\}", re.IGNORECASE)
_FILE_FORMAT: Final = re.compile(
    r"(?:FILE_)?FORMAT\s*[=:]\s*(\d)\s*[:.]\s*(\d)\s*\Z", re.IGNORECASE
)
_DIGITS: Final = re.compile(r"\s*(\d)\s*[:.]\s*(\d)")
_TYPE: Final = re.compile(r"TYPE\s*=\s*(NON[-_ ]?PLATED|PLATED)\b", re.IGNORECASE)
_RANGE: Final = re.compile(
    r"\b(NON[-_ ]?PLATED|UNPLATED|PLATED)\b[^0-9]*?\bSTARTS? AT T(\d+)", re.IGNORECASE
)
_SIZE: Final = re.compile(
    r"(?:T(\d+)\s+)?HOLE\s*SIZE\s*(\d+)\s*\.?\s*=\s*(\d*\.?\d+)(.*)\Z", re.IGNORECASE
)
_UNIT_WORD: Final = re.compile(
    r"\b(MILS?|MM|MILLIMET\w+|METRIC|INCH\w*|IN|UM|MICRONS?)\b", re.IGNORECASE
)
_PLATED_WORD: Final = re.compile(r"\b(NON[-_ ]?PLATED|UNPLATED|PLATED)\b", re.IGNORECASE)
_QUANTITY: Final = re.compile(r"QUANTITY\s*=\s*(\d+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class AttributeCommand:
    """``TF``, ``TA``, ``TO`` or ``TD`` with its name (``.N``) and fields."""

    verb: Literal["TF", "TA", "TO", "TD"]
    name: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatingHint:
    """Tools defined from here on are plated, or not; or those numbered from ``from_tool`` on."""

    plated: bool
    from_tool: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeHint:
    """A row of a tool table written as comments."""

    index: int
    tool: int | None
    diameter: float
    unit_mm: float | None
    """Millimetres of the unit named in the row; None when it names none."""
    plated: bool | None
    quantity: int | None


Meaning = AttributeCommand | FormatHint | PlatingHint | SizeHint

_UNITS_MM: Final = {"mil": 0.0254, "mm": 1.0, "met": 1.0, "in": 25.4, "um": 0.001, "mic": 0.001}


def meaning_of(comment: str) -> Meaning | None:
    """Give what the text behind the semicolon states, if anything."""
    found = _ATTRIBUTE.match(comment)
    if found:
        return _attribute(found.group(1), found.group(2))
    text = comment.strip().rstrip("*%").strip()
    braces = _FORMAT_BRACES.search(text)
    if braces:
        return _format_hint(braces.group(1))
    if found := _FILE_FORMAT.match(text):
        return FormatHint(digits=(int(found.group(1)), int(found.group(2))))
    if found := _TYPE.match(text):
        return PlatingHint(plated=_is_plated(found.group(1)))
    if found := _RANGE.search(text.replace("(", "").replace(")", "")):
        return PlatingHint(plated=_is_plated(found.group(1)), from_tool=int(found.group(2)))
    if found := _SIZE.match(text):
        return _size_hint(found)
    return None


def _attribute(verb: str, rest: str) -> AttributeCommand:
    body = rest.strip().rstrip("*%").strip()
    name, *values = (unescape(part.strip())[0] for part in body.split(","))
    return AttributeCommand(verb, name, tuple(values))  # type: ignore[arg-type]


def _format_hint(text: str) -> FormatHint:
    words = text.lower()
    digits = _DIGITS.match(text)
    unit: Unit | None = None
    if "inch" in words or "english" in words:
        unit = "inch"
    elif "metric" in words or "mm" in words:
        unit = "mm"
    zeros: Zeros | None = None
    # The words name what is left out, the other way round than LZ and TZ.
    if "suppress leading" in words:
        zeros = "trailing"
    elif "suppress trailing" in words:
        zeros = "leading"
    elif "decimal" in words:
        zeros = "point"
    return FormatHint(
        unit=unit,
        zeros=zeros,
        digits=(int(digits.group(1)), int(digits.group(2))) if digits else None,
    )


def _is_plated(word: str) -> bool:
    return not word.upper().startswith(("NON", "UN"))


def _size_hint(found: re.Match[str]) -> SizeHint:
    # Behind an underscore no word begins, as patterns have it.
    rest = found.group(4).replace("_PLATED", "-PLATED")
    unit = _UNIT_WORD.search(rest)
    plated = _PLATED_WORD.search(rest)
    quantity = _QUANTITY.search(rest)
    unit_mm = None
    if unit:
        word = unit.group(1).lower()
        unit_mm = next(mm for start, mm in _UNITS_MM.items() if word.startswith(start))
    return SizeHint(
        index=int(found.group(2)),
        tool=int(found.group(1)) if found.group(1) else None,
        diameter=float(found.group(3)),
        unit_mm=unit_mm,
        plated=_is_plated(plated.group(1)) if plated else None,
        quantity=int(quantity.group(1)) if quantity else None,
    )


_KINDS: Final = {"TF": "F", "TA": "A", "TO": "O", "TD": "AO"}
"""Kinds of attributes that a command may name."""
_FILE_FUNCTIONS: Final = frozenset(("Plated", "NonPlated", "MixedPlating"))


class AttributeState:
    """The attribute dictionaries in force (Gerber Layer Format Specification, section 5)."""

    def __init__(self, log: ProblemLog) -> None:
        self._log = log
        self._file: dict[str, tuple[str, ...]] = {}
        self._tool: dict[str, tuple[str, ...]] = {}
        self._object: dict[str, tuple[str, ...]] = {}
        self._sets: dict[tuple[tuple[str, tuple[str, ...]], ...], int] = {(): 0}

    @property
    def file(self) -> Attributes:
        """File attributes so far."""
        return dict(self._file)

    @property
    def tool(self) -> Attributes:
        """What the next tool definition gets."""
        return dict(self._tool)

    @property
    def sets(self) -> tuple[Attributes, ...]:
        """Every set of object attributes met; the first is empty."""
        return tuple(dict(items) for items in self._sets)

    def take(self, command: AttributeCommand, offset: int, *, in_header: bool) -> int:
        """Apply a command; the index of the object attributes now in force."""
        self._check(command, offset)
        name, values = command.name, command.values
        if command.verb == "TF":
            self._take_file(name, values, offset, in_header=in_header)
        elif command.verb == "TA":
            self._tool[name] = values
        elif command.verb == "TO":
            self._object[name] = values
        elif name:
            self._tool.pop(name, None)
            self._object.pop(name, None)
        else:
            self._tool.clear()
            self._object.clear()
        key = tuple(sorted(self._object.items()))
        return self._sets.setdefault(key, len(self._sets))

    def _take_file(
        self, name: str, values: tuple[str, ...], offset: int, *, in_header: bool
    ) -> None:
        known = self._file.get(name)
        if known is not None and known != values:
            self._log.add(
                TF_PLACE,
                f"{name} is set twice, differently",
                offset=offset,
                assumed="the first counts",
            )
            return
        if not in_header:
            self._log.add(TF_PLACE, f"{name} comes after the first hole", offset=offset)
        self._file[name] = values
        if name == ".FileFunction":
            self._check_span(offset)

    def _check_span(self, offset: int) -> None:
        fields = self._file[".FileFunction"]
        if fields[:1] and fields[0] in _FILE_FUNCTIONS:
            span = self.span()
            if span is None or span[0] == span[1] or min(span) < 1:
                self._log.add(
                    BAD_SPAN,
                    f"the span {','.join(fields)} is not from one copper layer to another",
                    offset=offset,
                )

    def span(self) -> tuple[int, int] | None:
        """First and last copper layer of ``.FileFunction``, in order."""
        return span_of(self._file.get(".FileFunction", ()))

    def _check(self, command: AttributeCommand, offset: int) -> None:
        name, values = command.name, command.values
        if not name.startswith("."):
            return
        # Any name that begins as those of components do is taken for one of them.
        kind = STANDARD[name][0] if name in STANDARD else "O" if name[:2] == ".C" else "?"
        if kind not in _KINDS[command.verb]:
            self._log.add(
                ATTRIBUTE_UNKNOWN,
                f"{command.verb}{name} is no standard attribute",
                offset=offset,
                assumed="kept, not used",
                severity=Severity.NOTE,
            )
            return
        wrong = ""
        if command.verb == "TF" and name == ".FileFunction":
            wrong = "" if values[:1] and values[0] in _FILE_FUNCTIONS else name
        elif command.verb == "TF" and name == ".FilePolarity":
            wrong = "" if values == ("Positive",) else name
        elif command.verb == "TA" and name == ".AperFunction":
            leads = values[:1] and values[0] in ("Plated", "NonPlated")
            function = values[2:3] if leads else values[:1]
            wrong = "" if function and function[0] in DRILL_FUNCTIONS else name
        elif command.verb == "TA" and name == ".DrillTolerance":
            wrong = "" if len(values) == 2 else name
        if wrong:
            self._log.add(
                ATTRIBUTE_UNKNOWN,
                f"{name} of a drill file cannot be {','.join(values) or 'empty'}",
                offset=offset,
                assumed="kept, not used",
            )


def span_of(function: tuple[str, ...]) -> tuple[int, int] | None:
    """First and last copper layer of a drill file's function, in order; None without them."""
    if len(function) < 3 or function[0] not in _FILE_FUNCTIONS:
        return None
    if not all(f.isascii() and f.isdigit() and len(f) < 6 for f in function[1:3]):
        return None
    first, last = sorted((int(function[1]), int(function[2])))
    return first, last


_NOT_PLATED: Final = re.compile(
    r"(?<![a-z])n[-_ ]?pth|non[-_ ]?plated|un[-_ ]?plated|(?<![a-z])not[-_ ]plated"
)
_PLATED: Final = re.compile(r"(?<![a-z])pth|plated")


def plating_from_name(name: str) -> bool | None:
    """Give what the words of a file name say; None when nothing, or both."""
    words = name.rsplit("/", 1)[-1].lower()
    # "npth" holds "pth" and "non-plated" holds "plated", so the negative words go first.
    rest, unplated = _NOT_PLATED.subn(" ", words)
    plated = bool(_PLATED.search(rest))
    return None if plated == bool(unplated) else plated


@dataclass(frozen=True, slots=True)
class Plating:
    """Plating of the file as a whole, before its tools are asked."""

    stated: bool | None
    mixed: bool
    named: bool | None

    def settle(
        self, tools: tuple[Tool, ...], hits: Hits, slots: Slots, log: ProblemLog
    ) -> tuple[tuple[Tool, ...], bool | None, str]:
        """Tools with the last gaps filled, plating of the whole file, and what it rests on."""
        used = np.union1d(hits.tool, slots.tool).tolist()
        known = {tools[row].plated for row in used if row >= 0}
        evidence = "attributes" if self.stated is not None else "comments"
        if any(tool.attributes.get(".AperFunction") for tool in tools):
            evidence = "attributes"
        gaps = not known or None in known
        if gaps and self.named is not None and not self.mixed:
            tools = tuple(replace(t, plated=self.named) if t.plated is None else t for t in tools)
            if None in known:
                evidence = "file name"
                log.add(
                    PLATING_FROM_NAME,
                    f"the file name states {'plated' if self.named else 'not plated'},"
                    " its content states nothing",
                )
            known = {tools[row].plated for row in used if row >= 0}
        if not used:
            whole = self.stated if self.stated is not None else self.named
            source = "attributes" if self.stated is not None else "file name"
            return tools, whole, source if whole is not None else ""
        if len(known) == 1 and None not in known:
            return tools, known.pop(), evidence
        return tools, None, evidence if known - {None} else ""


def plating_of(name: str, attributes: Attributes) -> Plating:
    """Plating by file attribute and by file name."""
    function = attributes.get(".FileFunction", ())
    head = function[0] if function else ""
    return Plating(
        stated={"Plated": True, "NonPlated": False}.get(head),
        mixed=head == "MixedPlating",
        named=plating_from_name(name),
    )


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
            # Some exports state every size in comments; among commands, one was lost.
            lost = any(e.size is not None for e in self.entries)
            self._log.add(
                COMMENT_TOOLS,
                f"the diameter of tool {entry.number} is stated in a comment only"
                + (", those of others by commands" if lost else ""),
                offset=entry.offset,
                assumed=f"{told_mm:.4g} mm",
                severity=Severity.WARNING if lost else None,
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
    # 0.8 and 0.80 are one size; without a point that depends on digits which are not known yet.
    try:
        return b"." in first and b"." in second and float(first) == float(second)
    except ValueError:
        return False
