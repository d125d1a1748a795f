"""How much of each pixel a stencil covers, painted in bands of rows.

All shapes of one polarity go to the rasteriser as one compound path, filled by non-zero winding:
exteriors run one way, holes the other, so overlaps and abutting edges add up to exactly the union
without a geometric union, and without seams.  The rasteriser is matplotlib's Agg: exact area
coverage in 256 steps on a 1/256 pixel grid.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.preview.scene import Fill, Film, Floats, Letters, Part, Pen, Stencil

Bytes = NDArray[np.uint8]

CHORD_ERROR_PX = 0.08
"""Chords may leave their arc by this share of a pixel.

The area under an arc is kept (``fabkit.geometry.arcs``), so coverage is off by at most this share
in a pixel and by nothing on the whole.
"""


@dataclass(frozen=True, eq=False)
class Grid:
    """Pixels over a frame.

    Row 0 is the top (largest y); column 0 is the smallest x, or the largest when mirrored.
    """

    left: float
    """Board x of the left edge of the picture, mm."""
    bottom: float
    """Board y of the bottom edge of the picture, mm."""
    px_per_mm: float
    columns: int
    rows: int
    mirrored: bool

    def to_pixels(self, points: Floats) -> Floats:
        """Board mm to pixels, y upwards from the bottom edge."""
        out = np.empty_like(points)
        sign = -1.0 if self.mirrored else 1.0
        out[:, 0] = (points[:, 0] - self.left) * (sign * self.px_per_mm)
        out[:, 1] = (points[:, 1] - self.bottom) * self.px_per_mm
        return out


def grid_for(frame: tuple[float, float, float, float], px_per_mm: float, *, mirrored: bool) -> Grid:
    """Smallest whole-pixel grid over a frame, the frame's centre in its centre."""
    x0, y0, x1, y1 = frame
    columns = max(int(np.ceil((x1 - x0) * px_per_mm - 1e-6)), 1)
    rows = max(int(np.ceil((y1 - y0) * px_per_mm - 1e-6)), 1)
    half = columns / px_per_mm / 2
    middle = (x0 + x1) / 2
    return Grid(
        left=middle + half if mirrored else middle - half,
        bottom=(y0 + y1) / 2 - rows / px_per_mm / 2,
        px_per_mm=px_per_mm,
        columns=columns,
        rows=rows,
        mirrored=mirrored,
    )


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed rings of one polarity, in pixels; ``starts`` bounds each ring's points."""

    dark: bool
    points: Floats
    starts: NDArray[np.int64]
    low: Floats
    high: Floats

    @classmethod
    def of(cls, points: Floats, starts: NDArray[np.int64], *, dark: bool) -> Rings:
        """Rings with their vertical extent."""
        y = points[:, 1]
        first = starts[:-1]
        if not len(first):
            return cls(dark, points, starts, np.empty(0), np.empty(0))
        return cls(
            dark, points, starts, np.minimum.reduceat(y, first), np.maximum.reduceat(y, first)
        )

    def between(self, low: float, high: float) -> tuple[Floats, NDArray[np.int64]]:
        """Points and ring starts of the rings that touch rows ``low`` to ``high``."""
        hit = (self.low < high) & (self.high > low)
        if hit.all():
            return self.points, self.starts[:-1]
        counts = np.diff(self.starts)
        kept = np.concatenate(([0], np.cumsum(counts[hit])))
        return self.points[np.repeat(hit, counts)], kept[:-1]


def polygon_rings(shapes: NDArray[Any]) -> tuple[Floats, NDArray[np.int64]]:
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
    # Twice the signed area by the shoelace formula; a ring repeats its first point, so the term
    # that would run into the next ring is cut out.
    x, y = points[:, 0], points[:, 1]
    cross = np.zeros(len(points))
    cross[:-1] = x[:-1] * y[1:] - x[1:] * y[:-1]
    cross[starts[1:] - 1] = 0.0
    area = np.add.reduceat(cross, starts[:-1])
    exterior = np.concatenate(([True], owner[1:] != owner[:-1]))
    wrong = (area > 0) != exterior
    if wrong.any():
        index = np.arange(len(points))
        mirrored = (starts[:-1] + starts[1:] - 1)[ring] - index
        points = points[np.where(wrong[ring], mirrored, index)]
    return points, starts


def _pen_shapes(pen: Pen, chord_error_mm: float) -> NDArray[Any]:
    from fabkit.geometry.strokes import strokes

    return strokes(
        pen.x0, pen.y0, pen.x1, pen.y1, pen.cx, pen.cy, pen.turn, pen.width,
        chord_error_mm=chord_error_mm,
    )  # fmt: skip


