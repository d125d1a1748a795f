"""Where boards lie on a panel: turned by quarters, by their real outlines, in little room.

Halves of split keyboards interlock when one is turned, so outlines are laid beside each other by
their shapes, not by their boxes.  The places where two outlines do not touch are found on a grid
for all shifts at once (the correlation of two images, by fast Fourier transforms); the best of
them are then refined on the outlines themselves.  Nothing is random: equal boards lie equally.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats
from fabkit.geometry.segments import Placing

_CELLS: Final = 560
"""Cells of the grid along the longest side of all boards in a row; cells are 0.5 mm at least."""
_FINEST_MM: Final = 0.5
_TRIED: Final = 6
"""Shifts of a turn that are refined."""
_MOST_SEARCHED: Final = 6
"""More boards, or pairs of boards, are laid in rows alone, so that a search takes seconds."""
_APART_MM: Final = 4.0
"""Shifts nearer to each other than this lead to the same place."""
_STEPS_MM: Final = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
_WAYS: Final = tuple((x, y) for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y)
_SIMPLE_MM: Final = 0.02
_SAME: Final = 1e-4
"""An arrangement is better than an earlier one only by more than this share."""

Cost = Callable[[Floats, Floats], Floats]
"""Cost of panels of these widths and heights, mm; infinite where they are not allowed."""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Boards laid beside each other.

    Parameters
    ----------
    placings
        Of each board, in the order given.
    outlines
        Outer outline of each board as it lies, mm.
    cost
        Of the box around them.
    """

    placings: tuple[Placing, ...]
    outlines: tuple[BaseGeometry, ...]
    cost: float

    @property
    def bounds(self) -> Floats:
        """Box of all boards: min x, min y, max x, max y."""
        box: Floats = np.asarray(shapely.total_bounds(np.array(self.outlines, dtype=object)))
        return box

    def placed(self, placing: Placing) -> Laid:
        """Lay all of it elsewhere."""
        return replace(
            self,
            placings=tuple(after(first, placing) for first in self.placings),
            outlines=tuple(shapely.transform(one, placing.points) for one in self.outlines),
        )


def after(first: Placing, then: Placing) -> Placing:
    """One placing that does what two do, neither of which mirrors."""
    dx, dy = then.points(np.array([[first.dx_mm, first.dy_mm]]))[0].tolist()
    turns = (first.quarter_turns + then.quarter_turns) % 4
    return Placing(quarter_turns=turns, dx_mm=dx, dy_mm=dy)


def nest(outlines: Sequence[BaseGeometry], *, gap_mm: float, cost: Cost) -> Laid | None:
    """Lay boards beside each other so that the panel costs least; None where no panel may be so.

    Parameters
    ----------
    outlines
        Outer outlines of the boards, mm; copies of one design are the same object.
    gap_mm
        Least distance between two boards.
    cost
        Of panels by their size, usually their area.
    """
    if len(outlines) == 1:
        alone = _turned(outlines[0], 0)
        ways = [alone.placed(Placing(quarter_turns=q)) for q in (0, 1)]
        return _best([_priced(way, cost) for way in ways])
    units = [_turned(one, 0) for one in outlines]
    found = [lay_boxes(outlines, gap_mm=gap_mm, cost=cost)]
    if len(units) <= _MOST_SEARCHED:
        found.append(_greedy(units, gap_mm, cost))
    if len(outlines) > 2:
        found.append(_in_pairs(outlines, gap_mm, cost))
    return _best(found)


def lay_boxes(outlines: Sequence[BaseGeometry], *, gap_mm: float, cost: Cost) -> Laid | None:
    """Lay boards in rows by their boxes, all as they are or all turned by a quarter.

    The yardstick for :func:`nest`, and what it falls back on.
    """
    return _best(_in_rows([_turned(one, 0) for one in outlines], gap_mm, cost))


def _in_rows(units: Sequence[Laid], gap_mm: float, cost: Cost) -> list[Laid | None]:
    """Lay units in rows of every length, all as they are, then all turned by a quarter."""
    turned = [unit.placed(Placing(quarter_turns=1)) for unit in units]
    return [
        _priced(_rows(way, columns, gap_mm), cost)
        for way in (units, turned)
        for columns in range(1, len(units) + 1)
    ]


def _rows(boards: Sequence[Laid], columns: int, gap_mm: float) -> Laid:
    laid, top = [], 0.0
    for start in range(0, len(boards), columns):
        left, high = 0.0, top
        for board in boards[start : start + columns]:
            x0, y0, x1, y1 = board.bounds.tolist()
            laid.append(board.placed(Placing(dx_mm=left - x0, dy_mm=top - y0)))
            left += x1 - x0 + gap_mm
            high = max(high, top + y1 - y0)
        top = high + gap_mm
    return _joined(laid)


