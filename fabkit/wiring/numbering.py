"""Numbers for keys: row by row or column by column as seen, or as the user lists them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from fabkit.errors import UsageError
from fabkit.keyboard.model import Hand
from fabkit.wiring.model import WiringOptions

Cell = tuple[int, int]

TURNED_DEG: Final = 4.0
"""A key turned by more than this against the others stands out (common practice: thumb keys are
turned by 10 degrees and more)."""

COLUMN_KEYS: Final = 3
"""Keys turned alike in one column, from which it is a splayed column of fingers."""


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


@dataclass(frozen=True, slots=True)
class ByHand:
    """Keys of a half as the user lists them.

    ``places`` is empty when the list is of this half alone; of a list for both halves it has the
    place of each key in the list, from 0.
    """

    order: list[int]
    places: list[int]


def order_by_hand(
    refs: Sequence[Sequence[str]],
    hand: Hand,
    options: WiringOptions,
    elsewhere: Collection[str] = (),
) -> ByHand | None:
    """Keys as the user's list has them; None when there is no list.

    Parameters
    ----------
    refs
        Names of each key; any will do.
    elsewhere
        Names of keys of the other half, which a list named ``keys`` may name as well.

    Raises
    ------
    UsageError
        The list names a key that is not there, or leaves one out; or there are lists, but none for
        this half.
    """
    if not options.order:
        return None
    wanted = options.order.get(hand) or options.order.get("keys")
    if not wanted:
        there = " and ".join(options.order)
        raise UsageError(
            f"the order of keys lists {there}, and the board has {_KINDS[hand]}",
            hint=f"list its keys under {'keys' if hand == 'whole' else f'{hand} or keys'}",
        )
    known = {name: k for k, names in enumerate(refs) for name in names}
    shared = hand not in options.order
    picked, places = [], []
    for place, name in enumerate(wanted):
        if name in known:
            picked.append(known[name])
            places.append(place)
        elif not (shared and name in elsewhere):
            near = get_close_matches(name, [*known, *elsewhere], n=1)
            raise UsageError(
                f"the order of keys names '{name}', which is no key of {_HALVES[hand]}",
                hint=f"did you mean '{near[0]}'?" if near else "it has " + ", ".join(known)[:200],
            )
    left = [names[0] for k, names in enumerate(refs) if k not in picked]
    if left or len(set(picked)) < len(picked):
        raise UsageError(
            f"the order of keys leaves out {', '.join(left)}"
            if left
            else "the order of keys names a key twice",
            hint=f"it must name each of the {len(refs)} keys of {_HALVES[hand]} once",
        )
    return ByHand(picked, places if len(picked) < len(wanted) else [])


_HALVES: Final[dict[Hand, str]] = {
    "left": "the left half",
    "right": "the right half",
    "whole": "the keyboard",
}
_KINDS: Final[dict[Hand, str]] = {
    "left": "a left half",
    "right": "a right half",
    "whole": "keys that are not split into halves",
}


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

    def is_thumb(k: int) -> bool:
        if abs(angles[k] - most) <= TURNED_DEG or seen_y[k] >= middle:
            return False
        alike = [
            m
            for m, angle in enumerate(angles)
            if cells[m][1] == cells[k][1] and abs(angle - angles[k]) <= TURNED_DEG / 2
        ]
        return len(alike) < COLUMN_KEYS

    turned = {k for k in range(len(cells)) if is_thumb(k)}
    fingers = len({c[1] for k, c in enumerate(cells) if k not in turned})
    # Few upright keys in the row of turned ones are the thumb's as well.
    for row in {cells[k][0] for k in turned}:
        upright = {k for k, c in enumerate(cells) if c[0] == row} - turned
        if len(upright) < fingers / 2:
            turned |= upright
    return frozenset(turned)


def first_of(hand: Hand, options: WiringOptions, before: int) -> int:
    """Number of the first key of a half that comes after ``before`` keys."""
    if hand == "right" and options.right_first is not None:
        return options.right_first
    return options.first + before
