"""Boards beside each other without a gap, parted by score lines across the whole panel.

A score line is cut from edge to edge, so the boards lie in rows and columns: all boards of a column
are equally wide, those of a row equally high, and both edges at a line are straight along it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.base.errors import UsageError
from fabkit.base.units import COINCIDENT_MM, and_words, format_mm, format_number
from fabkit.geometry.segments import Placing
from fabkit.panels.model import Copy, Frame, Measures, panel_size
from fabkit.panels.nesting import Cost, Laid
from fabkit.panels.tabs import find_obstacles
from fabkit.sheets.house import House

_HELD: Final = 0.5
"""An edge is scored where at least this share of it is straight (our choice)."""
_SAME_MM: Final = 0.01
"""Boards are equally wide when their widths differ by less than this."""
_MOST_DESIGNS: Final = 6
"""Of more designs all are turned alike."""
_SPECK_MM2: Final = 0.005
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
        size = f"{format_mm(float(width[squarest]))} x {format_mm(float(height[squarest]))}"
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


def build_scored_frame(copies: Sequence[Copy], measures: Measures, *, rails: bool) -> Frame:
    """Find the score lines between boards in rows and columns, and the rails beside them."""
    boxes = shapely.bounds(np.array([copy.profile for copy in copies], dtype=object))
    x0, y0 = boxes[:, :2].min(axis=0).tolist()
    x1, y1 = boxes[:, 2:].max(axis=0).tolist()
    inner = [_between(boxes[:, [k, k + 2]]) for k in (0, 1)]
    box, waste = (x0, y0, x1, y1), list[BaseGeometry]()
    if rails:
        wide = _TOP in _rails_across(x1 - x0, y1 - y0)
        more = measures.rail
        ends = (y0, y1) if wide else (x0, x1)
        inner[int(wide)] = [ends[0], *inner[int(wide)], ends[1]]
        low, high = ends[0] - more, ends[1] + more
        box = (x0, low, x1, high) if wide else (low, y0, high, y1)
        for a, b in ((low, ends[0]), (ends[1], high)):
            waste.append(shapely.box(x0, a, x1, b) if wide else shapely.box(a, y0, b, y1))
    lines = [(x, box[1], x, box[3]) for x in inner[0]] + [(box[0], y, box[2], y) for y in inner[1]]
    return Frame(box=box, waste=tuple(waste), score=np.array(lines).reshape(-1, 4))


def _between(spans: Floats) -> list[float]:
    """Borders between spans that lie beside each other, without the outermost ones."""
    starts = np.unique(spans[:, 0].round(2), return_index=True)[1]
    borders: list[float] = spans[starts, 0].tolist()
    return borders[1:]


def seams(parts: Sequence[BaseGeometry], score: Floats) -> list[BaseGeometry]:
    """Find strips of two micrometres over the edges that lie on each other along score lines.

    What is united with them has no seam where one edge is off the other by rounding.
    """
    found = []
    for x0, y0, x1, _ in score.tolist():
        axis, at = (0, x0) if x0 == x1 else (1, y0)
        runs = np.concatenate([_runs(part, axis, at) for part in parts])
        runs = runs[np.lexsort(runs.T[::-1])]
        # Of two edges on each other the later one begins in the earlier one.
        reach = np.maximum.accumulate(runs[:, 1])
        low, high = runs[1:, 0], np.minimum(runs[1:, 1], reach[:-1])
        for a, b in np.column_stack((low, high))[high - low > COINCIDENT_MM].tolist():
            strip = (at - COINCIDENT_MM, a, at + COINCIDENT_MM, b)
            found.append(shapely.box(*(strip if axis == 0 else (*strip[1::-1], *strip[:1:-1]))))
    return found


def _runs(part: BaseGeometry, axis: int, at: float) -> Floats:
    """Where the rim of an area runs along a line: from and to, (n, 2), mm."""
    ring = shapely.get_coordinates(part.exterior)
    on = np.abs(ring[:, axis] - at) <= COINCIDENT_MM
    along = ring[:, 1 - axis]
    runs = np.column_stack((along[:-1], along[1:]))[on[:-1] & on[1:]]
    return np.sort(runs, axis=1)


def refuse_unscorable(
    copies: Sequence[Copy], frame: Frame, house: House, thickness_mm: float
) -> None:
    """Refuse boards that are too thin for a score line, or have copper or holes too near to it.

    Raises
    ------
    UsageError
        What is too near, by how much, and what to do.
    """
    thin = house.limit("score_thickness_min_mm")
    if not thin.allows(thickness_mm):
        raise UsageError(
            f"boards of {format_mm(thickness_mm)} are too thin to be scored: your house scores from"
            f" {format_mm(thin.value)} ({thin.source})",
            hint=ROUTE,
        )
    lines = shapely.linestrings(frame.score.reshape(-1, 2, 2))
    for copy in copies:
        holes = shapely.transform(copy.board.hole_shapes, copy.placing.points)
        for what, key, tree in (
            ("copper", "copper_to_score_mm", find_obstacles(copy).copper),
            ("a hole", "hole_to_edge_mm", shapely.STRtree(holes)),
        ):
            limit = house.limit(key)
            _, away = tree.query_nearest(
                lines, max_distance=limit.value, return_distance=True, all_matches=False
            )
            nearest = float(away.min(initial=np.inf))
            if not limit.allows(nearest, tolerance=2 * COINCIDENT_MM):
                raise UsageError(
                    f"{what} of {copy.label} is {format_mm(nearest, digits=2)} from a score line;"
                    f" your house needs {format_mm(limit.value)} ({limit.source})",
                    hint=f"move it away from the edge in the layout, or {ROUTE}",
                )


def out_of_reach_mm(whole: BaseGeometry, frame: Frame, cutter_mm: float) -> float:
    """Length of the longest point beside a score line that a round cutter cannot reach; 0: none.

    Rounded corners of two boards end in such points where they meet.
    """
    grown = shapely.buffer(whole, cutter_mm / 2, quad_segs=16)
    left = shapely.difference(shapely.buffer(grown, -cutter_mm / 2, quad_segs=16), whole)
    parts = shapely.get_parts(left)
    lines = shapely.union_all(shapely.linestrings(frame.score.reshape(-1, 2, 2)))
    parts = parts[(shapely.area(parts) > _SPECK_MM2) & shapely.dwithin(parts, lines, 0.02)]
    box = shapely.bounds(parts)
    return float((box[:, 2:] - box[:, :2]).max(initial=0.0))
