"""Rows and columns of keys, found from their places, and their numbers in reading order.

Keys are laid on a grid by their neighbours; columns may be staggered, thumbs turned.  Two keys
about one pitch apart are side by side or one below the other, seen in the direction they are
turned; the straightest of these joins are made first, which gives the straight columns (or straight
rows) of the board, and then whole columns are joined to each other where they match with the least
stagger.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from fabkit.base.columns import Floats, Ints, gather
from fabkit.geometry.neighbours import PointTree, label_groups, usual_gap
from fabkit.geometry.segments import turned
from fabkit.keyboard.model import Group, Key, Keyboard

Walk = Literal["rows", "columns"]

Cell = tuple[int, int]

TURNED_DEG: Final = 4.0
"""A key turned by more than this against the others stands out (common practice: thumb keys are
turned by 10 degrees and more)."""

COLUMN_KEYS: Final = 3
"""A column with this many keys turned alike is a splayed column of fingers."""


FEWEST_FINGERS: Final = 3
"""A column has at least this many keys to count as one of the fingers for the home row."""

UNSPLIT: Final = 10
"""Fewest columns of a keyboard that is not split in which its two index fingers are marked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """Keys of a half with their numbers.

    Parameters
    ----------
    numbers
        By position in ``Keyboard.keys``; places that overlap share the number of one key.
    home
        Positions of the keys that the index fingers rest on.
    """

    numbers: dict[int, int]
    home: tuple[int, ...]


def number_group(keyboard: Keyboard, group: Group, *, before: int) -> Numbered:
    """Give the keys of a half numbers, row by row from the upper left, thumb keys last.

    Parameters
    ----------
    keyboard, group
        The keyboard, and the half.
    before
        Keys of the halves that are numbered first.  Of a right half alone, the numbers are those
        behind a left half with as many keys.
    """
    stands_for = fold_overlaps(keyboard.overlaps(group))
    fitted = [group.keys[k] for k in sorted(stands_for)]
    first = len(fitted) if group.hand == "right" and not before else before
    seen, turns = seen_places([keyboard.keys[k] for k in fitted], group)
    cells = lay_grid(seen, turns)
    thumbs = thumb_keys(cells, seen[:, 1].tolist(), turns.tolist())
    order = key_order(cells, seen[:, 0].tolist(), walk="rows", from_right=False, last=thumbs)
    numbers = {fitted[k]: first + place for place, k in enumerate(order)}
    for k, others in stands_for.items():
        numbers |= {group.keys[o]: numbers[group.keys[k]] for o in others}
    home = _home_keys(cells, thumbs, group.hand)
    return Numbered(numbers=numbers, home=tuple(fitted[k] for k in home))


def fold_overlaps(
    near: Sequence[Sequence[int]], alike: Callable[[int, int], bool] = lambda _a, _b: True
) -> dict[int, list[int]]:
    """Choose places that are fitted when those that overlap take one switch.

    Parameters
    ----------
    near
        Places that overlap each place.
    alike
        Whether two places may stand for one another.

    Returns
    -------
    By each place that is fitted: those it is fitted instead of.
    """
    kept: dict[int, list[int]] = {}
    # Fewest rivals first: of three places in a row the outer two are fitted, not the middle one.
    for k in sorted(range(len(near)), key=lambda k: (len(near[k]), k)):
        other = next((o for o in near[k] if o in kept and alike(k, o)), None)
        if other is None:
            kept[k] = []
        else:
            kept[other].append(k)
    return kept


def seen_places(keys: Sequence[Key], group: Group) -> tuple[Floats, Floats]:
    """Middles (mm) and angles (degrees, above -90 up to 90) of keys as their user sees them.

    Parameters
    ----------
    group
        Shows which face is up, and how the board is turned; from the bottom x runs the other way.
    """
    sign, turn = 1 if group.face_up == "top" else -1, group.turn_deg
    at = seen_points(np.array([(k.x_mm, k.y_mm) for k in keys]), group)
    return at, np.array([half_turn(sign * k.rotation_deg + turn) for k in keys])


def seen_points(points: Floats, group: Group) -> Floats:
    """Places on a board, (n, 2) mm, as the user of a half sees them."""
    sign = 1 if group.face_up == "top" else -1
    at = points.reshape(-1, 2) * (sign, 1)
    return turned(at, group.turn_deg) if group.turn_deg else at


def half_turn(degrees: float) -> float:
    """Fold a turn into above -90 up to 90, to half a degree, as exact as holes show it."""
    return round(2 * -((-degrees + 90) % 180 - 90)) / 2 + 0.0


