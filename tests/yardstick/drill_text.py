"""Drill files as text: tool table, hits and slots, and edits of them.

Stands on its own like :mod:`yardstick.gerber_text`; lengths are in mm.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from yardstick.gerber_text import Edit, Unfit, replaced

_TOOL = re.compile(r"T0*(\d+)(?:[FSBHZ][\d.]+)*C([\d.]+)")
_PLACE = re.compile(r"(?:G0*(?P<g>\d+))?(?:X(?P<x>[+-]?[\d.]+))?(?:Y(?P<y>[+-]?[\d.]+))?$")

_BEYOND = ("R", "ICI", "G91", "M15", "G01", "M02X", "G02", "G03", "G93", "M97", "M70")
"""Beginnings of lines that move or repeat what follows: such files are not edited by place."""


@dataclass(frozen=True)
class Hit:
    """One hole or slot: its ends in mm (the same for a hole), its tool and its line's span."""

    x: float
    y: float
    to_x: float
    to_y: float
    tool: int
    span: tuple[int, int]

    @property
    def slot(self) -> bool:
        """Whether it is a slot."""
        return (self.x, self.y) != (self.to_x, self.to_y)


@dataclass
class DrillText:
    """What one drill text holds, and how to write it again."""

    text: str
    mm: float = 1.0
    unit: str = ""
    digits: int = 3
    width: int = 6
    zeros: str = ""
    decimal: bool = True
    tools: dict[int, tuple[float, tuple[int, int]]] = field(default_factory=dict)
    hits: list[Hit] = field(default_factory=list)
    header_end: int = 0
    end: int = 0
    plain: bool = True

    def diameter(self, hit: Hit) -> float:
        """Diameter of a hit's tool in mm; 0 where it has none."""
        return self.tools.get(hit.tool, (0.0, (0, 0)))[0]

    def number(self, value: float) -> str:
        """Write a length in mm as a coordinate of this file."""
        value /= self.mm
        if self.decimal:
            return f"{value:.{4 if self.mm > 1 else 3}f}"
        whole = round(value * 10**self.digits)
        sign, digits = ("-" if whole < 0 else ""), f"{abs(whole):0{self.width}d}"
        if self.zeros == "TZ":
            return sign + (digits.lstrip("0") or "0")
        return sign + (digits.rstrip("0") or "0")

    def place(self, x: float, y: float) -> str:
        """Coordinates of a place."""
        return f"X{self.number(x)}Y{self.number(y)}"

    def line(self, hit: Hit) -> str:
        """One line that makes a hit."""
        first = self.place(hit.x, hit.y)
        return first + ("G85" + self.place(hit.to_x, hit.to_y) if hit.slot else "") + "\n"

    def changed(self, change: Callable[[Hit], list[Hit]]) -> str:
        """Text with each hit replaced by others of the same tool; all places written out.

        Raises
        ------
        Unfit
            Holes are written in a way that is not edited here.
        """
        if not self.plain or not self.hits:
            raise Unfit("routed, repeated or incremental coordinates")
        edits: list[Edit] = [
            (*hit.span, "".join(self.line(new) for new in change(hit))) for hit in self.hits
        ]
        return replaced(self.text, edits)

    def without(self, lost: Collection[Hit]) -> str:
        """Text without some hits."""
        return self.changed(lambda hit: [] if hit in lost else [hit])

    def added(self, x: float, y: float, diameter: float, slot_mm: float = 0) -> str:
        """Text with one hole (or a slot upwards) more, of a tool of its own."""
        if not self.plain or not self.header_end:
            raise Unfit("no header to add a tool to")
        code = max(self.tools, default=0) + 1
        size = f"{diameter / self.mm:.4f}"
        hit = Hit(x, y, x, y + slot_mm, code, (0, 0))
        return replaced(
            self.text,
            [
                (self.header_end, self.header_end, f"T{code}C{size}\n"),
                (self.end, self.end, f"T{code}\n{self.line(hit)}"),
            ],
        )

    def resized(self, tool: int, diameter: float) -> str:
        """Text whose tool has another diameter."""
        start, end = self.tools[tool][1]
        size = f"{diameter / self.mm:.4f}"
        return replaced(self.text, [(start, end, size)])


