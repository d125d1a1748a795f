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

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import ProblemLog, Rule
from fabkit.base.units import INCH_MM
from fabkit.formats.gerber.arcs import Arcs, resolve_arcs
from fabkit.formats.gerber.commands import Interpreter
from fabkit.formats.gerber.header import Header
from fabkit.formats.gerber.model import ContourSegments, Kind, RawObjects
from fabkit.formats.gerber.operations import find_operations
from fabkit.formats.gerber.points import follow_axis
from fabkit.formats.gerber.problems import (
    APERTURE_CODE,
    APERTURE_UNDEFINED,
    BEFORE_HEADER,
    CODE_SPELLING,
    COMBINED_WORD,
    MODE_UNDEFINED,
    OFFSET_UNUSED,
    OLD_CODE,
    POINT_UNDEFINED,
    REGION_COMMAND,
    REGION_EMPTY,
    REGION_NO_START,
    REGION_UNBALANCED,
    STROKE_POINT,
    UNKNOWN_COMMAND,
)
from fabkit.formats.gerber.regions import OpenRegion, insert_regions
from fabkit.formats.gerber.state import Carry, Changes, Marker, columns, merge, spread
from fabkit.formats.gerber.table import Table
from fabkit.formats.gerber.tokens import NONE, Chunk

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
        self.objects = Table(tuple(RawObjects.DTYPES))
        self.segments = Table(tuple(ContourSegments.DTYPES))
        self.markers: list[Marker] = []
        self.contour = 0
        self._region: OpenRegion | None = None
        self._closed_early = False
        # One exact integer factor where there is one, so that a coordinate is rounded once.
        inch = header.unit_mm == INCH_MM
        self._factor = 254.0 if inch else 1.0
        self._divisor = tuple(10.0 ** (m + inch) for m in (header.decimals_x, header.decimals_y))

    def _say(self, rule: Rule, message: str, offsets: Ints, *, assumed: str | None = None) -> None:
        if len(offsets):
            self.log.add(rule, message, offset=int(offsets[0]), count=len(offsets), assumed=assumed)

    def _mm(self, value: Ints, axis: int) -> Floats:
        return np.asarray((value * self._factor) / self._divisor[axis], np.float64)

    def add(self, chunk: Chunk, changes: Changes, count: int) -> None:
        """Plot the first ``count`` rows of a chunk."""
        rows = chunk.rows
        d, g, offset = rows.d[:count], rows.g[:count], rows.offset[:count]
        self._say(CODE_SPELLING, "G or D codes that do not have two digits", chunk.misspelt)
        self._say(
            COMBINED_WORD, "a G code and an operation (D01 to D03) in one command", chunk.combined
        )
        g_rows = np.flatnonzero(g >= 0)
        g_codes = g[g_rows]
        self._report_codes(g_rows, g_codes, d, offset)
        mode = merge(*_where(g_rows, g_codes, (1, 2, 3)), changes.mode)
        quadrant = merge(*_where(g_rows, g_codes, (74, 75)), changes.quadrant)
        notation = merge(*_where(g_rows, g_codes, (90, 91)), changes.incremental)
        region = merge(*_where(g_rows, g_codes, (36, 37)), changes.region)
        operation = find_operations(chunk.rows, count, self.carry, self._say)
        ops = np.flatnonzero(operation)
        code = operation[ops]
        inside, spans = self._regions(region, d, count, offset, changes, ops)
        x, y, before_x, before_y = self._points(chunk, ops, offset, notation, changes.reset)
        selected = self._apertures(d, offset)
        line = code == 1
        lines = np.flatnonzero(line)
        line_mode = spread(ops[lines], *mode, self.carry.mode)
        arcs = self._arcs(
            chunk, ops[lines], lines, line_mode, quadrant, (x, y, before_x, before_y), offset
        )
        x_mm, y_mm = self._mm(x, 0), self._mm(y, 1)
        ends = (self._mm(before_x, 0), self._mm(before_y, 1), x_mm, y_mm)
        first = self._draw_regions(ops, lines, inside, spans, code, ends, arcs, offset)
        self._draw_objects(
            ops, lines, inside, code, ends, arcs, offset, selected, changes, spans, first
        )
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
        for code in np.unique(codes).tolist():
            at = offset[rows[codes == code]]
            if code not in _KNOWN_G:
                self._say(UNKNOWN_COMMAND, f"G{code:02d} is no command", at)
            elif code in _OLD_CODES:
                self._say(OLD_CODE, f"G{code} ({_OLD_CODES[code]}) is not needed any more", at)
            elif code == 91:
                self._say(OLD_CODE, "G91 (coordinates are steps from point to point)", at)
        wrong = np.flatnonzero((d == 0) | ((d > 3) & (d < 10)))
        if len(wrong):
            self._say(APERTURE_CODE, "D codes below 10 that are no operation", offset[wrong])

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
        missing = np.flatnonzero(
            (missing_x[0] | missing_y[0]) | (line & (missing_x[1] | missing_y[1]))
        )
        if len(missing):
            self._say(
                POINT_UNDEFINED,
                "the current point is not defined",
                offset[ops[missing]],
                assumed="taken as 0, 0",
            )
        if len(ops):
            self.carry.x, self.carry.y = int(x[-1]), int(y[-1])
        if reset and (not len(ops) or int(resets[-1]) == len(ops)):
            self.carry.x = self.carry.y = None
        return x, y, before_x, before_y

    def _apertures(self, d: Ints, offset: Ints) -> tuple[Ints, Ints]:
        """Rows that select an aperture, and the index each selects."""
        rows = np.flatnonzero(d >= 10)
        codes = d[rows]
        index = np.full(len(rows), -1, np.int64)
        if not len(rows):
            return rows, index
        order = np.argsort(codes, kind="stable")
        names, first = np.unique(codes[order], return_index=True)
        for code, chosen in zip(names.tolist(), np.split(order, first[1:]), strict=True):
            defined, indices = columns(self.interpreter.definitions(code))
            at = np.searchsorted(defined, rows[chosen], side="right") - 1
            index[chosen] = indices[at]
            lost = chosen[index[chosen] == -1]
            if len(lost):
                self._say(
                    APERTURE_UNDEFINED, f"aperture D{code} is not defined", offset[rows[lost]]
                )
        return rows, index

    def _arcs(
        self,
        chunk: Chunk,
        rows: Ints,
        lines: Ints,
        mode: Ints,
        quadrant: tuple[Ints, Ints],
        points: tuple[Ints, Ints, Ints, Ints],
        offset: Ints,
    ) -> Arcs:
        """Centre (mm) and turn of each D01."""
        self._say(
            MODE_UNDEFINED,
            "lines (D01) before G01, G02 or G03 says whether they are straight",
            offset[rows[mode == 0]],
            assumed="straight lines",
        )
        i, j = chunk.rows.i[rows], chunk.rows.j[rows]
        curved = np.flatnonzero(mode >= 2)
        idle = (mode < 2) & (((i != NONE) & (i != 0)) | ((j != NONE) & (j != 0)))
        self._say(
            OFFSET_UNUSED,
            "I or J, the way to the centre of an arc, on something that is no arc",
            offset[rows[idle]],
        )
        arcs = Arcs.straight(len(rows))
        if len(curved):
            single = spread(rows[curved], *quadrant, self.carry.quadrant)
            at = lines[curved]
            x, y, before_x, before_y = (p[at] for p in points)
            found = resolve_arcs(
                (before_x, before_y, x, y),
                (i[curved], j[curved]),
                clockwise=mode[curved] == 2,
                quadrant=single,
                unit_um=self.header.unit_mm * 1000 / 10.0**self.header.decimals_x,
                say=lambda rule, text, which: self._say(rule, text, offset[rows[curved[which]]]),
            )
            arcs.cx[curved] = found.cx * (self._factor / self._divisor[0])
            arcs.cy[curved] = found.cy * (self._factor / self._divisor[1])
            arcs.turn[curved] = found.turn
            arcs.dot[curved] = found.dot
        return arcs

    def _regions(
        self,
        region: tuple[Ints, Ints],
        d: Ints,
        count: int,
        offset: Ints,
        changes: Changes,
        ops: Ints,
    ) -> tuple[Bools, list[tuple[int, int, OpenRegion]]]:
        """Which operations lie in a region, and the regions that close in this chunk.

        Returns
        -------
        inside : (len(ops),) bool
        spans
            ``(opening row or -1, closing row or count, region)`` in order.
        """
        at, codes = region
        if not len(at) and self._region is None:
            return np.zeros(len(ops), bool), []
        initial = 36 if self._region is not None else 37
        illegal = np.flatnonzero((d == 3) | (d >= 10))
        closed_early: set[int] = set()
        hit = illegal[spread(illegal, at, codes, initial) == 36]
        if len(hit):
            # The first of them closes its region; later ones then stand outside.
            which = np.searchsorted(at, hit, side="right")
            hit = hit[np.unique(which, return_index=True)[1]]
            self._say(REGION_COMMAND, "D03 or an aperture inside a region closes it", offset[hit])
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
        spans: list[tuple[int, int, OpenRegion]] = []
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
                spans.append((open_row, row, opened))
                opened = None
                self._closed_early = row in closed_early
        if opened is not None:
            spans.append((open_row, count, opened))
        self._region = opened
        return inside, spans

    def _draw_regions(
        self,
        ops: Ints,
        lines: Ints,
        inside: Bools,
        spans: list[tuple[int, int, OpenRegion]],
        code: Ints,
        ends: tuple[Floats, Floats, Floats, Floats],
        arcs: Arcs,
        offset: Ints,
    ) -> list[tuple[int, int, int]]:
        """Add the segments of all regions; returns ``(first, last, closing row)`` of each span."""
        if not spans:
            return []
        starts = np.zeros(len(ops), bool)
        opened = np.array([s[0] for s in spans if s[0] >= 0], np.int64)
        at = np.searchsorted(ops, opened)
        at = at[at < len(ops)]
        starts[at] = True
        unmoved = at[inside[at] & (code[at] != 2)]
        self._say(
            REGION_NO_START,
            "the first contour starts without D02",
            offset[ops[unmoved]],
            assumed="it starts at the current point",
        )
        starts |= inside & (code == 2)
        number = self.contour + np.cumsum(starts)
        if len(ops):
            # A contour that runs on into the next piece of the file keeps its number.
            runs_on = self._region is not None and bool(inside[-1])
            self.contour = int(number[-1]) + (not runs_on)
        within = np.flatnonzero(inside[lines])
        chosen = lines[within]
        base = self.segments.count
        self.segments.add(
            len(chosen),
            x0=ends[0][chosen],
            y0=ends[1][chosen],
            x1=ends[2][chosen],
            y1=ends[3][chosen],
            cx=arcs.cx[within],
            cy=arcs.cy[within],
            turn=arcs.turn[within],
            contour=number[chosen].astype(np.int32),
            offset=offset[ops[chosen]],
        )
        rows = ops[chosen]
        bounds = np.array([(s[0], s[1]) for s in spans], np.int64)
        cuts = (base + np.searchsorted(rows, bounds)).tolist()
        found = []
        for (_, close_row, region), (first, last) in zip(spans, cuts, strict=True):
            if region.first < 0:
                region.first = first
            found.append((region.first, last, close_row))
        return found

    def _draw_objects(
        self,
        ops: Ints,
        lines: Ints,
        inside: Bools,
        code: Ints,
        ends: tuple[Floats, Floats, Floats, Floats],
        arcs: Arcs,
        offset: Ints,
        selected: tuple[Ints, Ints],
        changes: Changes,
        spans: list[tuple[int, int, OpenRegion]],
        contours: list[tuple[int, int, int]],
    ) -> None:
        drawn = np.flatnonzero((code != 2) & ~inside)
        rows = ops[drawn]
        aperture = spread(rows, *selected, self.carry.aperture)
        if len(selected[1]):
            self.carry.aperture = int(selected[1][-1])
        usable = aperture != -1
        if not usable.all():
            self._say(BEFORE_HEADER, "objects without a defined aperture", offset[rows[~usable]])
            drawn, rows, aperture = drawn[usable], rows[usable], aperture[usable]
        count = len(drawn)
        flash = code[drawn] == 3
        line_of = np.full(len(ops), -1, np.int64)
        line_of[lines] = np.arange(len(lines))
        line = line_of[drawn]
        turn = np.where(flash, 0, arcs.turn[line]) if len(lines) else np.zeros(count, np.int8)
        kind = np.where(flash, Kind.FLASH, np.where(turn != 0, Kind.ARC, Kind.DRAW))
        x0, y0, x1, y1 = (e[drawn] for e in ends)
        x0[flash], y0[flash] = x1[flash], y1[flash]
        curved = np.flatnonzero(turn)
        cx, cy = np.full(count, np.nan), np.full(count, np.nan)
        if len(curved):
            cx[curved], cy[curved] = arcs.cx[line[curved]], arcs.cy[line[curved]]
        if len(lines):
            dots = np.flatnonzero(~flash & arcs.dot[line])
            x0[dots], y0[dots] = x1[dots], y1[dots]
        still = np.flatnonzero((kind == Kind.DRAW) & (x0 == x1) & (y0 == y1))
        if len(still):
            self._say(STROKE_POINT, "a line (D01) that ends where it starts", offset[rows[still]])
        made: dict[str, NDArray[Any]] = {
            "kind": kind.astype(np.int8),
            "x0": x0,
            "y0": y0,
            "x1": x1,
            "y1": y1,
            "cx": cx,
            "cy": cy,
            "turn": turn.astype(np.int8),
            "aperture": aperture.astype(np.int32),
            "dark": spread(rows, *columns(changes.dark), self.carry.dark, bool),
            "pose": spread(rows, *columns(changes.pose), self.carry.pose, np.int32),
            "attributes": spread(rows, *columns(changes.objects), self.carry.objects, np.int32),
            "first": np.zeros(count, np.int64),
            "last": np.zeros(count, np.int64),
            "offset": offset[rows],
            "aperture_set": np.full(count, -1, np.int32),
        }
        keys = rows
        regions = self._closed(spans, contours)
        if regions:
            made, keys = insert_regions(made, rows, regions)
        base = self.objects.count
        for row, marker in changes.markers:
            # A region that closes in this row's front belongs before the marker as well.
            at = base + int(np.searchsorted(keys, row, side="left"))
            self.markers.append(Marker(marker.kind, at, marker.offset, marker.block, marker.grid))
        self.objects.add(len(keys), **made)

    def _closed(
        self,
        spans: list[tuple[int, int, OpenRegion]],
        contours: list[tuple[int, int, int]],
    ) -> list[tuple[int, int, int, OpenRegion]]:
        closed = []
        for (_, _, region), (first, last, row) in zip(spans, contours, strict=True):
            if region is self._region:
                continue
            if last > first:
                closed.append((row, first, last, region))
            else:
                self.log.add(REGION_EMPTY, "a region without segments", offset=region.offset)
        return closed

    def finish(self) -> None:
        """Close what the file leaves open."""
        region = self._region
        self._region = None
        if region is None:
            return
        self.log.add(REGION_UNBALANCED, "a region is not closed", offset=region.offset)
        if region.first >= 0 and self.segments.count > region.first:
            closing = (0, region.first, self.segments.count, region)
            made, _ = insert_regions(None, np.empty(0, np.int64), [closing])
            self.objects.add(1, **made)


def _where(rows: Ints, codes: Ints, wanted: tuple[int, ...]) -> tuple[Ints, Ints]:
    chosen = np.isin(codes, wanted)
    return rows[chosen], codes[chosen]
