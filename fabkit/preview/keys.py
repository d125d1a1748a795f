"""Where the keys of a half are, read from the holes their switches stand in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.board.model import Board
from fabkit.board.symmetry import find_lone_posts
from fabkit.preview.scene import Floats

CENTRE_HOLE_MM: Final = (3.0, 5.4)
"""Diameters of the centre post's hole of key switches (common practice)."""

GUIDE_REACH_MM: Final = (4.0, 7.0)
"""Distance of a pair of guide holes from the centre (common practice)."""

SWITCH_OPENING_MM: Final = (13.4, 14.6)
"""Sides of the square opening of a switch plate (common practice: 14 mm)."""

PART_MM: Final = 1.0
"""A switch is placed by its middle (common practice): its part is this near to the post."""

_ALIKE_MM: Final = 0.05
_FEWEST: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyPosition:
    """Centre of a key, how it is turned (degrees, counter-clockwise), and its name if known."""

    x_mm: float
    y_mm: float
    rotation_deg: float = 0.0
    name: str = ""


def find_keys(board: Board) -> tuple[KeyPosition, ...]:
    """Tell where keys are from the holes a switch stands in, or the openings it clips into.

    A key is an unplated hole of the size of a centre post between two smaller unplated guide
    holes, symmetric about it; their line tells how the key is turned, within a quarter turn.
    In a switch plate it is a square cut-out.  Where there are neither, holes for centre posts
    alone will do when they are as many and as near to each other as keys are; then the part
    placed there tells the turn.  Sorted from the top row down, then from the left.
    """
    keys = (*_posts(board), *_openings(board))
    if len(keys) < _FEWEST:
        keys = tuple(_lone_posts(board))
    return tuple(sorted(keys, key=lambda k: (-round(k.y_mm), k.x_mm)))


def _posts(board: Board) -> Iterator[KeyPosition]:
    h = board.holes
    bare = np.flatnonzero(h.plated != 1)
    if not len(bare):
        return
    points, diameter = np.column_stack((h.x, h.y))[bare], h.diameter[bare]
    tree = shapely.STRtree(shapely.points(points))
    low, high = CENTRE_HOLE_MM
    for k in np.flatnonzero((diameter >= low) & (diameter <= high)):
        centre = points[k]
        near = tree.query(shapely.Point(centre), predicate="dwithin", distance=GUIDE_REACH_MM[1])
        near = near[diameter[near] < diameter[k] - _ALIKE_MM]
        turn = _turn_at(points[near] - centre, diameter[near])
        if turn is not None:
            yield KeyPosition(x_mm=float(centre[0]), y_mm=float(centre[1]), rotation_deg=turn)


def _lone_posts(board: Board) -> Iterator[KeyPosition]:
    """Like holes of a centre post's size without guides, at key pitch."""
    parts = [c for c in board.components if c.x_mm is not None and c.rotation_deg is not None]
    spots = np.array([(c.x_mm, c.y_mm) for c in parts], dtype=np.float64).reshape(-1, 2)
    for post in find_lone_posts(board):
        away = np.hypot(*(spots - (post.x_mm, post.y_mm)).T)
        near = away.size and away.min() <= PART_MM
        turn = _folded(parts[int(away.argmin())].rotation_deg or 0.0) if near else 0.0
        yield KeyPosition(x_mm=post.x_mm, y_mm=post.y_mm, rotation_deg=turn)


def _turn_at(away: Floats, diameter: Floats) -> float | None:
    """Angle of a pair of like holes about the origin, folded into -45 to 45 degrees."""
    order = np.argsort(np.arctan2(away[:, 1], away[:, 0]), kind="stable")
    for k in order:
        if np.hypot(*away[k]) < GUIDE_REACH_MM[0]:
            continue
        facing = np.hypot(away[:, 0] + away[k, 0], away[:, 1] + away[k, 1]) < _ALIKE_MM
        if (facing & (np.abs(diameter - diameter[k]) < _ALIKE_MM)).any():
            return _folded(float(np.degrees(np.arctan2(away[k, 1], away[k, 0]))))
    return None


def _openings(board: Board) -> Iterator[KeyPosition]:
    if board.profile is None:
        return
    low, high = SWITCH_OPENING_MM
    for part in board.profile.geoms:
        for ring in part.interiors:
            box = shapely.minimum_rotated_rectangle(ring)
            if box.geom_type != "Polygon":
                continue
            corners = shapely.get_coordinates(box)
            side = np.diff(corners[:3], axis=0)
            lengths = np.hypot(side[:, 0], side[:, 1])
            if lengths.min() < low or lengths.max() > high:
                continue
            middle = corners[:4].mean(axis=0)
            turn = _folded(float(np.degrees(np.arctan2(side[0, 1], side[0, 0]))))
            yield KeyPosition(x_mm=float(middle[0]), y_mm=float(middle[1]), rotation_deg=turn)


def _folded(degrees: float) -> float:
    """The same direction of a square, -45 to 45 degrees; next to nothing is nothing."""
    folded = (degrees + 45) % 90 - 45
    return 0.0 if abs(folded) < 0.01 else folded
