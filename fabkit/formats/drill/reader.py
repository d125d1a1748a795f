"""Reading a drill file: lines, header and comments; the body goes to the interpreter."""

from __future__ import annotations

import re
import statistics
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.base.findings import ProblemLog, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.units import INCH_MM
from fabkit.formats.drill.blocks import BLOCK, NOT_XNC, UNKNOWN, WORD, Interpreter, Settings, Words
from fabkit.formats.drill.formats import FormatState
from fabkit.formats.drill.model import DrillFile, FormatHint, NumberFormat, Tool
from fabkit.formats.drill.plotter import REPEAT_ORDER, Plotter
from fabkit.formats.drill.tools import (
    TOOL_TWICE,
    AttributeCommand,
    AttributeState,
    LimitReached,
    PlatingHint,
    SizeHint,
    ToolTable,
    meaning_of,
    plating_of,
)
from fabkit.rules import load_rule

NO_HEADER: Final = load_rule("drill/no-header")
HEADER_OPEN: Final = load_rule("drill/header-not-closed")
TOOL_UNDEFINED: Final = load_rule("drill/tool-undefined")
TOOL_NO_SIZE: Final = load_rule("drill/tool-without-diameter")
TOOL_UNUSED: Final = load_rule("drill/tool-unused")
SIZE_RANGE: Final = load_rule("drill/diameter-out-of-range")
SIZE_UNIT: Final = load_rule("drill/diameter-other-unit")
SIZE_REPEATED: Final = load_rule("drill/diameter-repeated")
ALL_ONE_SIZE: Final = load_rule("drill/all-one-size")
TOOL_MIXED: Final = load_rule("drill/tool-mixed-use")
NO_HOLES: Final = load_rule("drill/no-holes")
LIMIT: Final = load_rule("drill/too-many-objects")
FILE_LIMIT: Final = load_rule("drill/file-too-large")
LOWER_CASE: Final = load_rule("drill/lower-case")
STRANGE_BYTES: Final = load_rule("drill/strange-bytes")
GERBER_INSIDE: Final = load_rule("drill/gerber-content")
NO_END: Final = load_rule("drill/end-missing")
AFTER_END: Final = load_rule("drill/data-after-end")
STORED: Final = load_rule("drill/stored-pattern")
M02_END: Final = load_rule("drill/m02-as-end")
BLOCK_DELETE: Final = load_rule("drill/block-delete")

_LINE: Final = re.compile(rb"[^\r\n]*")
_NUMBER: Final = rb"[+-]?(?>[0-9]{1,15}(?>\.[0-9]{0,15})?|\.[0-9]{1,15})"
# Atomic, so that a run is never tried in other ways; bounded, so that little is held at a time.
_RUN: Final = re.compile(
    rb"(?>(?>X" + _NUMBER + rb"(?>Y" + _NUMBER + rb")?|Y" + _NUMBER + rb")(?>\r\n|\n|\r)){8,50000}+"
)
_TOOL: Final = re.compile(rb"T([0-9]{1,9})")
_TOOL_FIELD: Final = re.compile(rb"([CFSBHZU])([+-]?[0-9.]*)")
_MOTION: Final = re.compile(rb"[\r\n][ \t]*[XYT]")
_SOMETHING: Final = re.compile(rb"[\r\n][ \t%\0\x1a]*[^ \t\r\n%\0\x1a]")
_LONGEST_BLOCK: Final = 4096  # a block has a few dozen characters
_GERBER: Final = re.compile(rb"%(?:FS|MO|AD|AM|LP|TF|TA)|.*D0?[123]\*")
_STRANGE: Final = re.compile(rb"[^\t -~]")
_BOM: Final = b"\xef\xbb\xbf"


