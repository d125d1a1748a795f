"""Rows and columns as wired, and the numbers firmware gives them."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.errors import UsageError
from fabkit.geometry.neighbours import label_groups
from fabkit.keyboard.model import Hand
from fabkit.keyboard.numbering import key_pitch
from fabkit.wiring.model import DiodeUse, Line, WiringOptions

ROW: Final = re.compile(r"ROW", re.IGNORECASE)
COLUMN: Final = re.compile(r"COL", re.IGNORECASE)
ROW_LETTER: Final = re.compile(r"(?:^|[^A-Za-z])R_?\d+$")
COLUMN_LETTER: Final = re.compile(r"(?:^|[^A-Za-z])C_?\d+$")

BETWEEN: Final = 0.6
"""A key that is at most this far above or below a row, in pitches, may belong to it."""

FEWEST_MATES: Final = 3
"""Keys of a line in one row of the layout that show where the line runs."""

Pair = tuple[Line, ...]
Cell = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Rows and columns by net, and what showed which are which."""

    rows: frozenset[str]
    columns: frozenset[str]
    known_by: str


def find_matrix(pairs: Sequence[Pair], cells: Sequence[Cell]) -> Matrix | None:
    """Split the lines of keys into rows and columns so that every key has one of each.

    Parameters
    ----------
    pairs
        The lines of each key; keys with other than two are left aside.
    cells
        Row and column of each key in the layout.

    Returns
    -------
    Matrix or None
        None when no such split exists.
    """
    edges = [(a.node, b.node) for a, b in (p for p in pairs if len(p) == 2)]
    if not edges:
        return None
    # Each key joins two lines; rows and columns are the two colours of that graph.  Each line is
    # there twice, in either colour, and a key joins one of it to one of the other line.
    names = sorted({node for edge in edges for node in edge})
    at = {name: k for k, name in enumerate(names)}
    one, other = np.array([(at[a], at[b]) for a, b in edges]).T
    ends = np.concatenate((one, one + len(at))), np.concatenate((other + len(at), other))
    label = label_groups(2 * len(at), *ends).reshape(2, -1)
    # A ring of an odd number of keys: some line would be a row and a column.
    if (label[0] == label[1]).any():
        return None
    rows: set[str] = set()
    columns: set[str] = set()
    by_name = True
    for name in names:
        if name in rows | columns:
            continue
        alike = label == label[0, at[name]]
        sides = [{names[k] for k in np.flatnonzero(mine)} for mine in alike]
        first = _rows_by_name(sides)
        if first is None:
            by_name = False
            first = _rows_by_place(sides, pairs, cells)
        rows |= sides[first]
        columns |= sides[1 - first]
    known_by = "their names" if by_name else "where their keys stand"
    return Matrix(rows=frozenset(rows), columns=frozenset(columns), known_by=known_by)


def _rows_by_name(sides: Sequence[set[str]]) -> int | None:
    """Which of two sets is named as rows while the other is not; None when names do not show it."""
    scores = [sum(map(_row_or_column, side)) / len(side) for side in sides]
    if abs(scores[0] - scores[1]) <= 1:
        return None
    return 0 if scores[0] > scores[1] else 1


def _row_or_column(name: str) -> int:
    """1 for a name of rows, -1 for one of columns, 0 when it is neither or both."""
    words = bool(ROW.search(name)) - bool(COLUMN.search(name))
    return words or bool(ROW_LETTER.search(name)) - bool(COLUMN_LETTER.search(name))


def _rows_by_place(sides: Sequence[set[str]], pairs: Sequence[Pair], cells: Sequence[Cell]) -> int:
    """Choose the set whose lines keep to one layout row; the smaller set when both are alike."""
    wander = []
    for side in sides:
        met: dict[str, list[Cell]] = defaultdict(list)
        for pair, cell in zip(pairs, cells, strict=True):
            for line in pair:
                if line.node in side:
                    met[line.node].append(cell)
        # A row's keys lie in many columns of the layout but in few of its rows.
        wander.append(
            sum(len({c[0] for c in mine}) - len({c[1] for c in mine}) for mine in met.values())
            / len(met)
        )
    if wander[0] == wander[1]:
        return 0 if len(sides[0]) <= len(sides[1]) else 1
    return 0 if wander[0] < wander[1] else 1


def rows_as_wired(cells: Sequence[Cell], seen: Floats, lines: Sequence[str]) -> tuple[Cell, ...]:
    """Move keys that stand between two rows of the layout to the one they are wired to.

    Parameters
    ----------
    cells
        Row and column of each key.
    seen : (n, 2) float64, mm
        Middles of the keys as seen.
    lines
        Net of each key's row; empty when not known.
    """
    usual = {
        line: Counter(c[0] for c, own in zip(cells, lines, strict=True) if own == line)
        for line in set(lines) - {""}
    }
    pitch = key_pitch(seen)
    out = list(cells)
    for k, (line, (row, column)) in enumerate(zip(lines, cells, strict=True)):
        if not line:
            continue
        wanted, count = usual[line].most_common(1)[0]
        mates = [m for m, c in enumerate(cells) if c[0] == wanted and m != k]
        if abs(wanted - row) != 1 or count < FEWEST_MATES or (wanted, column) in out:
            continue
        beside = min(mates, key=lambda m: abs(seen[m, 0] - seen[k, 0]))
        if abs(seen[beside, 1] - seen[k, 1]) <= BETWEEN * pitch:
            out[k] = wanted, column
    return tuple(out)


def flow(row: Line, column: Line) -> str:
    """Way of the current through a key; empty without diodes, or when they disagree."""
    ways = {_way(d, "row") for d in row.diodes} | {_way(d, "column") for d in column.diodes}
    return ways.pop() if len(ways) == 1 else ""


def _way(diode: DiodeUse, line: str) -> str:
    if diode.forward is None:
        return ""
    return "column to row" if diode.forward is (line == "row") else "row to column"


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
    """Find the number of the first key of a half that comes after ``before`` keys."""
    if hand == "right" and options.right_first is not None:
        return options.right_first
    return options.first + before
