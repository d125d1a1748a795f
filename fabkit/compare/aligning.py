"""Laying one board on another: the shift under which most holes and pads agree."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.board.model import Board
from fabkit.compare.model import SAME_MM, Alignment, Method
from fabkit.geometry.neighbours import PointTree
from fabkit.gerber.model import Kind

Floats = NDArray[np.float64]

AGREE_MM: Final = 0.02
"""Holes and pads this near agree; a shift told from them is then refined by their median."""

COMPARABLE_SHARE: Final = 0.1
"""Share of holes and pads that must agree for two boards to be revisions of one (our choice)."""

_VOTERS: Final = 60
"""Holes or pads that vote for a shift, each with all alike of the other board."""
_SHIFTS: Final = 4
"""Most voted shifts that are tried."""
_FEWEST: Final = 20
"""With fewer holes and pads in all, the profile may tell alone."""


@dataclass(frozen=True, slots=True)
class _Marks:
    """Holes and pads of a board: (n, 3) float64 x, y and what must be alike (size, mm)."""

    holes: Floats
    pads: Floats


def align_boards(old: Board, new: Board) -> Alignment:
    """Find the shift of the old board under which most of both agree.

    Candidates are the origin as it is, the shifts most voted for by holes and by pads, and those
    that bring corners or middles of the profiles together.  The one under which most holes and
    pads agree wins; among equals the earlier, so a shift is never invented.
    """
    mine, theirs = _marks(old), _marks(new)
    compared = min(len(mine.holes), len(theirs.holes)) + min(len(mine.pads), len(theirs.pads))
    trees = [PointTree(_weighted(t)) for t in (theirs.holes, theirs.pads)]

    def agreeing(shift: Floats) -> tuple[int, Floats]:
        """How many agree under a shift, and the shift refined by them."""
        count, rests = 0, []
        for marks, tree in zip((mine.holes, mine.pads), trees, strict=True):
            if not len(marks) or not len(tree.points):
                continue
            moved = _weighted(marks) + np.append(shift, 0.0)
            distance, row = tree.query(moved, within=AGREE_MM)
            fits = np.isfinite(distance)
            # Doubled files put two marks on one place; it counts once.
            count += len(np.unique(row[fits]))
            rests.append((tree.points[row[fits]] - moved[fits])[:, :2])
        rest = np.concatenate(rests) if rests else np.empty((0, 2))
        return count, (np.median(rest, axis=0) if len(rest) else np.zeros(2))

    best: tuple[int, Method, Floats] | None = None
    for method, shift in _candidates(old, new, mine, theirs):
        count, rest = agreeing(shift)
        # Boards that lie on each other as they are stay so: rounding is no shift.
        as_is = method == "same origin" and np.hypot(*rest) <= SAME_MM
        moved = shift if as_is else shift + rest
        told: Method = "holes" if method == "same origin" and not as_is else method
        if best is None or count > best[0]:
            best = (count, told, moved)
        if best[0] == compared:
            break
    assert best is not None  # noqa: S101 -- the origin is always a candidate
    count, method, shift = best
    shown = (round(float(shift[0]), 6), round(float(shift[1]), 6))
    if count < COMPARABLE_SHARE * compared or not compared:
        profile = _same_profile(old, new)
        if compared >= _FEWEST or profile is None:
            return Alignment(method="none", shift_mm=(0.0, 0.0), agreeing=count, compared=compared)
        shown = (round(profile[0], 6), round(profile[1], 6))
        by: Method = "profile" if np.hypot(*profile) > SAME_MM else "same origin"
        return Alignment(method=by, shift_mm=shown, agreeing=count, compared=compared)
    return Alignment(method=method, shift_mm=shown, agreeing=count, compared=compared)


def _weighted(marks: Floats) -> Floats:
    """Sizes count less than places: a hole may be drilled a little wider in the next revision."""
    return marks * (1.0, 1.0, 0.2)


def _marks(board: Board) -> _Marks:
    h = board.holes
    holes = np.column_stack((h.x, h.y, h.diameter))
    pads = []
    for layer in board.copper:
        o = layer.file.objects
        rows = np.flatnonzero((o.kind == Kind.FLASH) & o.dark & (o.aperture >= 0))
        if len(rows):
            sizes = np.array([max(a.size_mm) for a in layer.file.apertures])
            pads.append(np.column_stack((o.x0[rows], o.y0[rows], sizes[o.aperture[rows]])))
    every = np.concatenate(pads) if pads else np.empty((0, 3))
    return _Marks(_distinct(holes), _distinct(every))


def _distinct(marks: Floats) -> Floats:
    """Each place once, in an order that does not depend on the file."""
    distinct = np.unique(np.round(marks, 6), axis=0)
    return np.asarray(distinct[np.isfinite(distinct).all(axis=1)])


def _candidates(
    old: Board, new: Board, mine: _Marks, theirs: _Marks
) -> Iterator[tuple[Method, Floats]]:
    yield "same origin", np.zeros(2)
    pairs: tuple[tuple[Method, Floats, Floats], ...] = (
        ("holes", mine.holes, theirs.holes),
        ("pads", mine.pads, theirs.pads),
    )
    for name, a, b in pairs:
        for shift in _voted(a, b):
            yield name, shift
    for shift in _profile_shifts(old, new):
        yield "profile", shift


def _voted(a: Floats, b: Floats) -> Floats:
    """Shifts that most of some marks of ``a`` share when each is laid on all alike of ``b``."""
    if not len(a) or not len(b):
        return np.empty((0, 2))
    # Rare sizes say most: voters are taken size by size, the rarest first.
    size = np.round(a[:, 2], 2)
    _, back, counts = np.unique(size, return_inverse=True, return_counts=True)
    order = np.argsort(counts[back.reshape(-1)], kind="stable")
    voters = a[order[np.unique(np.linspace(0, len(a) - 1, _VOTERS).astype(int))]]
    apart = b[None, :, :2] - voters[:, None, :2]
    alike = np.abs(b[None, :, 2] - voters[:, None, 2]) <= AGREE_MM
    votes = np.round(apart[alike] / AGREE_MM).astype(np.int64)
    if not len(votes):
        return np.empty((0, 2))
    values, counts = np.unique(votes, axis=0, return_counts=True)
    best = values[np.argsort(-counts, kind="stable")[:_SHIFTS]]
    return np.asarray(best * AGREE_MM)


def _profile_shifts(old: Board, new: Board) -> Iterator[Floats]:
    a, b = np.array(old.bounds), np.array(new.bounds)
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        return
    for x in (0, 2):
        for y in (1, 3):
            yield b[[x, y]] - a[[x, y]]
    yield (b[:2] + b[2:] - a[:2] - a[2:]) / 2


def _same_profile(old: Board, new: Board) -> tuple[float, float] | None:
    """Shift between profiles of one size; None when sizes differ or one has none."""
    if old.profile is None or new.profile is None:
        return None
    a, b = np.array(old.profile.bounds), np.array(new.profile.bounds)
    if not np.allclose(a[2:] - a[:2], b[2:] - b[:2], atol=AGREE_MM):
        return None
    return float(b[0] - a[0]), float(b[1] - a[1])
