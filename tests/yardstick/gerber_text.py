"""Gerber files as text: where each aperture, flash and draw is written, and edits at those places.

Written for planting defects, so it stands on its own and imports nothing of what it measures.
Coordinates are given in mm; every item remembers the span of text that wrote it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from math import cos, hypot, pi, sin

Edit = tuple[int, int, str]
"""Start, end and new text of one replaced span."""

_WORD = re.compile(r"%[^%]*%|[^*%]*\*")
_OPERATION = re.compile(
    r"(?:G0*(?P<g>\d+))?(?:X(?P<x>[+-]?\d+))?(?:Y(?P<y>[+-]?\d+))?"
    r"(?:I(?P<i>[+-]?\d+))?(?:J(?P<j>[+-]?\d+))?(?:D0*(?P<d>\d+))?\*"
)
_FORMAT = re.compile(r"FS([LT])([AI])X(\d)(\d)Y(\d)(\d)")
_APERTURE = re.compile(r"ADD0*(\d+)([A-Za-z_.$][^,*]*)(?:,([^*]*))?")
_END = re.compile(r"M0?[02]\*")


class Unfit(Exception):
    """The text is written in a way that is not edited here."""


def replaced(text: str, edits: Iterable[Edit]) -> str:
    """Return text with spans replaced; spans must not overlap."""
    parts = []
    at = 0
    for start, end, new in sorted(edits):
        if start < at:
            raise Unfit("two edits of one place")
        parts += [text[at:start], new]
        at = end
    return "".join([*parts, text[at:]])


@dataclass(frozen=True)
class Aperture:
    """One aperture: its D code, its shape, sizes in mm and the box of its image in mm."""

    code: int
    shape: str
    sizes: tuple[float, ...]
    box: tuple[float, float]
    span: tuple[int, int]
    function: str = ""

    @property
    def round(self) -> bool:
        """Whether it is a plain disc."""
        return self.shape == "C"


@dataclass(frozen=True)
class Mark:
    """One flash or draw: end point and start point in mm, its aperture, and its text's span."""

    kind: str
    x: float
    y: float
    from_x: float
    from_y: float
    aperture: int
    span: tuple[int, int]
    dark: bool = True
    arc: bool = False
    repeated: bool = False
    net: str = ""
    part: str = ""
    pin: str = ""

    @property
    def at(self) -> tuple[float, float]:
        """Middle of a draw, or place of a flash."""
        if self.kind == "flash":
            return self.x, self.y
        return (self.x + self.from_x) / 2, (self.y + self.from_y) / 2

    @property
    def length(self) -> float:
        """Length of a draw in mm."""
        return hypot(self.x - self.from_x, self.y - self.from_y)


@dataclass(frozen=True)
class Region:
    """One region statement: contour points in mm and the span from G36 to G37."""

    points: tuple[tuple[float, float], ...]
    span: tuple[int, int]
    dark: bool
    net: str

    @property
    def area(self) -> float:
        """Area of the first contour's polygon in mm², arcs taken as chords."""
        turns = zip(self.points, self.points[1:] + self.points[:1], strict=True)
        return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in turns)) / 2

    def holds(self, x: float, y: float) -> bool:
        """Whether a point lies inside, by the crossing rule."""
        inside = False
        for (ax, ay), (bx, by) in zip(self.points, self.points[1:] + self.points[:1], strict=True):
            if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
                inside = not inside
        return inside


