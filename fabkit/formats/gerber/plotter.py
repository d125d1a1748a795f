"""Rows and state changes to graphic objects, a chunk at a time and without a loop over rows.

The rules, in the order in which they are applied to a row:

1. G01, G02, G03 set the mode, G74 and G75 the quadrant mode, G90 and G91 the notation; a code in
   the same word as an operation acts before it.
2. A D code of 10 or more selects an aperture; an unknown one makes every object until the next
   selection *undrawable*: it is counted, and left out.
3. Coordinates without operation code repeat D01 if that was the last D code, else they are
   ignored.
4. An omitted X or Y keeps the current value; where there is none (start of the file, after AB or
   SR closes) it is 0 and reported.
5. D01 between G36 and G37 adds a contour segment, D02 ends the contour; the region becomes one
   object with the state in force at G36.
6. Elsewhere D01 makes a draw or an arc, D03 a flash, with the aperture, polarity, pose and object
   attributes in force.
7. An arc is a full circle when its file integers start and end at the same point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Columns, Floats, Ints, rows_by
from fabkit.base.findings import ProblemLog
from fabkit.base.units import INCH_MM
from fabkit.formats.gerber.commands import APERTURE_CODE, Interpreter
from fabkit.formats.gerber.model import ContourSegments, Kind, RawObjects, nowhere
from fabkit.formats.gerber.state import (
    Carry,
    Changes,
    Marker,
    columns,
    find_operations,
    follow_axis,
    merge,
    resolve_arcs,
    spread,
)
from fabkit.formats.gerber.tokens import CODE_SPELLING, NONE, UNKNOWN_COMMAND, Chunk, Header
from fabkit.geometry.segments import Segments
from fabkit.rules import load_rule

COMBINED_WORD: Final = load_rule("gerber/combined-word")
BEFORE_HEADER: Final = load_rule("gerber/operation-undefined")
POINT_UNDEFINED: Final = load_rule("gerber/point-undefined")
MODE_UNDEFINED: Final = load_rule("gerber/mode-undefined")
APERTURE_UNDEFINED: Final = load_rule("gerber/aperture-undefined")
OLD_CODE: Final = load_rule("gerber/deprecated-code")
STROKE_POINT: Final = load_rule("gerber/stroke-point")
OFFSET_UNUSED: Final = load_rule("gerber/offset-unused")
REGION_UNBALANCED: Final = load_rule("gerber/region-unbalanced")
REGION_COMMAND: Final = load_rule("gerber/region-command")
REGION_NO_START: Final = load_rule("gerber/region-no-start")
REGION_EMPTY: Final = load_rule("gerber/region-empty")

Table = TypeVar("Table", bound=Columns)


class Growing(Generic[Table]):
    """A table that grows piece by piece."""

    def __init__(self, kind: type[Table]) -> None:
        self._kind = kind
        self._pieces: dict[str, list[NDArray[np.generic]]] = {name: [] for name in kind.DTYPES}
        self.count = 0

    def add(self, piece: Table) -> None:
        """Append the rows of a table."""
        for name, column in piece.by_name().items():
            self._pieces[name].append(column)
        self.count += len(piece)

    def join(self) -> Table:
        """All rows; what grew is empty afterwards, column by column, to keep the peak low."""
        made = {}
        for name, dtype in self._kind.DTYPES.items():
            pieces = self._pieces.pop(name)
            made[name] = np.concatenate(pieces) if pieces else np.empty(0, dtype)
        return self._kind(**made)


@dataclass(slots=True)
class OpenRegion:
    """A region between G36 and G37, possibly open across chunks."""

    first: int
    offset: int
    dark: int
    objects: int
    apertures: int


@dataclass(frozen=True, slots=True)
class ClosedRegion:
    """A region with contours: rows of its segments, and the row in front of which it closes."""

    region: OpenRegion
    first: int
    last: int
    row: int


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a chunk inside a region: opening row (or -1) and closing row (or the end)."""

    first: int
    last: int
    region: OpenRegion


@dataclass(frozen=True, slots=True)
class Moves:
    """Operations of one chunk and the way of each.

    Parameters
    ----------
    rows : (n,) int64
        Their rows in the chunk, ascending.
    code : (n,) int64
        1, 2 or 3.
    offset : (n,) int64
        Byte offset of the command.
    inside : (n,) bool
        Between G36 and G37.
    path
        From the point before to the point after, mm; an arc for some D01.
    dot : (n,) bool
        Arcs that are a single point.
    """

    rows: Ints
    code: Ints
    offset: Ints
    inside: Bools
    path: Segments
    dot: Bools


