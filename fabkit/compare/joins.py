"""Which pads copper joins on one board and not on the other, told without any net name."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Final

import numpy as np

from fabkit.base.columns import Ints
from fabkit.base.natural import natural
from fabkit.base.units import counted
from fabkit.board.model import Board
from fabkit.compare.causes import Causes, Spot, find_causes, smallest
from fabkit.compare.holes import Motion
from fabkit.compare.model import (
    COPPER_LAYERS,
    Alignment,
    Change,
    LayerChange,
    Points,
    Verb,
    What,
)
from fabkit.compare.splits import Split, count_places, find_splits, nearest_ends
from fabkit.compare.spots import FACES, Spots, find_spots, pair_spots
from fabkit.package.model import RoleKind, Side

NAMES: Final = 3
"""Pads that are named of several."""


def compare_joins(
    old: Board,
    new: Board,
    alignment: Alignment,
    motions: Sequence[Motion],
    layers: Sequence[LayerChange],
    changes: Sequence[Change],
) -> tuple[Change, ...]:
    """Find pads that were joined and are apart, then pads that were apart and are joined.

    Parameters
    ----------
    old, new
        As given, not turned.
    motions
        Of keys and parts, in the coordinates of ``new``.
    layers, changes
        What is different already: pads are parted or joined by nothing else.

    Notes
    -----
    Pads that only one board has join and part nothing by themselves.  Places are those where the
    pads are joined, so that the other way round gives the same.
    """
    if not _may_differ(layers, changes):
        return ()
    spots = find_spots(old).laid(alignment), find_spots(new)
    rows = pair_spots(*spots, motions)
    mine, theirs = (s.take(r) for s, r in zip(spots, rows, strict=True))
    names = tuple(b or a for a, b in zip(mine.names, theirs.names, strict=True))
    made: list[Change] = []
    causes: Causes | None = None
    for verb, joined, parted in ((Verb.REMOVED, mine, theirs), (Verb.ADDED, theirs, mine)):
        splits = list(find_splits(joined.island, parted.island, joined.at))
        if not splits:
            continue
        causes = causes or find_causes(old, new, alignment, layers, changes)
        # Where they are apart, copper that parts or joins them must have changed beside both.
        where = (new, None) if verb is Verb.REMOVED else (old, alignment)
        placed = sorted(_caused(splits, causes, *where), key=lambda p: _rank(joined.at[p[0].cut]))
        told = dict.fromkeys(split.group for split, _ in placed)
        first = 1 + max((c.group or 0 for c in made), default=0)
        number = {group: k for k, group in enumerate(told, start=first)}
        placed.sort(key=lambda p: number[p[0].group])
        made += [_change(verb, *p, joined, names, number[p[0].group]) for p in placed]
    return tuple(made)


def _rank(at: Points) -> tuple[float, ...]:
    """Sort key: most places first, then by place."""
    return (-count_places(at), *at.min(axis=0).round(3))


def _may_differ(layers: Iterable[LayerChange], changes: Iterable[Change]) -> bool:
    """Whether copper, holes or copper layers are different at all."""
    if any(a.kind is RoleKind.COPPER and not a.equal for a in layers):
        return True
    return any(
        c.what in (What.HOLE, What.SLOT)
        or (c.what is What.BOARD and c.subject == COPPER_LAYERS)
        or (c.what is What.LAYER and c.subject.endswith(RoleKind.COPPER))
        for c in changes
    )


def _caused(
    splits: Sequence[Split], causes: Causes, board: Board, laid: Alignment | None
) -> Iterator[tuple[Split, Spot | None]]:
    """Splits that something which changed accounts for, and where it did.

    What no change touches is parted or joined by less than the tolerance, so by rounding.
    """
    islands = np.unique([k for split in splits for k in split.apart])
    pairs = causes.touched(board, laid, islands)
    flags = causes.gone if laid is None else causes.new
    heap = causes.heap[0 if laid is None else 1]
    rows = np.flatnonzero(flags)
    members = _listed(heap[rows], rows)
    touching = _listed(pairs[:, 0], pairs[:, 1])
    for split in splits:
        mine, theirs = (touching.get(k) for k in split.apart)
        if mine is None or theirs is None:
            continue
        common = np.intersect1d(heap[mine[flags[mine]]], heap[theirs[flags[theirs]]])
        yield split, smallest(causes, [members[k] for k in common.tolist()])


def _listed(keys: Ints, values: Ints) -> dict[int, Ints]:
    """Values by their keys."""
    order = np.argsort(keys, kind="stable")
    known, first = np.unique(keys[order], return_index=True)
    return dict(zip(known.tolist(), np.split(values[order], first[1:]), strict=False))


def _change(
    verb: Verb, split: Split, place: Spot | None, joined: Spots, names: Sequence[str], group: int
) -> Change:
    """One split, as seen where its pads are joined."""
    at = joined.at
    (ax, ay), (bx, by) = (p.tolist() for p in nearest_ends(at[split.cut], at[split.rest]))
    cut, rest = ({names[k] for k in rows.tolist()} for rows in (split.cut, split.rest))
    others = pad_words(split.rest, at, names, cut & rest)
    words = f"joined to {others}", f"apart from {others}"
    before, after = words if verb is Verb.REMOVED else words[::-1]
    faces = np.unique(joined.face[split.cut])
    side: Side | None = FACES[faces[0]] if len(faces) == 1 else None
    return Change(
        what=What.CONNECTION,
        verb=verb,
        subject=pad_words(split.cut, at, names, cut & rest),
        side=side if place is None else place.side,
        x_mm=ax if place is None else place.x_mm,
        y_mm=ay if place is None else place.y_mm,
        box_mm=(ax, ay, ax, ay) if place is None else place.box_mm,
        before=before,
        after=after,
        ends_mm=((ax, ay), (bx, by)),
        group=group,
    )


def pad_words(
    rows: Ints, at: Points, names: Sequence[str], parted: Collection[str] = frozenset()
) -> str:
    """Pads by their pins where some are known, and how many more places there are.

    ``parted`` are pins with pads here and elsewhere, as boards for either hand have them.
    """
    known: dict[str, None] = dict.fromkeys(
        sorted({names[k] for k in rows.tolist() if names[k]}, key=natural)
    )
    shown = list(known)[:NAMES]
    named = [k for k in rows.tolist() if names[k] in shown]
    rest = count_places(at[rows]) - count_places(at[named])
    if not shown:
        return "a pad" if rest == 1 else counted(rest, "pad")
    more = [counted(rest, "more pad")] if rest > 0 else []
    words = [*(f"a pad of {n}" if n in parted else n for n in shown), *more]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
