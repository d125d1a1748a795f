"""Numbers for keys: row by row or column by column as seen, or as the user lists them."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from fabkit.errors import UsageError
from fabkit.keyboard.model import Hand
from fabkit.wiring.model import WiringOptions

Cell = tuple[int, int]


def key_order(
    cells: Sequence[Cell], seen_x: Sequence[float], *, walk: str, from_right: bool
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
    """
    sign = -1 if from_right else 1

    def rank(k: int) -> tuple[float, float, int]:
        row, column = cells[k]
        across = sign * seen_x[k]
        return (row, across, k) if walk == "rows" else (sign * column, row, k)

    return sorted(range(len(cells)), key=rank)


def order_by_hand(
    refs: Sequence[Sequence[str]], hand: Hand, options: WiringOptions
) -> list[int] | None:
    """Keys as the user's list has them; None when there is no list for this half.

    Parameters
    ----------
    refs
        Names of each key; any will do.

    Raises
    ------
    UsageError
        The list names a key that is not there, or leaves one out.
    """
    wanted = options.order.get(hand) or options.order.get("keys")
    if not wanted:
        return None
    known = {name: k for k, names in enumerate(refs) for name in names}
    picked = []
    for name in wanted:
        if name not in known:
            near = get_close_matches(name, known, n=1)
            raise UsageError(
                f"the order of keys names '{name}', which is no key of the {hand} half",
                hint=f"did you mean '{near[0]}'?" if near else "it has " + ", ".join(known)[:200],
            )
        picked.append(known[name])
    left = [names[0] for k, names in enumerate(refs) if k not in picked]
    if left or len(set(picked)) < len(picked):
        raise UsageError(
            f"the order of keys leaves out {', '.join(left)}"
            if left
            else "the order of keys names a key twice",
            hint=f"it must name each of the {len(refs)} keys of the {hand} half once",
        )
    return picked


def first_of(hand: Hand, options: WiringOptions, before: int) -> int:
    """Number of the first key of a half that comes after ``before`` keys."""
    if hand == "right" and options.right_first is not None:
        return options.right_first
    return options.first + before
