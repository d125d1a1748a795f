"""Contacts of keys that are known only by their places: pads that repeat round every key.

The pads of a switch lie the same way round the middle of each key, however the key is turned;
tracks, vias and neighbouring parts do not.  Laying the pads round one key on those round each
other key gives the turn of the keys and the places that repeat; the copper then shows which two of
these are the contacts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.board.connectivity import cut_columns
from fabkit.board.copper import Copper, outer_face
from fabkit.geometry.segments import Points
from fabkit.package.model import Side

REACH_MM: Final = 8.5
"""Pads of a switch lie nearer to its middle than half a key pitch (common practice)."""

MEETS_MM: Final = 0.2
"""Pads at one place of two keys: files in hundredths of an inch round by 0.127 mm each way."""

MIDDLE_MM: Final = 1.5
"""Nearer to the middle of a key a pad shows no turn, and a switch has its post there."""

LEAST_LAND_MM: Final = 1.0
"""Lands of contacts are at least this wide; those of vias and small parts are smaller (common
practice)."""

RING_MM: Final = 0.5
"""Land round a hole that has none of its own in the files: twice 0.25 mm (common practice)."""

SHARE: Final = 0.6
"""Share of keys that have a pad at a place, from which it belongs to the footprint."""

SAME_SHARE: Final = 0.9
"""Share of keys at which two places are on one net, from which they are one contact."""

FEWEST_KEYS: Final = 3
"""Keys of one kind, from which on places can be said to repeat."""


@dataclass(frozen=True, slots=True, eq=False)
class ContactPads(Points):
    """Pads that contacts may use; a land about a hole counts once on each face.

    Columns
    -------
    x, y : float64, mm
    size : float64, mm
        Side of a square of the land's area, so that a turned land counts as an upright one.
    face : int8
        1 top, -1 bottom.
    through : bool
        It lies about a plated hole or slot.
    node : int64
        Number of its net or piece of copper; -1 when not known.
    """

    size: Floats
    face: NDArray[np.int8]
    through: Bools
    node: Ints


@dataclass(frozen=True, eq=False, kw_only=True)
class FoundContacts:
    """Turns and contacts of keys, found by the pads round them.

    Parameters
    ----------
    turns : (n,) float64, degrees
        Counter-clockwise from the way most keys are turned; nan where no pads repeat.
    spots
        By the face that is the key side: (n, 2, 2) float64, mm, the places of both contacts; nan
        where they were not found.
    """

    turns: Floats
    spots: Mapping[Side, Floats]


def find_contacts(centres: Floats, pads: ContactPads) -> FoundContacts:
    """Find the contacts and the turn of keys from pads that repeat round their middles.

    Parameters
    ----------
    centres : (n, 2) float64, mm
        Middles of the keys.
    pads
        Lands of the outer layers.

    Returns
    -------
    FoundContacts
        With one face up, lands about holes count and those on the face away from the keys, else
        those on the key side.  Contacts are given where exactly two nets remain.
    """
    count = len(centres)
    turns = np.full(count, np.nan)
    spots: dict[Side, Floats] = {
        "top": np.full((count, 2, 2), np.nan),
        "bottom": np.full((count, 2, 2), np.nan),
    }
    if count < FEWEST_KEYS or not len(pads):
        return FoundContacts(turns=turns, spots=spots)
    wide = pads.take(pads.size >= LEAST_LAND_MM)
    for side in spots:
        up = 1 if side == "top" else -1
        for face in (-up, up):
            mine = wide.take(wide.through | (wide.face == face))
            near = _pads_near(centres, mine)
            free = np.flatnonzero(np.isnan(spots[side][:, 0, 0]))
            while len(free) >= FEWEST_KEYS:
                group = _find_group(near, free, turns)
                if group is None:
                    break
                keys, at = group
                turns[keys] = _set_contacts(spots[side], mine, near, keys, at)
                free = np.setdiff1d(free, keys)
    return FoundContacts(turns=turns, spots=spots)


@dataclass(frozen=True, eq=False)
class _Near:
    """Pads near one key: their rows, and their places from its middle as complex numbers."""

    rows: Ints
    away: NDArray[np.complex128]


def _pads_near(centres: Floats, pads: ContactPads) -> list[_Near]:
    """List the pads near each key; of keys that overlap, each has the pads of both."""
    at = pads.x + 1j * pads.y
    out = []
    for x, y in centres.tolist():
        away = at - complex(x, y)
        rows = np.flatnonzero((np.abs(away) <= REACH_MM) & (np.abs(away) >= MIDDLE_MM))
        out.append(_Near(rows, away[rows]))
    return out


def _find_group(near: list[_Near], keys: Ints, turns: Floats) -> tuple[Ints, Floats] | None:
    """Keys round which pads lie alike, and how each is turned; None when no such keys are left.

    The pattern is taken from the key that most others agree with.
    """
    around = {k: _once(near[k].away) for k in keys.tolist()}
    usual = _usual_radii(list(around.values()))
    around = {k: a[_near(np.abs(a), usual)] for k, a in around.items()}
    best: tuple[int, list[tuple[int, float]]] = (0, [])
    tried: set[tuple[float, ...]] = set()
    for k in sorted(around, key=lambda k: (-len(around[k]), k)):
        shape = tuple(np.round(np.sort(np.abs(around[k])) / (2 * MEETS_MM)).tolist())
        if len(around[k]) < 2 or shape in tried:
            continue
        # Keys with pads at the same distances give the same pattern; each is laid on all keys once.
        tried.add(shape)
        like = []
        for other, there in around.items():
            turn, met = _best_turn(around[k], there, turns[other] - turns[k])
            if met >= max(2, SHARE * len(around[k])):
                like.append((other, turn))
        # Keys times pads: two pads that all keys have are less than five that most have.
        score = len(like) * len(around[k])
        if len(like) >= FEWEST_KEYS and score > best[0]:
            best = (score, [(m, t + (0.0 if np.isnan(turns[k]) else turns[k])) for m, t in like])
    if not best[1]:
        return None
    rows = np.array([m for m, _ in best[1]])
    at = np.array([t for _, t in best[1]])
    return rows, np.where(np.isnan(turns[rows]), at, turns[rows])


def _once(away: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Places, each once: both faces of a hole have a land there."""
    return away[np.sort(np.unique(np.round(away / MEETS_MM), return_index=True)[1])]


