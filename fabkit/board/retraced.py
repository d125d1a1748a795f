"""Router paths of a drill file that run along the board's outline: the outline once more."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.findings import Finding, Place
from fabkit.board import rules
from fabkit.board.model import BoardSlots

_OFF_MM: Final = 0.1
"""How far beyond its half width a path along the outline may lie off it."""

_SHARE: Final = 0.5
"""Share of an outline that paths must follow to count as the outline; tabs leave gaps."""

_FACETS: Final = 16


def drop_retraced(
    slots: BoardSlots, profile: BaseGeometry, drill_names: tuple[str, ...], findings: list[Finding]
) -> BoardSlots:
    """Leave out router paths that run along the outline, which the profile already cuts.

    Plated paths stay: a plated edge is routed before the board is, and is meant.

    Parameters
    ----------
    slots
        Slot segments of the board.
    profile
        The board's shape, or None.
    findings
        Receives one note when there are such paths.
    """
    if profile is None or not len(slots):
        return slots
    rim = shapely.boundary(profile)
    chord = slots.chords()
    # Ends and points between them: a chord across the board has its ends alone on the outline.
    share = np.linspace(0, 1, _FACETS)[None]
    x = slots.x0[:, None] + share * (slots.x1 - slots.x0)[:, None]
    y = slots.y0[:, None] + share * (slots.y1 - slots.y0)[:, None]
    straight = slots.turn == 0
    x[~straight, 1:-1], y[~straight, 1:-1] = x[~straight, :1], y[~straight, :1]
    off = shapely.distance(shapely.points(x, y), rim).max(axis=1)
    along = (off <= slots.diameter / 2 + _OFF_MM) & (slots.plated != 1)
    paths = np.unique(slots.path)
    follows = [
        path
        for path in paths
        if along[slots.path == path].all()
        and chord[slots.path == path].sum() > 5 * slots.diameter[slots.path == path].max()
    ]
    mine = np.isin(slots.path, follows)
    if chord[mine].sum() < _SHARE * max(p.exterior.length for p in profile.geoms):
        return slots
    findings.append(
        Finding.of(
            rules.OUTLINE_ROUTED,
            "the drill file routs along the outline of the board",
            *(
                Place(
                    file=drill_names[int(slots.file[row])],
                    x_mm=float(slots.x0[row]),
                    y_mm=float(slots.y0[row]),
                )
                for row in np.flatnonzero(mine)[:1]
            ),
            count=len(follows),
            assumed="the profile counts, and the paths are no slots",
        )
    )
    return slots.take(~mine)