def _film_runs(film: Film, chord_error_mm: float) -> Iterator[tuple[bool, NDArray[Any]]]:
    from fabkit.gerber.shapes import object_shapes

    rows = film.chosen
    if not len(rows):
        return
    shapes = object_shapes(film.file, film.rows, chord_error_mm=chord_error_mm)
    dark = film.file.objects.dark[rows]
    edges = np.flatnonzero(np.diff(dark)) + 1
    for first, last in zip([0, *edges], [*edges, len(rows)], strict=True):
        yield bool(dark[first]), shapes[first:last]


def part_runs(
    part: Part, chord_error_mm: float
) -> Iterator[tuple[bool, Floats, NDArray[np.int64]]]:
    """Polarity, ring points (mm) and ring starts of each run of one polarity, in order."""
    if isinstance(part, Letters):
        points = np.concatenate(part.contours) if part.contours else np.empty((0, 2))
        counts = [len(c) for c in part.contours]
        yield True, points, np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    elif isinstance(part, Film):
        for dark, shapes in _film_runs(part, chord_error_mm):
            yield dark, *polygon_rings(shapes)
    elif isinstance(part, Fill):
        yield True, *polygon_rings(part.shapes)
    else:
        yield True, *polygon_rings(_pen_shapes(part, chord_error_mm))


class Canvas:
    """Paints stencils band by band on one buffer."""

    def __init__(self, grid: Grid, band_rows: int) -> None:
        from matplotlib.backends.backend_agg import RendererAgg

        self.grid = grid
        self.band_rows = min(band_rows, grid.rows)
        make: Any = RendererAgg
        self._renderer = make(grid.columns, self.band_rows, 72)
        self._pixels = np.asarray(self._renderer.buffer_rgba())
        self._gc = self._renderer.new_gc()
        self._gc.set_linewidth(0)
        self._gc.set_snap(False)
        self.chord_error_mm = float(np.clip(CHORD_ERROR_PX / grid.px_per_mm, 0.001, 0.05))

    def prepare(self, stencil: Stencil) -> Prepared:
        """Turn a stencil into rings in pixels, once for all bands."""
        pieces: list[list[Rings]] = []
        for part in stencil.parts:
            runs = [
                Rings.of(self.grid.to_pixels(points), starts, dark=dark)
                for dark, points, starts in part_runs(part, self.chord_error_mm)
            ]
            # Parts that only add can share a path; one that erases must not erase the others.
            if pieces and all(r.dark for r in (*runs, *pieces[-1])):
                pieces[-1].extend(runs)
            elif runs:
                pieces.append(runs)
        return Prepared(tuple(tuple(_joined(p)) for p in pieces), stencil.inverted)

    def cover(self, prepared: Prepared, top: int, rows: int) -> Bytes | int:
        """Coverage of rows ``top`` to ``top + rows``, (rows, columns) uint8; a number if even."""
        empty = 255 if prepared.inverted else 0
        total: Bytes | None = None
        for runs in prepared.pieces:
            layer = self._paint(runs, top, rows)
            if layer is None:
                continue
            total = layer if total is None else 255 - _product(255 - total, 255 - layer)
        if total is None:
            return empty
        return 255 - total if prepared.inverted else total

    def _paint(self, runs: tuple[Rings, ...], top: int, rows: int) -> Bytes | None:
        from matplotlib.path import Path
        from matplotlib.transforms import Affine2D

        high = self.grid.rows - top
        low = high - rows
        # The buffer's own bottom row stands for row ``top + band_rows - 1``.
        transform = Affine2D().translate(0, self.band_rows - high)
        touched = False
        for run in runs:
            points, starts = run.between(low, high)
            if not len(starts) or not (run.dark or touched):
                continue
            if not touched:
                self._pixels[...] = (0, 0, 0, 255)
                touched = True
            codes = np.full(len(points), Path.LINETO, dtype=np.uint8)
            codes[starts] = Path.MOVETO
            path = Path(points, codes)
            path.should_simplify = False
            tone = 1.0 if run.dark else 0.0
            self._renderer.draw_path(self._gc, path, transform, (tone, tone, tone, 1.0))
        return self._pixels[:rows, :, 0].copy() if touched else None


@dataclass(frozen=True, eq=False)
class Prepared:
    """A stencil in pixels: pieces that are united, each a sequence of runs."""

    pieces: tuple[tuple[Rings, ...], ...]
    inverted: bool


def _joined(runs: list[Rings]) -> Iterator[Rings]:
    """Merge neighbouring runs of one polarity."""
    at = 0
    while at < len(runs):
        end = at + 1
        while end < len(runs) and runs[end].dark == runs[at].dark:
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


def _product(a: Bytes, b: Bytes) -> Bytes:
    """Product of coverages, rounded."""
    return ((a.astype(np.uint16) * b + 127) // 255).astype(np.uint8)
