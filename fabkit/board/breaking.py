"""Where material is made to be broken: rows of small holes, and narrow necks."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Shapes
from fabkit.base.units import COINCIDENT_MM
from fabkit.geometry.neighbours import PointTree, label_groups

_BITE_MM: Final = 1.3
"""Holes of a perforation are at most this wide (common practice: 0.5 to 1.0 mm)."""
_BITES: Final = 3
_PITCH: Final = 3.0
"""Their centres are at most this many diameters apart."""
_OFF: Final = 0.6
"""They lie off the line between their neighbours by at most this share of their diameter."""
_SAME_MM: Final = 0.02
_REACH_MM: Final = 2.5
"""The edge lies at most this far beyond the last hole of a row."""
_NECKS_MM: Final = (2.6, 4.3, 6.4)
"""Widths of tabs that are tried in turn (common practice: 2 to 6 mm, whole
numbers mostly, which are left clear of)."""
_PART_SHARE: Final = 0.02
"""What is smaller than this share of the material is no board and no rail."""
_CORNER_MM: Final = 0.5
"""The chords of an arc meet the wall of a tab this near to its corner."""
_MOST_PARTS: Final = 200
_LONGER_MM: Final = 0.1
"""Lines across tabs are this much longer at each end, so that they surely part them."""
_SIMPLE_MM: Final = 0.02
_MOST_CORNERS: Final = 20_000


def find_perforations(profile: BaseGeometry, holes: Floats) -> list[BaseGeometry]:
    """Lines through rows of small holes that run from edge to edge of the material.

    Parameters
    ----------
    profile
        Material, mm.
    holes
        (n, 3) float64, mm: place and diameter of holes without pads.
    """
    small = holes[(holes[:, 2] <= _BITE_MM) & (holes[:, 2] > 0)]
    if len(small) < _BITES:
        return []
    pairs = PointTree(small[:, :2]).pairs(_PITCH * _BITE_MM)
    a, b = pairs[:, 0], pairs[:, 1]
    apart = np.hypot(*(small[a, :2] - small[b, :2]).T)
    # Each hole goes on to its nearest neighbours alone: rows may lie side by side.
    nearest = np.full(len(small), np.inf)
    np.minimum.at(nearest, a, apart)
    np.minimum.at(nearest, b, apart)
    fits = (
        (np.abs(small[a, 2] - small[b, 2]) <= _SAME_MM)
        & (apart <= _PITCH * small[a, 2])
        & (apart > COINCIDENT_MM)
        & (apart <= 1.4 * np.minimum(nearest[a], nearest[b]))
    )
    label = label_groups(len(small), a[fits], b[fits])
    order = np.argsort(label, kind="stable")
    starts = np.flatnonzero(np.diff(label[order], prepend=label[order[0]] - 1))
    rim = shapely.boundary(profile)
    shapely.prepare(rim)
    found = []
    for rows in np.split(order, starts[1:]):
        if len(rows) >= _BITES:
            line = _row(small[rows], rim)
            if line is not None:
                found.append(line)
    return found


def _row(holes: Floats, rim: BaseGeometry) -> BaseGeometry:
    """Line through a row of holes, led on to the rim at both ends; None when it is no row."""
    xy = holes[:, :2]
    middle = xy - xy.mean(axis=0)
    _, _, axes = np.linalg.svd(middle, full_matrices=False)
    along = middle @ axes[0]
    xy = xy[np.argsort(along, kind="stable")]
    step = np.diff(xy, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    way = step / length[:, None]
    # A row bends little from hole to hole; a cluster or a grid does not.
    bend = np.abs(way[1:, 0] * way[:-1, 1] - way[1:, 1] * way[:-1, 0]) * length[1:]
    forward = (way[1:] * way[:-1]).sum(axis=1)
    if (bend > _OFF * holes[0, 2]).any() or (forward <= 0).any():
        return None
    reach = _REACH_MM + holes[0, 2]
    ends = (xy[0] - reach * way[0], xy[-1] + reach * way[-1])
    if not all(
        shapely.intersects(rim, shapely.LineString(np.array(tail)))
        for tail in ((xy[1], ends[0]), (xy[-2], ends[1]))
    ):
        return None
    return shapely.LineString(np.vstack((ends[0], xy, ends[1])))


def find_necks(pieces: Shapes, points: Floats) -> list[BaseGeometry]:
    """Lines across the tabs that join a frame to boards, or boards to one another.

    The narrowest tabs that part an empty frame from boards, or boards of one size from each
    other, count; a plain board with narrow places stays whole.

    Parameters
    ----------
    pieces
        Polygons, mm.
    points
        (n, 2) float64, mm: places of pads.
    """
    corners = int(shapely.get_num_coordinates(pieces).sum())
    if corners > _MOST_CORNERS or not _has_room(pieces):
        return []
    plain = shapely.simplify(pieces, _SIMPLE_MM)
    least = _PART_SHARE * float(shapely.area(pieces).sum())
    tree = shapely.STRtree(shapely.points(points))
    for width in _NECKS_MM:
        radius = width / 2
        kept = shapely.get_parts(shapely.buffer(plain, -radius, quad_segs=8))
        kept = kept[shapely.area(kept) > least / 4]
        if not len(pieces) < len(kept) <= _MOST_PARTS:
            continue
        held = np.bincount(tree.query(kept, predicate="contains")[0], minlength=len(kept))
        full = held >= max(4, 0.1 * held.max())
        area = shapely.area(kept)[full]
        alike = len(area) > 1 and np.ptp(area) < 0.1 * area.max()
        if held.sum() >= 0.8 * len(points) and (alike or (~full & (held < 4)).any()):
            return _mouths(plain, kept, radius)
    return []


def _has_room(pieces: Shapes) -> bool:
    """Whether there are openings or bays at all: a frame or a row of boards has them."""
    hull = float(shapely.area(shapely.convex_hull(pieces)).sum())
    return float(shapely.area(pieces).sum()) < 0.99 * hull


def _mouths(pieces: Shapes, kept: Shapes, radius: float) -> list[BaseGeometry]:
    """Straight lines across the necks, where each core grown back leads on to another."""
    body = shapely.union_all(pieces)
    grown = shapely.buffer(kept, radius + COINCIDENT_MM)
    corners = PointTree(shapely.get_coordinates(body))
    lines = []
    for j in range(len(kept)):
        rest = shapely.get_parts(shapely.difference(body, grown[j]))
        onward = rest[shapely.intersects(rest, shapely.union_all(np.delete(kept, j)))]
        seams = shapely.intersection(onward, shapely.boundary(grown[j]))
        for seam in shapely.get_parts(shapely.line_merge(shapely.union_all(seams))):
            # A disc that does not fit through a tab rests on its two corners.
            ends = shapely.get_coordinates(seam)[[0, -1]]
            far, corner = corners.query(ends)
            ends[far < _CORNER_MM] = corners.points[corner[far < _CORNER_MM]]
            apart = float(np.hypot(*(ends[1] - ends[0])))
            if apart > COINCIDENT_MM:
                step = (ends[1] - ends[0]) / apart * _LONGER_MM
                lines.append(shapely.LineString([ends[0] - step, ends[1] + step]))
    return lines
