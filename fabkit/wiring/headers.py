"""Rows of holes that a controller or its headers are soldered into, where no file names them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from fabkit.base.columns import Floats, Ints
from fabkit.board.copper import Copper
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.model import Key
from fabkit.wiring.model import HeaderHole
from fabkit.wiring.pins import node_name

PITCHES_MM: Final = (2.54, 2.0, 1.27)
"""Pitches of headers and modules (common practice)."""

HOLE_MM: Final = (0.6, 1.35)
"""Plated holes for pins of headers and modules (common practice: 0.65 to 1.3 mm)."""

OFF_MM: Final = 0.13
"""How far a hole may lie off its place: a file in hundredths of an inch rounds by this much."""

FEWEST: Final = 5
"""Holes that make a row; fewer may be a jack, a jumper or a display."""


def find_headers(copper: Copper, keys: Sequence[Key]) -> tuple[HeaderHole, ...]:
    """Find rows of holes at the pitch of headers, apart from those of keys.

    Parameters
    ----------
    copper
        Copper of the board.
    keys
        Keys, whose holes are left out.

    Returns
    -------
    tuple of HeaderHole
        Row by row, named ``A``, ``B`` ... from the left, then from the top; holes of a row are
        numbered from the top, or from the left where it runs across.  A hole is in one row only,
        the longest.
    """
    board = copper.board
    holes = board.holes
    taken = {row for key in keys for row in key.holes}
    fits = (holes.plated == 1) & (holes.diameter >= HOLE_MM[0]) & (holes.diameter <= HOLE_MM[1])
    fits[sorted(taken)] = False
    rows = np.flatnonzero(fits)
    at = np.column_stack((holes.x[rows], holes.y[rows]))
    found = [_from_start(at, run) for run in _longest_runs(at)]
    found.sort(key=lambda run: (round(float(at[run, 0].min())), -round(float(at[run, 1].max()))))
    islands = _islands(copper, rows)
    return tuple(
        HeaderHole(
            row=_letters(number),
            number=place,
            x_mm=float(at[k, 0]),
            y_mm=float(at[k, 1]),
            node=node_name(copper, "", islands.get(int(rows[k]), -1)),
        )
        for number, run in enumerate(found)
        for place, k in enumerate(run, start=1)
    )


def _islands(copper: Copper, holes: Collection[int]) -> dict[int, int]:
    """Island that each plated hole is part of."""
    wanted = {int(h) for h in holes}
    return {
        hole: int(copper.pieces.island[piece])
        for hole, piece in copper.pieces.joints.tolist()
        if hole in wanted
    }


def _longest_runs(at: Floats) -> list[Ints]:
    """Straight runs at one pitch, the longest first; each hole in one run."""
    runs = [run for pitch in PITCHES_MM for run in _runs(at, pitch)]
    runs.sort(key=lambda run: (-len(run), run[0]))
    free = np.ones(len(at), dtype=bool)
    kept = []
    for run in runs:
        if free[run].all():
            free[run] = False
            kept.append(np.array(run))
    return kept


def _runs(at: Floats, pitch: float) -> Iterator[list[int]]:
    """Straight runs of holes at a pitch, as long as they go."""
    if len(at) < FEWEST:
        return
    tree = PointTree(at)
    pairs = tree.pairs(pitch + OFF_MM)
    near = np.hypot(*(at[pairs[:, 1]] - at[pairs[:, 0]]).T)
    pairs = pairs[np.abs(near - pitch) <= OFF_MM]
    met: set[tuple[int, int]] = set()
    for a, b in pairs.tolist():
        if (a, b) in met:
            continue
        run = [a, b]
        for _ in range(2):
            while (following := _next(tree, at, run)) is not None:
                run.append(following)
            run.reverse()
        met |= {(min(p), max(p)) for p in pairwise(run)}
        if len(run) >= FEWEST:
            yield run


def _next(tree: PointTree, at: Floats, run: Sequence[int]) -> int | None:
    """The hole one step on, in the direction of the whole run."""
    step = (at[run[-1]] - at[run[0]]) / (len(run) - 1)
    apart, k = tree.query((at[run[-1]] + step)[None])
    following = int(k[0])
    return following if apart[0] <= OFF_MM and following not in run else None


def _from_start(at: Floats, run: Ints) -> Ints:
    """From the top down, or from the left where the row runs across."""
    first, last = at[run[0]], at[run[-1]]
    across = abs(last[0] - first[0]) > abs(last[1] - first[1])
    backwards = last[0] < first[0] if across else last[1] > first[1]
    return run[::-1] if backwards else run


def _letters(number: int) -> str:
    """A, B ... Z, AA, AB ..."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(65 + rest) + text
    return text
