"""Reads bare-board test netlists, IPC-D-356 and its A revision, and writes the latter.

Records are fixed columns (counted from 1): code 1-3, net 4-17, reference 21-26, pin 28-31,
then, from column 32, groups that each begin with their own letter.  Writers shift those groups
by a column now and then, so they are found by letter.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from fabkit.base.errors import UnreadableInput
from fabkit.base.findings import ProblemLog
from fabkit.base.units import INCH_MM
from fabkit.formats.sidecars.model import Netlist, NetPoint, PointKind
from fabkit.rules import load_rule

NET_UNREAD: Final = load_rule("netlist/no-records")
NET_LENGTH: Final = load_rule("netlist/line-length")
NET_UNITS: Final = load_rule("netlist/units")
NET_CODE: Final = load_rule("netlist/unknown-code")
NET_ORPHAN: Final = load_rule("netlist/orphan-continuation")
NET_NAME: Final = load_rule("netlist/long-name")
NET_NO_END: Final = load_rule("netlist/no-end")
NET_AFTER_END: Final = load_rule("netlist/after-end")

NONE: Final = "left out: nets are not compared with it"
"""What a netlist that cannot be read costs."""
_POINT_CODES: Final[dict[str, PointKind]] = {
    "317": "through",
    "327": "surface",
    "367": "tooling",
    "307": "blind",
}
_CONTINUED: Final[dict[str, PointKind]] = {"017": "through", "027": "surface"}
_SILENT: Final = frozenset(
    (
        *("370", "070", "378", "078", "379", "079", "380", "080"),
        *("389", "089", "309", "390", "090", "099", "088"),
    )
)
"""Records that are understood but say nothing about nets at points."""
_UNITS: Final = {
    "SI": (0.001, 1.0),
    "CUST": (INCH_MM / 10_000, 1.0),
    "CUST 0": (INCH_MM / 10_000, 1.0),
    "CUST 1": (0.001, 1.0),
    "CUST 2": (INCH_MM / 10_000, 180 / math.pi),
}
"""Millimetres per step and degrees per unit of rotation."""
_GROUPS: Final = re.compile(
    r"(?P<mid>M)?\s*"
    r"(?:D(?P<hole>[\d ]{4})(?P<plated>[PU ]))?\s*"
    r"(?:A(?P<access>[\d ]{2}))?"
    r"X(?P<x>[+\- ]?[\d ]{1,6})Y(?P<y>[+\- ]?[\d ]{1,6})"
    r"(?:X(?P<w>[\d ]{4})(?:Y(?P<h>[\d ]{4}))?)?\s*"
    r"(?:R(?P<turn>[\d ]{3}))?\s*"
    r"(?:S(?P<mask>[\d ]))?"
)
_LINE_COLUMNS: Final = 80
_NAME_COLUMNS: Final = 14


def looks_like_netlist(data: bytes) -> bool:
    """Check whether the first records are those of a bare-board netlist."""
    lines = [line for line in data[:8192].splitlines() if line.strip()][:200]
    if not lines:
        return False
    likely = sum(
        bool(re.match(rb"(P  |C(  |$)|[0-3][0-9]7.{28})", line.rstrip(b"\r") + b" " * 2))
        for line in lines
    )
    points = sum(bool(re.match(rb"3[0126]7.{28}.*X[+\- \d]", line)) for line in lines)
    header = any(line.startswith((b"P  UNITS", b"P  JOB", b"P  CODE")) for line in lines)
    return (header or points > 1) and likely * 2 > len(lines)


def read_netlist(data: bytes, *, name: str) -> Netlist:
    """Read a netlist; never raises on content."""
    reader = _Reader(name)
    offset = 0
    for number, raw in enumerate(data.splitlines(keepends=True), start=1):
        text = raw.decode("latin-1").rstrip("\r\n\x1a")
        if reader.ended and text.strip():
            reader.log.add(NET_AFTER_END, "records follow the end record 999", offset=offset)
        elif not reader.ended:
            reader.read_line(text, number, offset)
        offset += len(raw)
    points = reader.finish(cut=not data.endswith((b"\n", b"\r", b"\x1a")))
    return Netlist(name=name, points=points, problems=reader.log.freeze(data))


@dataclass(frozen=True, slots=True)
class _Record:
    code: str
    net: str
    ref: str
    pin: str
    groups: dict[str, str | None]
    line: int


class _Reader:
    """Collects records first: units and long names may come late in the header."""

    def __init__(self, name: str) -> None:
        self.log = ProblemLog(name)
        self.ended = False
        self._records: list[_Record] = []
        self._aliases: dict[str, str] = {}
        self._units: str | None = None
        self._first_point = 0

    def read_line(self, text: str, number: int, offset: int) -> None:
        if not text.strip() or text.startswith(("C", "#")):
            return
        if len(text.rstrip()) > _LINE_COLUMNS:
            self.log.add(NET_LENGTH, "longer than 80 columns", offset=offset)
        if text.startswith("P"):
            self._read_parameter(text, offset)
            return
        code = text[:3]
        if code == "999":
            self.ended = True
        elif code in _POINT_CODES or code in _CONTINUED:
            self._read_point(text, number, offset)
        elif code not in _SILENT:
            self.log.add(NET_CODE, f"code {code!r} is not used", offset=offset)

    def _read_parameter(self, text: str, offset: int) -> None:
        words = text[1:].split(maxsplit=1)
        if not words:
            return
        if words[0].startswith("NNAME"):
            alias, real = text[8:13].strip(), text[14:].strip()
            if alias and real:
                # Points give the number alone, or with the word in front.
                self._aliases[alias] = self._aliases[f"NNAME{alias}"] = real
            else:
                self.log.add(NET_LENGTH, "NNAME without number or name", offset=offset)
        elif words[0] == "UNITS":
            units = " ".join(words[1].split()).upper() if len(words) > 1 else ""
            if self._units is not None and units != self._units:
                self.log.add(
                    NET_UNITS,
                    f"units stated as {self._units} and as {units}",
                    offset=offset,
                    assumed=f"read as {self._units}",
                )
                return
            self._units = units

    def _read_point(self, text: str, number: int, offset: int) -> None:
        found = _GROUPS.search(text, 31)
        if found is None or _digits(found["x"]) is None or _digits(found["y"]) is None:
            self.log.add(
                NET_LENGTH, f"record {text[:3]} has no position", offset=offset, assumed="left out"
            )
            return
        code, net = text[:3], text[3:17].strip()
        if code in _CONTINUED and not self._records:
            self.log.add(NET_ORPHAN, f"record {code} comes first", offset=offset)
            return
        if " " in net:
            self.log.add(NET_NAME, f"net name {net!r} has a space", offset=offset)
        elif len(net) == _NAME_COLUMNS and not self._aliases:
            self.log.add(NET_NAME, "net names fill all 14 columns and may be cut", offset=offset)
        self._records.append(
            _Record(code, net, text[20:26].strip(), text[27:31].strip(), found.groupdict(), number)
        )
        if len(self._records) == 1:
            self._first_point = offset

    def finish(self, *, cut: bool) -> tuple[NetPoint, ...]:
        if not self._records:
            self.log.add(
                NET_UNREAD, "no record of the netlist states a net and a place", assumed=NONE
            )
        elif not self.ended and cut:
            self.log.add(
                NET_UNREAD,
                "the netlist breaks off: its last line has no end, and record 999 is missing",
                assumed="read up to there: nets after it are not compared",
            )
        elif not self.ended:
            self.log.add(NET_NO_END, "the end record 999 is missing")
        if self._units not in _UNITS:
            said = f"unknown units {self._units!r}" if self._units else "no units stated"
            self.log.add(
                NET_UNITS, said, offset=self._first_point, assumed="read in steps of 0.0001 inch"
            )
        step, degrees = _UNITS.get(self._units or "", _UNITS["CUST 0"])
        points: list[NetPoint] = []
        parent: _Record | None = None
        for record in self._records:
            if record.code in _POINT_CODES:
                parent = record
            points.append(self._point(record, parent or record, step, degrees))
        return tuple(points)

    def _point(self, record: _Record, parent: _Record, step: float, degrees: float) -> NetPoint:
        groups = record.groups
        net = record.net or parent.net
        # A feature without a second side is round.
        width, height = _digits(groups["w"]), _digits(groups["h"])
        hole, access = _digits(groups["hole"]), _digits(groups["access"])
        plated = (groups["plated"] or "").strip()
        turn, mask = _digits(groups["turn"]), _digits(groups["mask"])
        return NetPoint(
            net=self._aliases.get(net, net),
            ref=record.ref or parent.ref,
            pin=record.pin or parent.pin,
            x_mm=(_digits(groups["x"]) or 0) * step,
            y_mm=(_digits(groups["y"]) or 0) * step,
            hole_mm=hole * step if hole else None,
            plated={"P": True, "U": False}.get(plated),
            access=access or 0,
            size_mm=(width * step, (height or width) * step) if width else None,
            rotation_deg=(turn or 0) * degrees,
            mask=mask,
            kind=(_POINT_CODES | _CONTINUED)[record.code],
            line=record.line,
        )


def _digits(text: str | None) -> int | None:
    """Whole number in a column group; blanks stand for leading zeros."""
    try:
        return None if text is None else int(text.replace(" ", ""))
    except ValueError:
        return None


_CODES: Final = {kind: code for code, kind in _POINT_CODES.items()}
_LARGEST: Final = 999_999
_LARGEST_SIZE: Final = 9_999
_NAME: Final = re.compile(r"[!-~]{1,14}\Z", re.ASCII)
_LONGEST: Final = 58


def write_netlist(netlist: Netlist) -> bytes:
    """Write a netlist as IPC-D-356A.

    Returns
    -------
    Records of 80 columns at most, in the unit whose steps fit positions and sizes better
    (0.001 mm or 0.0001 inch).  Net names that 14 columns cannot hold get an ``NNAME`` record;
    references are cut to 6 columns and pins to 4, which is all the format has.

    Raises
    ------
    UnreadableInput
        A position or size beyond what the columns can hold.
    """
    points = netlist.points
    units = min(("SI", "CUST 0"), key=lambda unit: _misfit(points, _UNITS[unit][0]))
    step = _UNITS[units][0]
    names = dict.fromkeys(point.net for point in points)
    long = [name for name in names if name and not _NAME.match(name)]
    alias = {name: f"NNAME{k}" for k, name in enumerate(long, 1)}
    lines = ["P  JOB   NETLIST", "P  CODE  00", f"P  UNITS {units}", "P  VER   IPC-D-356A"]
    lines.append("P  IMAGE PRIMARY")
    lines += (f"P  NNAME{k:<5d} {_printable(name)}" for k, name in enumerate(long, 1))
    lines += _records(points, alias, step, netlist.name)
    return "".join(f"{line.rstrip()}\n" for line in [*lines, "999"]).encode("latin-1", "replace")


def _printable(name: str) -> str:
    return re.sub(r"[^ -~\xa0-\xff]", "?", name)[:_LONGEST]


def _misfit(points: Iterable[NetPoint], step: float) -> float:
    """Largest distance of a position or size from the grid of a unit, mm."""
    worst = 0.0
    for point in points:
        for value in (point.x_mm, point.y_mm, point.hole_mm or 0.0, *(point.size_mm or ())):
            worst = max(worst, abs(value - round(value / step) * step))
    return round(worst, 7)


def _records(
    points: Iterable[NetPoint], alias: dict[str, str], step: float, name: str
) -> Iterator[str]:
    def steps(value: float, most: int) -> int:
        made = round(value / step)
        if abs(made) > most:
            raise UnreadableInput(
                f"{name}: {value:.3f} mm does not fit the columns of a netlist",
                hint="Leave the netlist out, or state it in another form.",
            )
        return made

    for point in points:
        hole = "     " if point.hole_mm is None else f"D{steps(point.hole_mm, _LARGEST_SIZE):04d}"
        plating = {True: "P", False: "U", None: " "}[point.plated]
        size = " " * 10
        turn = "    "
        if point.size_mm is not None:
            width, height = (steps(side, _LARGEST_SIZE) for side in point.size_mm)
            size = f"X{width:04d}     "
            # Without a second side a feature is round; the model does not tell squares apart.
            if height != width or point.rotation_deg:
                size = f"X{width:04d}Y{height:04d}"
                turn = f"R{round(point.rotation_deg) % 360:03d}"
        x, y = (f"{steps(value, _LARGEST):+07d}" for value in (point.x_mm, point.y_mm))
        mask = "" if point.mask is None else f"S{point.mask}"
        who = f"{point.ref[:6]:<6}" + (f"-{point.pin[:4]:<4}" if point.pin else " " * 5)
        net = alias.get(point.net, point.net)
        yield (
            f"{_CODES[point.kind]}{net:<14}   {who} {hole}{plating}A{point.access:02d}"
            f"X{x}Y{y}{size}{turn} {mask}"
        )