def read_drill(text: str) -> DrillText:
    """Find tools, hits and slots of a drill text.

    Raises
    ------
    Unfit
        The number format cannot be told without the board.
    """
    out = DrillText(text)
    out.end = len(text)
    header = "M48" in text[:4000]
    tool = 0
    x = y = 0.0
    at = 0
    places: list[tuple[re.Match[str], tuple[int, int], int, str]] = []
    for raw in text.splitlines(keepends=True):
        line = raw.strip()
        span = (at, at + len(raw))
        at += len(raw)
        upper = line.upper()
        if _said(out, upper) or line.startswith(";"):
            continue
        if found := _TOOL.match(upper):
            start = span[0] + raw.upper().index("C") + 1
            out.tools[int(found[1])] = (float(found[2]), (start, start + len(found[2])))
            tool = int(found[1])
        elif header and line in ("%", "M95"):
            out.header_end, header = span[0], False
        elif found := re.fullmatch(r"T0*(\d+)", upper):
            tool = int(found[1])
        elif upper in ("M30", "M00", "M02"):
            out.end = span[0]
            break
        elif upper in ("ICI,OFF", "G90"):
            continue
        elif upper.startswith(_BEYOND):
            out.plain = False
        elif upper.startswith(("X", "Y", "G85")):
            first, _, second = upper.partition("G85")
            if match := _PLACE.match(first):
                places.append((match, span, tool, second))
    _finish_numbers(out, places)
    scale = out.mm
    out.tools = {code: (size * scale, where) for code, (size, where) in out.tools.items()}
    for match, span, used, second in places:
        x = _length(out, match["x"], x)
        y = _length(out, match["y"], y)
        to_x, to_y = x, y
        if second and (end := _PLACE.match(second)):
            to_x, to_y = _length(out, end["x"], x), _length(out, end["y"], y)
        out.hits.append(Hit(x, y, to_x, to_y, used, span))
        x, y = to_x, to_y
    return out


def _said(out: DrillText, line: str) -> bool:
    """Whether a line states unit or digits, which are taken in."""
    if found := re.match(r"(METRIC|INCH|M71|M72)\b(.*)", line):
        _unit(out, found[1], found[2])
    elif line.startswith(";") and (found := re.search(r"FORMAT\D*(\d)\s*[:.]\s*(\d)", line)):
        out.digits, out.width = int(found[2]), int(found[1]) + int(found[2])
        out.zeros = out.zeros or "-"
    else:
        return False
    return True


def _unit(out: DrillText, word: str, rest: str) -> None:
    out.unit = word
    out.mm = 25.4 if word in ("INCH", "M72") else 1.0
    if out.mm > 1 and not out.zeros:
        out.digits, out.width = 4, 6
    if "TZ" in rest:
        out.zeros = "TZ"
    elif "LZ" in rest:
        out.zeros = "LZ"
    if found := re.search(r"(0+)\.(0+)", rest):
        out.digits, out.width = len(found[2]), len(found[1]) + len(found[2])


def _finish_numbers(
    out: DrillText, places: list[tuple[re.Match[str], tuple[int, int], int, str]]
) -> None:
    points = ["." in (m["x"] or m["y"] or ".") for m, _, _, _ in places]
    out.decimal = all(points)
    if not out.decimal and (out.zeros not in ("TZ", "LZ") or not out.unit):
        raise Unfit("the number format is not stated")
    if not out.unit:
        raise Unfit("the unit is not stated")


def _length(out: DrillText, digits: str | None, before: float) -> float:
    if not digits:
        return before
    if "." in digits:
        return float(digits) * out.mm
    sign = -1 if digits.startswith("-") else 1
    digits = digits.lstrip("+-")
    if out.zeros == "LZ":
        digits = digits.ljust(out.width, "0")
    return sign * int(digits or "0") / 10**out.digits * out.mm