def read(
    data: bytes,
    *,
    name: str,
    limits: Limits = DEFAULT_LIMITS,
    number_format: NumberFormat | None = None,
) -> DrillFile:
    """Read a drill or rout file.  Never raises on content: see ``problems`` of the result.

    Parameters
    ----------
    name
        Member name; its words are the last evidence for plating.
    number_format
        Overrules what the file states or leaves out.
    """
    log = ProblemLog(name, keep=limits.problem_places)
    if len(data) > limits.file_bytes:
        message = f"{len(data)} bytes, the limit is {limits.file_bytes}"
        log.add(FILE_LIMIT, message, assumed="not read")
        return _Reader(b"", name, limits, log, number_format).result(len(data), complete=False)
    reader = _Reader(data, name, limits, log, number_format)
    complete = reader.run()
    return reader.result(len(data), complete=complete)


def read_format(data: bytes, *, name: str) -> FormatState:
    """Give what a file states about its numbers, hints filling the gaps; nothing is assumed."""
    reader = _Reader(data, name, DEFAULT_LIMITS, ProblemLog(name), None)
    reader.run()
    return reader.stated_format()


class _Reader:
    def __init__(
        self,
        data: bytes,
        name: str,
        limits: Limits,
        log: ProblemLog,
        number_format: NumberFormat | None,
    ) -> None:
        self._data = data
        self._name = name
        self._log = log
        self._formats = FormatState(log, number_format)
        self._tools = ToolTable(log, limits)
        self._plotter = Plotter(self._tools, log, limits)
        self._interpreter = Interpreter(self._plotter, log)
        self._settings = Settings(self._formats, self._tools, self._plotter, log)
        self._attributes = AttributeState(log)
        self._group_plated: bool | None = None
        self._in_header = False
        self._header_seen = False
        self._started = False
        self._header_tool = -1
        """Row of the last tool line without fields inside the header: meant as a choice."""
        self._body_begun = False
        self._ended: int | None = None
        self._stops = 0
        self._message_open = False

    # -- lines -----------------------------------------------------------------------------

    def run(self) -> bool:
        """Read everything; False when a limit ended the reading."""
        data, pos = self._data, 0
        if data.startswith(_BOM):
            self._log.add(
                STRANGE_BYTES,
                "the file begins with a byte order mark",
                offset=0,
                severity=Severity.NOTE,
            )
            pos = len(_BOM)
        try:
            while pos < len(data) and self._ended is None:
                if self._can_run():
                    found = _RUN.match(data, pos)
                    if found:
                        self._run_of_points(found.group(), pos)
                        pos = found.end()
                        continue
                line = _LINE.match(data, pos)
                assert line is not None  # noqa: S101 - the pattern matches the empty line
                self._line(line.group(), pos)
                pos = line.end()
                pos += 2 if data[pos : pos + 2] == b"\r\n" else 1
        except LimitReached:
            self._log.add(
                LIMIT,
                "more holes or tools than the limits objects, copies and apertures allow",
                offset=pos,
                assumed="reading stopped here",
            )
            return False
        self._finish(pos)
        return True

    def _can_run(self) -> bool:
        return (
            not self._in_header
            and not self._message_open
            and self._formats.format is not None
            and self._interpreter.plain
            and (self._plotter.tool >= 0 or not self._tools.sizes)
        )

    def _run_of_points(self, chunk: bytes, offset: int) -> None:
        fmt = self._formats.format
        assert fmt is not None  # noqa: S101 - asked by _can_run
        if fmt.zeros != "point":
            digits = fmt.integers + fmt.decimals
            # Only long texts can hold too many digits, so the search is rarely made.
            long = re.findall(rb"[XY][+-]?([0-9]{%d,})(?![0-9.])" % (digits + 1), chunk)
            if long:
                self._interpreter.tell_long(offset, len(long))
        self._plotter.run(chunk, offset, fmt)

    def _line(self, raw: bytes, offset: int) -> None:
        text, mark, comment = raw.partition(b";")
        if self._message_open:
            self._message_open = raw.rstrip().endswith(b"\\")
            return
        if mark:
            self._comment(comment.decode("utf-8", "replace"), offset)
        stripped = text.strip()
        if not stripped:
            return
        offset += len(text) - len(text.lstrip())
        if stripped.startswith(b"G04") and b"#@!" in stripped:
            self._comment(stripped[3:].decode("utf-8", "replace"), offset)
            return
        if b"*" in stripped and _GERBER.match(stripped):
            self._log.add(
                GERBER_INSIDE, "a Gerber command stands here", offset=offset, assumed="ignored"
            )
            return
        self._check_bytes(stripped, offset)
        if self._free_text(stripped, offset):
            return
        upper = stripped.upper()
        if upper != stripped:
            self._log.add(
                LOWER_CASE,
                "commands are written in lower case",
                offset=offset,
                assumed="read as upper case",
            )
        self._command(b"".join(upper.split()), offset)

    def _check_bytes(self, text: bytes, offset: int) -> None:
        strange = len(_STRANGE.findall(text))
        if strange:
            self._log.add(
                STRANGE_BYTES,
                "a command holds bytes that are no printable ASCII",
                offset=offset,
                count=strange,
                severity=Severity.ERROR if strange > 8 else None,
            )

    def _free_text(self, text: bytes, offset: int) -> bool:
        """M45, M47, M97, M98 and M99 take the rest of the line as text."""
        head = text[:4].upper()
        if head in (b"M47,", b"M45,"):
            self._message_open = head == b"M45," and text.endswith(b"\\")
            self._log.add(NOT_XNC, "a message to the operator", offset=offset)
        elif head in (b"M97,", b"M98,"):
            self._log.add(
                NOT_XNC,
                "drilled text is not drawn: its holes depend on the machine",
                offset=offset,
                assumed="left out",
            )
            self._interpreter.skip_next_point()
        elif head == b"M99,":
            self._log.add(
                STORED, "a pattern stored elsewhere is called", offset=offset, assumed="left out"
            )
            self._interpreter.skip_next_point()
        else:
            return False
        return True

    # -- comments --------------------------------------------------------------------------

    def _comment(self, text: str, offset: int) -> None:
        meaning = meaning_of(text)
        if isinstance(meaning, AttributeCommand):
            in_header = not self._body_begun
            self._plotter.attributes = self._attributes.take(meaning, offset, in_header=in_header)
        elif isinstance(meaning, FormatHint):
            self._formats.add_hint(meaning)
        elif isinstance(meaning, PlatingHint):
            if meaning.from_tool is None:
                self._group_plated = meaning.plated
            else:
                self._tools.plated_ranges.append((meaning.from_tool, meaning.plated))
        elif isinstance(meaning, SizeHint):
            self._tools.sizes.append(meaning)

    # -- commands --------------------------------------------------------------------------

    def _command(self, text: bytes, offset: int) -> None:
        if text[:1] == b"N":
            text = re.sub(rb"\AN[0-9]+", b"", text)
            if not text:
                return
        if text[:1] == b"/":
            text = self._block_deleted(text, offset)
            if not text:
                return
        if text == b"M48":
            self._open_header()
        elif text == b"M95":
            self._close_header()
        elif text.strip(b"%") == b"":
            self._percent()
        elif text[:1] == b"%":
            self._percent()
            self._command(text.lstrip(b"%"), offset)
        elif self._settings.take(text, offset, in_header=self._in_header):
            self._interpreter.format = self._formats.format
            self._interpreter.old_commands = self._settings.old_commands
        else:
            self._block(text, offset)

    def _block_deleted(self, text: bytes, offset: int) -> bytes:
        rest = text[1:]
        if rest:
            self._log.add(
                BLOCK_DELETE,
                "a line is marked for block delete",
                offset=offset,
                assumed="read as if the switch were off",
            )
        return rest

    def _open_header(self) -> None:
        self._header_seen = self._in_header = True
        self._plotter.tool = -1

    def _close_header(self) -> None:
        self._in_header = False
        self._started = True
        self._plotter.tool = -1

    def _percent(self) -> None:
        """End of the header, start of a program without one, or M25."""
        if self._in_header or not self._started:
            self._close_header()
            return
        plotter = self._plotter
        plotter.repeat.open(len(plotter.hits), len(plotter.slots), None)

    def _block(self, text: bytes, offset: int) -> None:
        tool = _TOOL.match(text)
        while tool:
            text = self._tool(tool, text, offset)
            tool = _TOOL.match(text)
        if not text:
            return
        if len(text) > _LONGEST_BLOCK or not BLOCK.match(text):
            shown = "the command " + text[:20].decode("ascii", "replace")
            self._log.add(UNKNOWN, f"{shown} is not known", offset=offset, assumed="ignored")
            return
        words: Words = [(w.decode(), t) for w, t in WORD.findall(text)]
        if self._in_header:
            self._check_header(words, offset)
        for letter, code in words:
            if letter == "M" and code in (b"71", b"72"):
                self._settings.take(b"M" + code, offset, in_header=self._in_header)
        if any(letter in "XYAIJ" for letter, _ in words):
            self._begin_body(offset)
        self._interpreter.format = self._formats.format
        flow = self._interpreter.block(words, offset)
        if flow == "end":
            self._ended = offset
        elif flow == "stop":
            self._stop(offset)
        elif flow == "repeat-end":
            self._repeat_end(offset)

    def _check_header(self, words: Words, offset: int) -> None:
        """Motion ends a header that nothing else ended."""
        if any(letter in "XY" for letter, _ in words) or words[0] == ("M", b"30"):
            self._log.add(
                HEADER_OPEN,
                "motion begins before M95 or %, the end of the header",
                offset=offset,
                assumed="the header ends here",
            )
            self._close_header()
            self._plotter.tool = self._header_tool

    def _begin_body(self, offset: int) -> None:
        if self._body_begun:
            return
        self._body_begun = self._started = True
        if not self._header_seen:
            self._log.add(NO_HEADER, "there is no header (M48)", offset=offset)
        if self._tools.sizes and not self._tools.used_numbers and self._plotter.tool < 0:
            self._plotter.tool = self._tools.by_size(self._stops)
        self._formats.tool_digits = self._tools.fixed_digits()
        self._formats.settled(self._data)

    # -- tools -----------------------------------------------------------------------------

    def _tool(self, found: re.Match[bytes], text: bytes, offset: int) -> bytes:
        """Take one T word with its fields; the rest of the block."""
        digits, end = found.group(1), found.end()
        size: bytes | None = None
        fields = False
        while field := _TOOL_FIELD.match(text, end):
            fields = True
            if field.group(1) == b"C":
                size = field.group(2)
            end = field.end()
        if int(digits) == 0:
            self._plotter.lift_for("T0", offset)
            self._plotter.tool = -1
            return text[end:]
        if fields or self._in_header:
            row = self._tools.define(
                int(digits),
                size,
                unit=self._formats.unit,
                attributes=self._attributes.tool,
                group_plated=self._group_plated,
                offset=offset,
                in_header=self._in_header,
            )
        if self._in_header:
            self._header_tool = -1 if fields else row
        else:
            if not fields:
                row = self._tools.select(digits, offset)
            self._plotter.lift_for("the change of tool", offset)
            self._plotter.tool = row
        return text[end:]

    def _stop(self, offset: int) -> None:
        """M00: the end, unless holes follow; then the operator changes the tool."""
        if not _MOTION.search(self._data, offset):
            self._ended = offset
            return
        self._plotter.lift_for("M00", offset)
        self._stops += 1
        if self._tools.sizes and not self._tools.used_numbers:
            self._plotter.tool = self._tools.by_size(self._stops)
        else:
            self._log.add(
                AFTER_END,
                "holes follow M00",
                offset=offset,
                assumed="read as a stop, not as the end",
            )

    def _repeat_end(self, offset: int) -> None:
        """M02 outside step and repeat: the end in the older command set."""
        if _SOMETHING.search(self._data, offset):
            self._log.add(
                REPEAT_ORDER, "M02 without M25 before it", offset=offset, assumed="ignored"
            )
            return
        self._log.add(
            M02_END, "M02 stands where M30 should", offset=offset, assumed="read as the end"
        )
        self._ended = offset

    # -- the end ---------------------------------------------------------------------------

    def _finish(self, pos: int) -> None:
        if self._plotter.repeat.announced is not None:
            self._log.add(
                REPEAT_ORDER,
                "M25 begins a pattern that M01 never ends",
                offset=self._plotter.repeat.announced,
            )
        if self._in_header and self._ended is None:
            self._log.add(HEADER_OPEN, "the file ends inside its header", offset=pos)
        if self._ended is None:
            self._log.add(NO_END, "the file ends without M30", offset=len(self._data))
            self._plotter.lift_for("the end of the file", len(self._data))
            return
        self._plotter.lift_for("the end", self._ended)
        rest = self._data[pos:]
        left = re.sub(rb"(?m);[^\r\n]*", b"", rest).strip(b" \t\r\n%\0\x1a")
        if left:
            self._log.add(
                AFTER_END,
                f"{len(left)} bytes follow the end of the program",
                offset=pos + rest.index(left[:1]),
                assumed="not read",
            )

    def stated_format(self) -> FormatState:
        """Statements of commands, else of comments."""
        state = self._formats
        state.unit = state.unit or state.hint.unit
        state.digits = state.digits or state.hint.digits
        if state.hint.zeros != "point":
            state.zeros = state.zeros or state.hint.zeros
        return state

    def result(self, size: int, *, complete: bool) -> DrillFile:
        """Everything read so far, checked."""
        fmt = self._formats.settled(self._data)
        hits, slots = self._plotter.hits.table(), self._plotter.slots.table()
        plating = plating_of(self._name, self._attributes.file)
        tools = self._tools.finish(fmt, file_plated=plating.stated)
        tools, plated, evidence = plating.settle(tools, hits, slots, self._log)
        file = DrillFile(
            name=self._name,
            size_bytes=size,
            hits=hits,
            slots=slots,
            tools=tools,
            attribute_sets=self._attributes.sets,
            attributes=self._attributes.file,
            plated=plated,
            span=self._attributes.span(),
            format=fmt,
            needs_format=self._formats.needs_format and not self._formats.is_given,
            problems=(),
            complete=complete,
            plating_evidence=evidence,
            work_zero_mm=self._plotter.zero,
        )
        if complete:
            audit(file, self._log, links=self._settings.links, undefined=self._tools.undefined)
        return replace(file, problems=self._log.freeze(self._data))


