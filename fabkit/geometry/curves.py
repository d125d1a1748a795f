"""Contours of straight lines and arcs, and the arcs that hide in fine polygons."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.units import CHORD_ERROR_MM

_MIN_CHORDS: Final = 4
"""Fewer chords than this are drawn as they are."""

_MAX_TURN_RAD: Final = 2 * np.pi / 16 * 1.05
"""Largest angle between chords that stand for an arc; see ``fabkit.geometry.segments``."""

_ALIKE: Final = 0.02
"""Chords of one arc agree in length and angle within this share; end chords may be pushed."""

Segment = tuple[float, float, float, float, int]
"""End x, y, centre x, y, turn as in ``fabkit.geometry.segments``; no centre when straight."""


@dataclass(frozen=True, slots=True)
class Contour:
    """A start point and segments, mm."""

    start: tuple[float, float]
    segments: tuple[Segment, ...]

    def reversed(self) -> Contour:
        """Return the same curve run backwards."""
        points = [self.start, *((s[0], s[1]) for s in self.segments)]
        back = tuple(
            (*points[i], s[2], s[3], -s[4]) for i, s in reversed(list(enumerate(self.segments)))
        )
        return Contour(points[-1], back)

    def rows(self) -> list[tuple[float, ...]]:
        """Start, end, centre and turn of each segment, closed: seven numbers each."""
        found: list[tuple[float, ...]] = []
        at = self.start
        for segment in self.segments:
            found.append((*at, *segment))
            at = segment[:2]
        if at != self.start:
            found.append((*at, *self.start, 0.0, 0.0, 0))
        return found

    @property
    def doubled_area(self) -> float:
        """Twice the signed area inside, chords and arcs' caps; the contour is taken as closed."""
        total = 0.0
        x, y = self.start
        for x1, y1, cx, cy, turn in self.segments:
            total += x * y1 - x1 * y
            if turn:
                radius, sweep = arc_sweep(x, y, x1, y1, cx, cy, turn)
                total += radius * radius * (sweep - np.sin(sweep))
            x, y = x1, y1
        return float(total + x * self.start[1] - self.start[0] * y)


def arc_sweep(
    x0: float, y0: float, x1: float, y1: float, cx: float, cy: float, turn: int
) -> tuple[float, float]:
    """Radius and signed sweep (radians) of an arc."""
    from math import atan2, hypot, pi

    radius = (hypot(x0 - cx, y0 - cy) + hypot(x1 - cx, y1 - cy)) / 2
    if abs(turn) == 2:
        return radius, (2 * pi if turn > 0 else -2 * pi)
    ahead = (atan2(y1 - cy, x1 - cx) - atan2(y0 - cy, x0 - cx)) % (2 * pi)
    return radius, ahead if turn > 0 or ahead == 0 else ahead - 2 * pi


def circle(x: float, y: float, diameter: float, *, turn: int = 2) -> Contour:
    """Make a full circle as one contour."""
    return Contour((x + diameter / 2, y), ((x + diameter / 2, y, x, y, turn),))


def _circle_through(a: Floats, b: Floats, c: Floats) -> tuple[float, float, float] | None:
    """Centre and radius of the circle through three points."""
    bx, by, cx, cy = b[0] - a[0], b[1] - a[1], c[0] - a[0], c[1] - a[1]
    d = 2 * (bx * cy - by * cx)
    if d == 0:
        return None
    b2, c2 = bx * bx + by * by, cx * cx + cy * cy
    ux, uy = (cy * b2 - by * c2) / d, (bx * c2 - cx * b2) / d
    return float(a[0] + ux), float(a[1] + uy), float(np.hypot(ux, uy))


