"""Blocks (AB) and repeats (SR): expanded into plain rows, counted before they are made.

While this goes on a region's row keeps where its contours were drawn (``first``, ``last``) and in
``x0``, ``y0`` and ``pose`` how they were moved since; the segments themselves are copied once, at
the end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Ints, ranges, run_starts
from fabkit.base.findings import ProblemLog
from fabkit.base.limits import Limits
from fabkit.formats.gerber.commands import (
    BLOCK_UNBALANCED,
    REPEAT_UNBALANCED,
    TOO_LARGE,
    Interpreter,
)
from fabkit.formats.gerber.macros import MacroShape
from fabkit.formats.gerber.model import (
    Aperture,
    Attributes,
    ContourSegments,
    Kind,
    Objects,
    Pose,
    Poses,
    RawObjects,
    nowhere,
)
from fabkit.formats.gerber.state import Mark, Marker
from fabkit.geometry.contours import cross_more_than, crosses_more_than
from fabkit.geometry.segments import Segments, circle_chords


@dataclass(slots=True)
class _Frame:
    kind: Mark
    marker: Marker
    parts: list[RawObjects] = field(default_factory=list)


class Expander:
    """Expands the stream of raw rows into the rows of the image."""

    def __init__(
        self,
        raw: RawObjects,
        interpreter: Interpreter,
        object_sets: list[Attributes],
        limits: Limits,
        log: ProblemLog,
    ) -> None:
        self.raw = raw
        self.interpreter = interpreter
        self.object_sets = object_sets
        self.limits = limits
        self.log = log
        self.complete = True
        self._plain = 0
        self._copies = 0
        self._library: dict[int, RawObjects] = {}
        self._merged: dict[tuple[int, int], int] = {}
        self._merged_apertures: dict[tuple[int, int], int] = {}

    def expand(self, markers: list[Marker]) -> RawObjects:
        """All rows of the image, in order."""
        region = self.raw.kind == Kind.REGION
        self.raw = self.raw.with_columns(
            x0=np.where(region, 0.0, self.raw.x0), y0=np.where(region, 0.0, self.raw.y0)
        )
        top = _Frame(Mark.BLOCK_OPEN, Marker(Mark.BLOCK_OPEN, 0, 0))
        stack = [top]
        done = 0
        for marker in markers:
            self._span(stack[-1], done, marker.at)
            done = marker.at
            if marker.kind in (Mark.BLOCK_OPEN, Mark.REPEAT_OPEN):
                stack.append(_Frame(marker.kind, marker))
            elif marker.kind == Mark.REPEAT_CLOSE:
                if stack[-1].kind == Mark.REPEAT_OPEN:
                    self._close_repeat(stack)
                else:
                    self.log.add(
                        BLOCK_UNBALANCED, "a repeat ends inside a block", offset=marker.offset
                    )
            else:
                # A repeat that is still open where its block closes ends with it.
                while len(stack) > 1 and stack[-1].kind == Mark.REPEAT_OPEN:
                    self._close_repeat(stack)
                if len(stack) > 1:
                    frame = stack.pop()
                    self._library[frame.marker.block] = RawObjects.concat(*frame.parts)
        self._span(stack[-1], done, len(self.raw))
        while len(stack) > 1:
            if stack[-1].kind == Mark.REPEAT_OPEN:
                self.log.add(
                    REPEAT_UNBALANCED, "a repeat is not closed", offset=stack[-1].marker.offset
                )
                self._close_repeat(stack)
            else:
                frame = stack.pop()
                self.log.add(BLOCK_UNBALANCED, "a block is not closed", offset=frame.marker.offset)
        return RawObjects.concat(*top.parts)

    def _allowed(self, copies: int, offset: int, what: str) -> bool:
        most = min(self.limits.copies, self.limits.objects - self._plain)
        if self._copies + copies <= most:
            self._copies += copies
            return True
        self.complete = False
        self.log.add(
            TOO_LARGE,
            f"{what} would make more than {most} objects (limits copies, objects)",
            offset=offset,
            assumed="it was left out",
        )
        return False

    def _span(self, frame: _Frame, first: int, last: int) -> None:
        if first >= last:
            return
        rows = self.raw.take(slice(first, last))
        blocks = rows.aperture <= -2
        if not blocks.any():
            self._plain += last - first
            frame.parts.append(rows)
            return
        drawn = np.flatnonzero(blocks & (rows.kind != Kind.FLASH))
        flashed = np.flatnonzero(blocks & (rows.kind == Kind.FLASH))
        self.log.add_each(
            BLOCK_UNBALANCED,
            "a line is drawn with a block",
            rows.offset[drawn],
            assumed="it was left out",
        )
        number = -2 - rows.aperture.astype(np.int64)
        used = np.unique(number[flashed]).tolist()
        tables = [self._library.get(k) for k in used]
        sizes = np.zeros(len(self.interpreter.blocks) + 1, np.int64)
        for k, table in zip(used, tables, strict=True):
            sizes[k] = len(table) if table is not None else 0
        counts = np.ones(last - first, np.int64)
        counts[drawn] = 0
        counts[flashed] = sizes[number[flashed]]
        self._plain += int(np.count_nonzero(~blocks))
        if not self._allowed(
            int(counts[flashed].sum()),
            int(rows.offset[flashed[0]]) if len(flashed) else 0,
            "flashing blocks",
        ):
            counts[flashed] = 0
        owner = np.repeat(np.arange(last - first), counts)
        within = ranges(np.zeros_like(counts), counts)
        from_block = blocks[owner]
        library = RawObjects.concat(*(t for t in tables if t is not None))
        starts = np.zeros_like(sizes)
        starts[used] = np.cumsum(sizes[used]) - sizes[used]
        out = rows.take(owner)
        inner_at = np.flatnonzero(from_block)
        source = starts[number[owner[inner_at]]] + within[inner_at]
        block_sets = np.array([b[1] for b in self.interpreter.blocks] + [0], np.int64)
        sets = block_sets[number[owner[inner_at]]]
        placed = self._place(library.take(source), out.take(inner_at), sets)
        frame.parts.append(out.replaced(inner_at, placed))

    def _place(self, inner: RawObjects, flash: RawObjects, block_set: Ints) -> RawObjects:
        """RawObjects of blocks as their flashes put them."""
        poses = Poses.of(self.interpreter.poses, flash.pose)
        joined = _pairwise(block_set, np.maximum(inner.aperture_set, 0), self._aperture_attributed)
        return (
            inner.mapped(poses.move)
            .mapped(lambda x, y: (x + flash.x0, y + flash.y0))
            .turned_over(poses.mirror)
            .with_columns(
                # A clear flash toggles every polarity in the block (section 4.11.1), also of blocks
                # within it, which are rows of it by now.
                dark=inner.dark == flash.dark,
                pose=_pairwise(flash.pose, inner.pose, self._posed),
                attributes=_pairwise(flash.attributes, inner.attributes, self._attributed),
                aperture_set=np.where(inner.aperture_set >= 0, joined, -1),
            )
        )

    def _posed(self, outer: int, inner: int) -> int:
        poses = self.interpreter.poses
        return self.interpreter.pose_id(poses[inner].inside(poses[outer]))

    def _attributed(self, outer: int, inner: int) -> int:
        return _joined(self.object_sets, self._merged, outer, inner)

    def _aperture_attributed(self, block: int, inner: int) -> int:
        sets = self.interpreter.dictionary.aperture_sets
        return _joined(sets, self._merged_apertures, block, inner)

    def _close_repeat(self, stack: list[_Frame]) -> None:
        frame = stack.pop()
        rows = RawObjects.concat(*frame.parts)
        count = len(rows)
        nx, ny, dx, dy = frame.marker.grid
        if count and not self._allowed(count * (nx * ny - 1), frame.marker.offset, "a repeat"):
            nx = ny = 1
        if count and nx * ny > 1:
            # Copies go up the first column, then the next column (section 4.12).
            shift_x = np.repeat(np.arange(nx) * dx, ny * count)
            shift_y = np.tile(np.repeat(np.arange(ny) * dy, count), nx)
            rows = rows.take(np.tile(np.arange(count), nx * ny))
            rows = rows.mapped(lambda x, y: (x + shift_x, y + shift_y))
        stack[-1].parts.append(rows)


def _joined(
    sets: list[Attributes], known: dict[tuple[int, int], int], outer: int, inner: int
) -> int:
    """Row of two sets joined: an object's own attribute wins over that of its block."""
    if outer == 0 or outer == inner:
        return inner
    key = (outer, inner)
    if key not in known:
        known[key] = len(sets)
        sets.append({**sets[outer], **sets[inner]})
    return known[key]