def _usual_radii(around: list[NDArray[np.complex128]]) -> Floats:
    """Distances from the middle at which most of the keys have a pad."""
    steps = [np.unique(np.round(np.abs(a) / MEETS_MM)) for a in around]
    step, counts = np.unique(np.concatenate(steps), return_counts=True)
    table = dict(zip(step.tolist(), counts.tolist(), strict=True))
    usual = [
        s
        for s in table
        # A radius on the edge of a step is met on either side of it.
        if table[s] + max(table.get(s - 1, 0), table.get(s + 1, 0)) >= SHARE * len(around) / 2
        and table[s] >= FEWEST_KEYS
    ]
    return np.array(usual) * MEETS_MM


def _near(values: Floats, wanted: Floats) -> Bools:
    if not len(wanted):
        return np.zeros(len(values), dtype=bool)
    near: Bools = np.abs(values[:, None] - wanted).min(axis=1) <= MEETS_MM
    return near


def _best_turn(
    pattern: NDArray[np.complex128], there: NDArray[np.complex128], stated: float
) -> tuple[float, int]:
    """Turn that lays most places of a pattern on the pads of another key, and how many.

    Of turns that do equally well the smallest; where the turn is stated, that one alone.
    """
    if not len(there):
        return 0.0, 0
    if np.isnan(stated):
        # Only turns that lay a pad on one as far from the middle are tried: no angle is scanned.
        alike = np.abs(np.abs(pattern[:, None]) - np.abs(there)) <= MEETS_MM
        one, other = np.nonzero(alike)
        turns = np.angle(there[other] / pattern[one])
        turns = np.unique(np.round(np.append(turns, 0.0), 4))
    else:
        turns = np.array([np.radians(stated)])
    laid = pattern[None] * np.exp(1j * turns)[:, None]
    apart = np.abs(laid[:, :, None] - there).min(axis=2)
    met = (apart <= MEETS_MM).sum(axis=1)
    rest = np.where(apart <= MEETS_MM, apart, 0).sum(axis=1)
    k = int(np.lexsort((rest, np.abs(np.round(turns, 1)), -met))[0])
    # All pads together give the turn more exactly than the single pad that led to it.
    hit = apart[k] <= MEETS_MM
    mates = there[np.abs(laid[k][hit, None] - there).argmin(axis=1)]
    turn = np.angle((mates * pattern[hit].conj()).sum()) if np.isnan(stated) else turns[k]
    return float(np.degrees(turn)), int(met[k])


