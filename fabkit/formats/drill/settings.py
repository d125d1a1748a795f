"""Settings of the header, wherever they stand: unit, zeros, digits, command set, increments."""

from __future__ import annotations

import re
from typing import Final

from fabkit.base.findings import ProblemLog
from fabkit.formats.drill import problems
from fabkit.formats.drill.formats import FormatState
from fabkit.formats.drill.plotter import Plotter
from fabkit.formats.drill.tools import ToolTable

_UNIT: Final = re.compile(rb"(INCH|METRIC|M71|M72)((?:,[^,]*)*)\Z")
_PATTERN: Final = re.compile(rb"(?:(0{1,6})\.(0{1,6})|([1-6])[.:]([1-6]))\Z")
_LINK: Final = re.compile(rb"[0-9]+(?:/[0-9]+)+\Z")
_SETTINGS: Final = frozenset(
    b"DETECT ATC AFS BLKD CCW CP DN DTMDIST EXDA FSB HPCK NCSL OM48 OSTOP OTCLMP PCKPARAM PF PPR"
    b" PVS R RSB SBK SG SIXM TCST UP Z ZA ZC ZS".split()
)


class Settings:
    """Takes setting commands and hands them to those concerned."""

    def __init__(
        self, formats: FormatState, tools: ToolTable, plotter: Plotter, log: ProblemLog
    ) -> None:
        self._formats = formats
        self._tools = tools
        self._plotter = plotter
        self._log = log
        self.old_commands: bool | None = None
        """True for FMAT,1; None when the file does not say."""
        self.links: list[tuple[list[int], int]] = []
        """Tool numbers stated to be spares of each other, with the byte offset."""

    def take(self, text: bytes, offset: int, *, in_header: bool) -> bool:
        """Commands of the header, wherever they stand; False when it is none."""
        head = text.partition(b",")[0]
        unit = _UNIT.match(text)
        if unit and not (self.old_commands and head == b"M72"):
            self._unit(unit.group(1), unit.group(2), offset, in_header=in_header)
        elif head == b"M70" and self.old_commands:
            self._unit(b"M72", b"", offset, in_header=in_header)
        elif head == b"FMAT":
            self.old_commands = text == b"FMAT,1"
        elif head == b"VER":
            if text not in (b"VER,1", b"VER"):
                self._log.add(
                    problems.VERSION,
                    f"{text.decode('ascii', 'replace')} may mirror or swap the axes",
                    offset=offset,
                    assumed="axes read as written",
                )
        elif head == b"ICI":
            self._plotter.incremental = text != b"ICI,OFF"
            if self._plotter.incremental:
                self._log.add(problems.INCREMENTAL, "ICI is on", offset=offset)
        elif head in (b"LZ", b"TZ"):
            self._formats.state_zeros("leading" if head == b"LZ" else "trailing", offset)
        elif (in_header or b"," in text) and (
            head in _SETTINGS or re.fullmatch(rb"Z[+-][0-9.]*", head)
        ):
            self._log.add(
                problems.MACHINE,
                f"{head.decode('ascii', 'replace')} concerns the machine only",
                offset=offset,
            )
        elif _LINK.match(text):
            self.links.append(([int(n[:9]) for n in text.split(b"/")], offset))
        elif text[:1] == b"$":
            self._log.add(problems.MACHINE, "$ concerns the machine only", offset=offset)
        else:
            return False
        return True

    def _unit(self, word: bytes, rest: bytes, offset: int, *, in_header: bool) -> None:
        unit = "inch" if word in (b"INCH", b"M72") else "mm"
        if any(e.size for e in self._tools.entries) and self._formats.unit is None:
            self._log.add(
                problems.UNIT_AFTER_SIZE,
                "the unit comes after tool diameters",
                offset=offset,
                assumed="the diameters are in that unit",
            )
        self._formats.state_unit(unit, offset, in_header=in_header)  # type: ignore[arg-type]
        for part in rest.split(b",")[1:]:
            pattern = _PATTERN.match(part)
            if part in (b"LZ", b"TZ"):
                self._formats.state_zeros("leading" if part == b"LZ" else "trailing", offset)
            elif pattern:
                zeros_before, zeros_after, before, after = pattern.groups()
                self._formats.state_digits(
                    int(before or len(zeros_before)), int(after or len(zeros_after)), offset
                )
            elif part:
                self._log.add(
                    problems.UNKNOWN,
                    f"{part.decode('ascii', 'replace')} is not known beside the unit",
                    offset=offset,
                    assumed="ignored",
                )