def _pairwise(
    outer: Ints | NDArray[np.int32],
    inner: Ints | NDArray[np.int32],
    join: Callable[[int, int], int],
) -> NDArray[np.int32]:
    """``join(outer, inner)`` of each pair, called once for each distinct pair."""
    if not len(outer):
        return np.empty(0, np.int32)
    keys = outer.astype(np.int64) << 32 | inner.astype(np.int64)
    distinct, which = np.unique(keys, return_inverse=True)
    made = [join(k >> 32, k & 0xFFFFFFFF) for k in distinct.tolist()]
    return np.array(made, np.int32)[which]


def place_segments(
    rows: RawObjects, segments: ContourSegments, poses: list[Pose], limits: Limits, log: ProblemLog
) -> tuple[RawObjects, ContourSegments, bool]:
    """Copy the contours of all regions to where the regions were moved.

    Returns
    -------
    rows, segments
        The objects with the rows of their contours, and the contours.
    complete : bool
        False when the limit left regions without contours.
    """
    regions = np.flatnonzero(rows.kind == Kind.REGION)
    first, last = rows.first[regions], rows.last[regions]
    counts = last - first
    complete = int(counts.sum()) <= limits.segments
    if not complete:
        log.add(TOO_LARGE, f"regions would have over {limits.segments} segments (limit segments)")
        counts = np.where(np.cumsum(counts) <= limits.segments, counts, 0)
    owner = np.repeat(np.arange(len(regions)), counts)
    source = ranges(first, counts)
    moved = rows.take(regions)
    held = Poses.of(poses, moved.pose[owner])
    dx, dy = moved.x0[owner], moved.y0[owner]
    out = (
        segments.take(source)
        .mapped(held.move)
        .mapped(lambda x, y: (x + dx, y + dy))
        .turned_over(held.mirror)
    )
    fresh = np.zeros(len(source), np.bool_)
    fresh[run_starts(out.contour, owner)] = True
    out = out.with_columns(contour=np.cumsum(fresh) - 1)
    ends = np.cumsum(counts)
    placed = moved.with_columns(
        **nowhere(len(regions)),
        first=ends - counts,
        last=ends,
        pose=np.zeros(len(regions)),
    )
    return rows.replaced(regions, placed), out, complete


