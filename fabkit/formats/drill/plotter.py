"""The machine: position, mode and tool; moves become hits, slots and cuts, and copies of them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

import numpy as np

from fabkit.base.columns import Columns, Floats, Ints, last_before
from fabkit.base.findings import ProblemLog, Severity
from fabkit.base.limits import Limits
from fabkit.formats.drill.formats import values_of
from fabkit.formats.drill.model import ROUND_MM, Hits, NumberFormat, Slots
from fabkit.formats.drill.tools import LimitReached, ToolTable
from fabkit.rules import load_rule

NO_TOOL: Final = load_rule("drill/hit-without-tool")
SLOT_ZERO: Final = load_rule("drill/zero-length-slot")
PLUNGE: Final = load_rule("drill/plunge-order")
ARC_CENTRE: Final = load_rule("drill/arc-without-centre")
ARC_RADIUS: Final = load_rule("drill/arc-radius-too-small")
ARC_MISFIT: Final = load_rule("drill/arc-ends-differ")
REPEAT_ORDER: Final = load_rule("drill/repeat-order")

Rows = Floats
"""(n, columns) float64: rows of :class:`Hits` or :class:`Slots`, in the order of their columns."""

Made = TypeVar("Made", bound=Columns)


class Store(Generic[Made]):
    """Growing columns of hits or slots.

    Rows are float64 throughout: a byte offset below 2**53 is exact in it.
    """

    def __init__(self, kind: type[Made]) -> None:
        self._kind = kind
        self._parts: list[Rows] = []
        self._loose: list[tuple[float, ...]] = []
        self._settled = 0

    def __len__(self) -> int:
        return self._settled + len(self._loose)

    def add(self, *row: float) -> None:
        """Append one row."""
        self._loose.append(row)

    def extend(self, rows: Rows) -> None:
        """Append many rows."""
        self._settle()
        if len(rows):
            self._parts.append(rows)
            self._settled += len(rows)

    def _settle(self) -> None:
        if self._loose:
            self._parts.append(np.array(self._loose, dtype=np.float64))
            self._settled += len(self._loose)
            self._loose = []

    def rows(self, first: int = 0) -> Rows:
        """Rows from ``first`` on, as a new array."""
        self._settle()
        wanted: list[Rows] = []
        end = self._settled
        for part in reversed(self._parts):
            start = end - len(part)
            if start < first:
                if end > first:
                    wanted.append(part[first - start :])
                break
            wanted.append(part)
            end = start
        if not wanted:
            return np.empty((0, len(self._kind.DTYPES)))
        return np.concatenate(wanted[::-1])

    def table(self) -> Made:
        """All rows as columns."""
        rows, types = self.rows(), self._kind.DTYPES
        made = {name: rows[:, i].astype(types[name]) for i, name in enumerate(types)}
        return self._kind(**made)


DIP_PITCH_MM: Final = 2.54
"""Pitch of G82 when none is given: 0.100 in (Excellon CNC-7, canned cycles)."""

DIP_GAP_MM: Final = 7.62
"""Row gap of G82 when none is given: 0.300 in (Excellon CNC-7, canned cycles)."""

CIRCLE_HITS: Final = 8


def dip_size(
    first: tuple[float, float], last: tuple[float, float], *, pitch: float, gap: float
) -> tuple[int, bool]:
    """Holes per row of a dual in-line pattern, and whether the rows run along X.

    The two corners are diagonally opposite; the side that equals the row gap lies across.
    """
    width, height = abs(last[0] - first[0]), abs(last[1] - first[1])
    along_x = abs(height - gap) <= abs(width - gap)
    length = width if along_x else height
    return round(length / pitch) + 1 if pitch > 0 else 1, along_x


def dip_hits(
    first: tuple[float, float], last: tuple[float, float], count: int, *, along_x: bool
) -> Floats:
    """Hits of a dual in-line pattern of ``count`` holes a row: out on one row, back on the other.

    Returns
    -------
    (2 * count, 2) float64, mm
    """
    share = np.linspace(0.0, 1.0, count) if count > 1 else np.zeros(1)
    x0, y0 = first
    x1, y1 = last
    if along_x:
        row = x0 + share * (x1 - x0)
        out, back = (row, np.full(count, y0)), (row[::-1], np.full(count, y1))
    else:
        row = y0 + share * (y1 - y0)
        out, back = (np.full(count, x0), row), (np.full(count, x1), row[::-1])
    return np.concatenate([np.column_stack(out), np.column_stack(back)])


def circle_hits(first: tuple[float, float], opposite: tuple[float, float]) -> Floats:
    """Eight hits evenly on the circle over two opposite ones.

    Returns
    -------
    (8, 2) float64, mm
    """
    cx, cy = (first[0] + opposite[0]) / 2, (first[1] + opposite[1]) / 2
    radius = math.hypot(first[0] - cx, first[1] - cy)
    angle = math.atan2(first[1] - cy, first[0] - cx)
    angles = angle + np.arange(CIRCLE_HITS) * (2 * np.pi / CIRCLE_HITS)
    return np.column_stack((cx + radius * np.cos(angles), cy + radius * np.sin(angles)))


def steps(count: int, dx: float, dy: float) -> Floats:
    """Offsets 1, 2 .. ``count`` times a step; (count, 2) float64."""
    made: Floats = np.arange(1, count + 1)[:, None] * np.array([dx, dy])
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Flips:
    """How a copy is turned over: mirrors first, then the swap of x and y."""

    mirror_x: bool = False
    """x changes sign (M80)."""
    mirror_y: bool = False
    """y changes sign (M90)."""
    swap: bool = False
    """x and y change places (M70)."""

    @property
    def turns_over(self) -> bool:
        """True when clockwise becomes counter-clockwise."""
        return self.mirror_x ^ self.mirror_y ^ self.swap


NO_FLIPS: Final = Flips()


def copied(
    rows: Rows,
    by: Floats,
    *,
    points: tuple[int, ...],
    flips: Flips,
    zero: tuple[float, float],
) -> Rows:
    """Give the copies of rows, one after the other: flipped, then moved.

    Parameters
    ----------
    by
        (k, 2) float64, mm: one move per copy.
    points
        Columns that hold an x and are followed by its y.
    zero
        The point that flips leave where it is.
    """
    made = np.tile(rows, (len(by), 1))
    move = np.repeat(by, len(rows), axis=0)
    for column in points:
        x, y = made[:, column] - zero[0], made[:, column + 1] - zero[1]
        x, y = (-x if flips.mirror_x else x), (-y if flips.mirror_y else y)
        if flips.swap:
            x, y = y, x
        made[:, column] = x + zero[0] + move[:, 0]
        made[:, column + 1] = y + zero[1] + move[:, 1]
    return made


_RUN_LINE: Final = re.compile(rb"(?:X([+-]?[0-9.]+))?(?:Y([+-]?[0-9.]+))?(?:\r\n|\n|\r)")

_PATH, _TURN = 9, 6
_FEW: Final = 16
"""Up to so many rows it is faster to add them one by one."""
_HIT_POINTS, _SLOT_POINTS = (0,), (0, 2, 4)

Point = tuple[float, float]


class Plotter:
    """Graphics state of the body of a program.  All lengths are mm."""

    def __init__(self, tools: ToolTable, log: ProblemLog, limits: Limits) -> None:
        self._tools = tools
        self._log = log
        self._limit = limits.objects
        self._copies_left = limits.copies
        self.hits = Store(Hits)
        self.slots = Store(Slots)
        self.x = self.y = 0.0
        self.zero: Point = (0.0, 0.0)
        self.tool = -1
        self.attributes = 0
        self.incremental = False
        self.rout = False
        self.down = False
        self.interpolation = 1
        self.radius: float | None = None
        self._path = -1
        self.pattern: tuple[Rows, Rows] | None = None
        self.repeat = StepRepeat()

    # -- room ------------------------------------------------------------------------------

    def reserve(self, count: int) -> None:
        """Count objects before they are made."""
        if len(self.hits) + len(self.slots) + count > self._limit:
            raise LimitReached

    def reserve_copies(self, count: int) -> None:
        """As :meth:`reserve`, for what repeats and patterns make."""
        self.reserve(count)
        self._copies_left -= count
        if self._copies_left < 0:
            raise LimitReached

    # -- position --------------------------------------------------------------------------

    def target(self, x: float | None, y: float | None) -> Point:
        """Where the given coordinates lead, in program coordinates; None keeps an axis."""
        if self.incremental:
            return self.x + (x or 0.0), self.y + (y or 0.0)
        return (self.x if x is None else x), (self.y if y is None else y)

    def move(self, point: Point) -> None:
        """Go there without making anything."""
        self.x, self.y = point

    def _placed(self, point: Point) -> Point:
        return point[0] + self.zero[0], point[1] + self.zero[1]

    # -- drilling --------------------------------------------------------------------------

    def current_tool(self, offset: int) -> int:
        """Row of the tool in the spindle; reports when there is none."""
        if self.tool < 0:
            self._log.add(NO_TOOL, "a hole is drilled before any tool is chosen", offset=offset)
        return self.tool

    def hit(self, point: Point, offset: int) -> None:
        """Drill one hole there."""
        self.move(point)
        self.reserve(1)
        self.hits.add(*self._placed(point), self.current_tool(offset), self.attributes, offset)

    def run(self, chunk: bytes, offset: int, fmt: NumberFormat) -> None:
        """Drill a run of lines that hold nothing but coordinates."""
        found = _RUN_LINE.findall(chunk)
        raw = np.frombuffer(chunk, dtype=np.uint8)
        # CR LF ends one line: CR counts only where no LF follows.
        ends = (raw == 10) | ((raw == 13) & ~np.append(raw[1:] == 10, False))
        starts = np.concatenate(([0], np.flatnonzero(ends)[:-1] + 1)) + offset
        columns = []
        for axis, at in ((0, self.x), (1, self.y)):
            values = values_of([pair[axis] for pair in found], fmt) * fmt.unit_mm
            if self.incremental:
                values = at + np.cumsum(np.nan_to_num(values))
            else:
                values = _carried(values, at)
            columns.append(values)
        self.hit_many(np.column_stack(columns), starts)
        # The first of them was reported with its place.
        if self.tool < 0 and len(found) > 1:
            self._log.add(
                NO_TOOL, "a hole is drilled before any tool is chosen", count=len(found) - 1
            )

    def hit_many(self, points: Floats, offset: int | Ints) -> None:
        """Drill a list of points, in program coordinates, all at one offset or each at its own."""
        self.reserve(len(points))
        rows = np.empty((len(points), 5))
        rows[:, :2] = points + np.array(self.zero)
        rows[:, 2] = self.current_tool(int(np.min(offset)))
        rows[:, 3], rows[:, 4] = self.attributes, offset
        self.hits.extend(rows)
        if len(points):
            self.move((float(points[-1, 0]), float(points[-1, 1])))

    def keep_pattern(self, hits: int, slots: int) -> None:
        """Remember everything made since these row numbers, for P."""
        self.pattern = (self.hits.rows(hits), self.slots.rows(slots))

    def repeat_hit(self, count: int, dx: float, dy: float, offset: int) -> None:
        """R: the last hole again, ``count`` times at that step."""
        self.reserve_copies(count)
        if count <= _FEW:
            for _ in range(count):
                self.hit((self.x + dx, self.y + dy), offset)
            return
        self.hit_many(steps(count, dx, dy) + np.array([self.x, self.y]), offset)

    def repeat_pattern(self, count: int, dx: float, dy: float, offset: int) -> None:
        """P: the last pattern again, ``count`` times at that step."""
        if self.pattern is None or not (len(self.pattern[0]) + len(self.pattern[1])):
            self._log.add(REPEAT_ORDER, "P repeats a pattern, but none was made", offset=offset)
            return
        self.add_copies(self.pattern, (0.0, 0.0), (dx, dy), count, offset)
        # The next P goes on from the last copy, not from the pattern as first drilled.
        hits, slots = self.pattern
        self.pattern = (
            self.hits.rows(len(self.hits) - len(hits)),
            self.slots.rows(len(self.slots) - len(slots)),
        )

    def opening(self, point: Point, diameter_mm: float, offset: int) -> None:
        """Make a round opening larger than the tool: one hit of its finished diameter."""
        self.move(point)
        self.reserve(1)
        tool = self.current_tool(offset)
        if tool >= 0:
            tool = self._tools.opening(tool, diameter_mm)
        self.hits.add(*self._placed(point), tool, self.attributes, offset)

    def slot(self, start: Point, end: Point, offset: int) -> None:
        """G85 or G87: a slot between two centres."""
        self.reserve(1)
        length = math.dist(start, end)
        if length < ROUND_MM:
            self._log.add(
                SLOT_ZERO,
                f"the ends of a slot are {length:.3f} mm apart"
                if length
                else "both ends of a slot are the same point",
                offset=offset,
                assumed="read as a round hole",
            )
            self.hit(((start[0] + end[0]) / 2, (start[1] + end[1]) / 2), offset)
            return
        self._path += 1
        self._segment(start, end, None, offset, routed=False)
        self.move(end)

    # -- routing ---------------------------------------------------------------------------

    def plunge(self) -> None:
        """Tool down: a new path begins."""
        self.rout = self.down = True
        self._path += 1

    def lift(self) -> None:
        """Tool up."""
        self.down = False

    def drill_mode(self, offset: int) -> None:
        """G05."""
        self.lift_for("G05", offset)
        self.rout = False

    def lift_for(self, what: str, offset: int) -> None:
        """Lift because of ``what``, which should not come while the tool is down."""
        if self.down:
            self._log.add(
                PLUNGE, f"the tool is still down at {what}", offset=offset, assumed="lifted"
            )
            self.lift()

    def cut(self, end: Point, offset: int, *, centre: Point | None = None) -> None:
        """Cut from here to ``end`` with the interpolation in force."""
        start = (self.x, self.y)
        arc: Arc | None = None
        if self.interpolation > 1:
            arc = self._arc(start, end, centre, offset)
        if arc is None and start == end:
            return
        self.reserve(1)
        self.current_tool(offset)
        self._segment(start, end, arc, offset, routed=True)
        self.move(end)

    def _arc(self, start: Point, end: Point, centre: Point | None, offset: int) -> Arc | None:
        clockwise = self.interpolation == 2
        if centre is not None:
            arc = arc_by_centre(start, end, centre, clockwise=clockwise)
            if arc.misfit_mm > 0.01:
                self._log.add(
                    ARC_MISFIT,
                    f"start and end radius of an arc differ by {arc.misfit_mm:.3f} mm",
                    offset=offset,
                )
            return arc if math.hypot(*centre) > 0 else None
        if self.radius is None:
            self._log.add(
                ARC_CENTRE,
                "an arc has neither radius nor centre",
                offset=offset,
                assumed="cut straight",
            )
            return None
        found = arc_by_radius(start, end, self.radius, clockwise=clockwise)
        if found is None:
            self._log.add(
                ARC_CENTRE,
                "an arc with a radius ends where it starts, so its centre is unknown",
                offset=offset,
                assumed="nothing is cut",
            )
        elif found.misfit_mm > 0.01:
            self._log.add(
                ARC_RADIUS,
                f"the radius of an arc is {found.misfit_mm:.3f} mm too small for its ends",
                offset=offset,
                assumed="cut as a half circle",
                severity=Severity.ERROR if found.misfit_mm > 0.1 else None,
            )
        return found

    def _segment(
        self, start: Point, end: Point, arc: Arc | None, offset: int, *, routed: bool
    ) -> None:
        centre = self._placed((arc.cx, arc.cy)) if arc else (math.nan, math.nan)
        self.slots.add(
            *self._placed(start),
            *self._placed(end),
            *centre,
            arc.turn if arc else 0,
            self.tool,
            self.attributes,
            self._path,
            routed,
            offset,
        )

    # -- copies ----------------------------------------------------------------------------

    def add_copies(
        self,
        body: tuple[Rows, Rows],
        start: Point,
        step: Point,
        count: int,
        offset: int,
        *,
        flips: Flips = NO_FLIPS,
    ) -> None:
        """Append copies of hits and slots, flipped and moved by ``start`` and 1, 2 .. steps."""
        hits, slots = body
        self.reserve_copies(count * (len(hits) + len(slots)))
        by = steps(count, *step) + np.array(start)
        if len(hits):
            made = copied(hits, by, points=_HIT_POINTS, flips=flips, zero=self.zero)
            made[:, -1] = offset
            self.hits.extend(made)
        if len(slots):
            made = copied(slots, by, points=_SLOT_POINTS, flips=flips, zero=self.zero)
            made[:, -1] = offset
            if flips.turns_over:
                made[:, _TURN] *= -1
            # Copies need numbers of their own, or all would be one path cut without lifting.
            numbers, paths = np.unique(slots[:, _PATH], return_inverse=True)
            later = np.repeat(np.arange(count) * len(numbers), len(slots))
            made[:, _PATH] = np.tile(paths, count) + later + self._path + 1
            self._path += count * len(numbers)
            self.slots.extend(made)


class StepRepeat:
    """Where the pattern of M25 starts, what it holds, and how far its copies have got."""

    def __init__(self) -> None:
        self.first: tuple[int, int] | None = None
        self.body: tuple[Rows, Rows] | None = None
        self.at: Point = (0.0, 0.0)
        self.announced: int | None = None
        """Offset of the M25 that opened it; None when a percent sign did, or none is open."""

    def open(self, hits: int, slots: int, offset: int | None) -> None:
        """M25: everything from here on is the pattern."""
        self.first, self.body, self.at, self.announced = (hits, slots), None, (0.0, 0.0), offset

    def close(self) -> None:
        """M08."""
        self.first, self.body, self.at, self.announced = None, None, (0.0, 0.0), None


def _carried(values: Floats, start: float) -> Floats:
    """Fill nan with the value before it, the first with ``start``."""
    known = ~np.isnan(values)
    if known.all():
        return values
    last = last_before(known)
    return np.where(last >= 0, values[np.maximum(last, 0)], start)


@dataclass(frozen=True, slots=True)
class Arc:
    """Centre and turn of an arc, and how far its data disagree, mm."""

    cx: float
    cy: float
    turn: int
    misfit_mm: float = 0.0


def arc_by_radius(
    start: tuple[float, float], end: tuple[float, float], radius: float, *, clockwise: bool
) -> Arc | None:
    """Arc of at most half a turn; None when both ends are the same point.

    ``misfit_mm`` is by how much the radius falls short of reaching both ends; the arc is then
    the half circle over them, as the control makes it (Excellon CNC-7, G02 and G03).
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = math.hypot(dx, dy)
    if chord == 0.0:
        return None
    short = max(chord / 2 - abs(radius), 0.0)
    height = math.sqrt(max(radius * radius - chord * chord / 4, 0.0))
    side = 1.0 if clockwise else -1.0
    return Arc(
        (start[0] + end[0]) / 2 + side * height * dy / chord,
        (start[1] + end[1]) / 2 - side * height * dx / chord,
        -1 if clockwise else 1,
        short,
    )


def arc_by_centre(
    start: tuple[float, float],
    end: tuple[float, float],
    offset: tuple[float, float],
    *,
    clockwise: bool,
) -> Arc:
    """Arc whose centre is ``offset`` away from its start, whichever way the sign is meant.

    The manual does not say whether the distance runs from the centre to the start or back, so
    the centre that is as far from the end as from the start is taken.  Equal ends make a full
    circle.
    """
    radius = math.hypot(*offset)

    def misfit(sign: int) -> float:
        centre = (start[0] + sign * offset[0], start[1] + sign * offset[1])
        return abs(math.hypot(end[0] - centre[0], end[1] - centre[1]) - radius)

    # A full circle fits either way; the offset is then taken to lead to the centre.
    sign = -1 if misfit(-1) < misfit(1) - 1e-9 else 1
    turn = 2 if start == end else 1
    return Arc(
        start[0] + sign * offset[0],
        start[1] + sign * offset[1],
        -turn if clockwise else turn,
        misfit(sign),
    )
