"""Is a closed contour simple, or simple but for cut-ins?

A contour may touch itself only along cut-ins: two straight segments with the same ends, run
through in opposite senses, horizontal or vertical, all in one direction (Gerber Layer Format
Specification 2021.02, section 4.10.3).  Taken out, they leave loops that must be simple, apart
from each other, and wound so that every point is run round once in one sense, or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.geometry.arcs import Floats, flatten

Cut = tuple[float, float, float, float]


def _key(a: Cut) -> Cut:
    """Ends of a segment, whichever way it runs."""
    return a if a[:2] <= a[2:] else (a[2], a[3], a[0], a[1])


@dataclass(slots=True)
class _Loops:
    """Chains of segments left when the cut-ins are taken out, and the cut-ins."""

    loops: list[list[int]] = field(default_factory=lambda: [[]])
    cuts: list[Cut] = field(default_factory=list)
    fault: str = ""


def _split(ends: list[Cut], straight: list[bool]) -> _Loops:
    seen: dict[Cut, list[int]] = {}
    for k, segment in enumerate(ends):
        if straight[k]:
            seen.setdefault(_key(segment), []).append(k)
    partner: dict[int, int] = {}
    for key, members in seen.items():
        if len(members) == 1:
            continue
        first, *others = members
        if len(others) > 1 or ends[first][:2] != ends[others[0]][2:]:
            return _Loops(fault="segments lie on each other")
        if key[0] != key[2] and key[1] != key[3]:
            return _Loops(fault="a cut-in is neither horizontal nor vertical")
        partner[first] = others[0]
    out = _Loops(cuts=[_key(ends[k]) for k in partner])
    if len({c[0] == c[2] for c in out.cuts}) > 1:
        return _Loops(fault="cut-ins run in two directions")
    closers = set(partner.values())
    closing: list[tuple[int, int]] = []
    current = 0
    for k in range(len(ends)):
        if k in partner:
            closing.append((partner[k], current))
            current = len(out.loops)
            out.loops.append([])
        elif closing and closing[-1][0] == k:
            current = closing.pop()[1]
        elif k in closers:
            return _Loops(fault="cut-ins cross each other")
        else:
            out.loops[current].append(k)
    return out


def find_contour_fault(
    x0: Floats,
    y0: Floats,
    x1: Floats,
    y1: Floats,
    cx: Floats,
    cy: Floats,
    turn: NDArray[np.int8],
    *,
    chord_error_mm: float,
) -> str:
    """Say what makes a contour invalid; an empty text when it is valid.

    Parameters
    ----------
    x0, y0, x1, y1, cx, cy : (n,) float64, mm
    turn : (n,) int8
        Segments of one closed contour, as in :mod:`fabkit.geometry.arcs`.
    chord_error_mm
        Arcs are judged by chords this close to them.
    """
    keep = np.flatnonzero((x0 != x1) | (y0 != y1) | (turn != 0))
    if not len(keep):
        return ""
    columns = [a[keep] for a in (x0, y0, x1, y1, cx, cy)]
    turns = turn[keep]
    if len(keep) == 1:
        return "" if abs(int(turns[0])) == 2 else "it encloses nothing"
    points, offsets = flatten(
        columns[0],
        columns[1],
        columns[2],
        columns[3],
        columns[4],
        columns[5],
        turns,
        chord_error_mm=chord_error_mm,
    )
    start = np.array([[columns[0][0], columns[1][0]]])
    if (points[-1] != start[0]).any():
        points = np.vstack((points, start))
    if len(points) >= 3 and shapely.is_simple(shapely.linestrings(np.vstack((start, points)))):
        return ""
    ends: list[Cut] = list(zip(*(c.tolist() for c in columns[:4]), strict=True))
    split = _split(ends, (turns == 0).tolist())
    if split.fault:
        return split.fault
    rings = []
    for loop in split.loops:
        if not loop:
            continue
        pieces = [points[offsets[k] : offsets[k + 1]] for k in loop]
        ring = np.vstack(pieces)
        if len(ring) < 3:
            return "it encloses nothing"
        rings.append(np.vstack((ring[-1:], ring)))
    return _judge(rings, split.cuts) if rings else "it encloses nothing"


def _judge(rings: list[Floats], cuts: list[Cut]) -> str:
    lines = [shapely.linestrings(r) for r in rings]
    if not all(line.is_simple and line.is_ring for line in lines):
        return "it touches or crosses itself"
    lines += [shapely.linestrings([c[:2], c[2:]]) for c in cuts]
    geometries: NDArray[Any] = np.array(lines, dtype=object)
    left, right = shapely.STRtree(geometries).query(geometries, predicate="intersects")
    pairs = left < right
    for a, b in zip(left[pairs].tolist(), right[pairs].tolist(), strict=True):
        if b < len(rings) or a >= len(rings):
            return "it touches or crosses itself"
        cut = cuts[b - len(rings)]
        shared = shapely.get_coordinates(shapely.intersection(geometries[a], geometries[b]))
        if not all(tuple(p) in (cut[:2], cut[2:]) for p in shared.tolist()):
            return "a cut-in touches the contour between its ends"
    return _judge_winding(rings)


def _judge_winding(rings: list[Floats]) -> str:
    """Loops lie apart, so each one's inside is run round once more than its surroundings."""
    areas = shapely.polygons([shapely.linearrings(r) for r in rings])
    own = np.where(shapely.is_ccw(shapely.get_exterior_ring(areas)), 1, -1)
    around = own.copy()
    points = shapely.points(np.array([r[0] for r in rings]))
    inner, outer = shapely.STRtree(areas).query(points, predicate="intersects")
    others = inner != outer
    np.add.at(around, inner[others], own[outer[others]])
    if (np.abs(around) > 1).any():
        return "parts of it are run round more than once"
    if (around == 1).any() and (around == -1).any():
        return "parts of it run in opposite senses"
    return ""
