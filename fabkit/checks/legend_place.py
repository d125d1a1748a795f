"""Whether a legend lies where it belongs: lettering keeps off openings, holes and the edge.

A legend moved by some millimetres, or turned, crosses what it would spare elsewhere.  How much ink
would fall on openings, holes and beside the board is counted for all shifts at once, as the
correlation of two images.  On real boards hardly any shift beats the place meant, though outlines
of parts may cross pads all over; letters do so least, hence they are also counted alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints, Shapes, ranges
from fabkit.geometry.neighbours import numbers_of
from fabkit.geometry.segments import portions

CELL_MM: Final = 0.25
"""Strokes and gaps about pads are of this size; finer cells cost more and show no more."""
REACH_MM: Final = 20.0
"""Larger shifts move most of a legend off the board, which is reported as such."""
SMALL_MM: Final = 4.0
"""Figures up to this size are counted alone: mostly letters."""
FEWEST: Final = 300
"""Cells of ink below which a better place proves nothing: any corner holds so little."""
WORSE: Final = 2.5
"""A legend lies elsewhere when it meets this many times as much as in its best place, ..."""
MORE: Final = 0.06
"""... and with this much larger a share of its ink.  Legends in their place had at most 0.04, or
twice, on the boards looked at."""
AGREE: Final = 0.9
"""Letters alone find a place between large parts that others do not: there, all figures have to
meet less than this many times what they meet now."""
BESIDE_MM: Final = 10.0
"""Figures so far beside the board still count, for a shift brings them there; titles of the film
lie further off."""
_REACH: Final = round(REACH_MM / CELL_MM)
_MOST_CELLS: Final = 4_000_000
_USUAL_CORNERS: Final = 64
"""Corners of a hole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Better:
    """A place in which a legend meets less.

    Parameters
    ----------
    turned
        Whether it is turned by half a turn about the board's middle before the shift.
    dx_mm, dy_mm
        The shift from where the legend lies to there.
    now, there
        Shares of its ink on openings, holes or beside the board.
    """

    turned: bool
    dx_mm: float
    dy_mm: float
    now: float
    there: float


