"""What a repeated footprint has at all its places but a few: votes of equals, without any names.

Holes of one size that stand at equal places among other holes belong to one footprint, however it
is turned.  Each such hole is laid on the most usual one, and what lies at one place beside nearly
all of them is missing beside the others.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints, ranges
from fabkit.geometry.neighbours import PointTree

REACH_MM: Final = 9.3
"""What belongs to one footprint lies within this of its seed: half a key pitch."""

ALIKE_MM: Final = 0.15
"""Places that differ by less are alike; as for hole patterns."""

FEWEST: Final = 5
"""Fewer places of a footprint do not vote."""

MOST: Final = 200
"""Holes of a size that are more numerous are no seeds: fields of contacts, not footprints."""

MODELS: Final = 6
"""Footprints that are tried about the holes of one size."""

LEAST_CORE: Final = 3
"""Features beside the seed that make a footprint known."""

COMMON: Final = 0.25
"""Share of the holes of one size that have a feature at its distance if it is of their footprint:
one footprint may have several holes of that size."""

HALF: Final = 0.5
"""Share of the places of a footprint beside which a feature is looked at at all."""

USUAL: Final = 0.8
"""Share of the places that must have a feature for it to be missing at the others."""

RESEMBLES: Final = 0.4
"""Share from which a place that lacks several features shows that they are left out on purpose."""

FITS: Final = 0.65
"""Share of the other features that must be there for a place to be of the same footprint."""

_NEARLY: Final = ALIKE_MM + 1e-9
"""What is as near as that once it is turned differs from it in its last digits."""

_TURNS: Final = 6
"""Turns that are tried, those with most votes first."""

Places = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A feature that is missing at one place of a footprint.

    ``have`` are the places that have it; ``kind`` is what is missing beside holes or pads ``seed``.
    """

    x_mm: float
    y_mm: float
    kind: int
    seed: int
    have: Places = field(compare=False)

    @property
    def fellows(self) -> int:
        """How many places have it."""
        return len(self.have)


def find_gaps_of_fellows(places: Floats, kind: Ints, seeds: Ints, wanted: Ints) -> list[Gap]:
    """Find what nearly all places of a repeated footprint have and a few lack.

    Parameters
    ----------
    places : (n, 2) float64, mm
    kind : (n,) int64
        What each feature is.
    seeds, wanted : int64
        Kinds that a footprint is recognised by, and kinds that may be missing.

    Returns
    -------
    One gap for each place, by kind and place.
    """
    at = places[:, 0] + 1j * places[:, 1]
    tree = PointTree(places)
    found: list[Gap] = []
    odd: list[Gap] = []
    for seed in seeds.tolist():
        rows = np.flatnonzero(kind == seed)
        if FEWEST <= len(rows) <= MOST:
            for gaps in _gaps_about(tree, at, kind, rows, wanted[wanted != seed]):
                (odd if len(gaps) > 1 else found).extend(gaps)
    known: list[Gap] = []
    for gap in found:
        # A place that lacks several features is of another make, seen from whichever seed.
        if not any(_same(gap, other) for other in odd + known):
            known.append(gap)
    return sorted(known, key=lambda g: (g.kind, g.x_mm, g.y_mm))


def _same(one: Gap, other: Gap) -> bool:
    apart = math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm)
    return one.kind == other.kind and apart <= 2 * ALIKE_MM


def find_turned_fellows(
    spots: Floats, axes: Places, kind: Ints, others: Floats, other_kind: Ints
) -> Bools:
    """Find slots in another direction than nearly all of their kind, by what is about them.

    Parameters
    ----------
    spots : (n, 2) float64, mm
        Middles of slots.
    axes : (n,) complex128
        Their directions, of length 1, either way round.
    kind : (n,) int64
    others : (m, 2) float64, mm
        Holes and slots that footprints are recognised by.
    other_kind : (m,) int64

    Returns
    -------
    (n,) bool: nearly all neighbours are seen at the complement of the usual angle, or several and
    all at some other.
    """
    slot, other = PointTree(others).between(spots, REACH_MM).T
    away = (others[other] - spots[slot]) @ (1, 1j)
    far = np.abs(away) > 1.0
    slot, other, away = slot[far], other[far], away[far]
    distance = np.abs(away)
    ring = np.column_stack((kind[slot], other_kind[other], np.round(distance / 0.2)))
    ring_of = np.unique(ring, axis=0, return_inverse=True)[1].ravel()
    # Footprints are mirrored, too: the angle between two lines is the same there.
    angle = np.arctan2(*(np.abs(f(away * axes[slot].conj())) for f in (np.imag, np.real)))
    slack = ALIKE_MM / distance
    order = np.argsort(ring_of, kind="stable")
    usual = np.full(len(slot), np.nan)
    for rows in np.split(order, np.flatnonzero(np.diff(ring_of[order])) + 1):
        mine, who = np.unique(slot[rows], return_inverse=True)
        if len(mine) < FEWEST:
            continue
        # Several neighbours may stand at one distance.
        seen = np.zeros((len(mine), len(rows)), dtype=bool)
        near = np.abs(angle[rows, None] - angle[rows]) <= slack[rows, None]
        np.logical_or.at(seen, who, near)
        share = seen.mean(axis=0)
        best = rows[share.argmax()]
        # Seen at half a right angle, a neighbour stays there when the slot is turned.
        if share.max() >= USUAL and abs(np.pi / 2 - 2 * angle[best]) > 2 * slack[best]:
            usual[rows] = angle[best]
    rings = np.column_stack((slot, ring_of))
    known, fits, across = (
        np.bincount(np.unique(rings[rows], axis=0)[:, 0], minlength=len(spots))
        for rows in (
            ~np.isnan(usual),
            np.abs(angle - usual) <= slack,
            np.abs(np.pi / 2 - angle - usual) <= slack,
        )
    )
    square = (across > 0) & (across >= USUAL * known) & (fits <= (1 - USUAL) * known)
    return np.asarray(square | (known >= LEAST_CORE) & (fits == 0))


