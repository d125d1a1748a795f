"""Rows of holes at one pitch: headers and connectors of any length."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from fabkit.geometry.neighbours import PointTree

STRAIGHT_RAD = 0.06
"""Two steps of a row differ by no more than this (about 3.4 degrees): two holes of a 2.54 mm row
may each be 0.075 mm off (common practice)."""


def find_runs(
    points: NDArray[np.float64], pitch_mm: float, *, least: int, tolerance_mm: float
) -> list[NDArray[np.int64]]:
    """Straight rows of equally spaced points, longest first; each point is in one row at most.

    Parameters
    ----------
    points : (n, 2) float64, mm
    pitch_mm, least
        Distance of neighbours, and points a row has at least.
    tolerance_mm
        How far a step may differ from the pitch.

    Returns
    -------
    list of (k,) int64
        Indices of each row, from one end to the other.
    """
    if len(points) < least:
        return []
    chains = _chains(points, pitch_mm, tolerance_mm)
    chains.sort(key=lambda c: (-len(c), points[c[0]].round(3).tolist()))
    taken = np.zeros(len(points), dtype=bool)
    found: list[NDArray[np.int64]] = []
    for chain in chains:
        for piece in _free_pieces(chain, taken):
            if len(piece) >= least:
                taken[piece] = True
                found.append(np.array(piece, dtype=np.int64))
    return found


def _free_pieces(chain: list[int], taken: NDArray[np.bool_]) -> Iterator[list[int]]:
    """Stretches of a row that no longer row has taken."""
    piece: list[int] = []
    for index in chain:
        if taken[index]:
            if piece:
                yield piece
            piece = []
        else:
            piece.append(index)
    if piece:
        yield piece


def _chains(points: NDArray[np.float64], pitch_mm: float, tolerance_mm: float) -> list[list[int]]:
    """Maximal straight rows, each once."""
    pairs = PointTree(points).pairs(pitch_mm + tolerance_mm)
    if not len(pairs):
        return []
    step = points[pairs[:, 1]] - points[pairs[:, 0]]
    near = np.hypot(step[:, 0], step[:, 1]) >= pitch_mm - tolerance_mm
    pairs, step = pairs[near], step[near]
    # both directions, so that no row depends on what counts as forward
    edges: list[list[int]] = [*pairs.tolist(), *pairs[:, ::-1].tolist()]
    angles = np.arctan2(step[:, 1], step[:, 0])
    angles = np.concatenate([angles, np.arctan2(-step[:, 1], -step[:, 0])])
    onward: dict[int, list[int]] = {}
    for k, (start, _) in enumerate(edges):
        onward.setdefault(start, []).append(k)
    following = [-1] * len(edges)
    has_before = [False] * len(edges)
    for k, (_, end) in enumerate(edges):
        turns = ((abs(_turn(angles[n] - angles[k])), n) for n in onward.get(end, ()))
        straight = min((t for t in turns if t[0] <= STRAIGHT_RAD), default=None)
        if straight is not None:
            following[k] = straight[1]
            has_before[straight[1]] = True
    chains = []
    for k, (start, end) in enumerate(edges):
        if has_before[k]:
            continue
        chain, edge = [start, end], following[k]
        while edge >= 0 and edges[edge][1] not in chain:
            chain.append(edges[edge][1])
            edge = following[edge]
        if chain[0] < chain[-1]:
            chains.append(chain)
    return chains


def _turn(radians: float) -> float:
    return (radians + np.pi) % (2 * np.pi) - np.pi
