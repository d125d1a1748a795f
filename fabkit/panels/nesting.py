"""Where boards lie on a panel: turned by quarters, in little room, or edge to edge to be scored.

Halves of split keyboards interlock when one is turned, so outlines are laid beside each other by
their shapes, not by their boxes.  The places where two outlines do not touch are found on a grid
for all shifts at once (the correlation of two images, by fast Fourier transforms); the best of
them are then refined on the outlines themselves.  Nothing is random: equal boards lie equally.

A score line is cut from edge to edge of the panel, so boards that it parts lie in rows and columns:
all boards of a column are equally wide, those of a row equally high, and both edges at a line are
straight along it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats
from fabkit.base.errors import UsageError
from fabkit.base.units import COINCIDENT_MM, and_words, format_mm, format_number
from fabkit.geometry.segments import Placing
from fabkit.panels.model import Measures, panel_size

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
    dx, dy = then.point(first.dx_mm, first.dy_mm)
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
                    # The rest costs no less: whether it is free need not be asked.
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


_HELD: Final = 0.5
"""An edge is scored where at least this share of it is straight (our choice)."""
_SAME_MM: Final = 0.01
"""Boards are equally wide when their widths differ by less than this."""
_MOST_DESIGNS: Final = 6
"""Of more designs all are turned alike."""
ROUTE: Final = "have the boards routed apart instead of scored"

_RIGHT, _TOP, _LEFT, _BOTTOM = range(4)


@dataclass(frozen=True, slots=True)
class Shape:
    """What of an outline matters to score lines.

    Parameters
    ----------
    box
        Min x, min y, max x, max y, mm.
    straight
        (4,) float64: share of the right, top, left and bottom side that is straight.
    """

    box: tuple[float, float, float, float]
    straight: Floats

    @classmethod
    def of(cls, outline: BaseGeometry) -> Shape:
        """Measure an outline."""
        x0, y0, x1, y1 = outline.bounds
        ring = shapely.get_coordinates(outline.exterior)
        step = np.abs(np.diff(ring, axis=0))
        share = []
        for axis, side in ((0, x1), (1, y1), (0, x0), (1, y0)):
            on = np.abs(ring[:, axis] - side) <= COINCIDENT_MM
            length = step[on[:-1] & on[1:], 1 - axis].sum()
            share.append(length / max((x1 - x0, y1 - y0)[1 - axis], COINCIDENT_MM))
        return cls((x0, y0, x1, y1), np.array(share))

    def size(self, turns: int) -> tuple[float, float]:
        """Width and height after quarter turns."""
        x0, y0, x1, y1 = self.box
        return (y1 - y0, x1 - x0) if turns % 2 else (x1 - x0, y1 - y0)

    def turned(self, lying: int, needed: set[int]) -> int | None:
        """Quarter turns that lay straight edges on the needed sides; None where none do.

        Parameters
        ----------
        lying
            0 as drawn, 1 on its side; half a turn more is free.
        needed
            Sides that are scored, as numbers of quarter turns from the right.
        """
        for turns in (lying, lying + 2):
            if all(self.straight[(side - turns) % 4] >= _HELD for side in needed):
                return turns
        return None


def lay_scored(
    outlines: Sequence[BaseGeometry],
    labels: Sequence[str],
    *,
    cost: Cost,
    measures: Measures,
    rails: bool,
) -> Laid:
    """Lay boards in rows and columns that score lines can part.

    Parameters
    ----------
    outlines, labels
        Outer outline of each board, mm, and its name; copies of one design are the same object.
    cost
        Of panels by width and height of the boards on them; infinite where they are not allowed.
    measures, rails
        Of the panel; rails are scored off, too.

    Raises
    ------
    UsageError
        The edges allow no score, or no such panel may be made.
    """
    known = {id(one): Shape.of(one) for one in outlines}
    shapes = [known[id(one)] for one in outlines]
    found = list(_grids(shapes, rails=rails))
    if not found:
        raise _unfit(shapes, labels)
    sizes = np.array([size for size, _ in found])
    costs = cost(sizes[:, 0], sizes[:, 1])
    best = int(np.argmin(costs))
    if not np.isfinite(costs[best]):
        width, height = panel_size(sizes[:, 0], sizes[:, 1], measures, rails=rails)
        squarest = int(np.argmax(np.minimum(width, height)))
        size = f"{format_mm(float(width[squarest]))} × {format_mm(float(height[squarest]))}"
        raise UsageError(
            f"the scored panel would be {size}: its sides may be"
            f" {format_mm(measures.shortest)} to {format_mm(measures.longest)}",
            hint=f"take another number of copies, add rails, or {ROUTE}",
        )
    placings = found[best][1]
    laid = [shapely.transform(o, p.points) for o, p in zip(outlines, placings, strict=True)]
    return Laid(placings, tuple(laid), float(costs[best]))


def _grids(
    shapes: Sequence[Shape], *, rails: bool
) -> Iterator[tuple[tuple[float, float], tuple[Placing, ...]]]:
    """Size and placings of every grid whose inner sides are straight, squarest first."""
    count = len(shapes)
    kinds = list(dict.fromkeys(map(id, shapes)))
    ways = product((0, 1), repeat=len(kinds)) if len(kinds) <= _MOST_DESIGNS else ((0,), (1,))
    lyings = [dict(zip(kinds, way * len(kinds), strict=False)) for way in ways]
    for columns in range(1, count + 1):
        if count % columns:
            continue
        rows = count // columns
        cells = [divmod(k, columns) for k in range(count)]
        for lying in lyings:
            turns = [lying[id(shape)] for shape in shapes]
            sizes = np.array([s.size(t) for s, t in zip(shapes, turns, strict=True)])
            wide, high = sizes[:, 0].reshape(rows, columns), sizes[:, 1].reshape(rows, columns)
            if np.ptp(wide, axis=0).max() > _SAME_MM or np.ptp(high, axis=1).max() > _SAME_MM:
                continue
            x = np.concatenate(([0.0], np.cumsum(wide.max(axis=0))))
            y = np.concatenate(([0.0], np.cumsum(high.max(axis=1))))
            across = _rails_across(x[-1], y[-1]) if rails else set[int]()
            placings = []
            for (row, column), shape, turn in zip(cells, shapes, turns, strict=True):
                inner = {
                    _RIGHT: column < columns - 1,
                    _TOP: row < rows - 1,
                    _LEFT: column > 0,
                    _BOTTOM: row > 0,
                }
                needed = {side for side, used in inner.items() if used or side in across}
                fit = shape.turned(turn, needed)
                if fit is None:
                    break
                placings.append(_at(shape, fit, (x[column], y[row])))
            else:
                yield (float(x[-1]), float(y[-1])), tuple(placings)


def _rails_across(width: float, height: float) -> set[int]:
    return {_TOP, _BOTTOM} if width >= height else {_LEFT, _RIGHT}


def _at(shape: Shape, turns: int, corner: tuple[float, float]) -> Placing:
    """Placing that lays the lower left corner of a turned box on a place."""
    x0, y0, x1, y1 = shape.box
    spots = Placing(quarter_turns=turns).points(np.array([(x0, y0), (x1, y1)]))
    dx, dy = (np.array(corner) - spots.min(axis=0)).tolist()
    return Placing(quarter_turns=turns, dx_mm=dx, dy_mm=dy)


_SIDES: Final = ("right", "top", "left", "bottom")


def _unfit(shapes: Sequence[Shape], labels: Sequence[str]) -> UsageError:
    """Say why boards cannot lie at score lines."""
    told = dict.fromkeys(
        f"{label} is {format_number(shape.size(0)[0], digits=2)} x"
        f" {format_mm(shape.size(0)[1], digits=2)}, straight on {_straight(shape)}"
        for shape, label in zip(shapes, labels, strict=True)
    )
    return UsageError(
        "the edges of these boards allow no score lines across the whole panel: boards beside each"
        f" other need equal sides, straight along half their length or more; {'; '.join(told)}",
        hint=ROUTE,
    )


def _straight(shape: Shape) -> str:
    sides = [name for name, share in zip(_SIDES, shape.straight, strict=True) if share >= _HELD]
    return and_words(sides) or "no side"
