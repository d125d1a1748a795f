"""Blocks of the body: what each command does to the machine."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.drill.formats import FormatState, value_of
from fabkit.formats.drill.model import NumberFormat, Unit
from fabkit.formats.drill.plotter import (
    ARC_CENTRE,
    DIP_GAP_MM,
    DIP_PITCH_MM,
    PLUNGE,
    REPEAT_ORDER,
    Flips,
    Plotter,
    Point,
    circle_hits,
    dip_hits,
    dip_size,
)
from fabkit.formats.drill.tools import ToolTable
from fabkit.rules import load_rule

TOO_MANY_DIGITS: Final = load_rule("drill/too-many-digits")
BAD_NUMBER: Final = load_rule("drill/bad-number")
UNIT_AFTER_SIZE: Final = load_rule("drill/unit-after-size")
UNKNOWN: Final = load_rule("drill/unknown-command")
NOT_XNC: Final = load_rule("drill/not-exchange-data")
NO_TARGET: Final = load_rule("drill/rout-without-target")
COMP_DOWN: Final = load_rule("drill/compensation-while-cutting")
COMPENSATION: Final = load_rule("drill/compensation-used")
MACHINE: Final = load_rule("drill/machine-setting")
REPEATS: Final = load_rule("drill/repeats")
G81: Final = load_rule("drill/g81-depends")
INCREMENTAL: Final = load_rule("drill/incremental")
WORK_ZERO: Final = load_rule("drill/work-zero-moved")
VERSION: Final = load_rule("drill/axis-version")

Flow = Literal["go", "stop", "end", "repeat-end"]
Words = list[tuple[str, bytes]]

WORD: Final = re.compile(rb"([A-Z])([+-]?[0-9.]*)")
# Possessive: a long line that is no block fails at once instead of being split in every way.
BLOCK: Final = re.compile(rb"(?:[A-Z](?>[+-]?[0-9.]*))++\Z")

FORMAT_1: Final = {
    "G81": "G05",
    "M02": "M00",
    "M24": "M01",
    "M26": "M02",
    "M27": "M08",
    "M01": "M06",
    "M00": "M09",
    "M23": "M70",
    "M21": "M80",
    "M22": "M90",
    "M70": "M72",
}
"""The older command set, in terms of the newer one (Excellon CNC-7, format 1 and format 2)."""

_MACHINE: Final = frozenset(
    ("G07", "M06", "M09", "M18", "M19", "M60", "M61", "M62", "M63", "M96", "G04")
)
_VISION: Final = frozenset(("G34", "G35", "G36", "G37", "G39", "G45", "G46", "M50", "M51", "M52"))
_BESIDE: Final = "ABCFHIJKNRSTUZ"
"""Letters of numbers beside a coordinate: arcs, feeds, speeds, depths, repeats, block numbers."""
_VISION_HITS: Final = frozenset(("G38", "G48"))


@dataclass(slots=True)
class _Block:
    words: Words
    point: tuple[float | None, float | None] | None
    offset: int
    code: str = ""
    """The code that is being handled."""
    after: list[str] = field(default_factory=list)
    """The codes behind it."""


class Interpreter:
    """Runs blocks on a plotter."""

    def __init__(self, plotter: Plotter, log: ProblemLog) -> None:
        self._plotter = plotter
        self._log = log
        self.format: NumberFormat | None = None
        self.old_commands: bool | None = None
        """True for FMAT,1; None when the file does not say."""
        self._corners: list[Point] = []
        self._wanted: Literal["", "dip", "circle", "skip"] = ""
        self._dip = (DIP_PITCH_MM, DIP_GAP_MM)
        self._moves = True
        groups: tuple[tuple[str, Callable[[_Block], Flow | None]], ...] = (
            ("G90 G91", self._axes),
            ("G00 G01 G02 G03", self._rout),
            ("G05 G81", self._drill_mode),
            ("M14 M15 M16 M17", self._tool_moves),
            ("G40 G41 G42", self._compensate),
            ("G32 G33", self._opening),
            ("G82 G83", self._canned),
            ("G93", self._work_zero),
            ("M25 M01 M02 M08 M70 M80 M90", self._pattern),
            ("M30 M00", self._end),
        )
        self._handlers = {code: take for codes, take in groups for code in codes.split()}

    @property
    def plain(self) -> bool:
        """True when a coordinate line is nothing but a hit."""
        return not (self._wanted or self._plotter.rout)

    def skip_next_point(self) -> None:
        """Let the next coordinate block place a text or a stored pattern: it drills nothing."""
        self._wanted = "skip"

    def _mm(self, text: bytes, offset: int) -> float:
        assert self.format is not None  # noqa: S101 - the reader settles it before any block
        digits = len(text.lstrip(b"+-"))
        limit = self.format.integers + self.format.decimals
        if self.format.zeros != "point" and b"." not in text and digits > limit:
            self.tell_long(offset)
        try:
            return value_of(text, self.format) * self.format.unit_mm
        except (ValueError, OverflowError):
            self._log.add(BAD_NUMBER, "a coordinate is not a number", offset=offset, assumed="zero")
            return 0.0

    def tell_long(self, offset: int, count: int = 1) -> None:
        """Report numbers longer than the format."""
        assert self.format is not None  # noqa: S101 - as above
        self._log.add(
            TOO_MANY_DIGITS,
            f"numbers have more digits than {self.format.integers}.{self.format.decimals} holds",
            offset=offset,
            count=count,
        )

    def _point(self, words: Words, offset: int) -> tuple[float | None, float | None] | None:
        x = y = None
        seen = False
        for letter, text in words:
            if letter == "X":
                x, seen = self._mm(text, offset), True
            elif letter == "Y":
                y, seen = self._mm(text, offset), True
        return (x, y) if seen else None

    def _named(self, words: Words, letter: str, offset: int) -> float | None:
        for name, text in words:
            if name == letter:
                return self._mm(text, offset)
        return None

    # -- one block -------------------------------------------------------------------------

    def block(self, words: Words, offset: int) -> Flow:
        """Run one block; T words are already taken off."""
        if not words:
            return "go"
        head = words[0][0]
        if head in "RP":
            return self._repeat(words, offset)
        codes = [self._code(letter, text) for letter, text in words]
        found = [c for c in codes if c]
        for code in found:
            if code in ("G85", "G87", "G84"):
                at = codes.index(code)
                self._two_part(code, words[:at], words[at + 1 :], offset)
                return "go"
        rest = [w for w, c in zip(words, codes, strict=True) if not c]
        return self._run(found, rest, offset)

    def _code(self, letter: str, text: bytes) -> str:
        if letter not in "GM" or not text.isdigit() or len(text) > 3:
            return f"{letter}{text.decode()}" if letter in "GM" else ""
        code = f"{letter}{int(text):02d}"
        return FORMAT_1.get(code, code) if self.old_commands else code

    def _run(self, codes: list[str], words: Words, offset: int) -> Flow:
        # The X behind G04 is a dwell time, not a place.
        point = self._point(words, offset) if codes[:1] != ["G04"] else None
        if point is not None:
            self._refuse_strange(words, offset)
        # Coordinates beside a code are its own, unless its handler gives them back.
        self._moves = not codes
        block = _Block(words, point, offset)
        for at, code in enumerate(codes):
            block.after = codes[at + 1 :]
            block.code = code
            handler = self._handlers.get(code, self._silent)
            flow = handler(block)
            if flow is not None:
                return flow
        if point is not None and self._moves:
            self._coordinate(self._plotter.target(*point), offset)
        elif not codes and point is None:
            letters = "".join(letter for letter, _ in words)
            if letters.strip("FSBHZUAIJ"):
                self._log.add(UNKNOWN, f"the command {letters} is not known", offset=offset)
            elif letters:
                self._log.add(MACHINE, "feeds and speeds are ignored", offset=offset)
        return "go"

    def _refuse_strange(self, words: Words, offset: int) -> None:
        """Report what is no part of a coordinate block, such as an exponent (``X1.5E1``, ``XNAN``).

        What stands in front of it was read as the whole number, so the place is wrong.
        """
        beside = [(letter, text) for letter, text in words if letter not in "XY"]
        broken = "".join(f"{c}{t.decode()}" for c, t in beside if c == "E" or not t)
        other = "".join(
            f"{c}{t.decode()}" for c, t in beside if c not in _BESIDE and c != "E" and t
        )
        if broken:
            self._log.add(
                BAD_NUMBER,
                f"{broken[:40]} is no part of a coordinate",
                offset=offset,
                assumed="left out",
            )
        elif other:
            self._log.add(UNKNOWN, f"{other[:40]} beside a coordinate is not known", offset=offset)

    # Handlers return None to go on with the block, else what becomes of the program.

    def _axes(self, block: _Block) -> Flow | None:
        self._plotter.incremental = block.code == "G91"
        if block.code == "G91":
            self._log.add(
                INCREMENTAL, "coordinates are steps from hole to hole (G91)", offset=block.offset
            )
        self._moves = True
        return None

    def _tool_moves(self, block: _Block) -> Flow | None:
        if block.code in ("M14", "M15"):
            self._plotter.plunge()
        else:
            self._plotter.lift()
        return None

    def _opening(self, block: _Block) -> Flow | None:
        plotter = self._plotter
        radius = self._named(block.words, "A", block.offset)
        if radius is not None:
            plotter.radius = radius
        if plotter.radius is None:
            self._log.add(ARC_CENTRE, f"{block.code} without a radius", offset=block.offset)
            return "go"
        centre = plotter.target(*(block.point or (None, None)))
        plotter.opening(centre, 2 * abs(plotter.radius), block.offset)
        return "go"

    def _end(self, block: _Block) -> Flow | None:
        # Coordinates in the block are a parking place of the table, not a hole (Excellon CNC-7).
        return "end" if block.code == "M30" else "stop"

    def _silent(self, block: _Block) -> Flow | None:
        code, offset = block.code, block.offset
        if code in ("M71", "M72"):
            return None  # the reader took the unit
        if code in _VISION_HITS:
            self._log.add(NOT_XNC, f"{code} drills a hole corrected by a camera", offset=offset)
            self._moves = True
            return None
        if code in _VISION:
            self._log.add(NOT_XNC, f"{code} is for a camera", offset=offset)
        elif code in _MACHINE:
            self._log.add(MACHINE, f"{code} concerns the machine only", offset=offset)
        else:
            self._log.add(
                UNKNOWN, f"the command {code} is not known", offset=offset, assumed="ignored"
            )
        return "go"

    def _coordinate(self, point: Point, offset: int) -> None:
        plotter = self._plotter
        if self._wanted == "skip":
            self._wanted = ""
            plotter.move(point)
        elif self._wanted:
            plotter.move(point)
            self._corners.append(point)
            if len(self._corners) == 2:
                self._finish_canned(offset)
        elif not plotter.rout:
            plotter.hit(point, offset)
        elif plotter.down:
            plotter.cut(point, offset)
        else:
            plotter.move(point)

    # -- routing ---------------------------------------------------------------------------

    def _rout(self, block: _Block) -> Flow | None:
        words, offset, point = block.words, block.offset, block.point
        self._moves = False
        plotter = self._plotter
        radius = self._named(words, "A", offset)
        if radius is not None:
            plotter.radius = radius
        if block.code == "G00":
            plotter.lift_for("G00", offset)
            plotter.rout, plotter.interpolation = True, 1
            if point is None:
                self._log.add(NO_TARGET, "G00 has no coordinate", offset=offset)
            else:
                plotter.move(plotter.target(*point))
            return None
        plotter.interpolation = int(block.code[1:])
        centre: Point | None = None
        i, j = self._named(words, "I", offset), self._named(words, "J", offset)
        if i is not None or j is not None:
            centre = (i or 0.0, j or 0.0)
        if point is None and centre is None:
            return None
        if not plotter.down:
            self._log.add(
                PLUNGE,
                f"{block.code} cuts, but the tool was not lowered with M15",
                offset=offset,
                assumed="read as a cut",
            )
            plotter.plunge()
        plotter.cut(plotter.target(*(point or (None, None))), offset, centre=centre)
        return None

    def _compensate(self, block: _Block) -> Flow | None:
        plotter, offset = self._plotter, block.offset
        self._moves = True
        if plotter.down:
            self._log.add(
                COMP_DOWN,
                f"{block.code} changes the compensation while the tool is down",
                offset=offset,
            )
        if block.code != "G40":
            self._log.add(
                COMPENSATION,
                f"{block.code} puts the tool beside the line",
                offset=offset,
                assumed="the line as written is taken as the centre of the tool",
            )
        return None

    def _drill_mode(self, block: _Block) -> Flow | None:
        """G05, or G81 in either of its meanings."""
        if block.code == "G81":
            if self.old_commands is False:
                return self._canned(replace(block, code="G82"))
            self._log.add(
                G81,
                "G81 without FMAT, which defines what G81 means",
                offset=block.offset,
                assumed="drill mode",
                # With a pattern its two corners would follow; alone it can only be the mode.
                severity=Severity.NOTE if block.point is None else None,
            )
        self._plotter.drill_mode(block.offset)
        self._moves = True
        return None

    # -- slots, openings, patterns ---------------------------------------------------------

    def _two_part(self, code: str, before: Words, after: Words, offset: int) -> None:
        plotter = self._plotter
        first = self._point(before, offset)
        start = plotter.target(*first) if first else (plotter.x, plotter.y)
        plotter.lift_for(code, offset)
        plotter.move(start)
        if code == "G84":
            diameter = self._named(after, "X", offset)
            if not diameter:
                self._log.add(BAD_NUMBER, "G84 has no diameter", offset=offset)
                return
            plotter.opening(start, abs(diameter), offset)
            return
        second = self._point(after, offset)
        if second is None:
            self._log.add(BAD_NUMBER, f"{code} has no end", offset=offset, assumed="a round hole")
            plotter.hit(start, offset)
            return
        plotter.slot(start, plotter.target(*second), offset)

    def _canned(self, block: _Block) -> Flow | None:
        self._corners = []
        if block.code == "G83":
            self._wanted = "circle"
            return "go"
        pitch, gap = block.point or (None, None)
        self._dip = (pitch or DIP_PITCH_MM, gap or DIP_GAP_MM)
        self._wanted = "dip"
        return "go"

    def _finish_canned(self, offset: int) -> None:
        plotter = self._plotter
        first, last = self._corners
        kind, self._wanted, self._corners = self._wanted, "", []
        hits, slots = len(plotter.hits), len(plotter.slots)
        if kind == "circle":
            plotter.hit_many(circle_hits(first, last), offset)
        else:
            pitch, gap = (abs(v) for v in self._dip)
            count, along_x = dip_size(first, last, pitch=pitch, gap=gap)
            plotter.reserve_copies(2 * count)
            plotter.hit_many(dip_hits(first, last, count, along_x=along_x), offset)
        plotter.move(last)
        plotter.keep_pattern(hits, slots)
        self._log.add(REPEATS, "patterns of holes are expanded", offset=offset)

    # -- repeats ---------------------------------------------------------------------------

    def _repeat(self, words: Words, offset: int) -> Flow:
        (head, text), rest = words[0], words[1:]
        if not text.isdigit() or len(text) > 9:
            self._log.add(BAD_NUMBER, f"{head} without a count", offset=offset)
            return "go"
        count = int(text)
        self._log.add(REPEATS, "repeats are expanded", offset=offset)
        codes = [c for c in (self._code(letter, t) for letter, t in rest) if c]
        point = self._point(rest, offset)
        if codes[:1] == ["M02"]:
            return self._step_repeat("M02", codes[1:], count, point or (0.0, 0.0), offset) or "go"
        x, y = point or (None, None)
        if head == "R":
            self._plotter.repeat_hit(count, x or 0.0, y or 0.0, offset)
        else:
            self._plotter.repeat_pattern(count, x or 0.0, y or 0.0, offset)
        return "go"

    def _pattern(self, block: _Block) -> Flow | None:
        return self._step_repeat(block.code, block.after, 1, block.point, block.offset)

    def _step_repeat(
        self,
        code: str,
        flags: list[str],
        count: int,
        point: tuple[float | None, float | None] | None,
        offset: int,
    ) -> Flow | None:
        plotter, state = self._plotter, self._plotter.repeat
        if code == "M25":
            state.open(len(plotter.hits), len(plotter.slots), offset)
            return "go"
        if state.first is None:
            if code == "M02" and point is None:
                return "repeat-end"
            self._log.add(
                REPEAT_ORDER, f"{code} without M25 before it", offset=offset, assumed="ignored"
            )
            return "go"
        if code == "M01":
            state.body = (plotter.hits.rows(state.first[0]), plotter.slots.rows(state.first[1]))
            state.at = (0.0, 0.0)
            state.announced = None
            plotter.pattern = state.body
        elif code == "M08":
            state.close()
            if plotter.incremental:
                plotter.move((0.0, 0.0))
            return None  # M30 may share the block
        elif code == "M02" and point is None:
            state.at = (0.0, 0.0)
        elif code == "M02":
            self._copy(flags, count, point or (None, None), offset)
        return "go"

    def _copy(
        self,
        flags: list[str],
        count: int,
        step: tuple[float | None, float | None],
        offset: int,
    ) -> None:
        plotter, state = self._plotter, self._plotter.repeat
        if state.body is None:
            self._log.add(
                REPEAT_ORDER, "M02 without M01 before it", offset=offset, assumed="ignored"
            )
            return
        self._log.add(REPEATS, "step and repeat is expanded", offset=offset)
        move = (step[0] or 0.0, step[1] or 0.0)
        plotter.add_copies(
            state.body,
            state.at,
            move,
            count,
            offset,
            flips=Flips(mirror_x="M80" in flags, mirror_y="M90" in flags, swap="M70" in flags),
        )
        # Steps add up from copy to copy, flips do not: each block turns the pattern as drilled.
        state.at = (state.at[0] + count * move[0], state.at[1] + count * move[1])

    def _work_zero(self, block: _Block) -> Flow | None:
        plotter, offset = self._plotter, block.offset
        x, y = block.point or (None, None)
        plotter.zero = (plotter.zero[0] + (x or 0.0), plotter.zero[1] + (y or 0.0))
        plotter.move((0.0, 0.0))
        if plotter.zero != (0.0, 0.0):
            self._log.add(
                WORK_ZERO,
                f"G93 moves the work zero to {plotter.zero[0]:.4g}, {plotter.zero[1]:.4g} mm",
                offset=offset,
                assumed="the shift is part of the coordinates",
            )
        return "go"


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
                    VERSION,
                    f"{text.decode('ascii', 'replace')} may mirror or swap the axes",
                    offset=offset,
                    assumed="axes read as written",
                )
        elif head == b"ICI":
            self._plotter.incremental = text != b"ICI,OFF"
            if self._plotter.incremental:
                self._log.add(INCREMENTAL, "ICI is on", offset=offset)
        elif head in (b"LZ", b"TZ"):
            self._formats.state_zeros("leading" if head == b"LZ" else "trailing", offset)
        elif (in_header or b"," in text) and (
            head in _SETTINGS or re.fullmatch(rb"Z[+-][0-9.]*", head)
        ):
            self._log.add(
                MACHINE,
                f"{head.decode('ascii', 'replace')} concerns the machine only",
                offset=offset,
            )
        elif _LINK.match(text):
            self.links.append(([int(n[:9]) for n in text.split(b"/")], offset))
        elif text[:1] == b"$":
            self._log.add(MACHINE, "$ concerns the machine only", offset=offset)
        else:
            return False
        return True

    def _unit(self, word: bytes, rest: bytes, offset: int, *, in_header: bool) -> None:
        unit: Unit = "inch" if word in (b"INCH", b"M72") else "mm"
        if any(e.size for e in self._tools.entries) and self._formats.unit is None:
            self._log.add(
                UNIT_AFTER_SIZE,
                "the unit comes after tool diameters",
                offset=offset,
                assumed="the diameters are in that unit",
            )
        self._formats.state_unit(unit, offset, in_header=in_header)
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
                    UNKNOWN,
                    f"{part.decode('ascii', 'replace')} is not known beside the unit",
                    offset=offset,
                    assumed="ignored",
                )
