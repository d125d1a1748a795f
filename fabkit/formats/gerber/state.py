"""What a row of a Gerber file means: state in force, operation, current point and arc.

All of it is found for a whole chunk of rows at once.  A change of state is a row and a value;
:func:`spread` says which value holds at each row.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints, last_before
from fabkit.base.findings import ProblemLog
from fabkit.formats.gerber.tokens import NONE, Rows
from fabkit.rules import load_rule

MODAL_OPERATION: Final = load_rule("gerber/modal-operation")
BARE_COORDINATES: Final = load_rule("gerber/bare-coordinates")
ARC_WITHOUT_G75: Final = load_rule("gerber/arc-without-g75")
ARC_SINGLE_QUADRANT: Final = load_rule("gerber/arc-single-quadrant")
ARC_NO_CENTRE: Final = load_rule("gerber/arc-no-centre")
ARC_HALF_CENTRE: Final = load_rule("gerber/arc-half-centre")
ARC_DEVIATION: Final = load_rule("gerber/arc-deviation")
ARC_BROKEN: Final = load_rule("gerber/arc-broken")
ARC_STRAIGHT: Final = load_rule("gerber/arc-straight")
ARC_POINT: Final = load_rule("gerber/arc-point")
ARC_TINY: Final = load_rule("gerber/arc-tiny")

Change = tuple[int, int]
"""``(row, value)``: from that row on the value holds."""


class Mark(IntEnum):
    """Where a structure opens or closes between objects."""

    BLOCK_OPEN = 0
    BLOCK_CLOSE = 1
    REPEAT_OPEN = 2
    REPEAT_CLOSE = 3


@dataclass(frozen=True, slots=True)
class Marker:
    """An AB or SR command, in front of object ``at`` of the stream."""

    kind: Mark
    at: int
    offset: int
    block: int = -1
    grid: tuple[int, int, float, float] = (1, 1, 0.0, 0.0)


@dataclass(slots=True)
class Changes:
    """Changes of one chunk, each list in order of rows."""

    dark: list[Change] = field(default_factory=list)
    pose: list[Change] = field(default_factory=list)
    objects: list[Change] = field(default_factory=list)
    regions: list[Change] = field(default_factory=list)
    mode: list[Change] = field(default_factory=list)
    quadrant: list[Change] = field(default_factory=list)
    region: list[Change] = field(default_factory=list)
    incremental: list[Change] = field(default_factory=list)
    reset: list[int] = field(default_factory=list)
    apertures: dict[int, list[Change]] = field(default_factory=dict)
    markers: list[tuple[int, Marker]] = field(default_factory=list)
    commands: list[tuple[int, int]] = field(default_factory=list)
    """``(row, offset)`` of commands that have no place in a region."""


@dataclass(slots=True)
class Carry:
    """State at the end of a chunk, taken into the next one."""

    dark: int = 1
    pose: int = 0
    objects: int = 0
    regions: int = 0
    mode: int = 0
    quadrant: int = 0
    incremental: int = 0
    aperture: int = -1
    modal: int = 0
    x: int | None = None
    y: int | None = None


def spread(rows: Ints, at: Ints, values: Ints, initial: int) -> Ints:
    """Value in force at each of ``rows``, given changes ``values`` from rows ``at`` on.

    Parameters
    ----------
    rows, at : int64, each in ascending order
    values : as long as ``at``
    initial
        In force before the first change.
    """
    if not len(at):
        return np.full(len(rows), initial, np.int64)
    cuts = np.searchsorted(rows, at, side="left")
    counts = np.diff(cuts, prepend=0, append=len(rows))
    return np.repeat(np.concatenate(([initial], values)).astype(np.int64), counts)


def merge(rows: Ints, values: Ints, changes: list[Change]) -> tuple[Ints, Ints]:
    """Merge changes made by rows themselves with those that stand in front of a row."""
    if not changes:
        return rows, values
    table = np.array(changes, np.int64)
    # Stable and changes first: what stands in front of a row acts before the row itself.
    at = np.concatenate((table[:, 0], rows))
    order = np.argsort(at, kind="stable")
    return at[order], np.concatenate((table[:, 1], values))[order]


def columns(changes: list[Change]) -> tuple[Ints, Ints]:
    """Give changes as two arrays."""
    if not changes:
        empty = np.empty(0, np.int64)
        return empty, empty
    table = np.array(changes, np.int64)
    return table[:, 0], table[:, 1]


def find_operations(rows: Rows, count: int, carry: Carry, log: ProblemLog) -> Ints:
    """1, 2 or 3 for each row that is an operation, else 0."""
    d = rows.d[:count]
    operation = np.where((d >= 1) & (d <= 3), d, 0)
    written = [axis[:count] != NONE for axis in (rows.x, rows.y, rows.i, rows.j)]
    bare = np.flatnonzero((d < 0) & np.logical_or.reduce(written))
    coded = np.flatnonzero(d >= 0)
    if len(bare):
        last = spread(bare, coded, d[coded], carry.modal)
        # A move leaves no image, and left out it would let the next line start in a wrong place.
        for code in (1, 2):
            again = bare[last == code]
            operation[again] = code
            log.add_each(
                MODAL_OPERATION,
                f"coordinates without operation code behind D0{code}",
                rows.offset[again],
                assumed=f"D0{code} was repeated",
            )
        log.add_each(
            BARE_COORDINATES,
            "coordinates without operation code, behind neither D01 nor D02",
            rows.offset[bare[(last != 1) & (last != 2)]],
            assumed="they were ignored",
        )
    if len(coded):
        carry.modal = int(d[coded[-1]])
    return operation


def follow_axis(
    given: Ints, steps: Bools, resets: Ints, carried: int | None
) -> tuple[Ints, Ints, tuple[Bools, Bools]]:
    """One coordinate after and before each operation, and where either is not defined."""
    count = len(given)
    starts_fresh = np.zeros(count + 1, bool)
    starts_fresh[resets] = True
    if steps.any():
        # Each step counts from the one before, hence a loop: G91 is deprecated, and rare.
        value = np.empty(count, np.int64)
        current = carried or 0
        for k, (step, is_step, fresh) in enumerate(
            zip(given.tolist(), steps.tolist(), starts_fresh[:-1].tolist(), strict=True)
        ):
            current = 0 if fresh else current
            if step != NONE:
                current = current + step if is_step else step
            # Endless steps in one direction must not overflow.
            value[k] = max(min(current, 2**53), -(2**53))
        missing = np.zeros(count, bool)
    elif (given != NONE).all():
        value = given
        missing = np.zeros(count, bool)
    else:
        source = last_before(given != NONE)
        lost = source < 0
        value = np.where(lost, 0 if carried is None else carried, given[source])
        missing = lost & (carried is None)
        if len(resets):
            last_reset = last_before(starts_fresh[:-1])
            stale = (last_reset >= 0) & (source < last_reset)
            value = np.where(stale, 0, value)
            missing = np.where(last_reset >= 0, stale, missing)
    before = np.empty(count, np.int64)
    before[1:] = value[:-1]
    before[:1] = 0 if carried is None else carried
    before[starts_fresh[:-1]] = 0
    no_before = starts_fresh[:-1].copy()
    if carried is None:
        no_before[:1] = True
    return value, before, (missing, no_before)


ROUNDING_STEPS: Final = 3.0
"""Deviation that rounding start, end and centre to the grid can explain: 2 * sqrt(2) steps."""

BROKEN_SHARE: Final = 0.05
"""Deviation, as a share of the radius, from which an arc is an error."""

_SHORTEST_UM: Final = 2.0
_MOVE_UM: Final = 0.5
"""By how much a point may move (section 4.14.2)."""
_FINEST_UM: Final = 1e-3
"""Coordinate step of the finest usual files: what lies off by no more can be in any of them."""


@dataclass(slots=True)
class Arcs:
    """Centre and turn of each D01; ``dot`` marks arcs that are a single point."""

    cx: Floats
    cy: Floats
    turn: NDArray[np.int8]
    dot: Bools


def resolve_arcs(
    ends: tuple[Ints, Ints, Ints, Ints],
    offsets: tuple[Ints, Ints],
    *,
    clockwise: Bools,
    quadrant: Ints,
    unit_um: float,
    at: Ints,
    log: ProblemLog,
) -> Arcs:
    """Find centre (file integers, as floats) and turn of arcs.

    Centres of arcs whose ends lie off one circle are moved along the chord until they do not.

    Parameters
    ----------
    ends : x0, y0, x1, y1, each (n,) int64, file integers
    offsets : I, J, ``NONE`` where not written
    quadrant : (n,) 74, 75, or 0 when neither was seen
    unit_um
        Micrometres of one coordinate step.
    at : (n,) int64
        Byte offset of each, for ``log``.
    """
    x0, y0, x1, y1 = ends
    no_i, no_j = offsets[0] == NONE, offsets[1] == NONE
    i, j = np.where(no_i, 0, offsets[0]), np.where(no_j, 0, offsets[1])
    single = quadrant == 74
    same = (x0 == x1) & (y0 == y1)
    log.add_each(
        ARC_WITHOUT_G75,
        "arcs stand before G75, the statement that they may be of any length",
        at[quadrant == 0],
    )
    log.add_each(ARC_SINGLE_QUADRANT, "arcs under G74, of at most a quarter turn each", at[single])
    log.add_each(
        ARC_HALF_CENTRE, "an arc has only one of I and J, the way to its centre", at[no_i ^ no_j]
    )
    lost = no_i & no_j
    log.add_each(ARC_NO_CENTRE, "an arc has neither I nor J, the way to its centre", at[lost])
    di, dj = i.astype(np.float64), j.astype(np.float64)
    rows = np.flatnonzero(single)
    if len(rows):
        di[rows], dj[rows] = _single_quadrant(
            x1[rows] - x0[rows], y1[rows] - y0[rows], di[rows], dj[rows], clockwise[rows]
        )
    ex, ey = (x1 - x0).astype(np.float64), (y1 - y0).astype(np.float64)
    r0 = np.hypot(di, dj)
    r1 = np.hypot(ex - di, ey - dj)
    # Equal ends are a full turn under G75 (section 4.7.2) and nothing under G74 (8.1.10).
    dot = same & ((r0 == 0) | single)
    log.add_each(
        ARC_POINT, "start, end and centre of an arc are one point", at[same & (r0 == 0) & ~lost]
    )
    # A centre on the line through both ends makes an arc only between them (half a circle).
    cross = ex * dj - ey * di
    chord = np.hypot(ex, ey)
    share = np.divide(ex * di + ey * dj, chord**2, out=np.zeros_like(ex), where=chord > 0)
    # Half a coordinate step off the line is rounding.
    on_line = ~same & (np.abs(cross) <= 0.5 * chord) & ((share <= 0) | (share >= 1))
    # Nearly straight arcs of large radius have their centre far off the line, not on it.
    straight = on_line | (~same & ((r0 == 0) | (r1 == 0))) | lost
    log.add_each(
        ARC_STRAIGHT, "the centre of an arc lies so that it makes none", at[straight & ~lost]
    )
    curved = ~straight & ~dot
    deviation = np.where(curved & ~same, np.abs(r0 - r1), 0.0)
    broken = (deviation > ROUNDING_STEPS) & (deviation > BROKEN_SHARE * np.maximum(r0, r1))
    log.add_each(ARC_BROKEN, "start and end lie far off one circle", at[broken])
    loose = (deviation > ROUNDING_STEPS) & ~broken
    log.add_each(ARC_DEVIATION, "start and end of an arc lie off one circle", at[loose])
    tiny = curved & ~same & (chord * unit_um < _SHORTEST_UM)
    log.add_each(ARC_TINY, "start and end of an arc lie within 2 µm", at[tiny])
    way = np.where(clockwise, -1, 1)
    # Section 4.7.2.2 leaves the curve open where the ends lie off one circle.  That about the
    # nearest centre which puts them on one can be written in finer files, too.  Up to half a turn
    # it stays between the two radii, beyond it may leave them by what section 4.14.2 lets any
    # point move.
    off = (deviation * unit_um > ROUNDING_STEPS * _FINEST_UM) & ~broken
    reach = np.divide(np.maximum(r0, r1), chord, out=np.zeros_like(ex), where=chord > 0)
    beyond = np.where(cross * way < 0, deviation * (reach - 0.5), 0.0)
    near = np.where(off & (beyond * unit_um <= _MOVE_UM), share - 0.5, 0.0)
    di, dj = di - near * ex, dj - near * ey
    turn = way * np.where(same, 2, 1)
    return Arcs(
        np.where(curved, x0 + di, np.nan),
        np.where(curved, y0 + dj, np.nan),
        np.where(curved, turn, 0).astype(np.int8),
        dot,
    )


def _single_quadrant(
    end_x: Ints,
    end_y: Ints,
    i: Floats,
    j: Floats,
    clockwise: Bools,
) -> tuple[Floats, Floats]:
    """Signed offsets of G74 arcs: of four candidates the one turning the right way, at most 90°."""
    ex, ey = end_x.astype(np.float64), end_y.astype(np.float64)
    best_i, best_j = np.abs(i), np.abs(j)
    best = np.full(len(ex), np.inf)
    for sx in (1, -1):
        for sy in (1, -1):
            ci, cj = sx * np.abs(i), sy * np.abs(j)
            start = np.arctan2(-cj, -ci)
            end = np.arctan2(ey - cj, ex - ci)
            sweep = np.where(clockwise, start - end, end - start) % (2 * np.pi)
            off = np.abs(np.hypot(ci, cj) - np.hypot(ex - ci, ey - cj))
            # Rounding may push a quarter circle slightly over 90 degrees.
            # One that turns too far is taken only where none turns right.
            off = np.where(sweep <= np.pi / 2 + 0.02, off, off + 1e15)
            better = off < best
            best = np.where(better, off, best)
            best_i, best_j = np.where(better, ci, best_i), np.where(better, cj, best_j)
    return best_i, best_j