@dataclass
class GerberText:
    """What one Gerber text holds, and how to write more of it."""

    text: str
    mm: float = 1.0
    digits: tuple[int, int] = (0, 0)
    zeros: str = "L"
    absolute: bool = True
    apertures: dict[int, Aperture] = field(default_factory=dict)
    macros: dict[str, str] = field(default_factory=dict)
    marks: list[Mark] = field(default_factory=list)
    regions: list[Region] = field(default_factory=list)
    operations: list[tuple[int, int, re.Match[str]]] = field(default_factory=list)
    has_blocks: bool = False
    end: int = 0

    @property
    def flashes(self) -> list[Mark]:
        """Dark flashes that stand alone."""
        return [m for m in self.marks if m.kind == "flash" and m.dark and not m.repeated]

    @property
    def draws(self) -> list[Mark]:
        """Dark straight draws with a round aperture that stand alone."""
        return [
            m
            for m in self.marks
            if m.kind == "draw"
            and m.dark
            and not m.repeated
            and not m.arc
            and m.length > 0
            and m.aperture in self.apertures
            and self.apertures[m.aperture].round
        ]

    def box_of(self, mark: Mark) -> tuple[float, float]:
        """Width and height of a mark's aperture in mm; zeros where its size cannot be told."""
        aperture = self.apertures.get(mark.aperture)
        return aperture.box if aperture else (0.0, 0.0)

    # -- writing -------------------------------------------------------------------------------

    def number(self, value: float) -> str:
        """Write a length in mm as a coordinate of this file."""
        whole = round(value / self.mm * 10 ** self.digits[1])
        if self.zeros == "T":
            return ("-" if whole < 0 else "") + f"{abs(whole):0{sum(self.digits)}d}"
        return str(whole)

    def point(self, x: float, y: float, code: str) -> str:
        """One operation at a place in mm."""
        return f"X{self.number(x)}Y{self.number(y)}{code}*"

    def size(self, value: float) -> str:
        """Write a length in mm as an aperture size of this file."""
        return f"{value / self.mm:.6f}".rstrip("0").rstrip(".")

    def rewritten(self, mark: Mark, new: str) -> list[Edit]:
        """Edits that write another operation there; a following one without a code gets its own."""
        edits: list[Edit] = [(*mark.span, new)]
        index = next(n for n, (s, _, _) in enumerate(self.operations) if s == mark.span[0])
        if index + 1 < len(self.operations):
            start, end, match = self.operations[index + 1]
            if match["d"] is None:
                code = {"flash": "D03*", "draw": "D01*"}[mark.kind]
                edits.append((start, end, self.text[start : end - 1] + code))
        return edits

    def dropped(self, mark: Mark) -> list[Edit]:
        """Edits that leave a mark out, the current point staying the same."""
        return self.rewritten(mark, self.point(mark.x, mark.y, "D02"))

    def moved(self, flash: Mark, dx: float, dy: float) -> list[Edit]:
        """Edits that move one flash."""
        return self.rewritten(flash, self.point(flash.x + dx, flash.y + dy, "D03"))

    def reshaped(self, mark: Mark, shape: str) -> list[Edit]:
        """Edits that draw one mark with a new aperture, such as ``C,0.1`` in the file's unit."""
        code = max(self.apertures, default=9) + 1
        same = self.text[mark.span[0] : mark.span[1] - 1]
        same += "*" if "D" in same else {"flash": "D03*", "draw": "D01*"}[mark.kind]
        new = f"%ADD{code}{shape}*%\nD{code}*\n{same}\nD{mark.aperture}*"
        return self.rewritten(mark, new)

    def added(self, shape: str, operations: Iterable[tuple[float, float, str]]) -> Edit:
        """An edit that draws with a new aperture at the end of the file."""
        code = max(self.apertures, default=9) + 1
        clean = "%TD*%\n" if re.search(r"%T[AO]", self.text) else ""
        lines = "".join(self.point(x, y, d) + "\n" for x, y, d in operations)
        new = f"{clean}%LPD*%\n%ADD{code}{shape}*%\nD{code}*\nG01*\n{lines}"
        return (self.end, self.end, new)

    def redefined(self, code: int, shape: str) -> Edit:
        """An edit that gives an aperture another shape."""
        return (*self.apertures[code].span, f"ADD{code}{shape}*")

    def transformed(
        self,
        place: Callable[[float, float], tuple[float, float]],
        *,
        flip: bool = False,
    ) -> str:
        """Text with every coordinate mapped; *place* must be a similarity, *flip* a mirror image.

        Offsets of arcs are mapped as vectors.  Apertures keep their shapes.
        """
        if not self.absolute or self.has_blocks:
            raise Unfit("coordinates are increments or stand in blocks")
        edits: list[Edit] = []
        x = y = 0.0
        zero = place(0, 0)
        for start, end, match in self.operations:
            if match["x"] is None and match["y"] is None and match["i"] is None:
                continue
            x = self.length(match["x"]) if match["x"] else x
            y = self.length(match["y"]) if match["y"] else y
            g = match["g"] or ""
            if flip and g in ("2", "3"):
                g = "3" if g == "2" else "2"
            new = f"G{int(g):02d}" if g else ""
            nx, ny = place(x, y)
            new += f"X{self.number(nx)}Y{self.number(ny)}"
            if match["i"] or match["j"]:
                i, j = place(self.length(match["i"] or "0"), self.length(match["j"] or "0"))
                new += f"I{self.number(i - zero[0])}J{self.number(j - zero[1])}"
            if match["d"]:
                new += f"D{int(match['d']):02d}"
            edits.append((start, end, new + "*"))
        text = replaced(self.text, edits)
        if flip:
            text = re.sub(r"G0?([23])\*", lambda m: "G03*" if m[1] == "2" else "G02*", text)
            if self.macros and edits:
                text = text.replace("%LPD*%", "%LPD*%\n%LMX*%", 1)
        return text

    def length(self, digits: str) -> float:
        """A coordinate's digits in mm."""
        if self.zeros == "T":
            sign = -1 if digits.startswith("-") else 1
            digits = digits.lstrip("+-").ljust(sum(self.digits), "0")
            return sign * int(digits) / 10 ** self.digits[1] * self.mm
        return int(digits) / 10 ** self.digits[1] * self.mm