def _set_contacts(
    spots: Floats, pads: ContactPads, near: list[_Near], keys: Ints, turns: Floats
) -> Floats:
    """Fill in both contacts of keys that are alike, where they are found, and give their turns."""
    key = np.repeat(np.arange(len(keys)), [len(near[k].rows) for k in keys])
    rows = np.concatenate([near[k].rows for k in keys])
    raw = np.concatenate([near[k].away for k in keys])
    away = raw * np.exp(-1j * np.radians(turns[key]))
    places = _common_places(away, key, len(keys))
    if len(places) < 2:
        return turns
    # The pad of each key at each place, if it has one there.
    gap = np.abs(away[:, None] - places)
    at = np.full((len(keys), len(places)), -1)
    for k in np.lexsort((rows, -gap.min(axis=1))):
        place = int(gap[k].argmin())
        if gap[k, place] <= MEETS_MM:
            at[key[k], place] = k
    # What lies beside a few keys by chance must not turn them: only common places count.
    lever = np.where(at >= 0, raw[at] * places.conj(), 0).sum(axis=1)
    turns = _upright(np.degrees(np.angle(lever)))
    at[at >= 0] = rows[at[at >= 0]]
    pair = _pick_pair(pads, at)
    if pair is not None:
        both = (at[:, pair] >= 0).all(axis=1)
        chosen = at[both][:, pair]
        spots[keys[both]] = np.stack((pads.x[chosen], pads.y[chosen]), axis=2)
    return turns


def _upright(turns: Floats) -> Floats:
    """Count turns from the way most keys are turned: nothing states which way is up."""
    steps, counts = np.unique(np.round(turns) % 360, return_counts=True)
    off = (turns - steps[np.argmax(counts)] + 180) % 360 - 180
    return np.asarray((off - np.median(off[np.abs(off) < 1]) + 180) % 360 - 180)


def _common_places(away: NDArray[np.complex128], key: Ints, count: int) -> NDArray[np.complex128]:
    """Places in the frame of the key at which most of the keys have a pad."""
    places: list[complex] = []
    left = np.ones(len(away), dtype=bool)
    while left.any():
        rows = np.flatnonzero(left)
        near = np.abs(away[rows, None] - away[rows]) <= MEETS_MM
        keys_near = np.array([len(np.unique(key[rows[n]])) for n in near])
        k = int(np.argmax(keys_near))
        if keys_near[k] < SHARE * count:
            break
        group = rows[near[k]]
        # A neighbour's pad that happens to lie within reach must not shift the place.
        places.append(complex(np.median(away[group].real), np.median(away[group].imag)))
        left[np.abs(away - places[-1]) <= MEETS_MM] = False
    return np.array(places)


