"""How many of a part each half takes, and on which face it is worked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fabkit.house.order import ALL_IN_ONE, BoardUse
from fabkit.keyboard.sites import Site
from fabkit.parts.book import BookPart
from fabkit.parts.model import HALVES, Half
from fabkit.parts.sources import ATTRIBUTES, HOLES, PLACEMENT, TABLE, Record, Seen

NEAR_MM = 15.0
"""A part and its double on the other face are no farther apart (common practice: both serve one
key, and keys are 17 to 19 mm apart)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """One part as one half takes it."""

    count: int
    refs: tuple[str, ...]
    source: str
    by_source: Mapping[str, int]
    doubled: bool
    """Two places a piece: on a reversible board, one face each."""
    uneven: tuple[int, int] | None
    """Pieces on top and bottom where they ought to be equal."""
    side: str
    """Face the sources name: ``top``, ``bottom`` or empty."""


def half_records(records: Sequence[Record], seen: Seen, use: BoardUse, half: Half) -> list[Record]:
    """Records of one half: all of the board, or those left or right of its middle."""
    if use not in ALL_IN_ONE:
        return list(records)
    middle = (seen.board.bounds[0] + seen.board.bounds[2]) / 2
    return [r for r in records if r.x_mm is None or (r.x_mm < middle) is (half == "left")]


def half_sites(sites: Sequence[Site], seen: Seen, use: BoardUse, half: Half) -> list[Site]:
    """Sites of one half, as :func:`half_records`."""
    if use not in ALL_IN_ONE:
        return list(sites)
    middle = (seen.board.bounds[0] + seen.board.bounds[2]) / 2
    return [s for s in sites if (s.x_mm < middle) is (half == "left")]


def tally_records(
    records: Sequence[Record],
    *,
    doubling: bool,
    half: Half,
    part: BookPart | None,
) -> Tally | None:
    """Count a part by its references; None when no source names it.

    With ``doubling`` a part that sits on both faces of a reversible board, each piece with its
    double close by, is fitted once: on the face that is used.
    """
    if not records:
        return None
    top = [r for r in records if r.side == "top"]
    bottom = [r for r in records if r.side == "bottom"]
    doubled = doubling and bool(top) and bool(bottom) and _are_doubles(top, bottom)
    uneven = None
    kept = list(records)
    if doubled:
        face = working_face(part, half, reversible=True)
        kept = bottom if face == "bottom" or (not face and half == "left") else top
    elif doubling and top and bottom:
        uneven = (len(top), len(bottom))
    sides = {r.side for r in kept if r.side}
    by_source = {
        name: count
        for name in (ATTRIBUTES, PLACEMENT, TABLE)
        if (count := sum(name in r.sources for r in kept))
    }
    return Tally(
        count=len(kept),
        refs=tuple(r.ref for r in kept if r.named),
        source=next(iter(by_source)),
        by_source=by_source,
        doubled=doubled,
        uneven=uneven,
        side=str(sides.pop()) if len(sides) == 1 else "",
    )


def tally_sites(sites: Sequence[Site]) -> Tally | None:
    """Count a part by its hole patterns; a doubled site takes one."""
    if not sites:
        return None
    return Tally(
        count=len(sites),
        refs=(),
        source=HOLES,
        by_source={HOLES: len(sites)},
        doubled=any(s.doubled for s in sites),
        uneven=None,
        side="",
    )


def working_face(part: BookPart | None, half: Half, *, reversible: bool) -> str:
    """Face of the board a part is worked on; empty when the parts book leaves it open.

    The left half of a reversible board is used with its top face up, the right half turned over.
    """
    if part is None or part.face == "either":
        return ""
    turned = reversible and half == "right"
    return "top" if (part.face == "key") is not turned else "bottom"


def count_keys(seen: Seen, marked: Mapping[Half, int], use: BoardUse) -> dict[Half, int]:
    """Keys of each half: sites of switch patterns, else the parts that mark a key."""
    keys: dict[Half, int] = {}
    for half in HALVES:
        sites = half_sites([s for s in seen.sites if s.kind == "key"], seen, use, half)
        keys[half] = len(sites) or marked.get(half, 0)
    return keys


def _are_doubles(top: Sequence[Record], bottom: Sequence[Record]) -> bool:
    """Whether the parts of the two faces pair up."""
    if len(top) != len(bottom):
        return False
    rows = [(r.x_mm, r.y_mm) for r in (*top, *bottom)]
    if any(x is None or y is None for x, y in rows):
        return True
    from scipy.optimize import linear_sum_assignment

    places = np.array(rows, dtype=np.float64)
    gap = np.linalg.norm(places[: len(top), None] - places[None, len(top) :], axis=2)
    pairs = linear_sum_assignment(gap)
    return bool(gap[pairs].max() <= NEAR_MM)