_LOOK_AT: Final = 200_000
_LINES: Final = 3_000

_GERBER_SIGN: Final = re.compile(rb"%(?:FS|MO|AD|AM|LP|TF|TA|TO|SR|AB|IP|LN)[^\r\n]*\*|D0?[123]\*")
_HEADER: Final = re.compile(rb"(?m)^[ \t]*M48[ \t]*\r?$")
_POINT: Final = re.compile(
    rb"(?:N\d+)?(?:G0?[0-3])?(?=[XY])(?:X[+-]?[\d.]*)?(?:Y[+-]?[\d.]*)?(?:[AIJ][+-]?[\d.]+)*"
    rb"(?:G8[57](?:X[+-]?[\d.]*)?(?:Y[+-]?[\d.]*)?(?:Z[+-]?[\d.]*)?(?:U[\d.]*)?|G84X[\d.]+)?\Z"
)
_TOOL_SIGN: Final = re.compile(rb"T\d{1,4}(?:[CFSBHZ][+-]?[\d.]*)*\Z")
_NOTHING: Final = re.compile(rb"%\s(?s:.*\s)?M(?:30|00)\Z", re.IGNORECASE)
_COMMAND: Final = re.compile(
    rb"(?:M48|M95|%|(?:INCH|METRIC)(?:,[LT]Z|,0+\.0+)*|M7[12](?:,[LT]Z)?|FMAT,[12]|VER,\d|ICI,O\w+"
    rb"|[GM]\d{1,3}|[RP]\d+(?:M02)?(?:[XY][+-]?[\d.]*)*|M02(?:[XY][+-]?[\d.]*)*(?:M[789]0)*"
    rb"|M(?:00|30|06|08M30)(?:[XY][+-]?[\d.]*)*|G(?:93|82)(?:[XY][+-]?[\d.]*)*"
    rb"|(?:DETECT|ATC|BLKD|OM48|TCST|PCKPARAM|SBK|AFS|CP|ZC|ZS|Z[+-]?[\d.]+)(?:,[\w.]*)*)\Z"
)


