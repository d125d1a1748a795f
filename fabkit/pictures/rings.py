"""Parts of stencils as closed rings that non-zero winding fills to exactly their union."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.geometry.segments import widened
from fabkit.pictures.scene import Fill, Film, Letters, Part, Pen


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed rings of one polarity.

    Parameters
    ----------
    dark
        Polarity.
    apart
        True when they must not share a path with others, because they cross themselves and
        their winding could cancel a neighbour's.
    points : (m, 2) float64
    starts : (rings + 1,) int64
        Bounds of each ring's points.
    low, high : (rings,) float64
        Extent of each ring in y.
    """

    dark: bool
    apart: bool
    points: Floats
    starts: Ints
    low: Floats
    high: Floats

    @classmethod
    def of(cls, points: Floats, starts: Ints, *, dark: bool = True, apart: bool = False) -> Rings:
        """Rings with their vertical extent."""
        y = points[:, 1]
        first = starts[:-1]
        if not len(first):
            return cls(dark, apart, points, starts, np.empty(0), np.empty(0))
        low, high = np.minimum.reduceat(y, first), np.maximum.reduceat(y, first)
        return cls(dark, apart, points, starts, low, high)

    def between(self, low: float, high: float) -> tuple[Floats, Ints]:
        """Points and ring starts of the rings that reach between ``low`` and ``high``."""
        hit = (self.low < high) & (self.high > low)
        if hit.all():
            return self.points, self.starts[:-1]
        # Work is for the rings that are hit, not for the whole layer: a band meets few of them.
        first, last = self.starts[:-1][hit], self.starts[1:][hit]
        ends = np.cumsum(last - first)
        begins = ends - (last - first)
        index = np.repeat(first - begins, last - first)
        index += np.arange(len(index))
        return self.points.take(index, axis=0), begins


def polygon_rings(shapes: NDArray[np.object_]) -> tuple[Floats, Ints]:
    """Rings of polygons, exteriors counter-clockwise and holes clockwise.

    Returns
    -------
    points : (m, 2) float64, mm
    starts : (rings + 1,) int64
    """
    parts = shapely.get_parts(shapes)
    kinds = shapely.get_type_id(parts)
    if (kinds == 6).any() or (kinds == 7).any():  # MultiPolygon inside a collection
        parts = shapely.get_parts(parts)
        kinds = shapely.get_type_id(parts)
    parts = parts[(kinds == 3) & ~shapely.is_empty(parts)]
    rings, owner = shapely.get_rings(parts, return_index=True)
    if not len(rings):
        return np.empty((0, 2)), np.zeros(1, dtype=np.int64)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    counts = np.bincount(ring, minlength=len(rings))
    starts = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    exterior = np.concatenate(([True], owner[1:] != owner[:-1]))
    return oriented(points, starts, exterior), starts


def oriented(points: Floats, starts: Ints, counter_clockwise: Bools) -> Floats:
    """Points with rings turned round where they do not run as wanted."""
    # Twice the signed area by the shoelace formula; a ring repeats its first point, so the term
    # that would run into the next ring is cut out.  Measured from each ring's first point, for
    # a small ring far from the origin would drown in rounding.
    counts = np.diff(starts)
    local = points - np.repeat(points[starts[:-1]], counts, axis=0)
    x, y = local[:, 0], local[:, 1]
    cross = np.zeros(len(points))
    cross[:-1] = x[:-1] * y[1:] - x[1:] * y[:-1]
    cross[starts[1:] - 1] = 0.0
    wrong = (np.add.reduceat(cross, starts[:-1]) > 0) != counter_clockwise
    if not wrong.any():
        return points
    index = np.arange(len(points))
    back = np.repeat(starts[:-1] + starts[1:] - 1, counts) - index
    return points[np.where(np.repeat(wrong, counts), back, index)]


def stroke_shapes(pen: Pen, chord_error_mm: float) -> NDArray[np.object_]:
    """Areas of strokes; strokes that continue each other become one shape.

    Curves are often drawn as many strokes shorter than the pen is wide.  Their edges nearly
    coincide, and winding would count a pixel on such an edge once for each of them.

    Returns
    -------
    (chains,) object array of polygons, mm.
    """
    if not len(pen):
        return np.empty(0, dtype=object)
    follows = (
        (pen.x1[:-1] == pen.x0[1:])
        & (pen.y1[:-1] == pen.y0[1:])
        & (pen.width[:-1] == pen.width[1:])
    )
    chain = np.concatenate(([0], np.cumsum(~follows)))
    long = np.bincount(chain)[chain] > 1
    alone = pen.take(~long)
    single = alone.shapes(chord_error_mm=chord_error_mm)
    joined_up = long & (pen.width > 0)
    if not joined_up.any():
        return single
    p = pen.take(joined_up)
    points, offsets = p.flatten(chord_error_mm=chord_error_mm / 2)
    owner = np.repeat(chain[joined_up], np.diff(offsets))
    ids, first = np.unique(chain[joined_up], return_index=True)
    starts = p.starts()[first]
    # Each chain's first point goes before the points of its strokes.
    every = np.concatenate((starts, points))
    number = np.concatenate((np.arange(len(ids)), np.searchsorted(ids, owner)))
    order = np.argsort(number, kind="stable")
    lines = shapely.linestrings(every[order], indices=number[order])
    out = widened(lines, p.width[first], chord_error_mm=chord_error_mm / 2)
    return np.concatenate((single, out))


