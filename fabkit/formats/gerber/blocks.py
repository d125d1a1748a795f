"""Blocks (AB) and repeats (SR): expanded into plain rows, counted before they are made.

While this goes on a region's row keeps where its contours were drawn (``first``, ``last``) and in
``x0``, ``y0`` and ``pose`` how they were moved since; the segments themselves are copied once, at
the end.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fabkit.base.findings import ProblemLog
from fabkit.base.limits import Limits
from fabkit.formats.gerber.commands import Interpreter
from fabkit.formats.gerber.model import Attributes, Kind, Pose
from fabkit.formats.gerber.problems import BLOCK_UNBALANCED, REPEAT_UNBALANCED, TOO_LARGE
from fabkit.formats.gerber.state import Mark, Marker

Rows = dict[str, NDArray[Any]]
Ints = NDArray[np.int64]


def move_points(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    mirror: NDArray[np.bool_],
    rotation_deg: NDArray[np.float64],
    scale: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mirror, then turn, then scale points about the origin; right angles exactly."""
    x = np.where(mirror, -x, x)
    angle = np.radians(rotation_deg)
    c, s = np.cos(angle), np.sin(angle)
    quarter = rotation_deg % 90 == 0
    c, s = np.where(quarter, np.round(c), c), np.where(quarter, np.round(s), s)
    return (x * c - y * s) * scale, (x * s + y * c) * scale


def compose_poses(outer: Pose, inner: Pose) -> Pose:
    """Pose of something posed by ``inner`` inside something posed by ``outer``."""
    turn = -inner.rotation_deg if outer.mirror_x else inner.rotation_deg
    return Pose(
        outer.mirror_x != inner.mirror_x,
        (outer.rotation_deg + turn) % 360.0,
        outer.scale * inner.scale,
    )


@dataclass(slots=True)
class _Frame:
    kind: Mark
    marker: Marker
    parts: list[Rows] = field(default_factory=list)