def looks_like_drill(data: bytes) -> float:
    """How sure it is that these bytes are an NC drill or rout file, 0 to 1.

    A header counts most; without one nearly all lines must be drill commands, and some of them
    must be what only drill files have: a tool, a program end or a start sign.  Programs without
    holes are a start sign and an end, and nothing else.
    """
    head = data[:_LOOK_AT].removeprefix(b"\xef\xbb\xbf")
    if not head.strip() or head.count(0) > len(head) // 100:
        return 0.0
    if _GERBER_SIGN.search(head):
        return 0.0
    points = tools = commands = strange = comments = 0
    for raw in re.split(rb"[\r\n]+", head)[:_LINES]:
        text, mark, _ = raw.partition(b";")
        line = b"".join(text.upper().split())
        if not line:
            comments += bool(mark)
        elif _POINT.match(line):
            points += 1
        elif _TOOL_SIGN.match(line):
            tools += 1
        elif _COMMAND.match(line):
            commands += 1
        else:
            strange += 1
    known = points + tools + commands
    share = known / (known + strange) if known else 0.0
    if _HEADER.search(head.upper()) and share >= 0.5:
        return 0.7 + 0.3 * share
    marked = tools + (re.search(rb"(?m)^\s*(?:%|M30|M00)\s*$", head) is not None)
    if points and marked and share >= 0.9:
        return 0.6 + 0.3 * share
    if commands and not points and not strange and _NOTHING.match(head.strip()):
        return 0.9
    return 0.0