def _in_pairs(outlines: Sequence[BaseGeometry], gap_mm: float, cost: Cost) -> Laid | None:
    """Lay the best pair of neighbours first, then the pairs beside each other."""
    units: list[Laid] = []
    known: dict[tuple[int, int], Laid | None] = {}
    for start in range(0, len(outlines) - 1, 2):
        pair = outlines[start : start + 2]
        key = (id(pair[0]), id(pair[1]))
        if key not in known:
            known[key] = _greedy([_turned(one, 0) for one in pair], gap_mm, _area)
        unit = known[key]
        if unit is None:
            return None
        units.append(unit)
    if len(outlines) % 2:
        units.append(_turned(outlines[-1], 0))
    searched = [_greedy(units, gap_mm, cost)] if len(units) <= _MOST_SEARCHED else []
    return _best([*_in_rows(units, gap_mm, cost), *searched])


def _area(width: Floats, height: Floats) -> Floats:
    return width * height


def _greedy(units: Sequence[Laid], gap_mm: float, cost: Cost) -> Laid | None:
    """Lay one after the other, each where the panel grows least."""
    longest = sum(float(np.max(unit.bounds[2:] - unit.bounds[:2])) for unit in units)
    cell = max(_FINEST_MM, longest / _CELLS)
    laid = units[0]
    for number, unit in enumerate(units[1:], start=2):
        final = number == len(units)
        best = _best(list(_beside(laid, unit, gap_mm, cost if final else _area, cell)))
        if best is None:
            return None
        laid = best
    return laid


def _beside(
    laid: Laid, unit: Laid, gap_mm: float, cost: Cost, cell: float
) -> Iterator[Laid | None]:
    """Best ways to lay a unit beside what lies already, for each quarter turn."""
    fixed = _Fixed(laid, gap_mm, cost)
    for quarter in range(4):
        turned = unit.placed(Placing(quarter_turns=quarter))
        moving = shapely.union_all(np.array(turned.outlines, dtype=object))
        for shift in _shifts(fixed, moving, cell):
            refined = fixed.refined(moving, shift)
            if refined is not None:
                dx, dy = refined
                yield _priced(_joined([laid, turned.placed(Placing(dx_mm=dx, dy_mm=dy))]), cost)


class _Fixed:
    """What lies already, and what a shape laid beside it costs."""

    def __init__(self, laid: Laid, gap_mm: float, cost: Cost) -> None:
        self.shape = _simple(shapely.union_all(np.array(laid.outlines, dtype=object)))
        self.bounds = laid.bounds
        self.gap_mm = gap_mm
        self.cost_of = cost
        # Outlines are simplified by a hair before they are measured.
        self._near = shapely.buffer(self.shape, gap_mm - 2 * _SIMPLE_MM, quad_segs=16)
        shapely.prepare(self._near)

    def cost(self, box: Floats, shift: Floats) -> Floats:
        """Cost of panels that hold a box as well, shifted by (n, 2) mm."""
        low = np.minimum(self.bounds[:2], box[:2] + shift)
        high = np.maximum(self.bounds[2:], box[2:] + shift)
        size = high - low
        # Of equal areas the squarer one is stiffer and is handled better.
        longer = size.max(axis=1) / size.sum(axis=1)
        costs: Floats = self.cost_of(size[:, 0], size[:, 1]) * (1 + 1e-6 * longer)
        return costs

    def free(self, moving: BaseGeometry, shift: Floats) -> bool:
        """Whether a shape keeps the gap under a shift."""
        there = shapely.transform(moving, lambda points: points + shift)
        if shapely.intersects(self._near, there):
            return False
        return bool(shapely.distance(self.shape, there) >= self.gap_mm + 2 * _SIMPLE_MM)

    def refined(self, moving: BaseGeometry, shift: Floats) -> tuple[float, float] | None:
        """Find the cheapest free shift near one found on a grid; None where there is none."""
        moving = _simple(moving)
        box = np.array(moving.bounds)
        at, best = shift, np.inf
        if self.free(moving, at):
            best = float(self.cost(box, at[None])[0])
        for step in _STEPS_MM:
            for _ in range(24):
                ways = at + step * np.array(_WAYS)
                costs = self.cost(box, ways)
                for row in np.argsort(costs, kind="stable"):
                    if costs[row] >= best:
                        break
                    if self.free(moving, ways[row]):
                        at, best = ways[row], float(costs[row])
                        break
                else:
                    break
                if costs[row] > best:
                    break
            if not np.isfinite(best) and step == _STEPS_MM[0]:
                return None
        return (round(float(at[0]), 3), round(float(at[1]), 3)) if np.isfinite(best) else None