def ring_contour(ring: Floats) -> Contour:
    """Convert a closed ring of points to lines and arcs.

    Parameters
    ----------
    ring : (n, 2) float64, mm
        First point repeated at the end.

    Notes
    -----
    A run of chords of equal length and equal turn whose height over the chord is below the
    chord error is indistinguishable from an arc, so it is written as one.
    """
    points = ring[:-1]
    n = len(points)
    if n < _MIN_CHORDS + 1:
        return _lines(points)
    step = np.roll(points, -1, axis=0) - points
    length = np.hypot(step[:, 0], step[:, 1])
    before = np.roll(step, 1, axis=0)
    turn = np.arctan2(
        before[:, 0] * step[:, 1] - before[:, 1] * step[:, 0],
        before[:, 0] * step[:, 0] + before[:, 1] * step[:, 1],
    )
    sagitta = length * np.abs(np.tan(turn / 4)) / 2
    # Vertex i joins chord i - 1 and chord i smoothly.
    smooth = (
        (np.abs(turn) < _MAX_TURN_RAD)
        & (np.abs(turn) > 1e-6)
        & (sagitta < 1.6 * CHORD_ERROR_MM)
        & (np.abs(length - np.roll(length, 1)) < _ALIKE * length)
    )
    if smooth.all():
        # A ring may be smooth all round and no circle, as an ellipse is.
        return _full_circle(points, float(turn[0])) or _lines(points)
    corners = np.flatnonzero(~smooth)
    # From a corner on: an arc across the ring's first point would be cut in two.
    order = np.roll(points, -corners[0], axis=0)
    smooth, turn = np.roll(smooth, -corners[0]), np.roll(turn, -corners[0])
    closed = np.vstack((order, order[:1]))
    segments: list[Segment] = []
    at = 0
    while at < n:
        end = at + 1
        while end < n and smooth[end] and turn[end] * turn[at + 1] > 0:
            end += 1
        arc = _arc(closed[at : end + 1], float(turn[at + 1])) if end - at >= _MIN_CHORDS else None
        if arc is None:
            segments += [(float(x), float(y), 0.0, 0.0, 0) for x, y in closed[at + 1 : end + 1]]
        else:
            segments.append(arc)
        at = end
    if segments[-1][4] == 0:
        segments.pop()  # contours close themselves
    return Contour((float(order[0, 0]), float(order[0, 1])), tuple(segments))


def _full_circle(points: Floats, turn: float) -> Contour | None:
    """Find the circle a whole ring lies on; None when there is none."""
    cx, cy = points.mean(axis=0)
    radii = np.hypot(points[:, 0] - cx, points[:, 1] - cy)
    if float(np.ptp(radii)) > CHORD_ERROR_MM:
        return None
    # Chords that stand for a circle have its area.
    x, y = points[:, 0] - cx, points[:, 1] - cy
    area = abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2
    diameter = 2 * float(np.sqrt(area / np.pi))
    return circle(float(cx), float(cy), diameter, turn=2 if turn > 0 else -2)


def _arc(points: Floats, turn: float) -> Segment | None:
    """Find the arc a run of points lies on; None when there is none.

    Most inner points of chords are pushed out a little, and ends and quarters are not: of three
    ways to choose points that stand for one circle the one on which most lie is taken.
    """
    middle, best, least = len(points) // 2, None, np.inf
    for chosen in ((1, middle, -2), (1, middle - 1, -2), (0, middle, -1)):
        found = _circle_through(*points[list(chosen)])
        if found is None:
            continue
        cx, cy, radius = found
        off = np.abs(np.hypot(points[:, 0] - cx, points[:, 1] - cy) - radius)
        if off.max() <= CHORD_ERROR_MM and off.sum() < least:
            best, least = (cx, cy), float(off.sum())
    if best is None:
        return None
    return float(points[-1, 0]), float(points[-1, 1]), *best, 1 if turn > 0 else -1


def _lines(points: Floats) -> Contour:
    rest = tuple((float(x), float(y), 0.0, 0.0, 0) for x, y in points[1:])
    return Contour((float(points[0, 0]), float(points[0, 1])), rest)
