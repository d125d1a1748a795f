"""Rows and columns of keys, found from their places: columns may be staggered, thumbs turned.

Keys are laid on a grid by their neighbours.  Two keys about one pitch apart are side by side or
one below the other, seen in the direction they are turned; the straightest of these joins are made
first, which gives the straight columns (or straight rows) of the board, and then whole columns are
joined to each other where they match with the least stagger.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.geometry.neighbours import PointTree, label_groups, usual_gap

Cell = tuple[int, int]

REACH: Final = 1.75
"""Neighbours are at most this many pitches apart: wider keys and gaps at the thumb included."""

STRAIGHT: Final = 0.2
"""Stagger, in pitches, up to which a join is straight."""

OVERHANG: Final = 0.55
"""Keys that overlap sideways by more than this share of a pitch stand one below the other."""

LONELY: Final = 2.0
"""What it costs, in pitches of stagger, when a shorter column finds no partner for its keys."""

CHAINED: Final = 0.5
"""Share of keys that stand in straight columns, from which the board has columns."""

UNDER: Final = 0.6
"""A single key this near sideways, in pitches, stands under a column."""

MIDWAY: Final = 0.05
"""Columns whose distances differ by less than this, in pitches, are equally near."""

SAME_PLACE: Final = 0.7
"""Keys nearer than this, in pitches, cannot both be fitted: they are alternatives."""

RULE: Final = (
    "Rows and columns: neighbouring keys are laid on a grid in the direction they are turned, the "
    "straightest joins first; staggered columns are joined where they match with the least stagger "
    "(pitch {pitch} mm)."
)


@dataclass(frozen=True, slots=True)
class _Join:
    """Key ``b`` lies ``step`` rows below key ``a``: 0 beside it, 1 below, -1 above."""

    a: int
    b: int
    step: int
    stagger: float
    gap: float

    @property
    def reversed(self) -> _Join:
        """The same seen from the other key."""
        return _Join(self.b, self.a, -self.step, self.stagger, self.gap)


def key_pitch(points: Floats) -> float:
    """Usual distance of neighbouring keys, mm; 19.05 for a single key (common practice)."""
    return 19.05 if len(points) < 2 else usual_gap(points)


def lay_grid(points: Floats, angles: Floats) -> tuple[Cell, ...]:
    """Row (from 0, downwards) and column (from 0, to the right) of each key.

    Parameters
    ----------
    points : (n, 2) float64, mm
        Middles as seen from the key side.
    angles : (n,) float64, degrees
        How each key is turned, counter-clockwise; quarter turns do not matter.
    """
    count = len(points)
    if not count:
        return ()
    pitch = key_pitch(points)
    joins = sorted(_joins(points, angles, pitch), key=lambda j: (j.stagger + 0.1 * j.gap, j.a, j.b))
    groups = _Groups(points, angles, pitch)
    for join in joins:
        if join.stagger <= STRAIGHT:
            groups.unite(join.a, join.b, join.step)
    while (best := _best_match(groups, joins)) is not None:
        groups.unite(*best)
    for a, b, step in _lone_steps(groups, pitch):
        groups.unite(a, b, step)
    rows = np.unique(groups.row, return_inverse=True)[1]
    columns = _columns(points, rows, [j for j in joins if j.step and j.stagger <= STRAIGHT], pitch)
    return tuple(zip(rows.tolist(), columns, strict=True))


def _columns(
    points: Floats, rows: NDArray[np.int64], below: Sequence[_Join], pitch: float
) -> list[int]:
    """Column of each key: straight chains downwards, from the left; else its place in its row."""
    count = len(points)
    good = [j for j in below if abs(int(rows[j.a]) - int(rows[j.b])) == 1]
    chain = label_groups(
        count, np.array([j.a for j in good], int), np.array([j.b for j in good], int)
    )
    size = np.bincount(chain)
    if (size[chain] > 1).mean() < CHAINED:
        order = np.lexsort((points[:, 0], rows))
        starts = np.searchsorted(rows[order], rows[order])
        in_row = np.empty(count, dtype=np.int64)
        in_row[order] = np.arange(count) - starts
        return [int(p) for p in in_row]
    middle = np.bincount(chain, weights=points[:, 0]) / size
    taken = set(zip(chain.tolist(), rows.tolist(), strict=True))
    for k in np.flatnonzero(size[chain] == 1).tolist():
        # A thumb key off the straight stands in the column it is under.
        apart = np.where(size > 1, np.abs(middle - points[k, 0]), np.inf)
        # Midway between two columns the inner one is taken: a mirrored half must do the same.
        tied = np.flatnonzero(apart <= apart.min() + MIDWAY * pitch)
        near = int(tied[np.argmin(np.abs(middle[tied] - points[:, 0].mean()))])
        if apart[near] <= UNDER * pitch and (near, int(rows[k])) not in taken:
            chain[k] = near
            taken.add((near, int(rows[k])))
    used = np.unique(chain)
    place = {int(c): n for n, c in enumerate(used[np.argsort(middle[used], kind="stable")])}
    return [place[int(c)] for c in chain]


def _joins(points: Floats, angles: Floats, pitch: float) -> list[_Join]:
    """Pairs of neighbours with the step between them, in the frame of both keys."""
    apart = points[None] - points[:, None]
    away = np.hypot(apart[..., 0], apart[..., 1]) / pitch
    near = (away >= SAME_PLACE) & (away <= REACH)
    joins = []
    for a, b in zip(*np.nonzero(np.triu(near, 1)), strict=True):
        x, y = (apart[a, b] / pitch).tolist()
        u, v = _framed(x, y, float(angles[a]), float(angles[b]))
        gap = abs(math.hypot(u, v) - 1)
        below = 1 if v < 0 else -1
        if abs(u) >= abs(v):
            step, stagger = 0, abs(v)
        else:
            step, stagger = below, abs(u)
        # A pair half way between beside and below may be either.
        steps = [(step, stagger)]
        if stagger > 0.4:
            steps.append((0 if step else below, max(abs(u), abs(v))))
        joins += [_Join(int(a), int(b), s, g, gap) for s, g in steps]
    return joins


def _framed(x: float, y: float, *angles: float) -> tuple[float, float]:
    """A step in the mean direction of keys, to the right and up; quarter turns are none."""
    turn = math.radians(sum((a + 45) % 90 - 45 for a in angles) / len(angles))
    c, s = math.cos(turn), math.sin(turn)
    return c * x + s * y, c * y - s * x


class _Groups:
    """Keys joined to rigid groups; each key has a row within its group."""

    def __init__(self, points: Floats, angles: Floats, pitch: float) -> None:
        self.points, self.pitch = points, pitch
        self.at: list[list[float]] = points.tolist()
        self.angles: list[float] = angles.tolist()
        self.of = list(range(len(points)))
        self.members = {k: [k] for k in range(len(points))}
        self.row = [0] * len(points)

    def shift(self, a: int, b: int, step: int) -> int:
        """What must be added to the rows of ``b``'s group so that ``b`` lies ``step`` below a."""
        return self.row[a] + step - self.row[b]

    def allows(self, one: int, other: int, shift: int) -> bool:
        """Whether what lies lower has the higher row, wherever keys overlap sideways."""
        for k in self.members[other]:
            row = self.row[k] + shift
            for m in self.members[one]:
                x = (self.at[k][0] - self.at[m][0]) / self.pitch
                y = (self.at[k][1] - self.at[m][1]) / self.pitch
                if math.hypot(x, y) < SAME_PLACE or abs(x) + abs(y) > 3 * REACH:
                    continue
                u, v = _framed(x, y, self.angles[k], self.angles[m])
                if abs(u) > OVERHANG or abs(v) < OVERHANG or abs(v) > 2 * REACH:
                    continue
                if (row - self.row[m]) * (1 if v < 0 else -1) <= 0:
                    return False
        return True

    def unite(self, a: int, b: int, step: int) -> bool:
        """Join the groups of two keys; False when they are one already or do not fit."""
        one, other = self.of[a], self.of[b]
        shift = self.shift(a, b, step)
        if one == other or not self.allows(one, other, shift):
            return False
        for k in self.members.pop(other):
            self.row[k] += shift
            self.of[k] = one
            self.members[one].append(k)
        return True


