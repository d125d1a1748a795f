"""What drills and routers take away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.geometry.strokes import capsules, strokes

if TYPE_CHECKING:
    from fabkit.board.model import BoardSlots, Holes


def cut_shapes(holes: Holes, slots: BoardSlots) -> NDArray[Any]:
    """Areas that are cut: a disc per hole, then a polygon per slot path, mm.

    Returns
    -------
    (len(holes) + number of paths,) object array; holes in table order, paths by rising number.
    """
    discs = capsules(holes.x, holes.y, holes.x, holes.y, holes.diameter)
    if not len(slots):
        return discs
    cuts = strokes(
        slots.x0, slots.y0, slots.x1, slots.y1, slots.cx, slots.cy, slots.turn, slots.diameter
    )
    order = np.argsort(slots.path, kind="stable")
    _, first, counts = np.unique(slots.path[order], return_index=True, return_counts=True)
    paths = np.empty(len(first), dtype=object)
    for number, (start, count) in enumerate(zip(first, counts, strict=True)):
        rows = order[start : start + count]
        paths[number] = cuts[rows[0]] if count == 1 else shapely.union_all(cuts[rows])
    return np.concatenate((discs, paths))
