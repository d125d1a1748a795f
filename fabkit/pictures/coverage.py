"""How much of each pixel a stencil covers, painted in bands of rows.

All shapes of one polarity go to the rasteriser as one compound path, filled by non-zero winding:
exteriors run one way, holes the other, so overlaps and abutting edges add up to exactly the union
without a geometric union, and without seams.  The rasteriser is matplotlib's Agg: exact area
coverage in 256 steps on a 1/256 pixel grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.pictures.rings import Rings, joined, part_rings
from fabkit.pictures.scene import Stencil

Bytes = NDArray[np.uint8]

CHORD_ERROR_PX = 0.08
"""Chords may leave their arc by this share of a pixel.

The area under an arc is kept (``fabkit.geometry.segments``), so coverage is off by at most this
share in a pixel and by nothing on the whole.
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
    # A side of whole pixels must not gain one by the rounding of its last digit.
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


class Canvas:
    """Paints stencils band by band on one buffer."""

    def __init__(self, grid: Grid, band_rows: int) -> None:
        from matplotlib.backends.backend_agg import RendererAgg

        self.grid = grid
        self.band_rows = min(band_rows, grid.rows)
        make: Any = RendererAgg
        self._renderer = make(grid.columns, self.band_rows, 72)
        self._pixels = np.asarray(self._renderer.buffer_rgba())
        # Little-endian whatever the machine, so that red is the low byte of a word.
        self._words = self._pixels.view("<u4")[..., 0]
        self._gc = self._renderer.new_gc()
        self._gc.set_linewidth(0)
        # Snapping would move edges to whole pixels.
        self._gc.set_snap(False)
        self.chord_error_mm = float(np.clip(CHORD_ERROR_PX / grid.px_per_mm, 0.001, 0.05))

    def prepare(self, stencil: Stencil) -> Prepared:
        """Turn a stencil into rings in pixels, once for all bands."""
        pieces: list[list[Rings]] = []
        for part in stencil.parts:
            runs = [
                Rings.of(self.grid.to_pixels(r.points), r.starts, dark=r.dark, apart=r.apart)
                for r in joined(list(part_rings(part, self.chord_error_mm)))
            ]
            # Parts that only add can share a path; one that erases must not erase the others.
            if pieces and all(r.dark for r in (*runs, *pieces[-1])):
                pieces[-1].extend(runs)
            elif runs:
                pieces.append(runs)
        return Prepared(tuple(tuple(joined(p)) for p in pieces), stencil.inverted)

    def cover(
        self, prepared: Prepared, top: int, rows: int, out: Bytes | None = None
    ) -> Bytes | int:
        """Cover rows ``top`` to ``top + rows``.

        Parameters
        ----------
        out : (rows, columns) uint8, optional
            Where to put the coverage; what it held is lost.

        Returns
        -------
        (rows, columns) uint8, ``out`` when given, or a number if the coverage is even.
        """
        if out is None:
            out = np.empty((rows, self.grid.columns), dtype=np.uint8)
        touched = False
        for runs in prepared.pieces:
            if not self._paint(runs, top, rows):
                continue
            if touched:
                layer = self._words[:rows].astype(np.uint8)
                # Of two pieces in one pixel it is unknown whether they overlap: they are taken as
                # independent.
                np.subtract(255, _product(255 - out, 255 - layer), out=out)
            else:
                np.copyto(out, self._words[:rows], casting="unsafe")
            touched = True
        if not touched:
            return 255 if prepared.inverted else 0
        if prepared.inverted:
            np.invert(out, out=out)
        return out

    def _paint(self, runs: tuple[Rings, ...], top: int, rows: int) -> bool:
        """Paint runs into the buffer, whose red is then their coverage; False if none is met."""
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
                self._words.fill(0xFF000000)
                touched = True
            codes = np.full(len(points), Path.LINETO, dtype=np.uint8)
            codes[starts] = Path.MOVETO
            path = Path(points, codes)
            # Simplifying drops points, and coverage would no longer be exact.
            path.should_simplify = False
            tone = 1.0 if run.dark else 0.0
            self._renderer.draw_path(self._gc, path, transform, (tone, tone, tone, 1.0))
        return touched


@dataclass(frozen=True, eq=False)
class Prepared:
    """A stencil in pixels: pieces that are united, each a sequence of runs."""

    pieces: tuple[tuple[Rings, ...], ...]
    inverted: bool


def _product(a: Bytes, b: Bytes) -> Bytes:
    """Product of coverages, rounded."""
    return ((a.astype(np.uint16) * b + 127) // 255).astype(np.uint8)