def _pick_pair(pads: ContactPads, at: Ints) -> list[int] | None:
    """Choose the two places that are the contacts: on two nets, in holes before on the surface.

    Parameters
    ----------
    at : (keys, places) int
        Row of the pad of each key at each place; -1 where there is none.
    """
    there = at >= 0
    through = np.array([pads.through[at[there[:, p], p]].mean() > 0.5 for p in range(at.shape[1])])
    for chosen in (np.flatnonzero(through), np.arange(at.shape[1])):
        groups = _by_net(pads, at, chosen)
        if len(groups) == 2:
            return [_largest(pads, at, g) for g in groups]
        if len(groups) > 2:
            # Pads of a diode or a light beside the switch are smaller than its own.
            size = [_land_mm(pads, at, _largest(pads, at, g)) for g in groups]
            order = np.argsort(size)[::-1]
            if size[order[1]] > 1.2 * size[order[2]]:
                return [_largest(pads, at, groups[k]) for k in sorted(order[:2].tolist())]
            return None
    return None


def _largest(pads: ContactPads, at: Ints, places: list[int]) -> int:
    """Of places on one net, the one most keys have, then the largest land."""
    return min(places, key=lambda p: (-(at[:, p] >= 0).sum(), -_land_mm(pads, at, p), p))


def _land_mm(pads: ContactPads, at: Ints, place: int) -> float:
    """Usual width of the lands at a place, mm."""
    return round(float(np.median(pads.size[at[at[:, place] >= 0, place]])), 2)


def _by_net(pads: ContactPads, at: Ints, chosen: Ints) -> list[list[int]]:
    """Places that are on one net at nearly all keys, together."""
    groups: list[list[int]] = []
    for place in chosen.tolist():
        for group in groups:
            both = (at[:, place] >= 0) & (at[:, group[0]] >= 0)
            a, b = pads.node[at[both, place]], pads.node[at[both, group[0]]]
            if both.any() and ((a == b) & (a >= 0)).mean() >= SAME_SHARE:
                group.append(place)
                break
        else:
            groups.append([place])
    return groups


def contact_pads(copper: Copper) -> ContactPads:
    """List pads that contacts may use: lands as flashed, and plated holes without one.

    Lands that are turned may be drawn as outlines; their holes are there all the same.
    """
    import shapely

    board, pads = copper.board, copper.pads
    faces = outer_face(copper)
    rows = np.flatnonzero((faces != 0) & (pads.island >= 0))
    plated = np.flatnonzero(cut_columns(board)[0] != 0)
    barrels = board.hole_shapes[plated]
    through = np.zeros(len(rows), dtype=bool)
    landed = np.zeros(len(barrels), dtype=bool)
    shapes = copper.pad_shapes[rows]
    if len(barrels) and len(rows):
        land, barrel = shapely.STRtree(barrels).query(shapes, predicate="intersects")
        through[land], landed[barrel] = True, True
    lands = ContactPads(
        x=pads.x[rows],
        y=pads.y[rows],
        size=np.sqrt(shapely.area(shapes)) if len(rows) else np.empty(0),
        face=faces[rows],
        through=through,
        node=pads.island[rows].astype(np.int64),
    )
    joints = copper.pieces.joints
    joined = joints[~np.isin(joints[:, 0], plated[landed])]
    cuts, first = np.unique(joined[:, 0], return_index=True)
    if not len(cuts):
        return lands
    middle = shapely.centroid(board.hole_shapes[cuts])
    # A hole's land is some tenths wider than the hole on every side.
    wide = np.sqrt(shapely.area(board.hole_shapes[cuts])) + RING_MM
    bare = ContactPads(
        x=np.tile(shapely.get_x(middle), 2),
        y=np.tile(shapely.get_y(middle), 2),
        size=np.tile(wide, 2),
        face=np.repeat([1, -1], len(cuts)),
        through=np.ones(2 * len(cuts), dtype=bool),
        node=np.tile(copper.pieces.island[joined[first, 1]].astype(np.int64), 2),
    )
    return ContactPads.concat(lands, bare)
