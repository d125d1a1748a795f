"""Attributes of a drill file, and what they, its comments or its name say of plating."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.drill import problems
from fabkit.formats.drill.comments import AttributeCommand
from fabkit.formats.drill.model import Attributes, Hits, Slots, Tool

_FILE: Final = frozenset(
    (
        ".FileFunction",
        ".FilePolarity",
        ".Part",
        ".SameCoordinates",
        ".CreationDate",
        ".GenerationSoftware",
        ".ProjectId",
        ".MD5",
    )
)
_TOOL: Final = frozenset((".AperFunction", ".DrillTolerance", ".FlashText"))
_OBJECT: Final = re.compile(r"\.(?:N|P|C[A-Za-z0-9]*)\Z")
_FUNCTIONS: Final = frozenset(
    (
        "ViaDrill",
        "BackDrill",
        "ComponentDrill",
        "MechanicalDrill",
        "CastellatedDrill",
        "OtherDrill",
    )
)
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
                problems.TF_PLACE,
                f"{name} is set twice, differently",
                offset=offset,
                assumed="the first counts",
            )
            return
        if not in_header:
            self._log.add(problems.TF_PLACE, f"{name} comes after the first hole", offset=offset)
        self._file[name] = values
        if name == ".FileFunction":
            self._check_span(offset)

    def _check_span(self, offset: int) -> None:
        fields = self._file[".FileFunction"]
        if fields[:1] and fields[0] in _FILE_FUNCTIONS:
            span = self.span()
            if span is None or span[0] == span[1] or min(span) < 1:
                self._log.add(
                    problems.BAD_SPAN,
                    f"the span {','.join(fields)} is not from one copper layer to another",
                    offset=offset,
                )

    def span(self) -> tuple[int, int] | None:
        """First and last copper layer of ``.FileFunction``, in order."""
        fields = self._file.get(".FileFunction", ())
        if len(fields) < 3 or fields[0] not in _FILE_FUNCTIONS:
            return None
        if not all(f.isascii() and f.isdigit() and len(f) < 6 for f in fields[1:3]):
            return None
        first, last = sorted((int(fields[1]), int(fields[2])))
        return first, last

    def _check(self, command: AttributeCommand, offset: int) -> None:
        name, values = command.name, command.values
        if not name.startswith("."):
            return
        known = {
            "TF": name in _FILE,
            "TA": name in _TOOL,
            "TO": bool(_OBJECT.match(name)),
            "TD": name in _TOOL or bool(_OBJECT.match(name)),
        }[command.verb]
        if not known:
            self._log.add(
                problems.ATTRIBUTE_UNKNOWN,
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
            wrong = "" if function and function[0] in _FUNCTIONS else name
        elif command.verb == "TA" and name == ".DrillTolerance":
            wrong = "" if len(values) == 2 else name
        if wrong:
            self._log.add(
                problems.ATTRIBUTE_UNKNOWN,
                f"{name} of a drill file cannot be {','.join(values) or 'empty'}",
                offset=offset,
                assumed="kept, not used",
            )


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
    if plated == bool(unplated):
        return None
    return plated


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
                    problems.PLATING_FROM_NAME,
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