SMALLEST_MM: Final = 0.10
LARGEST_MM: Final = 6.5


def audit(
    file: DrillFile,
    log: ProblemLog,
    *,
    links: list[tuple[list[int], int]],
    undefined: frozenset[int],
) -> None:
    """Report what is wrong with the finished columns.

    Parameters
    ----------
    links
        Tool numbers stated to be spares of each other, with the byte offset.
    undefined
        Rows of tools that were chosen but never defined.
    """
    made = len(file.hits) + len(file.slots)
    if not made:
        log.add(NO_HOLES, "the file makes no hole", severity=None if file.tools else Severity.NOTE)
    counts = _counts(file)
    _audit_tools(file, counts, undefined, log)
    _audit_links(file, links, log)
    _audit_uses(file, log)


def _counts(file: DrillFile) -> list[int]:
    rows = np.concatenate([file.hits.tool, file.slots.tool])
    used: list[int] = np.bincount(rows[rows >= 0], minlength=len(file.tools)).tolist()
    for row, tool in enumerate(file.tools):
        if tool.opening_of is not None:
            used[tool.opening_of] += used[row]
    return used


MANY_ALIKE: Final = 2
"""So many tools of one size may differ in use; more are a mistake (a choice of ours)."""


def _audit_tools(
    file: DrillFile, counts: list[int], undefined: frozenset[int], log: ProblemLog
) -> None:
    bits = [
        (row, tool, n)
        for row, (tool, n) in enumerate(zip(file.tools, counts, strict=True))
        if tool.opening_of is None
    ]
    for row, tool, count in bits:
        size = tool.diameter_mm
        if not count:
            log.add(TOOL_UNUSED, f"tool {tool.number} makes no hole", offset=tool.offset)
            continue
        if size is None:
            log.add(
                TOOL_UNDEFINED if row in undefined else TOOL_NO_SIZE,
                f"tool {tool.number} has no {'definition' if row in undefined else 'diameter'}",
                offset=tool.offset,
                count=count,
            )
            continue
        if not SMALLEST_MM <= size <= LARGEST_MM:
            log.add(
                SIZE_RANGE,
                f"tool {tool.number} has a diameter of {size:.4g} mm",
                offset=tool.offset,
            )
    used = [tool for _, tool, count in bits if count]
    _audit_unit([tool.diameter_mm for tool in used if tool.diameter_mm is not None], log)
    _audit_repeated(used, log)


