"""Comments that mean something: attributes, and hints that fill gaps but never overrule.

And what attributes, comments or the name of a file state of plating.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.drill.model import Hits, Slots, Tool, Unit, Zeros
from fabkit.formats.gerber.model import Attributes
from fabkit.formats.gerber.standard import DRILL_FUNCTIONS, STANDARD, unescape
from fabkit.rules import load_rule

PLATING_FROM_NAME: Final = load_rule("drill/plating-from-name")
BAD_SPAN: Final = load_rule("drill/bad-span")
TF_PLACE: Final = load_rule("drill/file-attribute-misplaced")
ATTRIBUTE_UNKNOWN: Final = load_rule("drill/unknown-attribute")

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
class FormatHint:
    """What a comment states about the numbers; None where it states nothing."""

    unit: Unit | None = None
    zeros: Zeros | None = None
    digits: tuple[int, int] | None = None


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