def find_better_place(figures: Shapes, board: Shapes, open_: Sequence[Shapes]) -> Better | None:
    """Find out where a legend should lie, when it clearly does not lie there.

    Parameters
    ----------
    figures
        Connected figures of the legend, those far beside the board left out.
    board
        Polygons of the board.
    open_
        Polygons on which no ink is meant: mask openings, and holes.
    """
    if not len(figures) or not len(board):
        return None
    box = shapely.total_bounds(board)
    low = box[:2] - BESIDE_MM
    sides = np.ceil((box[2:] - box[:2] + 2 * BESIDE_MM) / CELL_MM)
    if sides.prod() > _MOST_CELLS:
        return None
    size = sides.astype(int)
    high = low + size * CELL_MM
    avoided = ~_filled(board, low, size)
    for shapes in open_:
        avoided |= _filled(shapes, low, size)
    extent = shapely.bounds(figures)
    small = (extent[:, 2:] - extent[:, :2]).max(axis=1) <= SMALL_MM
    # Lengths with many factors of two are transformed fastest; all beyond the image is beside the
    # board.
    around = np.ones([-(-(int(n) + _REACH) // 64) * 64 for n in size])
    around[: size[0], : size[1]] = avoided
    inks = []
    rims = shapely.boundary(figures)
    # A stray coordinate may be kilometres away: what is beside the image is not cut into cells.
    far = (extent[:, :2] < low).any(axis=1) | (extent[:, 2:] > high).any(axis=1)
    rims[far] = shapely.clip_by_rect(rims[far], *low, *high)
    for some in (rims, rims[small]):
        points = shapely.get_coordinates(shapely.segmentize(some, CELL_MM))
        cells = np.floor((points - low) / CELL_MM).astype(int)
        cells = cells[((cells >= 0) & (cells < size)).all(axis=1)]
        cells = np.column_stack(np.divmod(np.unique(cells @ (size[1], 1)), size[1]))
        if len(cells) >= FEWEST:
            inks.append(cells)
    now = [_near(cells, around) for cells in inks]
    hopeful = [k for k, share in enumerate(now) if share >= MORE]  # others have no less to meet
    if not hopeful:
        return None
    image, found = np.fft.rfft2(around), []
    for k in hopeful:
        view = _met(inks[k], size, image, around.shape)
        turned, column, row = (int(i) for i in np.unravel_index(int(view.argmin()), view.shape))
        there = float(view[turned, column, row])
        if now[k] < WORSE * there or now[k] - there < MORE:
            continue
        shift = column - _REACH, row - _REACH
        laid = (_near(size - 1 - cells if turned else cells, around, *shift) for cells in inks)
        if all(share <= AGREE * before for share, before in zip(laid, now, strict=True)):
            dx_mm, dy_mm = (step * CELL_MM for step in shift)
            found.append(
                Better(turned=bool(turned), dx_mm=dx_mm, dy_mm=dy_mm, now=now[k], there=there)
            )
    return min(found, key=lambda better: better.there, default=None)


def _near(cells: Ints, around: Floats, dx: int = 0, dy: int = 0) -> float:
    """Give the least share of ink on what is avoided, within one cell of a shift.

    Coarse cells may set a legend off by so much.
    """
    column, row = cells.T
    met = min(
        around[column + i, row + j].sum()
        for i in range(max(dx - 1, -_REACH), min(dx + 1, _REACH) + 1)
        for j in range(max(dy - 1, -_REACH), min(dy + 1, _REACH) + 1)
    )
    return float(met) / len(cells)


def _met(cells: Ints, size: Ints, image: NDArray[np.complex128], shape: tuple[int, ...]) -> Floats:
    """Share of ink on what is avoided, as it is and turned by half a turn, after each shift.

    Parameters
    ----------
    cells : (n, 2) int64
        Where ink is, within ``size``.
    size : (2,) int64
    image
        Transform of what is avoided, laid into ``shape``.

    Returns
    -------
    (2, n, n) float64
        Shifts go from minus to plus the reach, in cells.
    """
    shifts = np.arange(-_REACH, _REACH + 1)
    ink = np.zeros(shape)
    ink[tuple(cells.T)] = 1.0
    seen = np.fft.rfft2(ink)
    met = []
    # Turned, ink lies where the size less its place says, and its transform is the conjugate.
    for spectrum, (column, row) in ((np.conj(seen), (0, 0)), (seen, size - 1)):
        # Only the columns that are asked for are transformed back along their length.
        columns = np.fft.ifft(spectrum * image, axis=0)[(shifts + column) % shape[0]]
        met.append(np.fft.irfft(columns, shape[1], axis=1)[:, (shifts + row) % shape[1]])
    return np.maximum(np.round(np.array(met)), 0.0) / len(cells)


def _filled(shapes: Shapes, low: Floats, size: NDArray[np.int64]) -> Bools:
    """Cells whose middles lie in polygons, by counting how often edges below run round them."""
    rounds = np.zeros(size.prod(), dtype=np.int64)
    # Three hundred thousand holes have twenty million edges: some gigabytes at once.
    for some in portions(np.arange(len(shapes)), _USUAL_CORNERS):
        rings, of = shapely.get_rings(shapes[some], return_index=True)
        outer = np.diff(of, prepend=-1) > 0
        turned = np.where(shapely.is_ccw(rings) == outer, 1, -1)
        ends, ring = shapely.get_coordinates(rings, return_index=True)
        if not len(ends):
            continue
        ends = (ends - low) / CELL_MM - 0.5
        same = ring[1:] == ring[:-1]
        one, two = ends[:-1][same], ends[1:][same]
        below, above = np.minimum(one[:, 0], two[:, 0]), np.maximum(one[:, 0], two[:, 0])
        first = np.clip(np.ceil(below), 0, size[0]).astype(int)
        counts = np.clip(np.ceil(above), 0, size[0]).astype(int) - first
        edge, column = np.repeat(np.arange(len(one)), counts), ranges(first, counts)
        share = (column - one[edge, 0]) / (two[edge, 0] - one[edge, 0])
        crossing = one[edge, 1] + share * (two[edge, 1] - one[edge, 1])
        row = np.clip(numbers_of(np.ceil(crossing)), 0, size[1] - 1)
        way = np.where(two[:, 0] > one[:, 0], 1, -1) * turned[ring[1:][same]]
        np.add.at(rounds, column * size[1] + row, way[edge])
    return np.asarray(np.cumsum(rounds.reshape(size), axis=1) != 0)