def _simple(shape: BaseGeometry) -> BaseGeometry:
    return shapely.simplify(shape, _SIMPLE_MM)


def _shifts(fixed: _Fixed, moving: BaseGeometry, cell: float) -> Iterator[Floats]:
    """Cheapest shifts under which a shape does not touch what lies already, on a grid."""
    half = fixed.gap_mm / 2
    here, low = _image(shapely.buffer(fixed.shape, half), cell)
    there, start = _image(shapely.buffer(moving, half), cell)
    overlap = _overlaps(here, there)
    rows, columns = np.indices(overlap.shape)
    steps = np.stack((columns - there.shape[1] + 1, rows - there.shape[0] + 1), axis=-1)
    # One ring of cells more: beside the box of what lies already nothing overlaps either.
    shift = (steps * cell + (low - start)).reshape(-1, 2)
    free = (overlap < 0.5).reshape(-1)
    ring = np.concatenate(list(_around(fixed, moving)))
    every = np.concatenate((shift[free], ring))
    costs = fixed.cost(np.array(moving.bounds), every)
    chosen: list[Floats] = []
    for row in np.argsort(costs, kind="stable")[: 400 * _TRIED]:
        if not np.isfinite(costs[row]):
            return
        at = every[row]
        if all(np.hypot(*(at - other)) >= _APART_MM for other in chosen):
            chosen.append(at)
            yield at
            if len(chosen) == _TRIED:
                return


def _overlaps(here: Bools, there: Bools) -> Floats:
    """Cells that two images share under each shift of the second, rounded to about a tenth."""
    from scipy import fft

    shape = tuple(a + b - 1 for a, b in zip(here.shape, there.shape, strict=True))
    size = [fft.next_fast_len(n, real=True) for n in shape]
    images = [fft.rfft2(i.astype(np.float32), size) for i in (here, there[::-1, ::-1])]
    shared: Floats = fft.irfft2(images[0] * images[1], size)[: shape[0], : shape[1]]
    return shared


def _around(fixed: _Fixed, moving: BaseGeometry) -> Iterator[Floats]:
    """Shifts that lay a shape beside the box of what lies already, level with one of its sides."""
    x0, y0, x1, y1 = fixed.bounds.tolist()
    a0, b0, a1, b1 = moving.bounds
    # A little more than the gap: simplified outlines must still keep it.
    gap = fixed.gap_mm + 3 * _SIMPLE_MM
    for dx in (x1 + gap - a0, x0 - gap - a1):
        yield np.array([(dx, y0 - b0), (dx, y1 - b1)])
    for dy in (y1 + gap - b0, y0 - gap - b1):
        yield np.array([(x0 - a0, dy), (x1 - a1, dy)])


def _image(shape: BaseGeometry, cell: float) -> tuple[Bools, Floats]:
    """Cells whose middle a shape covers, and the middle of the first cell."""
    x0, y0, x1, y1 = shape.bounds
    x = np.arange(x0, x1 + cell, cell)
    y = np.arange(y0, y1 + cell, cell)
    shapely.prepare(shape)
    inside = shapely.contains_xy(shape, *np.meshgrid(x, y))
    return inside, np.array([x0, y0])


def _turned(outline: BaseGeometry, quarter: int) -> Laid:
    placing = Placing(quarter_turns=quarter)
    shape = outline if quarter == 0 else shapely.transform(outline, placing.points)
    return Laid((placing,), (shape,), np.inf)


def _joined(parts: Sequence[Laid]) -> Laid:
    return Laid(
        tuple(placing for part in parts for placing in part.placings),
        tuple(shape for part in parts for shape in part.outlines),
        np.inf,
    )


def _priced(laid: Laid, cost: Cost) -> Laid | None:
    """Give an arrangement its cost; None where no panel may be so."""
    size = laid.bounds[2:] - laid.bounds[:2]
    price = float(cost(size[:1], size[1:])[0])
    return replace(laid, cost=price) if np.isfinite(price) else None


def _best(found: Sequence[Laid | None]) -> Laid | None:
    """Cheapest arrangement; among equals the first."""
    best: Laid | None = None
    for laid in found:
        if laid is not None and (best is None or laid.cost < best.cost * (1 - _SAME)):
            best = laid
    return best