class Expander:
    """Expands the stream of raw rows into the rows of the image."""

    def __init__(
        self,
        raw: Rows,
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
        self._library: dict[int, Rows] = {}
        self._merged: dict[tuple[int, int], int] = {}
        self._merged_apertures: dict[tuple[int, int], int] = {}

    def expand(self, markers: list[Marker]) -> Rows:
        """All rows of the image, in order."""
        region = self.raw["kind"] == Kind.REGION
        self.raw["x0"][region] = 0.0
        self.raw["y0"][region] = 0.0
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
                while len(stack) > 1 and stack[-1].kind == Mark.REPEAT_OPEN:
                    self._close_repeat(stack)
                if len(stack) > 1:
                    frame = stack.pop()
                    self._library[frame.marker.block] = _concat(frame.parts, self.raw)
        self._span(stack[-1], done, len(self.raw["kind"]))
        while len(stack) > 1:
            if stack[-1].kind == Mark.REPEAT_OPEN:
                self.log.add(
                    REPEAT_UNBALANCED, "a repeat is not closed", offset=stack[-1].marker.offset
                )
                self._close_repeat(stack)
            else:
                frame = stack.pop()
                self.log.add(BLOCK_UNBALANCED, "a block is not closed", offset=frame.marker.offset)
        return _concat(top.parts, self.raw)

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
        rows = {name: column[first:last] for name, column in self.raw.items()}
        blocks = rows["aperture"] <= -2
        if not blocks.any():
            self._plain += last - first
            frame.parts.append(rows)
            return
        drawn = np.flatnonzero(blocks & (rows["kind"] != Kind.FLASH))
        flashed = np.flatnonzero(blocks & (rows["kind"] == Kind.FLASH))
        if len(drawn):
            self.log.add(
                BLOCK_UNBALANCED,
                "a line is drawn with a block",
                offset=int(rows["offset"][drawn[0]]),
                assumed="it was left out",
                count=len(drawn),
            )
        number = -2 - rows["aperture"].astype(np.int64)
        used = np.unique(number[flashed]).tolist()
        tables = [self._library.get(k) for k in used]
        sizes = np.zeros(len(self.interpreter.blocks) + 1, np.int64)
        for k, table in zip(used, tables, strict=True):
            sizes[k] = len(table["kind"]) if table is not None else 0
        counts = np.ones(last - first, np.int64)
        counts[drawn] = 0
        counts[flashed] = sizes[number[flashed]]
        self._plain += int(np.count_nonzero(~blocks))
        if not self._allowed(
            int(counts[flashed].sum()),
            int(rows["offset"][flashed[0]]) if len(flashed) else 0,
            "flashing blocks",
        ):
            counts[flashed] = 0
        owner = np.repeat(np.arange(last - first), counts)
        within = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
        from_block = blocks[owner]
        library = _concat([t for t in tables if t is not None], self.raw)
        starts = np.zeros_like(sizes)
        starts[used] = np.cumsum(sizes[used]) - sizes[used]
        out = {name: column[owner] for name, column in rows.items()}
        inner_at = np.flatnonzero(from_block)
        source = starts[number[owner[inner_at]]] + within[inner_at]
        inner = {name: column[source] for name, column in library.items()}
        flash = {name: column[inner_at] for name, column in out.items()}
        block_sets = np.array([b[1] for b in self.interpreter.blocks] + [0], np.int64)
        placed = self._place(inner, flash, block_sets[number[owner[inner_at]]])
        for name, column in placed.items():
            out[name][inner_at] = column
        frame.parts.append(out)

    def _place(self, inner: Rows, flash: Rows, block_set: Ints) -> Rows:
        """Rows of blocks as their flashes put them."""
        out = dict(inner)
        outer_poses = self.interpreter.poses
        mirror = np.array([p.mirror_x for p in outer_poses])[flash["pose"]]
        turn = np.array([p.rotation_deg for p in outer_poses])[flash["pose"]]
        scale = np.array([p.scale for p in outer_poses])[flash["pose"]]
        for a, b in (("x0", "y0"), ("x1", "y1"), ("cx", "cy")):
            x, y = move_points(inner[a], inner[b], mirror, turn, scale)
            out[a], out[b] = x + flash["x0"], y + flash["y0"]
        out["turn"] = np.where(mirror, -inner["turn"], inner["turn"])
        out["dark"] = inner["dark"] == flash["dark"]
        out["pose"] = _pairwise(flash["pose"], inner["pose"], self._posed)
        out["attributes"] = _pairwise(flash["attributes"], inner["attributes"], self._attributed)
        region = inner["aperture_set"] >= 0
        joined = _pairwise(
            block_set, np.maximum(inner["aperture_set"], 0), self._aperture_attributed
        )
        out["aperture_set"] = np.where(region, joined, -1)
        return out

    def _posed(self, outer: int, inner: int) -> int:
        poses = self.interpreter.poses
        return self.interpreter.pose_id(compose_poses(poses[outer], poses[inner]))

    def _attributed(self, outer: int, inner: int) -> int:
        """What an object says of itself wins over what is said of the whole block."""
        if outer == 0 or outer == inner:
            return inner
        key = (outer, inner)
        if key not in self._merged:
            self._merged[key] = len(self.object_sets)
            self.object_sets.append({**self.object_sets[outer], **self.object_sets[inner]})
        return self._merged[key]

    def _aperture_attributed(self, block: int, inner: int) -> int:
        sets = self.interpreter.dictionary.aperture_sets
        if block == 0 or block == inner:
            return inner
        key = (block, inner)
        if key not in self._merged_apertures:
            self._merged_apertures[key] = len(sets)
            sets.append({**sets[block], **sets[inner]})
        return self._merged_apertures[key]

    def _close_repeat(self, stack: list[_Frame]) -> None:
        frame = stack.pop()
        rows = _concat(frame.parts, self.raw)
        count = len(rows["kind"])
        nx, ny, dx, dy = frame.marker.grid
        if count and not self._allowed(count * (nx * ny - 1), frame.marker.offset, "a repeat"):
            nx = ny = 1
        if count and nx * ny > 1:
            # Copies go up the first column, then the next column (section 4.12).
            shift_x = np.repeat(np.arange(nx) * dx, ny * count)
            shift_y = np.tile(np.repeat(np.arange(ny) * dy, count), nx)
            rows = {name: np.tile(column, nx * ny) for name, column in rows.items()}
            for name in ("x0", "x1", "cx"):
                rows[name] = rows[name] + shift_x
            for name in ("y0", "y1", "cy"):
                rows[name] = rows[name] + shift_y
        stack[-1].parts.append(rows)


def _pairwise(outer: NDArray[Any], inner: NDArray[Any], join: Any) -> NDArray[np.int32]:
    """``join(outer, inner)`` of each pair, called once for each distinct pair."""
    if not len(outer):
        return np.empty(0, np.int32)
    keys = outer.astype(np.int64) << 32 | inner.astype(np.int64)
    distinct, which = np.unique(keys, return_inverse=True)
    made = [join(k >> 32, k & 0xFFFFFFFF) for k in distinct.tolist()]
    return np.array(made, np.int32)[which]


def _concat(parts: list[Rows], like: Rows) -> Rows:
    if not parts:
        return {name: column[:0] for name, column in like.items()}
    if len(parts) == 1:
        return parts[0]
    return {name: np.concatenate([p[name] for p in parts]) for name in like}


def place_segments(
    rows: Rows, segments: Rows, poses: list[Pose], limits: Limits, log: ProblemLog
) -> tuple[Rows, bool]:
    """Copy the contours of all regions to where the regions were moved; rows change in place.

    Returns
    -------
    segments : columns
    complete : bool
        False when the limit left regions without contours.
    """
    regions = np.flatnonzero(rows["kind"] == Kind.REGION)
    first, last = rows["first"][regions], rows["last"][regions]
    counts = last - first
    complete = int(counts.sum()) <= limits.segments
    if not complete:
        log.add(TOO_LARGE, f"regions would have over {limits.segments} segments (limit segments)")
        counts = np.where(np.cumsum(counts) <= limits.segments, counts, 0)
    ends = np.cumsum(counts)
    owner = np.repeat(np.arange(len(regions)), counts)
    source = np.arange(int(counts.sum())) - np.repeat(ends - counts, counts) + first[owner]
    out = {name: column[source] for name, column in segments.items()}
    pose = rows["pose"][regions][owner]
    mirror = np.array([p.mirror_x for p in poses])[pose]
    turn = np.array([p.rotation_deg for p in poses])[pose]
    scale = np.array([p.scale for p in poses])[pose]
    dx, dy = rows["x0"][regions][owner], rows["y0"][regions][owner]
    for a, b in (("x0", "y0"), ("x1", "y1"), ("cx", "cy")):
        x, y = move_points(out[a], out[b], mirror, turn, scale)
        out[a], out[b] = x + dx, y + dy
    out["turn"] = np.where(mirror, -out["turn"], out["turn"])
    if len(source):
        number = out["contour"]
        fresh = np.concatenate(([0], (number[1:] != number[:-1]) | (owner[1:] != owner[:-1])))
        out["contour"] = np.cumsum(fresh)
    for name in ("first", "last", "pose", "x0", "y0"):
        rows[name] = rows[name].copy()
    rows["first"][regions], rows["last"][regions] = ends - counts, ends
    rows["pose"][regions] = 0
    for name in ("x0", "y0", "x1", "y1", "cx", "cy"):
        rows[name][regions] = np.nan
    return out, complete