_STROKE: Final = 64
"""Corners of a stroke without a known tool."""


def corner_counts(rows: Objects, segments: Segments, apertures: Sequence[Aperture]) -> Ints:
    """Corners of the shape of each object, counted before any shape is made, (n,) int64.

    A few bytes can ask for a million copies of an arc of four thousand chords; what that takes of
    the machine is known from the columns alone.
    """
    counts = np.zeros(len(rows), dtype=np.int64)
    tools = rows.kind != Kind.REGION
    corners = np.full(len(apertures) + 1, _STROKE)
    used = np.bincount(rows.aperture[tools] + 1, minlength=len(corners))[1:]
    for row in np.flatnonzero(used).tolist():
        corners[row] = _of_tool(apertures[row])
    counts[tools] = corners[rows.aperture[tools]]
    arcs = np.flatnonzero(rows.kind == Kind.ARC)
    counts[arcs] += 2 * Segments.of(rows).take(arcs).chord_counts()
    total = np.concatenate(([0], np.cumsum(segments.chord_counts())))
    regions = ~tools
    counts[regions] = total[rows.last[regions]] - total[rows.first[regions]]
    return counts


def _of_tool(aperture: Aperture) -> int:
    if aperture.diameter_mm is not None:
        return circle_chords(aperture.diameter_mm) + 1
    return int(shapely.get_num_coordinates(aperture.shape))