def _gaps_about(
    tree: PointTree, at: Places, kind: Ints, rows: Ints, wanted: Ints
) -> Iterator[list[Gap]]:
    """Gaps about the seeds of one size: all of one place at a time."""
    seed, other = tree.between(tree.points[rows], REACH_MM).T
    away = at[other] - at[rows[seed]]
    far = np.abs(away) > ALIKE_MM
    seed, other, away = seed[far], other[far], away[far]
    parts = np.searchsorted(seed, np.arange(1, len(rows)))
    local = list(zip(np.split(away, parts), np.split(kind[other], parts), strict=True))
    rings = [_rings(*features) for features in local]
    rest = [i for i, (_, kinds) in enumerate(local) if len(kinds) > 1]
    found: dict[int, list[Gap]] = {}
    unlike: dict[int, list[Gap]] = {}
    for _ in range(MODELS):
        if len(rest) < FEWEST:
            break
        counts = Counter(key for i in rest for key in set(rings[i]))
        # Alike distances may be rounded to neighbouring steps.
        usual = {
            (what, step)
            for what, step in counts
            if sum(counts[what, step + d] for d in (-1, 0, 1)) >= COMMON * len(rest)
        }
        model = max(rest, key=lambda i: (len(usual.intersection(rings[i])), -i))
        core = np.array([key in usual for key in rings[model]], dtype=bool)
        if core.sum() < LEAST_CORE or not np.isin(local[model][1][core], wanted).any():
            rest.remove(model)
            continue
        spots, kinds = local[model][0][core], local[model][1][core]
        laid = [_laid(spots, kinds, *local[i]) for i in rest]
        there = np.array([mine for _, mine in laid])
        # At one distance is not at one place: vias beside tracks are at many.
        likely = there.mean(axis=1) >= RESEMBLES
        usually = there[likely].mean(axis=0) >= HALF
        there, spots, kinds = there[:, usually], spots[usually], kinds[usually]
        if len(spots) < LEAST_CORE:
            rest.remove(model)
            continue
        fits = there.mean(axis=1) >= FITS
        if fits.sum() < FEWEST:
            # Only the model itself is done with: another one may have fellows.
            rest.remove(model)
            continue
        members = np.flatnonzero(fits)
        share = there[members].mean(axis=0)
        shared = np.isin(kinds, wanted) & (share >= USUAL)
        turns = np.array([turn for turn, _ in laid])
        seat = at[rows[rest]][:, None] + spots * turns[:, None]
        for m in np.flatnonzero(there.mean(axis=1) >= RESEMBLES).tolist():
            lost = np.flatnonzero(shared & ~there[m])
            spot = seat[m, lost]
            gaps = [
                Gap(
                    x_mm=float(s.real),
                    y_mm=float(s.imag),
                    kind=int(kinds[f]),
                    seed=int(kind[rows[0]]),
                    have=seat[members[there[members, f]], f],
                )
                for s, f in zip(spot, lost, strict=True)
            ]
            if fits[m]:
                found[rest[m]] = gaps
            elif len(gaps) > 1:
                unlike.setdefault(rest[m], gaps)
        rest = [i for i, fit in zip(rest, fits, strict=True) if not fit]
    # What is unlike one footprint and fits another of the same holes lacks nothing.
    yield from (unlike | found).values()


def _rings(spots: Places, kinds: Ints) -> list[tuple[int, int]]:
    """Kind and distance of each feature, which no turn changes."""
    return list(
        zip(kinds.tolist(), np.round(np.abs(spots) / 0.2).astype(int).tolist(), strict=True)
    )


def _laid(model: Places, model_kinds: Ints, spots: Places, kinds: Ints) -> tuple[complex, Bools]:
    """Turn that lays a model's features on those of one place, and which of them are there."""
    none = np.zeros(len(model), dtype=bool)
    if not len(spots):
        return 1.0 + 0.0j, none
    away, distance = np.abs(model), np.abs(spots)
    by_distance = np.argsort(distance)
    # Features that lie on each other are equally far from the middle: few of all pairs are.
    first, last = (
        np.searchsorted(distance, away + reach, sorter=by_distance) for reach in (-_NEARLY, _NEARLY)
    )
    p, q = np.repeat(np.arange(len(model)), last - first), by_distance[ranges(first, last - first)]
    alike = model_kinds[p] == kinds[q]
    # Of turns that equally many show, the one that is met first is tried first.
    p, q = np.column_stack((p, q))[alike][np.lexsort((q[alike], p[alike]))].T
    off = np.abs(away[p] - distance[q])
    sure = (off <= ALIKE_MM) & (away[p] > 1.0)
    a, b = p[sure], q[sure]
    turn_of = spots[b] / model[a]
    turns = np.round(np.degrees(np.angle(turn_of))).astype(int) % 360
    best, turned = none, 1.0 + 0.0j
    for turn, _ in Counter(turns.tolist()).most_common(_TURNS):
        mine = np.abs((turns - turn + 180) % 360 - 180) <= 1
        exact: Any = np.mean(turn_of[mine])
        exact /= abs(exact)
        there = none.copy()
        there[p[np.abs(model[p] * exact - spots[q]) <= ALIKE_MM]] = True
        if there.sum() > best.sum():
            best, turned = there, complex(exact)
    return turned, best