@dataclass(frozen=True, eq=False)
class _Contours:
    """Contours of regions; ``owner`` is the place of each one's region among the rows asked."""

    points: Floats
    starts: Ints
    owner: Ints
    tidy: Bools

    def pick(self, wanted: Bools) -> tuple[Floats, Ints]:
        """Points and bounds of some contours."""
        counts = np.diff(self.starts)
        starts = np.concatenate(([0], np.cumsum(counts[wanted])))
        return self.points[np.repeat(wanted, counts)], starts


def _contours(file: GerberFile, rows: Ints, chord_error_mm: float) -> _Contours:
    """Contours of region objects, counter-clockwise, without repairing any.

    Regions of pours hold tens of thousands of points and run along themselves where a hole is
    cut in; winding fills them as they are.  Only contours that cross or touch themselves are
    marked as not tidy.
    """
    from fabkit.formats.gerber.model import contour_rings

    first, last = file.objects.first[rows], file.objects.last[rows]
    held = np.flatnonzero((file.objects.kind[rows] == Kind.REGION) & (last > first))
    if not len(held):
        empty = np.zeros(0, np.int64)
        return _Contours(np.empty((0, 2)), np.zeros(1, np.int64), empty, empty.astype(bool))
    low, high = int(first[held].min()), int(last[held].max())
    points, ring, begins = contour_rings(file, low, high, chord_error_mm)
    counts = np.bincount(ring)
    order = held[np.argsort(first[held], kind="stable")]
    at = np.searchsorted(first[order], begins, side="right") - 1
    owner = order[np.maximum(at, 0)]
    wanted = (at >= 0) & (begins < last[owner]) & (counts >= 4)
    starts = np.concatenate(([0], np.cumsum(counts[wanted]))).astype(np.int64)
    points = points[np.repeat(wanted, counts)]
    if not wanted.any():
        return _Contours(points, starts, owner[wanted], wanted[wanted])
    numbers = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    tidy = shapely.is_valid(shapely.polygons(shapely.linearrings(points, indices=numbers)))
    points = oriented(points, starts, np.ones(len(starts) - 1, dtype=bool))
    return _Contours(points, starts, owner[wanted], tidy)


def _film_rings(film: Film, chord_error_mm: float) -> Iterator[Rings]:
    rows = film.chosen
    if not len(rows):
        return
    objects = film.file.objects
    contours = _contours(film.file, rows, chord_error_mm)
    dark = objects.dark[rows]
    edges = np.flatnonzero(np.diff(dark)) + 1
    for first, last in zip([0, *edges], [*edges, len(rows)], strict=True):
        tone = bool(dark[first])
        yield Rings.of(
            *polygon_rings(_run_shapes(film.file, rows[first:last], chord_error_mm)), dark=tone
        )
        mine = (contours.owner >= first) & (contours.owner < last)
        yield Rings.of(*contours.pick(mine & contours.tidy), dark=tone)
        for k in np.flatnonzero(mine & ~contours.tidy):
            ring = contours.points[contours.starts[k] : contours.starts[k + 1]]
            yield Rings.of(ring, np.array([0, len(ring)]), dark=tone, apart=True)


def _run_shapes(file: GerberFile, rows: Ints, chord_error_mm: float) -> NDArray[np.object_]:
    """Areas of the flashes and strokes of one polarity, each flash once however often put down."""
    from fabkit.formats.gerber.model import object_shapes, pen_widths

    o = file.objects
    flashes = rows[o.kind[rows] == Kind.FLASH]
    if len(flashes):
        keys = np.column_stack((o.aperture[flashes], o.pose[flashes], o.x0[flashes], o.y0[flashes]))
        flashes = flashes[np.sort(np.unique(keys, axis=0, return_index=True)[1])]
    lines = rows[(o.kind[rows] == Kind.DRAW) | (o.kind[rows] == Kind.ARC)]
    widths = pen_widths(file, lines)
    odd = np.isnan(widths)
    pen = Pen.by(o.take(lines[~odd]), widths[~odd])
    others = np.concatenate((flashes, lines[odd]))
    shapes = object_shapes(file, others, chord_error_mm=chord_error_mm)
    return np.concatenate((shapes, stroke_shapes(pen, chord_error_mm)))


def part_rings(part: Part, chord_error_mm: float) -> Iterator[Rings]:
    """Rings of a part in mm, in the order they are painted."""
    if isinstance(part, Letters):
        points = np.concatenate(part.contours) if part.contours else np.empty((0, 2))
        counts = [len(c) for c in part.contours]
        yield Rings.of(points, np.concatenate(([0], np.cumsum(counts))).astype(np.int64))
    elif isinstance(part, Film):
        yield from _film_rings(part, chord_error_mm)
    elif isinstance(part, Fill):
        yield Rings.of(*polygon_rings(part.shapes))
    else:
        yield Rings.of(*polygon_rings(stroke_shapes(part, chord_error_mm)))


def joined(runs: list[Rings]) -> Iterator[Rings]:
    """Merge neighbouring runs of one polarity that may share a path; drop empty ones."""
    runs = [r for r in runs if len(r.low)]
    at = 0
    while at < len(runs):
        end = at + 1
        while (
            end < len(runs)
            and runs[end].dark == runs[at].dark
            and not (runs[end].apart or runs[at].apart)
        ):
            end += 1
        if end == at + 1:
            yield runs[at]
        else:
            same = runs[at:end]
            counts = np.concatenate([np.diff(r.starts) for r in same])
            starts = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
            points = np.concatenate([r.points for r in same])
            yield Rings.of(points, starts, dark=same[0].dark)
        at = end
