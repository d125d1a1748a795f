"""Routed cuts: centres of arcs, however they are given."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Arc:
    """Centre and turn of an arc, and how far its data disagree, mm."""

    cx: float
    cy: float
    turn: int
    misfit_mm: float = 0.0


def arc_by_radius(
    start: tuple[float, float], end: tuple[float, float], radius: float, *, clockwise: bool
) -> Arc | None:
    """Arc of at most half a turn; None when both ends are the same point.

    ``misfit_mm`` is by how much the radius falls short of reaching both ends; the arc is then
    the half circle over them, as the control makes it (Excellon CNC-7, G02 and G03).
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = math.hypot(dx, dy)
    if chord == 0.0:
        return None
    short = max(chord / 2 - abs(radius), 0.0)
    height = math.sqrt(max(radius * radius - chord * chord / 4, 0.0))
    side = 1.0 if clockwise else -1.0
    return Arc(
        (start[0] + end[0]) / 2 + side * height * dy / chord,
        (start[1] + end[1]) / 2 - side * height * dx / chord,
        -1 if clockwise else 1,
        short,
    )


def arc_by_centre(
    start: tuple[float, float],
    end: tuple[float, float],
    offset: tuple[float, float],
    *,
    clockwise: bool,
) -> Arc:
    """Arc whose centre is ``offset`` away from its start, whichever way the sign is meant.

    The manual does not say whether the distance runs from the centre to the start or back, so
    the centre that is as far from the end as from the start is taken.  Equal ends make a full
    circle.
    """
    radius = math.hypot(*offset)

    def misfit(sign: int) -> float:
        centre = (start[0] + sign * offset[0], start[1] + sign * offset[1])
        return abs(math.hypot(end[0] - centre[0], end[1] - centre[1]) - radius)

    sign = -1 if misfit(-1) < misfit(1) - 1e-9 else 1
    turn = 2 if start == end else 1
    return Arc(
        start[0] + sign * offset[0],
        start[1] + sign * offset[1],
        -turn if clockwise else turn,
        misfit(sign),
    )