def _home_keys(cells: Sequence[Cell], thumbs: Collection[int], hand: str) -> list[int]:
    """Keys the index fingers rest on (common practice).

    They are in the middle row of the fingers: on a half in the column next to the innermost one,
    on an unsplit keyboard in two columns about its middle.
    """
    fingers = [k for k in range(len(cells)) if k not in thumbs]
    height = Counter(cells[k][1] for k in fingers)
    columns = sorted(c for c, n in height.items() if n >= FEWEST_FINGERS)
    rows = sorted({cells[k][0] for k in fingers if cells[k][1] in columns})
    if hand == "whole":
        if len(columns) < UNSPLIT:
            return []
        middle = len(columns) // 2
        wanted = [columns[middle - 2], columns[middle + 1]]
    elif len(columns) < 2:
        return []
    else:
        wanted = [columns[-2] if hand == "left" else columns[1]]
    at = {cells[k]: k for k in fingers}
    row = rows[len(rows) // 2]
    return [at[row, column] for column in wanted if (row, column) in at]


def key_order(
    cells: Sequence[Cell],
    seen_x: Sequence[float],
    *,
    walk: str,
    from_right: bool,
    last: Collection[int] = (),
) -> list[int]:
    """Keys in the order they are numbered.

    Parameters
    ----------
    cells
        Row and column of each key, as seen.
    seen_x
        Place from the left, mm, as seen.
    walk
        ``rows``: rows from the top, each from the left; ``columns``: columns from the left, each
        from the top.
    from_right
        Start each row, and the columns, from the right.
    last
        Keys that come behind all others: those of the thumb.
    """
    sign = -1 if from_right else 1

    def rank(k: int) -> tuple[bool, float, float, int]:
        row, column = cells[k]
        across = sign * seen_x[k]
        if k in last:
            return True, row, across, k
        return (False, row, across, k) if walk == "rows" else (False, sign * column, row, k)

    return sorted(range(len(cells)), key=rank)


def thumb_keys(
    cells: Sequence[Cell], seen_y: Sequence[float], angles: Sequence[float]
) -> frozenset[int]:
    """Keys of the thumb: in the lower half, and turned otherwise than most keys and their columns.

    Columns of a splayed layout are turned as well, but all their keys are turned alike.  An
    upright key or two in the row of the turned ones are the thumb's as well.

    Parameters
    ----------
    cells, seen_y, angles
        Row and column, height (mm, upwards) and angle (degrees) of each key, as seen.
    """
    if not angles:
        return frozenset()
    # Against the usual turn, not against upright: the whole board may be drawn turned.
    most = Counter(round(a) for a in angles).most_common(1)[0][0]
    middle = sorted(seen_y)[len(seen_y) // 2]

    columns = gather((column, angle) for (_, column), angle in zip(cells, angles, strict=True))
    splayed = [
        angle
        for mine in columns.values()
        for angle in mine
        if sum(abs(a - angle) <= TURNED_DEG / 2 for a in mine) >= COLUMN_KEYS
    ]

    def is_thumb(k: int) -> bool:
        upright = abs(angles[k] - most) <= TURNED_DEG or seen_y[k] >= middle
        return not upright and all(abs(angles[k] - a) > TURNED_DEG / 2 for a in splayed)

    turned = {k for k in range(len(cells)) if is_thumb(k)}
    fingers = len({c[1] for k, c in enumerate(cells) if k not in turned})
    # Few upright keys in the row of turned ones are the thumb's as well.
    for row in {cells[k][0] for k in turned}:
        upright = {k for k, c in enumerate(cells) if c[0] == row} - turned
        if len(upright) < fingers / 2:
            turned |= upright
    return frozenset(turned)


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
    # The gap counts a tenth: it decides between joins that are about equally straight.
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


def _columns(points: Floats, rows: Ints, below: Sequence[_Join], pitch: float) -> list[int]:
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
        # Equal steps of a column differ by rounding, and must fall on one side of each limit.
        u, v = round(u, 6), round(v, 6)
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
    """Measure a step along the mean direction of keys, to the right and up, less quarter turns."""
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
        """Give what to add to the rows of ``b``'s group so that ``b`` lies ``step`` below ``a``."""
        return self.row[a] + step - self.row[b]

    def allows(self, one: int, other: int, shift: int) -> bool:
        """Whether what lies lower has the higher row, wherever keys overlap sideways."""
        for k in self.members[other]:
            row = self.row[k] + shift
            for m in self.members[one]:
                x = (self.at[k][0] - self.at[m][0]) / self.pitch
                y = (self.at[k][1] - self.at[m][1]) / self.pitch
                # Sifted before anything is turned: every pair of keys of two groups comes here.
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
    """Choose the join that matches two groups with the least stagger; None when none is left."""
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
    """Join groups that have no neighbour to the largest group, by plain height."""
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