_OLD_CODES = {
    54: "an aperture follows",
    55: "a flash follows",
    90: "coordinates count from the origin",
}
_KNOWN_G = (1, 2, 3, 4, 36, 37, 54, 55, 70, 71, 74, 75, 90, 91)


class Plotter:
    """Turns chunks into the columns of ``RawObjects`` and ``ContourSegments``.

    Attributes
    ----------
    objects, segments
        Columns so far.  The ``attributes`` column of objects holds indices of object sets,
        ``aperture_set`` those of aperture sets for regions (-1 elsewhere).
    markers
        AB and SR commands with the number of objects before them.
    """

    def __init__(self, interpreter: Interpreter, header: Header, log: ProblemLog) -> None:
        self.interpreter = interpreter
        self.header = header
        self.log = log
        self.carry = Carry(incremental=91 if header.incremental else 90)
        self.objects = Growing(RawObjects)
        self.segments = Growing(ContourSegments)
        self.markers: list[Marker] = []
        self.contour = 0
        self._region: OpenRegion | None = None
        self._closed_early = False
        # One exact integer factor where there is one, so that a coordinate is rounded once.
        inch = header.unit_mm == INCH_MM
        self._factor = 254.0 if inch else 1.0
        self._divisor = tuple(10.0 ** (m + inch) for m in (header.decimals_x, header.decimals_y))

    def _mm(self, value: Ints, axis: int) -> Floats:
        return np.asarray((value * self._factor) / self._divisor[axis], np.float64)

    def add(self, chunk: Chunk, changes: Changes, count: int) -> None:
        """Plot the first ``count`` rows of a chunk."""
        rows = chunk.rows
        d, g, offset = rows.d[:count], rows.g[:count], rows.offset[:count]
        self.log.add_each(CODE_SPELLING, "G or D codes that do not have two digits", chunk.misspelt)
        self.log.add_each(
            COMBINED_WORD, "a G code and an operation (D01 to D03) in one command", chunk.combined
        )
        g_rows = np.flatnonzero(g >= 0)
        g_codes = g[g_rows]
        self._report_codes(g_rows, g_codes, d, offset)
        mode = merge(*_where(g_rows, g_codes, (1, 2, 3)), changes.mode)
        quadrant = merge(*_where(g_rows, g_codes, (74, 75)), changes.quadrant)
        notation = merge(*_where(g_rows, g_codes, (90, 91)), changes.incremental)
        region = merge(*_where(g_rows, g_codes, (36, 37)), changes.region)
        operation = find_operations(chunk.rows, count, self.carry, self.log)
        ops = np.flatnonzero(operation)
        code = operation[ops]
        inside, spans = self._regions(region, d, count, offset, changes, ops)
        points = self._points(chunk, ops, offset, notation, changes.reset)
        selected = self._apertures(d, offset)
        path, dot = self._paths(chunk, ops, code, points, (mode, quadrant), offset)
        moves = Moves(ops, code, offset[ops], inside, path, dot)
        closed = self._draw_regions(moves, spans)
        self._draw_objects(moves, selected, changes, closed)
        self._take_over(mode, quadrant, notation, changes)

    def _take_over(
        self,
        mode: tuple[Ints, Ints],
        quadrant: tuple[Ints, Ints],
        notation: tuple[Ints, Ints],
        changes: Changes,
    ) -> None:
        """Carry the state at the end of this chunk into the next."""
        carry = self.carry
        for name, values in (("mode", mode[1]), ("quadrant", quadrant[1])):
            if len(values):
                setattr(carry, name, int(values[-1]))
        if len(notation[1]):
            carry.incremental = int(notation[1][-1])
        for name in ("dark", "pose", "objects", "regions"):
            if changed := getattr(changes, name):
                setattr(carry, name, changed[-1][1])

    def _report_codes(self, rows: Ints, codes: Ints, d: Ints, offset: Ints) -> None:
        for code, mine in rows_by(codes).items():
            at = offset[rows[mine]]
            if code not in _KNOWN_G:
                self.log.add_each(UNKNOWN_COMMAND, f"G{code:02d} is no command", at)
            elif code in _OLD_CODES:
                self.log.add_each(
                    OLD_CODE, f"G{code} ({_OLD_CODES[code]}) is not needed any more", at
                )
            elif code == 91:
                self.log.add_each(OLD_CODE, "G91 (coordinates are steps from point to point)", at)
        wrong = np.flatnonzero((d == 0) | ((d > 3) & (d < 10)))
        self.log.add_each(APERTURE_CODE, "D codes below 10 that are no operation", offset[wrong])

    def _points(
        self,
        chunk: Chunk,
        ops: Ints,
        offset: Ints,
        notation: tuple[Ints, Ints],
        reset: list[int],
    ) -> tuple[Ints, Ints, Ints, Ints]:
        """End and start point of each operation, file integers."""
        steps = spread(ops, *notation, self.carry.incremental) == 91
        resets = np.searchsorted(ops, np.array(reset, np.int64))
        x, before_x, missing_x = follow_axis(chunk.rows.x[ops], steps, resets, self.carry.x)
        y, before_y, missing_y = follow_axis(chunk.rows.y[ops], steps, resets, self.carry.y)
        line = chunk.rows.d[ops] != 2
        line &= chunk.rows.d[ops] != 3
        # A line needs its start as well, a move or flash only the axis it leaves out (section 2.6).
        missing = np.flatnonzero(
            (missing_x[0] | missing_y[0]) | (line & (missing_x[1] | missing_y[1]))
        )
        self.log.add_each(
            POINT_UNDEFINED,
            "the current point is not defined",
            offset[ops[missing]],
            assumed="taken as 0, 0",
        )
        if len(ops):
            self.carry.x, self.carry.y = int(x[-1]), int(y[-1])
        # A block or repeat that closes behind the last operation leaves the next chunk no point.
        if reset and (not len(ops) or int(resets[-1]) == len(ops)):
            self.carry.x = self.carry.y = None
        return x, y, before_x, before_y

    def _apertures(self, d: Ints, offset: Ints) -> tuple[Ints, Ints]:
        """Rows that select an aperture, and the index each selects."""
        rows = np.flatnonzero(d >= 10)
        codes = d[rows]
        index = np.full(len(rows), -1, np.int64)
        for code, chosen in rows_by(codes).items():
            defined, indices = columns(self.interpreter.definitions(code))
            # Where a number is defined again, against section 4.3.1, each selection means the last
            # definition in front of it.
            at = np.searchsorted(defined, rows[chosen], side="right") - 1
            index[chosen] = indices[at]
            lost = chosen[index[chosen] == -1]
            self.log.add_each(
                APERTURE_UNDEFINED, f"aperture D{code} is not defined", offset[rows[lost]]
            )
        return rows, index

    def _paths(
        self,
        chunk: Chunk,
        ops: Ints,
        code: Ints,
        points: tuple[Ints, Ints, Ints, Ints],
        state: tuple[tuple[Ints, Ints], tuple[Ints, Ints]],
        offset: Ints,
    ) -> tuple[Segments, Bools]:
        """Way of each operation, mm, and which arcs are a single point.

        Parameters
        ----------
        points
            End and start of each operation, file integers.
        state
            Changes of the mode (G01 to G03) and of the quadrant mode (G74, G75).
        """
        x, y, before_x, before_y = points
        mode, quadrant = state
        cx, cy = np.full(len(ops), np.nan), np.full(len(ops), np.nan)
        turn, dot = np.zeros(len(ops), np.int8), np.zeros(len(ops), np.bool_)
        lines = np.flatnonzero(code == 1)
        rows = ops[lines]
        held = spread(rows, *mode, self.carry.mode)
        self.log.add_each(
            MODE_UNDEFINED,
            "lines (D01) before G01, G02 or G03 states whether they are straight",
            offset[rows[held == 0]],
            assumed="straight lines",
        )
        i, j = chunk.rows.i[rows], chunk.rows.j[rows]
        idle = (held < 2) & (((i != NONE) & (i != 0)) | ((j != NONE) & (j != 0)))
        self.log.add_each(
            OFFSET_UNUSED,
            "I or J, the way to the centre of an arc, on something that is no arc",
            offset[rows[idle]],
        )
        curved = np.flatnonzero(held >= 2)
        if len(curved):
            at = lines[curved]
            found = resolve_arcs(
                (before_x[at], before_y[at], x[at], y[at]),
                (i[curved], j[curved]),
                clockwise=held[curved] == 2,
                quadrant=spread(rows[curved], *quadrant, self.carry.quadrant),
                unit_um=self.header.unit_mm * 1000 / 10.0**self.header.decimals_x,
                at=offset[rows[curved]],
                log=self.log,
            )
            cx[at] = found.cx * (self._factor / self._divisor[0])
            cy[at] = found.cy * (self._factor / self._divisor[1])
            turn[at], dot[at] = found.turn, found.dot
        ends = (self._mm(before_x, 0), self._mm(before_y, 1), self._mm(x, 0), self._mm(y, 1))
        return Segments(*ends, cx, cy, turn), dot

    def _regions(
        self,
        region: tuple[Ints, Ints],
        d: Ints,
        count: int,
        offset: Ints,
        changes: Changes,
        ops: Ints,
    ) -> tuple[Bools, list[Span]]:
        """Which operations lie in a region, and the regions that close in this chunk.

        Returns
        -------
        inside : (len(ops),) bool
        spans
            In order.
        """
        at, codes = region
        if not len(at) and self._region is None:
            return np.zeros(len(ops), bool), []
        initial = 36 if self._region is not None else 37
        # Between G36 and G37 only D01, D02 and G codes may stand (section 4.10.1).
        illegal = np.flatnonzero((d == 3) | (d >= 10))
        closed_early: set[int] = set()
        hit = illegal[spread(illegal, at, codes, initial) == 36]
        if len(hit):
            # The first of them closes its region; later ones then stand outside.
            which = np.searchsorted(at, hit, side="right")
            hit = hit[np.unique(which, return_index=True)[1]]
            self.log.add_each(
                REGION_COMMAND, "D03 or an aperture inside a region closes it", offset[hit]
            )
            at, codes = merge(at, codes, [(int(h), 37) for h in hit])
            closed_early.update(hit.tolist())
        command_rows = np.array([c[0] for c in changes.commands], np.int64)
        if len(command_rows):
            # A command stands in front of its row, so it is inside if the row before is.
            held = spread(command_rows - 1, at, codes, initial) == 36
            for k in np.flatnonzero(held).tolist():
                self.log.add(
                    REGION_COMMAND,
                    "a command between % signs inside a region",
                    offset=changes.commands[k][1],
                    assumed="it acts behind the region",
                )
        inside = spread(ops, at, codes, initial) == 36
        state = [
            spread(at, *columns(getattr(changes, name)), getattr(self.carry, name)).tolist()
            for name in ("dark", "objects", "regions")
        ]
        spans: list[Span] = []
        opened, open_row = self._region, -1
        places = offset[np.minimum(at, count - 1)].tolist() if count else [0] * len(at)
        for k, (row, code) in enumerate(zip(at.tolist(), codes.tolist(), strict=True)):
            place = places[k]
            if code == 36 and opened is not None:
                self.log.add(REGION_UNBALANCED, "G36 begins a region inside a region", offset=place)
            elif code == 36:
                opened = OpenRegion(-1, place, state[0][k], state[1][k], state[2][k])
                open_row = row
            elif opened is None:
                if not self._closed_early:
                    self.log.add(
                        REGION_UNBALANCED, "G37 ends a region that no G36 began", offset=place
                    )
                self._closed_early = False
            else:
                spans.append(Span(open_row, row, opened))
                opened = None
                self._closed_early = row in closed_early
        if opened is not None:
            spans.append(Span(open_row, count, opened))
        self._region = opened
        return inside, spans

    def _draw_regions(self, moves: Moves, spans: list[Span]) -> list[ClosedRegion]:
        """Add the segments of all regions; gives the regions that close in this chunk."""
        if not spans:
            return []
        ops, inside, code = moves.rows, moves.inside, moves.code
        starts = np.zeros(len(ops), np.bool_)
        opened = np.array([s.first for s in spans if s.first >= 0], np.int64)
        at = np.searchsorted(ops, opened)
        at = at[at < len(ops)]
        starts[at] = True
        unmoved = at[inside[at] & (code[at] != 2)]
        self.log.add_each(
            REGION_NO_START,
            "the first contour starts without D02",
            moves.offset[unmoved],
            assumed="it starts at the current point",
        )
        starts |= inside & (code == 2)
        number = self.contour + np.cumsum(starts)
        if len(ops):
            # A contour that runs on into the next piece of the file keeps its number.
            runs_on = self._region is not None and bool(inside[-1])
            self.contour = int(number[-1]) + (not runs_on)
        chosen = np.flatnonzero(inside & (code == 1))
        base = self.segments.count
        self.segments.add(
            ContourSegments(
                **moves.path.take(chosen).by_name(),
                contour=number[chosen].astype(np.int32),
                offset=moves.offset[chosen],
            )
        )
        bounds = np.array([(s.first, s.last) for s in spans], np.int64)
        cuts = (base + np.searchsorted(ops[chosen], bounds)).tolist()
        closed = []
        for span, (first, last) in zip(spans, cuts, strict=True):
            region = span.region
            if region.first < 0:
                region.first = first
            if region is self._region:
                continue
            if last > region.first:
                closed.append(ClosedRegion(region, region.first, last, span.last))
            else:
                self.log.add(REGION_EMPTY, "a region without segments", offset=region.offset)
        return closed

    def _draw_objects(
        self,
        moves: Moves,
        selected: tuple[Ints, Ints],
        changes: Changes,
        closed: list[ClosedRegion],
    ) -> None:
        """Add flashes, draws and arcs, and the regions in front of the rows that close them.

        Parameters
        ----------
        selected
            Rows that select an aperture, and its index.
        """
        drawn = np.flatnonzero((moves.code != 2) & ~moves.inside)
        aperture = spread(moves.rows[drawn], *selected, self.carry.aperture)
        if len(selected[1]):
            self.carry.aperture = int(selected[1][-1])
        usable = aperture != -1
        if not usable.all():
            lost = moves.offset[drawn[~usable]]
            self.log.add_each(BEFORE_HEADER, "objects without a defined aperture", lost)
            drawn, aperture = drawn[usable], aperture[usable]
        rows, offset, path = moves.rows[drawn], moves.offset[drawn], moves.path.take(drawn)
        flash = moves.code[drawn] == 3
        kind = np.where(flash, Kind.FLASH, np.where(path.turn != 0, Kind.ARC, Kind.DRAW))
        # A flash comes from nowhere; an arc of one point is a dot where it ends.
        still = flash | moves.dot[drawn]
        path = path.with_columns(
            x0=np.where(still, path.x1, path.x0),
            y0=np.where(still, path.y1, path.y0),
            cx=np.where(path.turn != 0, path.cx, np.nan),
            cy=np.where(path.turn != 0, path.cy, np.nan),
        )
        dots = (kind == Kind.DRAW) & (path.x0 == path.x1) & (path.y0 == path.y1)
        self.log.add_each(STROKE_POINT, "a line (D01) that ends where it starts", offset[dots])
        attributes = spread(rows, *columns(changes.objects), self.carry.objects)
        nothing = np.zeros(len(drawn), np.int64)
        made = RawObjects(
            **path.by_name(),
            kind=kind.astype(np.int8),
            aperture=aperture.astype(np.int32),
            dark=spread(rows, *columns(changes.dark), self.carry.dark) != 0,
            pose=spread(rows, *columns(changes.pose), self.carry.pose).astype(np.int32),
            attributes=attributes.astype(np.int32),
            first=nothing,
            last=nothing,
            offset=offset,
            aperture_set=np.full(len(drawn), -1, np.int32),
        )
        # Doubled rows, so that a region closed by a flash comes before that flash.
        keys = np.concatenate((rows * 2 + 1, np.array([r.row * 2 for r in closed], np.int64)))
        order = np.argsort(keys, kind="stable")
        base = self.objects.count
        for row, marker in changes.markers:
            # A region that closes in this row's front belongs before the marker as well.
            at = base + int(np.searchsorted(keys[order], row * 2, side="left"))
            self.markers.append(Marker(marker.kind, at, marker.offset, marker.block, marker.grid))
        self.objects.add(RawObjects.concat(made, _region_objects(closed)).take(order))

    def finish(self) -> None:
        """Close what the file leaves open."""
        region = self._region
        self._region = None
        if region is None:
            return
        self.log.add(REGION_UNBALANCED, "a region is not closed", offset=region.offset)
        if region.first >= 0 and self.segments.count > region.first:
            closing = ClosedRegion(region, region.first, self.segments.count, 0)
            self.objects.add(_region_objects([closing]))


def _region_objects(closed: list[ClosedRegion]) -> RawObjects:
    """Regions as objects, in the order in which they close."""
    held = [c.region for c in closed]
    return RawObjects(
        **nowhere(len(closed)),
        turn=np.zeros(len(closed), np.int8),
        kind=np.full(len(closed), Kind.REGION, np.int8),
        aperture=np.full(len(closed), -1, np.int32),
        dark=np.array([r.dark for r in held], np.bool_),
        pose=np.zeros(len(closed), np.int32),
        attributes=np.array([r.objects for r in held], np.int32),
        first=np.array([c.first for c in closed], np.int64),
        last=np.array([c.last for c in closed], np.int64),
        offset=np.array([r.offset for r in held], np.int64),
        aperture_set=np.array([r.apertures for r in held], np.int32),
    )


def _where(rows: Ints, codes: Ints, wanted: tuple[int, ...]) -> tuple[Ints, Ints]:
    chosen = np.isin(codes, wanted)
    return rows[chosen], codes[chosen]
