"""Numbers for keys as the user lists them, and the number of the first."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.keyboard.model import Hand
from fabkit.wiring.model import WiringOptions


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


def first_of(hand: Hand, options: WiringOptions, before: int) -> int:
    """Number of the first key of a half that comes after ``before`` keys."""
    if hand == "right" and options.right_first is not None:
        return options.right_first
    return options.first + before