def _best_match(groups: _Groups, joins: Sequence[_Join]) -> tuple[int, int, int] | None:
    """The join of two groups that matches them with the least stagger; None when none is left."""
    votes: dict[tuple[int, int, int], list[_Join]] = defaultdict(list)
    facing: dict[Cell, tuple[set[int], set[int]]] = defaultdict(lambda: (set(), set()))
    for each in joins:
        join = each.reversed if groups.of[each.a] > groups.of[each.b] else each
        one, other = groups.of[join.a], groups.of[join.b]
        if one != other:
            votes[one, other, groups.shift(join.a, join.b, join.step)].append(join)
            for side, key in zip(facing[one, other], (join.a, join.b), strict=True):
                side.add(key)
    best: tuple[float, int, int, int] | None = None
    for (one, other, shift), same in votes.items():
        if not groups.allows(one, other, shift):
            continue
        shorter = min(len(side) for side in facing[one, other])
        lonely = max(0, shorter - len(same)) / shorter
        mean = sum(j.stagger + 0.1 * j.gap for j in same) / len(same)
        join = same[0]
        rank = (round(mean + LONELY * lonely, 6), join.a, join.b, join.step)
        if best is None or rank < best:
            best = rank
    return None if best is None else best[1:]


def _lone_steps(groups: _Groups, pitch: float) -> list[tuple[int, int, int]]:
    """Joins of groups that have no neighbour: by plain height, to the largest group."""
    order = sorted(groups.members.items(), key=lambda g: (-len(g[1]), g[0]))
    main = np.array(sorted(order[0][1]))
    tree = PointTree(groups.points[main])
    steps = []
    for _, members in order[1:]:
        apart, near = tree.query(groups.points[members])
        k = int(np.argmin(apart))
        a, b = int(main[near[k]]), members[k]
        wanted = -round(float(groups.points[b, 1] - groups.points[a, 1]) / pitch)
        for push in range(len(groups.points)):
            fits = [
                step
                for step in (wanted - push, wanted + push)
                if groups.allows(groups.of[a], groups.of[b], groups.shift(a, b, step))
            ]
            if fits:
                steps.append((a, b, fits[0]))
                break
    return steps