def read_gerber(text: str) -> GerberText:
    """Find apertures, flashes, draws and regions of a Gerber text.

    Raises
    ------
    Unfit
        It has no format, or coordinates this toolkit does not edit.
    """
    return _Walk(text).walked()


class _Walk:
    """State of the reader: what the format calls the graphics state."""

    def __init__(self, text: str) -> None:
        self.out = GerberText(text)
        self.x = self.y = 0.0
        self.code = 0
        self.operation = 2
        self.arc = self.dark = True
        self.arc = False
        self.repeat = self.block = False
        self.attributes: dict[str, tuple[str, ...]] = {}
        self.region: list[tuple[float, float]] | None = None
        self.region_start = 0

    def walked(self) -> GerberText:
        out = self.out
        out.end = len(out.text)
        for found in _WORD.finditer(out.text):
            start, end = found.span()
            word = found[0]
            start += len(word) - len(word.lstrip())
            if word.startswith("%"):
                at = start + 1
                for command in word.strip("%").split("*"):
                    lead = len(command) - len(command.lstrip())
                    self.command(command.strip(), at + lead, at + len(command) + 1)
                    at += len(command) + 1
            else:
                self.word(re.sub(r"\s", "", word), start, end)
                if _END.fullmatch(word.strip()):
                    out.end = start
                    break
        if out.digits == (0, 0):
            raise Unfit("no coordinate format")
        return out

    def command(self, command: str, start: int, end: int) -> None:
        out = self.out
        if shape := _FORMAT.match(command):
            out.zeros, out.absolute = shape[1], shape[2] == "A"
            out.digits = int(shape[3]), int(shape[4])
        elif command.startswith("MO"):
            out.mm = 25.4 if command == "MOIN" else 1.0
        elif command.startswith("AM"):
            name, _, body = out.text[start:].partition("*")
            out.macros[name[2:].strip()] = body.partition("%")[0]
        elif shape := _APERTURE.match(command):
            self.aperture(shape, (start, end))
        elif command.startswith("LP"):
            self.dark = command == "LPD"
        elif command.startswith("SR"):
            self.repeat = len(command) > 2 and not command.startswith("SRX1Y1")
        elif command.startswith("AB"):
            self.block = len(command) > 2
            out.has_blocks = True
        elif command.startswith(("TA", "TO", "TF")):
            name, *values = command[2:].split(",")
            self.attributes[name] = tuple(values)
        elif command.startswith("TD"):
            if name := command[2:]:
                self.attributes.pop(name, None)
            else:
                self.attributes = {}

    def aperture(self, shape: re.Match[str], span: tuple[int, int]) -> None:
        out = self.out
        code, name = int(shape[1]), shape[2]
        try:
            values = tuple(float(v) for v in (shape[3] or "").split("X") if v)
        except ValueError:
            values = ()
        sizes = tuple(v * out.mm for v in values)
        if name in ("C", "P") and sizes:
            box = (sizes[0], sizes[0])
        elif name in ("R", "O") and len(sizes) > 1:
            box = (sizes[0], sizes[1])
        else:
            width, height = macro_box(out.macros.get(name, ""), values)
            box = (width * out.mm, height * out.mm)
        function = ",".join(self.attributes.get(".AperFunction", ()))
        out.apertures[code] = Aperture(code, name, sizes, box, span, function)

    def word(self, word: str, start: int, end: int) -> None:
        if word.startswith("G04"):
            if found := re.match(r"G04#@!(T[AOFD][^*]*)", word):
                self.command(found[1], start, end)
            return
        match = _OPERATION.fullmatch(word)
        if not match:
            return
        g = int(match["g"] or -1)
        if g in (1, 2, 3):
            self.arc = g > 1
        elif g == 36:
            self.region, self.region_start = [], start
        elif g == 37 and self.region is not None:
            points, self.region = tuple(self.region), None
            if len(points) > 2 and not (self.repeat or self.block):
                net = ",".join(self.attributes.get(".N", ()))
                span = (self.region_start, end)
                self.out.regions.append(Region(points, span, self.dark, net))
        d = int(match["d"]) if match["d"] else None
        if d is not None and d >= 10:
            self.code = d
            return
        if match["x"] is None and match["y"] is None and d is None:
            return
        self.out.operations.append((start, end, match))
        self.draw(match, d, (start, end))

    def draw(self, match: re.Match[str], d: int | None, span: tuple[int, int]) -> None:
        out = self.out
        from_x, from_y = self.x, self.y
        if match["x"]:
            self.x = out.length(match["x"]) + (0 if out.absolute else from_x)
        if match["y"]:
            self.y = out.length(match["y"]) + (0 if out.absolute else from_y)
        self.operation = self.operation if d is None else d
        if self.region is not None:
            self.region.append((self.x, self.y))
        elif self.operation in (1, 3) and not self.block:
            part = self.attributes.get(".P", ())
            out.marks.append(
                Mark(
                    "flash" if self.operation == 3 else "draw",
                    self.x,
                    self.y,
                    from_x,
                    from_y,
                    self.code,
                    span,
                    dark=self.dark,
                    arc=self.arc,
                    repeated=self.repeat,
                    net=",".join(self.attributes.get(".N", ())),
                    part=part[0] if part else "",
                    pin=part[1] if len(part) > 1 else "",
                )
            )


