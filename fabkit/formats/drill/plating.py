"""Whether holes are plated: attributes, then comments, then the words of the file name."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.base.findings import ProblemLog
from fabkit.formats.drill import problems
from fabkit.formats.drill.model import Attributes, Hits, Slots, Tool

_NOT_PLATED: Final = re.compile(
    r"(?<![a-z])n[-_ ]?pth|non[-_ ]?plated|un[-_ ]?plated|(?<![a-z])not[-_ ]plated"
)
_PLATED: Final = re.compile(r"(?<![a-z])pth|plated")


def plating_from_name(name: str) -> bool | None:
    """Give what the words of a file name say; None when nothing, or both."""
    words = name.rsplit("/", 1)[-1].lower()
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
                    f"the file name says {'plated' if self.named else 'not plated'},"
                    " the content does not say",
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