def drop_tangled(
    rows: RawObjects, segments: ContourSegments, limits: Limits, log: ProblemLog
) -> tuple[RawObjects, ContourSegments, bool]:
    """Leave out the regions that cross themselves too often; gives what is left, and if all is."""
    regions = np.flatnonzero(rows.kind == Kind.REGION)
    starts = run_starts(segments.contour)
    bounds = np.append(starts, len(segments))
    corners = np.concatenate(([0], np.cumsum(segments.chord_counts())))[bounds]
    # So many corners cannot cross more often even if each edge crosses all others.
    large = np.flatnonzero(np.diff(corners) ** 2 > 2 * limits.crossings)
    judged: dict[tuple[int, int], bool] = {}
    tangled = []
    for k in large.tolist():
        first, last = int(bounds[k]), int(bounds[k + 1])
        # Copies of a contour share its offset, and are as tangled as it is.
        key = (int(segments.offset[first]), last - first)
        if key not in judged:
            ring, _ = segments.take(slice(first, last)).flatten()
            judged[key] = crosses_more_than(ring, limits.crossings)
        if judged[key]:
            tangled.append(first)
    if not tangled:
        return rows, segments, True
    lost = regions[
        np.searchsorted(tangled, rows.first[regions]) < np.searchsorted(tangled, rows.last[regions])
    ]
    log.add(
        TOO_LARGE,
        f"a contour crosses itself more than {limits.crossings} times (limit crossings)",
        offset=int(segments.offset[tangled[0]]),
        assumed="its region was left out",
        count=len(lost),
    )
    rows = rows.take(np.delete(np.arange(len(rows)), lost))
    kept = rows.last - rows.first
    source = ranges(rows.first, kept)
    moved = np.where(kept > 0, np.cumsum(kept) - kept, 0)
    return rows.with_columns(first=moved, last=moved + kept), segments.take(source), False


def drop_beyond(
    rows: RawObjects,
    segments: ContourSegments,
    apertures: Sequence[Aperture],
    limits: Limits,
    log: ProblemLog,
) -> tuple[RawObjects, bool]:
    """Leave out all objects beyond the limit; gives the rows, and whether they were kept.

    A part would take as long to draw as the limit allows, and show nothing that can be judged.
    """
    tools = rows.aperture[rows.kind != Kind.REGION]
    total = sum(
        builder.corners
        for row in np.unique(tools[tools >= 0]).tolist()
        if isinstance(builder := apertures[row].builder, MacroShape)
    )
    # Macros are made to count their corners, unless that alone is too much.
    if total <= limits.corners:
        total = int(corner_counts(rows, segments, apertures).sum())
    told = ""
    if total > limits.corners:
        told = f"the shapes have {total:,} corners, more than {limits.corners:,} (limit corners)"
    elif _are_entangled(rows, limits.stroke_crossings):
        told = (
            f"strokes cross each other more than {limits.stroke_crossings:,} times "
            "(limit stroke_crossings)"
        )
    if not told:
        return rows, True
    log.add(
        TOO_LARGE,
        told,
        offset=int(rows.offset[0]),
        assumed="nothing of the layer was drawn",
    )
    return rows.take(slice(0)), False


def _are_entangled(rows: RawObjects, most: int) -> bool:
    """Whether strokes cross each other more often than so; their chords do for arcs."""
    strokes = np.flatnonzero((rows.kind == Kind.DRAW) | (rows.kind == Kind.ARC))
    if len(strokes) ** 2 <= 2 * most:
        return False
    lines = rows.take(strokes)
    return cross_more_than(lines.starts(), lines.ends(), most)