def macro_box(body: str, values: tuple[float, ...]) -> tuple[float, float]:
    """Width and height of a macro's dark image in the file's unit; zeros where not understood."""
    points: list[tuple[float, float, float]] = []
    names = {n + 1: v for n, v in enumerate(values)}
    try:
        for command in body.split("*"):
            command = re.sub(r"\s", "", command)
            if equal := re.match(r"\$(\d+)=(.*)", command):
                names[int(equal[1])] = _value(equal[2], names)
            elif command and not command.startswith("0"):
                points += _primitive([_value(v, names) for v in command.split(",")])
    except (ValueError, IndexError, ZeroDivisionError):
        return 0.0, 0.0
    if not points:
        return 0.0, 0.0
    across = max(abs(x) + r for x, _, r in points)
    along = max(abs(y) + r for _, y, r in points)
    return 2 * across, 2 * along


def _value(text: str, names: dict[int, float]) -> float:
    """Value of a macro expression: numbers, variables, + - x / and parentheses."""
    plain = re.sub(r"\$(\d+)", lambda m: f"({names.get(int(m[1]), 0.0)!r})", text)
    plain = plain.replace("X", "x")
    while inner := re.search(r"\(([^()]*)\)", plain):
        plain = plain[: inner.start()] + _marked(_sum(inner[1])) + plain[inner.end() :]
    return _sum(plain)


def _marked(value: float) -> str:
    """A number whose minus sign is no operator."""
    return f"{value:.9f}".replace("-", "~")


def _sum(text: str) -> float:
    total = 0.0
    for term in re.findall(r"[+-]?[^+-]+", text):
        sign = -1.0 if term[0] == "-" else 1.0
        product = None
        operator = "x"
        for factor in re.split(r"([x/])", term.lstrip("+-")):
            if factor in ("x", "/"):
                operator = factor
                continue
            number = float(factor.replace("~", "-"))
            if product is None:
                product = number
            else:
                product = product * number if operator == "x" else product / number
        total += sign * (product or 0.0)
    return total


def _primitive(v: list[float]) -> list[tuple[float, float, float]]:
    """Points of a primitive with the radius of ink around each."""
    kind = int(v[0])
    points: list[tuple[float, float, float]]
    turn = 0.0
    if kind == 1 and v[1]:
        points = [(v[3], v[4], v[2] / 2)]
        turn = v[5] if len(v) > 5 else 0.0
    elif kind in (2, 20) and v[1]:
        points, turn = [(v[3], v[4], v[2] / 2), (v[5], v[6], v[2] / 2)], v[7]
    elif kind == 21 and v[1]:
        w, h = v[2] / 2, v[3] / 2
        points = [(v[4] + a * w, v[5] + b * h, 0.0) for a in (-1, 1) for b in (-1, 1)]
        turn = v[6]
    elif kind == 4 and v[1]:
        count = int(v[2]) + 1
        points = [(v[3 + 2 * n], v[4 + 2 * n], 0.0) for n in range(count)]
        turn = v[3 + 2 * count]
    elif kind == 5 and v[1]:
        points = [(v[3], v[4], v[5] / 2)]
    elif kind == 7:
        points = [(v[1], v[2], v[3] / 2)]
    else:
        return []
    c, s = cos(turn * pi / 180), sin(turn * pi / 180)
    return [(x * c - y * s, x * s + y * c, r) for x, y, r in points]


def without_attributes(text: str, kinds: str = "TF|TA|TO|TD") -> str:
    """Text without attribute commands of some kinds."""
    text = re.sub(rf"%(?:{kinds})[^%]*%\r?\n?", "", text)
    return re.sub(rf"G04 ?#@! ?(?:{kinds})[^*]*\*\r?\n?", "", text)
