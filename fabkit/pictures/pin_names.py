"""Names beside pins, on the side where there is room, rows of pins on one side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.geometry.neighbours import usual_gap
from fabkit.pictures.lettering import letters, text_width
from fabkit.pictures.scene import Floats, Letters

NAME_MM: Final = 1.4
"""Height of capitals: rows of pins a tenth of an inch apart keep a clear line between names."""

CLOSE_MM: Final = 1.2 * NAME_MM
"""Pins nearer to each other, as on a chip, have no room for names of a size that reads."""

SIDES: Final = ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))
"""Right, left, above, below, as seen; above and below the name runs upwards."""

IN_ROW_MM: Final = 0.3
"""How far off one line pins of one row may lie."""


def pin_names(
    at: Floats,
    names: Sequence[str],
    off: float,
    taken: Sequence[shapely.Geometry],
    inside: Any,
    *,
    mirrored: bool,
) -> list[Letters]:
    """Set the name of each pin beside it.

    Parameters
    ----------
    at : (n, 2) float64, mm
        Places of the pins on the board.
    off
        Free space around the middle of a pin, mm.
    taken
        What no name may touch.
    inside
        Area that names stay in.
    mirrored
        Names read on a mirrored scene.

    Returns
    -------
    One line of text for each pin that has room on any side, in the order of the pins; none where
    most pins lie too close.
    """
    if usual_gap(at) < CLOSE_MM:
        return []
    boxes = _boxes(at, [text_width(name, NAME_MM) for name in names], off, mirrored=mirrored)
    blocks = shapely.STRtree([*taken, *shapely.buffer(shapely.points(at), off - NAME_MM / 4)])
    free = shapely.covers(inside, boxes)
    pins, sides = np.divmod(blocks.query(boxes.ravel(), predicate="intersects")[0], len(SIDES))
    free[pins, sides] = False
    set_, done = [], np.array([], dtype=object)
    for k in range(len(at)):
        for side in _preferred(at, free, k, mirrored=mirrored):
            box = boxes[k, side]
            if free[k, side] and not shapely.intersects(done, box).any():
                set_.append(_set(names[k], at[k], off, side, mirrored=mirrored))
                done = np.append(done, box)
                break
    return set_


def _boxes(
    at: Floats, widths: Sequence[float], off: float, *, mirrored: bool
) -> NDArray[np.object_]:
    """Room of each name on each side, on the board: (n, 4) rectangles."""
    sign = -1.0 if mirrored else 1.0
    out = np.empty((len(at), len(SIDES)), dtype=object)
    for k, ((x, y), wide) in enumerate(zip(at.tolist(), widths, strict=True)):
        for side, (right, up) in enumerate(SIDES):
            along, across = off + wide / 2, (wide / 2, 0.6 * NAME_MM)
            half_x, half_y = across if right else across[::-1]
            mid_x, mid_y = x + sign * right * along, y + up * along
            out[k, side] = shapely.box(
                mid_x - half_x, mid_y - half_y, mid_x + half_x, mid_y + half_y
            )
    return out


def _preferred(at: Floats, free: NDArray[np.bool_], k: int, *, mirrored: bool) -> list[int]:
    """Sides from best to worst: where most of a pin's row has room, then towards the others."""
    apart = np.abs(at - at[k])
    inwards = (at.mean(axis=0) - at[k]) * (-1.0 if mirrored else 1.0, 1.0)
    scores = []
    for side, (right, up) in enumerate(SIDES):
        row = apart[:, 0 if right else 1] <= IN_ROW_MM
        room = int(np.count_nonzero(free[row, side]))
        scores.append((-room, -float(np.sign(np.round(inwards @ (right, up), 6))), side))
    return [side for *_, side in sorted(scores)]


def _set(word: str, at: Floats, off: float, side: int, *, mirrored: bool) -> Letters:
    sign = -1.0 if mirrored else 1.0
    right, up = SIDES[side]
    x, y = float(at[0]), float(at[1])
    if right:
        x, y = x + sign * right * off, y - NAME_MM / 2
    else:
        x, y = x + sign * NAME_MM / 2, y + up * off
    return letters(
        word,
        x,
        y,
        NAME_MM,
        align="left" if right + up > 0 else "right",
        mirrored=mirrored,
        turned_deg=0.0 if right else 90.0,
    )
