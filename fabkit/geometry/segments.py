"""Straight lines and arcs as columns: what draws, slots, contours, outlines and pens are made of.

A segment runs from a start to an end; ``turn`` gives its kind:

===== ===================================================

turn  meaning
===== ==========================================================
0     straight; the centre is ignored and may be nan
+1    arc, counter-clockwise, less than a full turn
-1    arc, clockwise, less than a full turn
+2    full circle, counter-clockwise
-2    full circle, clockwise
===== ==========================================================

Whether an arc is a full circle is decided by the readers on file integers, never here: after the
conversion to millimetres a circle and an arc of almost nothing have the same ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Self

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Columns, Floats, Ints, Shapes, ranges
from fabkit.base.units import CHORD_ERROR_MM

Box = tuple[float, float, float, float]
"""Min x, min y, max x, max y, mm."""

# By the chord error alone five chords would do for a disc 0.02 mm across.
_MIN_CIRCLE_CHORDS: Final = 16
_MOST_CHORDS: Final = 4096
"""Enough for a circle of 6 m radius; a file may ask for one of a thousand kilometres."""
_CORNERS_AT_ONCE: Final = 500_000
"""Corners of shapes that are made at once: their tables take some ten megabytes each."""
_POINTS: Final = (("x0", "y0"), ("x1", "y1"), ("cx", "cy"))
"""Pairs of columns that are points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """Mirror about the Y axis (x changes sign), then quarter turns to the left, then a shift.

    >>> Placing(quarter_turns=1, dx_mm=1).points(np.array([[2.0, 0.0]])).tolist()
    [[1.0, 2.0]]
    """

    mirrored: bool = False
    quarter_turns: int = 0
    dx_mm: float = 0.0
    dy_mm: float = 0.0

    def points(self, points: Floats) -> Floats:
        """Points laid elsewhere, (n, 2) float64, mm."""
        return np.column_stack(self.axes(points[:, 0], points[:, 1]))

    def axes(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Points laid elsewhere as two columns, (n,) float64, mm.

        A quarter turn exchanges coordinates, so nothing is rounded; adding the shift, even one of
        zero, makes -0.0 a plain zero, so that equal places have equal bytes.
        """
        if self.mirrored:
            x = -x
        x, y = ((x, y), (-y, x), (-x, -y), (y, -x))[self.quarter_turns % 4]
        return x + self.dx_mm, y + self.dy_mm

    def point(self, x: float, y: float) -> tuple[float, float]:
        """One point laid elsewhere, mm."""
        ((x, y),) = self.points(np.array([[x, y]])).tolist()
        return x, y

    def undone(self) -> Placing:
        """Give what lays points back.

        >>> there = Placing(mirrored=True, quarter_turns=1, dx_mm=1, dy_mm=2)
        >>> there.undone().points(there.points(np.array([[3.0, 4.0]]))).tolist()
        [[3.0, 4.0]]
        """
        turns = self.quarter_turns if self.mirrored else -self.quarter_turns % 4
        linear = Placing(mirrored=self.mirrored, quarter_turns=turns)
        dx, dy = linear.point(-self.dx_mm, -self.dy_mm)
        return replace(linear, dx_mm=dx, dy_mm=dy)


def turned(points: Floats, degrees: float | Floats) -> Floats:
    """Turn points about the origin, counter-clockwise, (n, 2) float64; one point is (2,).

    Parameters
    ----------
    degrees
        Of all points, or (n,) of each.
    """
    angle = np.radians(degrees)
    c, s = np.cos(angle), np.sin(angle)
    x, y = points[..., 0], points[..., 1]
    return np.stack((c * x - s * y, s * x + c * y), axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Points(Columns):
    """Places.

    Columns
    -------
    x, y : float64, mm
    """

    x: Floats
    y: Floats

    def spots(self) -> Floats:
        """Places, (n, 2) float64, mm."""
        return np.column_stack((self.x, self.y))

    def placed(self, placing: Placing) -> Self:
        """Lay the places elsewhere."""
        x, y = placing.axes(self.x, self.y)
        return self.with_columns(x=x, y=y)


@dataclass(frozen=True, slots=True, eq=False)
class Segments(Columns):
    """Straight lines and arcs.

    Columns
    -------
    x0, y0, x1, y1 : float64, mm
        Start and end.
    cx, cy : float64, mm
        Centre of an arc; anything where ``turn`` is 0.
    turn : int8
        See the table above.
    """

    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    cx: Floats
    cy: Floats
    turn: NDArray[np.int8]

    @staticmethod
    def straight(start: Floats, end: Floats) -> Segments:
        """Straight segments between points, (n, 2) float64, mm."""
        nothing = np.full(len(start), np.nan)
        turn = np.zeros(len(start), np.int8)
        (x0, y0), (x1, y1) = start.T, end.T
        return Segments(x0, y0, x1, y1, nothing, nothing, turn)

    # Where they lie

    def starts(self) -> Floats:
        """Start points, (n, 2) float64, mm."""
        return np.column_stack((self.x0, self.y0))

    def ends(self) -> Floats:
        """End points, (n, 2) float64, mm."""
        return np.column_stack((self.x1, self.y1))

    def middles(self) -> Floats:
        """Points half way between start and end, (n, 2) float64, mm."""
        return np.column_stack(((self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2))

    def chords(self) -> Floats:
        """Straight distance from start to end, (n,) float64, mm; 0 for a full circle."""
        return np.hypot(self.x1 - self.x0, self.y1 - self.y0)

    def radii(self) -> Floats:
        """Distance of the start from the centre, (n,) float64, mm; 0 where straight."""
        return np.where(self.turn == 0, 0.0, np.hypot(self.x0 - self.cx, self.y0 - self.cy))

    def sweeps(self) -> Floats:
        """Signed sweep, (n,) float64, radians, counter-clockwise positive; 0 where straight."""
        start = np.arctan2(self.y0 - self.cy, self.x0 - self.cx)
        end = np.arctan2(self.y1 - self.cy, self.x1 - self.cx)
        ahead = np.mod(end - start, 2 * np.pi)
        # An arc whose end direction equals its start direction within rounding has swept nothing
        # (full circles carry turn +-2), so a value next to a full turn is rounding, not sweep.
        sweep = np.where(self.turn > 0, ahead, np.where(ahead > 0, ahead - 2 * np.pi, 0.0))
        full = np.abs(self.turn) == 2
        sweep = np.where(full, np.sign(self.turn) * 2 * np.pi, sweep)
        return np.where(self.turn == 0, 0.0, sweep)

    def boxes(self) -> Floats:
        """Box of each segment's own line, without any width.

        Returns
        -------
        (n, 4) float64, mm
            Min x, min y, max x, max y.  Where the ends of an arc have different radii the larger
            one is taken.
        """
        box = np.column_stack(
            (
                *(np.minimum(self.x0, self.x1), np.minimum(self.y0, self.y1)),
                *(np.maximum(self.x0, self.x1), np.maximum(self.y0, self.y1)),
            )
        )
        curved = np.flatnonzero(self.turn)
        if not len(curved):
            return box
        arcs = Segments.of(self).take(curved)
        mx, my = arcs.cx, arcs.cy
        sweep = arcs.sweeps()
        radius = np.maximum(
            np.hypot(arcs.x0 - mx, arcs.y0 - my), np.hypot(arcs.x1 - mx, arcs.y1 - my)
        )
        start = np.arctan2(arcs.y0 - my, arcs.x0 - mx)
        low = np.minimum(start, start + sweep)
        span = np.abs(sweep)
        # An arc reaches beyond its ends only where it passes one of the four axis directions.
        for quarter, column, sign in ((0, 2, 1), (1, 3, 1), (2, 0, -1), (3, 1, -1)):
            passed = np.mod(quarter * np.pi / 2 - low, 2 * np.pi) <= span
            centre = mx if column % 2 == 0 else my
            reach = centre + sign * radius
            limit = np.maximum if sign > 0 else np.minimum
            box[curved, column] = np.where(
                passed, limit(box[curved, column], reach), box[curved, column]
            )
        return box

    # The same lines elsewhere

    def mapped(self, move: Callable[[Floats, Floats], tuple[Floats, Floats]]) -> Self:
        """Move every point; ``turn`` stays, see :meth:`turned_over`."""
        made: dict[str, Floats] = {}
        for a, b in _POINTS:
            made[a], made[b] = move(getattr(self, a), getattr(self, b))
        return self.with_columns(**made)

    def turned_over(self, which: Bools | bool = True) -> Self:
        """Arcs run the other way round: what mirroring does to them."""
        return self.with_columns(turn=np.where(which, -self.turn, self.turn))

    def placed(self, placing: Placing) -> Self:
        """Lay the segments elsewhere: mirrored, turned by quarter turns, shifted."""
        moved = self.mapped(placing.axes)
        return moved.turned_over() if placing.mirrored else moved

    # As chords and areas

    def chord_counts(self, *, chord_error_mm: float = CHORD_ERROR_MM) -> Ints:
        """How many chords stand for each segment, (n,) int64; 1 where straight."""
        counts = np.ones(len(self), dtype=np.int64)
        curved = np.flatnonzero(self.turn)
        arcs = Segments.of(self).take(curved)
        counts[curved] = chord_counts(arcs.radii(), arcs.sweeps(), chord_error_mm=chord_error_mm)
        return counts

    def flatten(self, *, chord_error_mm: float = CHORD_ERROR_MM) -> tuple[Floats, Ints]:
        """Points of each segment without its start point.

        Returns
        -------
        points : (m, 2) float64, mm
            Chord ends of all segments in order; the last point of each segment is its end,
            exactly.
        offsets : (n + 1,) int64
            Segment ``i`` owns ``points[offsets[i]:offsets[i + 1]]``.

        Notes
        -----
        The radius runs linearly from the start's to the end's distance from the centre, which the
        Gerber Layer Format Specification 2021.02, section 4.7.2.2, allows for arcs with
        deviation.  Inner vertices are pushed out so that the chords enclose the sector's true
        area.
        """
        if not self.turn.any():
            return self.ends(), np.arange(len(self) + 1)
        sweep = self.sweeps()
        r0 = np.hypot(self.x0 - self.cx, self.y0 - self.cy)
        r1 = np.hypot(self.x1 - self.cx, self.y1 - self.cy)
        # The centre of a straight segment is ignored and may be nan.
        radius = np.where(self.turn == 0, 0.0, np.maximum(r0, r1))
        counts = chord_counts(radius, sweep, chord_error_mm=chord_error_mm)
        offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
        points = np.empty((int(offsets[-1]), 2))
        ends = offsets[1:] - 1
        points[ends, 0] = self.x1
        points[ends, 1] = self.y1
        curved = np.flatnonzero(counts > 1)
        if len(curved):
            inner = counts[curved] - 1
            owner, k = np.repeat(curved, inner), ranges(np.ones_like(inner), inner)
            share = k / counts[owner]
            step = np.abs(sweep[owner]) / counts[owner]
            push = _push(counts[owner], step)
            x, y = self.cx[owner], self.cy[owner]
            angle = np.arctan2(self.y0[owner] - y, self.x0[owner] - x) + sweep[owner] * share
            radius = (r0[owner] + (r1[owner] - r0[owner]) * share) * push
            at = offsets[owner] + k - 1
            points[at, 0] = x + radius * np.cos(angle)
            points[at, 1] = y + radius * np.sin(angle)
        return points, offsets

    def polylines(self, *, chord_error_mm: float = CHORD_ERROR_MM) -> Shapes:
        """Each segment as a line of its start and its chords' ends, (n,) object array."""
        points, offsets = self.flatten(chord_error_mm=chord_error_mm)
        full, owner = with_starts(self.starts(), points, offsets)
        lines: Shapes = shapely.linestrings(full, indices=owner)
        return lines

    def drawn(self, width: Floats, *, chord_error_mm: float = CHORD_ERROR_MM) -> Shapes:
        """Area a disc covers on its way along each segment.

        Parameters
        ----------
        width : (n,) float64, mm
            Diameter of the disc.

        Returns
        -------
        (n,) object array of polygons: a disc where a straight segment has no length, an empty
        polygon where the width is 0.
        """
        out = np.full(len(self), shapely.Polygon(), dtype=object)
        line = Segments.of(self)
        straight = np.flatnonzero((self.turn == 0) & (width > 0))
        curved = np.flatnonzero((self.turn != 0) & (width > 0))
        out[straight] = _capsules(line.take(straight), width[straight], chord_error_mm)
        if len(curved):
            # Half the error for the centre line, half for the offset by the pen's radius.
            arcs = line.take(curved).polylines(chord_error_mm=chord_error_mm / 2)
            out[curved] = widened(arcs, width[curved], chord_error_mm=chord_error_mm / 2)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Strokes(Segments):
    """Segments drawn by round pens; one without length is a disc.

    Columns
    -------
    x0, y0, x1, y1, cx, cy, turn
        As in :class:`Segments`.
    width : float64, mm
        Of the pen.
    """

    width: Floats

    @classmethod
    def by(cls, table: Segments, width: Floats) -> Self:
        """Draw the segments of a table with pens of these widths, (n,) float64, mm."""
        s = table
        return cls(s.x0, s.y0, s.x1, s.y1, s.cx, s.cy, s.turn, width)

    def shapes(self, *, chord_error_mm: float = CHORD_ERROR_MM) -> Shapes:
        """Area of each stroke; see :meth:`Segments.drawn`."""
        return self.drawn(self.width, chord_error_mm=chord_error_mm)


def with_starts(starts: Floats, points: Floats, offsets: Ints) -> tuple[Floats, Ints]:
    """Points of lines, each with its start in front, and the number of the line of each.

    Parameters
    ----------
    starts : (n, 2) float64
    points, offsets
        As :meth:`Segments.flatten` gives them.
    """
    count = len(starts)
    owner = np.repeat(np.arange(count), np.diff(offsets) + 1)
    full = np.empty((len(owner), 2))
    first = np.zeros(len(owner), dtype=bool)
    first[offsets[:-1] + np.arange(count)] = True
    full[first] = starts
    full[~first] = points
    return full, owner


def widened(lines: Shapes, width: Floats, *, chord_error_mm: float) -> Shapes:
    """Area of a disc led along each line, (n,) object array of polygons.

    Parameters
    ----------
    lines : (n,) object array of lines, mm
    width : (n,) float64, mm
        Diameters, larger than 0.
    """
    out = np.empty(len(lines), dtype=object)
    for wide in np.unique(width):
        rows = np.flatnonzero(width == wide)
        quads = circle_chords(float(wide), chord_error_mm=chord_error_mm) // 4
        out[rows] = shapely.buffer(lines[rows], wide / 2, quad_segs=quads)
    return out


def chord_counts(radius: Floats, sweep: Floats, *, chord_error_mm: float = CHORD_ERROR_MM) -> Ints:
    """How many chords keep each arc within ``chord_error_mm``; 1 for straight segments."""
    safe = np.maximum(radius, chord_error_mm)
    step = 2 * np.arccos(np.clip(1 - chord_error_mm / safe, -1.0, 1.0))
    step = np.clip(step, 1e-9, 2 * np.pi / _MIN_CIRCLE_CHORDS)
    # Rounding must not add a chord where a whole number of them fits.
    wanted = np.ceil(np.abs(sweep) / step - 1e-9)
    counts: Ints = np.clip(wanted, 1, _MOST_CHORDS).astype(np.int64)
    return counts


@lru_cache(maxsize=4096)
def circle_chords(diameter_mm: float, *, chord_error_mm: float = CHORD_ERROR_MM) -> int:
    """Chords of a full circle, a multiple of four so that its box is exact."""
    count = int(
        chord_counts(
            np.array([diameter_mm / 2]), np.array([2 * np.pi]), chord_error_mm=chord_error_mm
        )[0]
    )
    return -(-count // 4) * 4


def _push(chords: Floats | Ints, step: Floats) -> Floats:
    """Radius factor of the inner vertices that gives ``chords`` chords the sector's true area.

    End vertices stay on the arc, so ends, boxes and stroke widths are exact.
    """
    # n triangles about the centre, the outer two with one vertex pushed by p, all others with
    # two: 2 p + (n - 2) p^2 = n step / sin(step), solved for p.
    wanted = chords * step / np.sin(step)
    rest = np.maximum(chords - 2, 1)
    return np.where(chords > 2, (np.sqrt(1 + rest * wanted) - 1) / rest, wanted / 2)


@lru_cache(maxsize=1024)
def unit_circle(count: int) -> Floats:
    """Vertices of a ``count``-gon (a multiple of four) with the area and box of the unit circle.

    Returns
    -------
    (count, 2) float64, read-only, counter-clockwise, first vertex on +X.  Vertices off the axes
    lie slightly outside the circle and chords slightly inside, both by less than the chord error.
    """
    quarter = count // 4
    step = 2 * np.pi / count
    angle = np.arange(count) * step
    push = float(_push(np.array(quarter), np.array(step)))
    radius = np.where(np.arange(count) % quarter == 0, 1.0, push)
    points = np.column_stack((np.cos(angle), np.sin(angle))) * radius[:, None]
    points[::quarter] = [(1, 0), (0, 1), (-1, 0), (0, -1)]
    points.setflags(write=False)
    return points


def portions(rows: Ints, corners: int) -> list[Ints]:
    """Rows of shapes with so many corners each, as many at a time as take some megabytes."""
    many = max(1, _CORNERS_AT_ONCE // max(corners, 1))
    return np.split(rows, range(many, len(rows), many))


def _capsules(lines: Segments, diameter: Floats, chord_error_mm: float) -> Shapes:
    """Area of discs led along straight segments; diameters are larger than 0."""
    out = np.empty(len(lines), dtype=object)
    for width in np.unique(diameter):
        count = circle_chords(float(width), chord_error_mm=chord_error_mm)
        disc = unit_circle(count) * (width / 2)
        for rows in portions(np.flatnonzero(diameter == width), count):
            out[rows] = _led_along(disc, lines.take(rows))
    return out


def _led_along(disc: Floats, lines: Segments) -> Shapes:
    """Area of a disc, (n, 2) float64 from +X on, led along straight segments."""
    count, half = len(disc), len(disc) // 2
    start, end = lines.starts(), lines.ends()
    along = end - start
    length = np.hypot(*along.T)
    # A stroke without length is a disc, which any direction suits.
    ux = np.divide(along[:, 0], length, out=np.ones_like(length), where=length > 0)[:, None]
    uy = np.divide(along[:, 1], length, out=np.zeros_like(length), where=length > 0)[:, None]
    # The front half of the disc at the far end, the back half at the near end; what lies on the
    # seam between the halves is at both, and the ring is closed.
    corner = np.concatenate((np.arange(half + 1), np.arange(half, count), (0, 0)))
    far = np.repeat((True, False, True), (half + 1, count - half + 1, 1))
    x, y = np.roll(disc, count // 4, axis=0)[corner].T
    rings = np.where(far[:, None], end[:, None], start[:, None])
    rings[:, :, 0] += x * ux - y * uy
    rings[:, :, 1] += x * uy + y * ux
    shapes: Shapes = shapely.polygons(rings)
    return shapes


def join_boxes(boxes: Iterable[Box] | Floats) -> Box | None:
    """Smallest box around boxes, those of nothing (nan) left aside; None where there is none.

    >>> join_boxes([(0, 0, 1, 1), (2, -1, 3, 0), (float("nan"),) * 4])
    (0.0, -1.0, 3.0, 1.0)
    """
    table = np.array(boxes if isinstance(boxes, np.ndarray) else [*boxes]).reshape(-1, 4)
    real = table[np.isfinite(table).all(axis=1)]
    if not len(real):
        return None
    low, high = real[:, :2].min(axis=0), real[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
