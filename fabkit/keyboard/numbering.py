"""The order in which keys are numbered, as seen from the key side."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from fabkit.base.columns import Floats
from fabkit.keyboard.grid import lay_grid
from fabkit.keyboard.model import Group, Key, Keyboard

Walk = Literal["rows", "columns"]

Cell = tuple[int, int]

TURNED_DEG: Final = 4.0
"""A key turned by more than this against the others stands out (common practice: thumb keys are
turned by 10 degrees and more)."""

COLUMN_KEYS: Final = 3
"""Keys turned alike in one column, from which it is a splayed column of fingers."""


FEWEST_FINGERS: Final = 3
"""Keys in a column of fingers, for the mark of the home row."""

UNSPLIT: Final = 10
"""Columns of a keyboard that is not split, from which its two index fingers are told."""


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


def number_group(keyboard: Keyboard, group: Group, *, first: int) -> Numbered:
    """Number the keys of a half row by row from the upper left, thumb keys last.

    Parameters
    ----------
    keyboard, group
        The keyboard, and the half.
    first
        Number of the first key.
    """
    fitted, same = _fitted(keyboard.keys, group.keys)
    seen, turns = seen_places([keyboard.keys[k] for k in fitted], up=group.face_up == "top")
    cells = lay_grid(seen, turns)
    thumbs = thumb_keys(cells, seen[:, 1].tolist(), turns.tolist())
    order = key_order(cells, seen[:, 0].tolist(), walk="rows", from_right=False, last=thumbs)
    numbers = {fitted[k]: first + place for place, k in enumerate(order)}
    numbers |= {other: numbers[k] for other, k in same.items()}
    home = _home_keys(cells, thumbs, group.hand)
    return Numbered(numbers=numbers, home=tuple(fitted[k] for k in home))


def _fitted(keys: Sequence[Key], rows: Sequence[int]) -> tuple[list[int], dict[int, int]]:
    """Places that are fitted when those that overlap take one switch, and which the others are."""
    mine = set(rows)
    near = {k: [o for o in keys[k].instead_of if o in mine] for k in rows}
    kept: list[int] = []
    same: dict[int, int] = {}
    for k in sorted(rows, key=lambda k: (len(near[k]), k)):
        other = next((o for o in near[k] if o in kept), None)
        if other is None:
            kept.append(k)
        else:
            same[k] = other
    return sorted(kept), same


def seen_places(keys: Sequence[Key], *, up: bool) -> tuple[Floats, Floats]:
    """Middles (mm) and angles (degrees, above -90 up to 90) of keys as seen from the key side.

    Parameters
    ----------
    up
        The top is the key side; else x runs the other way.
    """
    sign = 1 if up else -1
    at = np.array([(sign * k.x_mm, k.y_mm) for k in keys]).reshape(-1, 2)
    return at, np.array([half_turn(sign * k.rotation_deg) for k in keys])


def half_turn(degrees: float) -> float:
    """From above -90 up to 90, to half a degree: as well as holes tell how a key is turned."""
    return round(2 * -((-degrees + 90) % 180 - 90)) / 2 + 0.0


def _home_keys(cells: Sequence[Cell], thumbs: Collection[int], hand: str) -> list[int]:
    """Keys the index fingers rest on (common practice): in the middle one of the rows of the
    fingers, the column next to the innermost one; of an unsplit keyboard two about its middle."""
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
    most = Counter(round(a) for a in angles).most_common(1)[0][0]
    middle = sorted(seen_y)[len(seen_y) // 2]

    columns: dict[int, list[float]] = defaultdict(list)
    for (_, column), angle in zip(cells, angles, strict=True):
        columns[column].append(angle)
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
