"""Format and unit: both hold for a whole file, so they are looked up before anything is read."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.base.columns import Ints
from fabkit.base.findings import ProblemLog, Severity
from fabkit.base.units import COINCIDENT_MM, INCH_MM
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
NUMBER_WIDTH: Final = load_rule("gerber/number-width")
NUMBER_RANGE: Final = load_rule("gerber/number-range")
AXES_DIFFER: Final = load_rule("gerber/axes-differ")

_FS = re.compile(
    rb"[%*]\s*FS\s*([A-Z]*?)\s*((?:[NG]\d\s*)*)X\s*(\d)\s*(\d)\s*Y\s*(\d)\s*(\d)([^*%]{0,20})[*%]"
)
_MO = re.compile(rb"[%*]\s*MO\s*(IN|MM)\s*[*%]")
_G70 = re.compile(rb"(?:^|[*%\s])G7([01])(?=[*XYD\s])")
_OPERATION = re.compile(rb"[XYIJ][+-]?\d+[^*%]{0,60}D0?[123]\*|[*\s]D0?[123]\*")
_APERTURE = re.compile(rb"[%*]\s*AD\s*D\d+")
# A file may hold the two letters a million times, and each is a place to try.
_MOST_TRIES = 10_000


LARGEST: Final = 2**50
"""Larger coordinates are cut to this, so that sums and products of them stay exact."""


@dataclass(frozen=True, slots=True)
class Header:
    """What coordinates and sizes mean.

    Parameters
    ----------
    unit_mm
        Millimetres of the file's unit.
    whole_x, decimals_x, whole_y, decimals_y
        Digits of the coordinate format.
    trailing
        Trailing instead of leading zeros are omitted.
    incremental
        Coordinates are steps.
    """

    unit_mm: float
    whole_x: int
    decimals_x: int
    whole_y: int
    decimals_y: int
    trailing: bool
    incremental: bool

    def digits(self, letter: str) -> tuple[int, int]:
        """Digits before and after the point of the numbers behind X, Y, I or J."""
        along_x = letter in "XI"
        return (self.whole_x, self.decimals_x) if along_x else (self.whole_y, self.decimals_y)

    def padded(self, letter: str, value: Ints, digits: Ints, offset: Ints, log: ProblemLog) -> Ints:
        """Coordinate values after padding; numbers wider than the format are reported."""
        width = sum(self.digits(letter))
        if len(digits) and int(digits.max()) > width:
            wide = np.flatnonzero(digits > width)
            log.add(
                NUMBER_WIDTH,
                f"numbers of more than {width} digits",
                offset=int(offset[wide[0]]),
                assumed="all their digits count",
                count=len(wide),
            )
        if self.trailing:
            value = value * 10 ** np.clip(width - digits, 0, 12)
        beyond = np.flatnonzero(np.abs(value) > 2**31 - 1)
        if len(beyond):
            log.add(
                NUMBER_RANGE,
                "coordinates beyond 32 bits",
                offset=int(offset[beyond[0]]),
                count=len(beyond),
            )
            value = np.clip(value, -LARGEST, LARGEST)
        return value


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
