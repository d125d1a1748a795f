"""Read RS-274X layer files: bytes in, columns of graphic objects and problems out."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.base.columns import Floats, rows_by, run_starts
from fabkit.base.findings import ProblemLog, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.units import COINCIDENT_MM, INCH_MM
from fabkit.formats.gerber.blocks import Expander, drop_beyond, drop_tangled, place_segments
from fabkit.formats.gerber.commands import TOO_LARGE, ImageCommands, Interpreter
from fabkit.formats.gerber.model import (
    Attributes,
    ContourSegments,
    GerberFile,
    Kind,
    Objects,
    RawObjects,
    blank_layer,
)
from fabkit.formats.gerber.plotter import Plotter
from fabkit.formats.gerber.tokens import Chunk, Header, Source, read_chunk
from fabkit.rules import load_rule

NO_APERTURES: Final = load_rule("gerber/no-apertures")
NOT_GERBER: Final = load_rule("gerber/not-a-layer")
FORMAT_MISSING: Final = load_rule("gerber/format-missing")
FORMAT_WRONG: Final = load_rule("gerber/format-wrong")
FORMAT_LATE: Final = load_rule("gerber/format-late")
TRAILING_FORMAT: Final = load_rule("gerber/trailing-zeros")
INCREMENTAL: Final = load_rule("gerber/incremental")
LOW_RESOLUTION: Final = load_rule("gerber/low-resolution")
UNIT_MISSING: Final = load_rule("gerber/unit-missing")
UNIT_BY_G: Final = load_rule("gerber/unit-by-g-code")
INCH_UNIT: Final = load_rule("gerber/inch-unit")
AXES_DIFFER: Final = load_rule("gerber/axes-differ")
BYTE_ORDER_MARK: Final = load_rule("gerber/byte-order-mark")
NO_END: Final = load_rule("gerber/no-end")
TEXT_AFTER_END: Final = load_rule("gerber/text-after-end")
END_INSIDE: Final = load_rule("gerber/end-inside")
STROKE_TOOL: Final = load_rule("gerber/stroke-tool")
STROKE_RECTANGLE: Final = load_rule("gerber/stroke-rectangle")
CONTOUR_OPEN: Final = load_rule("gerber/contour-open")

_CHUNK: Final = 2**20
_MARK: Final = b"\xef\xbb\xbf"
_SIGNS = (
    (re.compile(rb"%\s*FS[LTDAI]*[^*%]{0,10}X\d\dY\d\d"), 0.5),
    (re.compile(rb"%\s*MO(?:MM|IN)\s*\*|\*\s*MO(?:MM|IN)\*"), 0.3),
    (re.compile(rb"%\s*ADD\d+[A-Za-z_.$]"), 0.3),
    (re.compile(rb"[XY][+-]?\d+[^*%\n]{0,40}D0?[123]\*"), 0.2),
    (re.compile(rb"G0?4[^*]*\*"), 0.1),
    (re.compile(rb"%\s*(?:LP[DC]|AM|TF|SR|IN|LN|AS|IP)"), 0.1),
)
_TELLING: Final = 4
"""The first signs are of layers alone."""


def looks_like_gerber(data: bytes) -> float:
    """How much ``data`` looks like a Gerber layer, from 0 (not at all) to 1.

    Plotter data without apertures scores low but not 0: reading it shows what is wrong with it.
    Comments and macros alone, as in a library of apertures, make no layer.
    """
    head = data[: 2**16]
    if b"\0" in head[:1024] or head.startswith((b"PK\x03\x04", b"%PDF", b"%!PS")):
        return 0.0
    if not any(sign.search(head) for sign, _ in _SIGNS[:_TELLING]):
        return 0.0
    return min(1.0, sum(weight for sign, weight in _SIGNS if sign.search(head)))


def read(
    data: bytes,
    *,
    name: str,
    limits: Limits = DEFAULT_LIMITS,
    unit_mm: float | None = None,
    more_decimals: int = 0,
) -> GerberFile:
    """Read a layer file.

    Nothing in ``data`` makes this raise: what is wrong is in the result's ``problems``, and
    ``complete`` is false when something is missing because of damage or a limit.

    Parameters
    ----------
    data
        Content of the file.
    name
        Member name, for places.
    limits
        Bounds on what the file may ask for.
    unit_mm, more_decimals
        Unit to read it in whatever it says, and decimals more than it says, as other files of
        its package have shown.
    """
    log = ProblemLog(name, keep=limits.problem_places)
    if len(data) > limits.file_bytes:
        log.add(
            TOO_LARGE,
            f"{len(data)} bytes, more than {limits.file_bytes} (limit file_bytes)",
            offset=0,
        )
        return _nothing(name, data[:0], len(data), log)
    if data.startswith(_MARK):
        log.add(BYTE_ORDER_MARK, "the file begins with a byte-order mark", offset=0)
    header = read_header(data, log, unit_mm=unit_mm, more_decimals=more_decimals)
    if header is None:
        return _nothing(name, data, len(data), log)
    interpreter = Interpreter(data, header, limits, log)
    plotter = Plotter(interpreter, header, log)
    _read_chunks(data, interpreter, plotter, header, limits, log)
    plotter.finish()
    if any(interpreter.finish()):
        log.add(END_INSIDE, "a block or repeat is open at the end", offset=len(data))
    return _assemble(data, name, interpreter, plotter, header, limits, log)


def _nothing(name: str, data: bytes, size: int, log: ProblemLog) -> GerberFile:
    return replace(
        blank_layer(),
        name=name,
        size_bytes=size,
        decimals=0,
        problems=log.freeze(data),
        complete=False,
    )


def _read_chunks(
    data: bytes,
    interpreter: Interpreter,
    plotter: Plotter,
    header: Header,
    limits: Limits,
    log: ProblemLog,
) -> None:
    source = Source(data)
    start = len(_MARK) if data.startswith(_MARK) else 0
    size = _CHUNK
    while start < len(data):
        chunk = read_chunk(source, start, min(start + size, len(data)), header, log)
        if chunk is None:
            # One command, such as a long macro, may be larger than a chunk.
            size *= 2
            continue
        size = _CHUNK
        changes = interpreter.read(chunk)
        count = len(chunk.rows) if interpreter.ended < 0 else interpreter.ended
        # Even a piece without operations may change the state for those that follow.
        plotter.add(chunk, changes, count)
        if interpreter.ended >= 0:
            _after_end(data, chunk, interpreter.ended, log)
        if plotter.objects.count > limits.objects or plotter.segments.count > limits.segments:
            interpreter.complete = False
            log.add(
                TOO_LARGE,
                f"over {limits.objects} objects or {limits.segments} segments (limits so named)",
                offset=chunk.end,
                assumed="the rest was left out",
            )
            return
        if interpreter.ended >= 0:
            return
        start = chunk.end
    log.add(NO_END, "the file has no M02, the end command", offset=len(data))


def _after_end(data: bytes, chunk: Chunk, row: int, log: ProblemLog) -> None:
    end = next(w[1] for w in chunk.words if w[2] == row) + 1
    rest = data[end:]
    if rest.strip(b"\r\n\t \0\x1a%"):
        at = end + len(rest) - len(rest.lstrip())
        log.add(TEXT_AFTER_END, "text behind the end command", offset=at, assumed="ignored")


def _assemble(
    data: bytes,
    name: str,
    interpreter: Interpreter,
    plotter: Plotter,
    header: Header,
    limits: Limits,
    log: ProblemLog,
) -> GerberFile:
    rows = plotter.objects.join().take(slice(0, limits.objects))
    markers = [replace(m, at=min(m.at, limits.objects)) for m in plotter.markers]
    segments = plotter.segments.join()
    complete = interpreter.complete
    object_sets = list(interpreter.dictionary.object_sets)
    if markers:
        expander = Expander(rows, interpreter, object_sets, limits, log)
        rows = expander.expand(markers)
        rows, segments, whole = place_segments(rows, segments, interpreter.poses, limits, log)
        complete = complete and expander.complete and whole
    rows = _join_attributes(rows, object_sets, interpreter.dictionary.aperture_sets)
    if interpreter.image.changed:
        rows, segments = _transform(rows, segments, interpreter, header)
    rows, segments, untangled = drop_tangled(rows, segments, limits, log)
    rows, whole = drop_beyond(rows, segments, interpreter.apertures, limits, log)
    complete = complete and whole and untangled
    objects = Objects.of(rows)
    _report_strokes(objects, interpreter, log)
    _report_open_contours(segments, log)
    return GerberFile(
        name=name,
        size_bytes=len(data),
        objects=objects,
        segments=segments,
        apertures=tuple(interpreter.apertures),
        poses=tuple(interpreter.poses),
        attribute_sets=tuple(object_sets),
        attributes=interpreter.dictionary.file,
        unit_mm=header.unit_mm,
        decimals=header.decimals_x,
        problems=log.freeze(data),
        complete=complete,
    )


def _join_attributes(
    rows: RawObjects, object_sets: list[Attributes], aperture_sets: list[Attributes]
) -> RawObjects:
    """Give regions the aperture attributes of the dictionary beside their object attributes."""
    regions = np.flatnonzero(rows.aperture_set > 0)
    if not len(regions):
        return rows
    pairs = np.column_stack((rows.attributes[regions], rows.aperture_set[regions]))
    distinct, which = np.unique(pairs, axis=0, return_inverse=True)
    attributes = rows.attributes.copy()
    attributes[regions] = len(object_sets) + which.reshape(-1)
    object_sets += [{**aperture_sets[a], **object_sets[o]} for o, a in distinct.tolist()]
    return rows.with_columns(attributes=attributes)


def _transform(
    rows: RawObjects, segments: ContourSegments, interpreter: Interpreter, header: Header
) -> tuple[RawObjects, ContourSegments]:
    """Apply MI, SF and OF to coordinates, then IR and AS to the image."""
    image: ImageCommands = interpreter.image
    factor, offset = image.on_coordinates
    offset = offset * header.unit_mm
    quarter = image.rotation // 90

    def move(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        x, y = x * factor[0] + offset[0], y * factor[1] + offset[1]
        for _ in range(quarter):
            x, y = -y, x
        return (y, x) if image.swapped else (x, y)

    rows, segments = rows.mapped(move), segments.mapped(move)
    if (factor[0] * factor[1] < 0) != image.swapped:
        rows, segments = rows.turned_over(), segments.turned_over()
    if quarter or image.swapped:
        ids = [interpreter.pose_id(image.turned(pose)) for pose in tuple(interpreter.poses)]
        turned = np.array(ids, np.int32)[rows.pose]
        rows = rows.with_columns(pose=np.where(rows.kind != Kind.REGION, turned, 0))
    return rows, segments


def _report_strokes(objects: Objects, interpreter: Interpreter, log: ProblemLog) -> None:
    """Say which draws and arcs use a tool that may not stroke."""
    apertures = interpreter.apertures
    bad = [k for k, a in enumerate(apertures) if a.diameter_mm is None]
    rows = np.flatnonzero(objects.stroked & np.isin(objects.aperture, bad))
    for k, mine in rows_by(objects.aperture[rows]).items():
        tool = apertures[k]
        solid_rectangle = tool.template == "R" and len(tool.parameters) == 2
        rule = STROKE_RECTANGLE if solid_rectangle else STROKE_TOOL
        log.add_each(rule, f"{tool.label}, draws lines", objects.offset[rows[mine]])


def _report_open_contours(segments: ContourSegments, log: ProblemLog) -> None:
    """Say which contours do not end where they start; coordinates come from file integers."""
    if not len(segments):
        return
    s = segments
    starts = run_starts(s.contour)
    ends = np.append(starts[1:], len(s)) - 1
    open_ = (s.x0[starts] != s.x1[ends]) | (s.y0[starts] != s.y1[ends])
    wide = np.hypot(s.x0[starts] - s.x1[ends], s.y0[starts] - s.y1[ends]) > COINCIDENT_MM
    for rows, message, severity in (
        (open_ & wide, "a contour does not end where it starts", None),
        # Section 4.14.2 lets both ends move by half a micrometre: they may as well meet.
        (open_ & ~wide, "a contour ends within 1 µm of its start", Severity.NOTE),
    ):
        # Copies made by blocks and repeats share the offset of the original.
        offsets, counts = np.unique(s.offset[ends[rows]], return_counts=True)
        for offset, count in zip(offsets.tolist(), counts.tolist(), strict=True):
            log.add(
                CONTOUR_OPEN,
                message,
                offset=offset,
                assumed="closed by a straight line",
                count=count,
                severity=severity,
            )


# Format and unit: both hold for a whole file, so they are looked up before anything is read.

_FS = re.compile(
    rb"[%*]\s*FS\s*([A-Z]*?)\s*((?:[NG]\d\s*)*)X\s*(\d)\s*(\d)\s*Y\s*(\d)\s*(\d)([^*%]{0,20})[*%]"
)
_MO = re.compile(rb"[%*]\s*MO\s*(IN|MM)\s*[*%]")
_G70 = re.compile(rb"(?:^|[*%\s])G7([01])(?=[*XYD\s])")
_OPERATION = re.compile(rb"[XYIJ][+-]?\d+[^*%]{0,60}D0?[123]\*|[*\s]D0?[123]\*")
_APERTURE = re.compile(rb"[%*]\s*AD\s*D\d+")
# A file may hold the two letters a million times, and each is a place to try.
_MOST_TRIES = 10_000


def _first(pattern: re.Pattern[bytes], key: bytes, data: bytes) -> re.Match[bytes] | None:
    """First match of a pattern that contains ``key``, tried where the key stands."""
    at = data.find(key)
    tries = 0
    while at >= 0 and tries < _MOST_TRIES:
        start = at
        while start > 0 and data[start - 1] in b" \t\r\n":
            start -= 1
        match = pattern.match(data, max(start - 1, 0))
        if match is not None:
            return match
        tries += 1
        at = data.find(key, at + 1)
    return None


def read_header(
    data: bytes, log: ProblemLog, *, unit_mm: float | None = None, more_decimals: int = 0
) -> Header | None:
    """Find unit and format; None, with the reason in ``log``, when the file cannot be drawn.

    ``unit_mm`` and ``more_decimals`` say otherwise than the file, or what it leaves out.
    """
    format_ = _first(_FS, b"FS", data)
    unit_ = _first(_MO, b"MO", data)
    operation = _OPERATION.search(data)
    if format_ is None and unit_ is None and _APERTURE.search(data[: 2**20]) is None:
        if operation is not None:
            log.add(
                NO_APERTURES,
                "there is no format, no unit and no aperture",
                offset=operation.start(),
            )
        else:
            log.add(NOT_GERBER, "no Gerber command was found", offset=0)
        return None
    unit = _unit(data, unit_, log, unit_mm)
    written = _format(format_, log)
    if unit is None or written is None or format_ is None:
        return None
    header = replace(
        written,
        unit_mm=unit,
        whole_x=written.whole_x - more_decimals,
        decimals_x=written.decimals_x + more_decimals,
        whole_y=written.whole_y - more_decimals,
        decimals_y=written.decimals_y + more_decimals,
    )
    late = [
        m.start()
        for m in (format_, unit_)
        if m is not None and operation is not None and m.start() > operation.start()
    ]
    if late:
        log.add(
            FORMAT_LATE,
            "format or unit come after the first operation",
            offset=late[0],
            assumed="they hold for the whole file",
        )
    limit = 6 if unit == INCH_MM else 5
    fewest = min(header.decimals_x, header.decimals_y)
    if fewest < limit:
        name = "inches" if unit == INCH_MM else "millimetres"
        log.add(
            LOW_RESOLUTION,
            f"{fewest} decimals in {name}: steps of {unit / 10**fewest * 1000:g} µm",
            offset=format_.start(),
            # Section 4.14.2 lets every coordinate move by half a micrometre anyway.
            severity=Severity.NOTE if unit / 10**fewest <= COINCIDENT_MM else None,
        )
    return header


def _unit(
    data: bytes, unit: re.Match[bytes] | None, log: ProblemLog, given: float | None
) -> float | None:
    if unit is None:
        old = _G70.search(data)
        if old is None:
            told = None if given is None else "inches" if given == INCH_MM else "millimetres"
            log.add(
                UNIT_MISSING,
                "neither MO nor G70 or G71 gives a unit",
                offset=0,
                assumed=told and f"read as {told}, as it lies on the other files then",
                severity=Severity.WARNING if told else None,
            )
            return given
        word = "inches" if old[1] == b"0" else "millimetres"
        log.add(
            UNIT_BY_G,
            f"G7{old[1].decode()} is the only statement of a unit",
            offset=old.start(1) - 2,
            assumed=f"read as {word}",
        )
        return INCH_MM if old[1] == b"0" else 1.0
    if given is not None:
        return given
    if unit[1] == b"IN":
        log.add(INCH_UNIT, "lengths are in inches", offset=unit.start())
        return INCH_MM
    return 1.0


def _format(first: re.Match[bytes] | None, log: ProblemLog) -> Header | None:
    """Read the format; the unit is put in later."""
    if first is None:
        log.add(
            FORMAT_MISSING, "there is no readable FS command, the format of coordinates", offset=0
        )
        return None
    at = first.start()
    flags = first[1].decode()
    zeros = "T" if "T" in flags else "L"
    steps = "I" in flags
    if set(flags) - set("LTAI") or ("L" not in flags and "T" not in flags) or len(flags) > 2:
        log.add(
            FORMAT_WRONG,
            f"zero and coordinate mode '{flags}'",
            offset=at,
            assumed=f"read as {zeros}{'I' if steps else 'A'}",
        )
    if first[2] or first[7].strip():
        extra = (first[2] + first[7]).decode("ascii", "replace").strip()
        log.add(FORMAT_WRONG, f"extra text '{extra}'", offset=at, assumed="it was ignored")
    nx, mx, ny, my = (int(first[k]) for k in range(3, 7))
    if (nx, mx) != (ny, my):
        log.add(AXES_DIFFER, f"coordinates X have {nx}.{mx} digits, Y {ny}.{my}", offset=at)
    if not (1 <= nx <= 6 and 1 <= ny <= 6 and mx <= 6 and my <= 6):
        log.add(FORMAT_WRONG, f"{nx}.{mx} and {ny}.{my} digits", offset=at, assumed="taken as is")
    if zeros == "T":
        log.add(TRAILING_FORMAT, "trailing zeros are omitted", offset=at)
    if steps:
        log.add(INCREMENTAL, "coordinates are steps from point to point", offset=at)
    return Header(1.0, nx, mx, ny, my, zeros == "T", steps)