def _audit_unit(sizes: list[float], log: ProblemLog) -> None:
    if not sizes or any(SMALLEST_MM <= s <= LARGEST_MM for s in sizes):
        return
    middle = statistics.median(sizes)
    for factor, words in (
        (INCH_MM, "inches read as millimetres"),
        (1 / INCH_MM, "millimetres read as inches"),
        (INCH_MM / 1000, "mils read as millimetres"),
        (1 / 1000, "mils read as inches"),
    ):
        if SMALLEST_MM <= middle * factor <= LARGEST_MM:
            log.add(SIZE_UNIT, f"the middle diameter is {middle:.4g} mm; it looks like {words}")
            return


def _audit_repeated(tools: list[Tool], log: ProblemLog) -> None:
    sizes = {round(tool.diameter_mm or 0.0, 4) for tool in tools}
    uses = {(tool.plated, tool.function) for tool in tools}
    if len(sizes) == 1 and (len(tools) > MANY_ALIKE or (len(tools) > 1 and len(uses) == 1)):
        log.add(
            ALL_ONE_SIZE,
            f"all {len(tools)} tools have a diameter of {tools[0].diameter_mm or 0:.4g} mm",
            offset=tools[0].offset,
        )
    first: dict[tuple[object, ...], Tool] = {}
    for tool in tools:
        if tool.diameter_mm is None:
            continue
        key = (round(tool.diameter_mm, 4), tool.plated, tool.function)
        known = first.setdefault(key, tool)
        if known is not tool:
            log.add(
                SIZE_REPEATED,
                f"tools {known.number} and {tool.number} are both {tool.diameter_mm:.4g} mm",
                offset=tool.offset,
            )


def _audit_links(file: DrillFile, links: list[tuple[list[int], int]], log: ProblemLog) -> None:
    sizes = {tool.number: tool.diameter_mm for tool in file.tools if tool.opening_of is None}
    for numbers, offset in links:
        if len({sizes[n] for n in numbers if n in sizes}) > 1:
            log.add(
                TOOL_TWICE,
                f"tools {'/'.join(map(str, numbers))} are linked but differ in diameter",
                offset=offset,
            )


def _audit_uses(file: DrillFile, log: ProblemLog) -> None:
    """Report via drills whose holes carry component pins: they serve two purposes."""
    pinned = np.array([".P" in names for names in file.attribute_sets])
    if not pinned.any():
        return
    for row in np.unique(file.hits.tool[pinned[file.hits.attributes]]).tolist():
        tool = file.tools[row]
        if row >= 0 and tool.function[:1] == ("ViaDrill",):
            log.add(
                TOOL_MIXED,
                f"tool {tool.number} is for vias, but some of its holes take component pins",
                offset=tool.offset,
            )
