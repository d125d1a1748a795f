"""Keys taken apart into halves: two groups that are alike, with nothing that joins them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.board.model import Board
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.neighbours import PointTree, usual_gap
from fabkit.package.model import Side

Relation = Literal["mirror images", "copies", "different"]

FEWEST_KEYS: Final = 3
"""Keys of each half from which on they say that it is one."""

MOST_KEYS: Final = 250
"""More places are no keyboard, and every way to lay them on each other would take long."""

ALIKE_MM: Final = 4.0
"""Keys of two halves fit each other this well (a thumb key may be placed a little differently)."""

ALIKE_SHARE: Final = 0.8
"""Share of the smaller half's keys that must fit: one half may have a key more."""

NEAR_SIZE: Final = 0.6
"""The smaller of two halves has at least this share of the larger one's keys."""

GAP: Final = 1.3
"""Between two halves of one outline lies a gap wider than this many key pitches, or the copper
between them is cut."""

JOINED: Final = 3
"""Tracks across the line between two halves from which they may be joined."""

JOINED_SHARE: Final = 0.2
"""The same as a share of the tracks that cross a half: lines drawn in copper over a tab are few,
the rows of a keyboard in one piece are not."""

TILTS_DEG: Final = (0.0, 15.0, -15.0, 30.0, -30.0, 90.0)
"""Directions in which two halves may lie beside each other: thumb clusters may reach under the
other half's keys."""

LEAN: Final = 0.05
"""Share of a half's width by which its lowest quarter must stand to one side to tell the hand."""

FEWEST_LEANING: Final = 7
"""Fewer keys do not tell a hand."""

LOWEST: Final = 0.25
"""Part of the keys, from the bottom, that are taken for thumb keys."""


@dataclass(frozen=True, eq=False)
class Parting:
    """Two groups of keys on one board.

    Parameters
    ----------
    first, second : (n,) int64
        Rows of the keys: the group on the left (or lower) first.
    relation
        How they are alike.
    joined
        Tracks that cross the line between them; 0 when no more than may be drawn over a tab.
    apart
        They stand on separate outlines.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    relation: Relation
    joined: int
    apart: bool


def find_parting(board: Board, centres: Floats) -> Parting | None:
    """Find two halves on one board; None where its keys are one group.

    Parameters
    ----------
    board
        Its outline and copper tell whether anything joins two groups.
    centres : (n, 2) float64, mm
        Middles of its keys.
    """
    if not 2 * FEWEST_KEYS <= len(centres) <= MOST_KEYS:
        return None
    by_outline = _by_outline(board, centres)
    if by_outline is not None:
        return by_outline
    best: Parting | None = None
    # On a plate no copper tells whether anything joins them.
    drawn = any(len(layer.file.objects) for layer in board.copper)
    for tilt in TILTS_DEG:
        for first, second, gap in _cuts(centres, tilt):
            relation = relate(centres[first], centres[second])
            if relation == "different":
                continue
            if not _parted(centres, first, second, mirror=drawn and relation == "mirror images"):
                continue
            joined = tracks_across(board, tilt, gap, _along(centres[:, 0], centres[:, 1], tilt))
            if best is None or joined < best.joined:
                best = Parting(first, second, relation, joined, apart=False)
        if best is not None and not best.joined:
            return best
    return None


def _by_outline(board: Board, centres: Floats) -> Parting | None:
    """Groups that stand on outlines of their own."""
    if board.profile is None or len(board.profile.geoms) < 2:
        return None
    parts = shapely.get_parts(board.profile)
    filled = shapely.polygons(shapely.get_exterior_ring(parts))
    points, outline = shapely.STRtree(filled).query(shapely.points(centres), predicate="intersects")
    groups = [points[outline == number] for number in range(len(parts))]
    groups = [np.unique(g) for g in groups if len(g) >= FEWEST_KEYS]
    if len(groups) != 2:
        return None
    groups.sort(key=lambda g: float(centres[g, 0].mean()))
    relation = relate(centres[groups[0]], centres[groups[1]])
    return Parting(groups[0], groups[1], relation, 0, apart=True)


def _cuts(
    centres: Floats, tilt_deg: float
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64], tuple[float, float]]]:
    """Ways to take the keys apart along a direction, with the gap between the two groups: at the
    widest gap, and at half their number."""
    along = _along(centres[:, 0], centres[:, 1], tilt_deg)
    order = np.argsort(along, kind="stable")
    steps = np.diff(along[order])
    for at in dict.fromkeys((int(np.argmax(steps)), len(order) // 2 - 1)):
        first, second = np.sort(order[: at + 1]), np.sort(order[at + 1 :])
        if min(len(first), len(second)) >= NEAR_SIZE * max(len(first), len(second)) and steps[at]:
            yield first, second, (float(along[order[at]]), float(along[order[at + 1]]))


def _parted(
    centres: Floats, first: NDArray[np.int64], second: NDArray[np.int64], *, mirror: bool
) -> bool:
    """Whether two groups are more than the two sides of one block of keys.

    A single block mirrors itself as well: two halves have a gap between them, or, where ``mirror``
    images count, thumb keys that lean to opposite sides.
    """
    apart, _ = PointTree(centres[first]).query(centres[second])
    if float(apart.min()) >= GAP * usual_gap(centres):
        return True
    return mirror and lean(centres[first]) * lean(centres[second]) < 0


def _along(x: Floats, y: Floats, tilt_deg: float) -> Floats:
    turn = np.radians(tilt_deg)
    return np.asarray(np.cos(turn) * x + np.sin(turn) * y)


def relate(first: Floats, second: Floats) -> Relation:
    """How two groups of keys are alike, upright or turned by 180 degrees.

    Parameters
    ----------
    first, second : (n, 2) float64, mm
    """
    mirrored = max(_fit(first, second * sign) for sign in ((-1, 1), (1, -1)))
    copied = max(_fit(first, second * sign) for sign in ((1, 1), (-1, -1)))
    if max(mirrored, copied) < ALIKE_SHARE:
        return "different"
    return "mirror images" if mirrored >= copied else "copies"


def _fit(first: Floats, second: Floats) -> float:
    """Share of the smaller group that fits the other after the best shift."""
    small, large = sorted((first, second), key=len)
    if len(small) < FEWEST_KEYS:
        return 0.0
    # One key of the smaller group is laid on each of the other's; a few are tried, since any one
    # of them may be the key that has no counterpart.
    picked = small[np.unique(np.linspace(0, len(small) - 1, 5).astype(int))]
    shifts = (large[:, None] - picked[None]).reshape(-1, 2)
    laid = (small[None] + shifts[:, None]).reshape(-1, 2)
    apart, target = PointTree(large).query(laid, within=ALIKE_MM)
    near = np.isfinite(apart)
    shift = np.repeat(np.arange(len(shifts)), len(small))[near]
    fitting = np.bincount(shift, minlength=len(shifts))
    # Two keys that fall on one do not fit.
    fallen_on = np.unique(shift * len(large) + target[near]) // len(large)
    fitting[np.bincount(fallen_on, minlength=len(shifts)) < fitting] = 0
    return float(fitting.max()) / len(small)


def tracks_across(board: Board, tilt_deg: float, gap: tuple[float, float], keys: Floats) -> int:
    """Fewest tracks and fill edges that cross one of the lines between two groups.

    Parameters
    ----------
    board
        Its copper layers are looked at.
    tilt_deg, gap
        Direction across the lines, and from where to where the gap reaches in it, mm.
    keys : (n,) float64, mm
        Where the keys lie in this direction.

    Returns
    -------
    Their number; 0 when they are no more than may be drawn over a tab.
    """
    low, high = gap
    if high - low > 2 * _HALF_CAP_MM:
        low, high = low + _HALF_CAP_MM, high - _HALF_CAP_MM
    between = _crossings(board, tilt_deg, np.linspace(low, high, _LINES))
    ends = [(float(keys.min()), gap[0]), (gap[1], float(keys.max()))]
    within = [_crossings(board, tilt_deg, np.linspace(*end, _LINES)) for end in ends]
    joined = int(between.min())
    usual = float(np.median(np.concatenate(within)))
    return joined if joined >= max(JOINED, JOINED_SHARE * usual) else 0


def _crossings(board: Board, tilt_deg: float, lines: Floats) -> NDArray[np.int64]:
    """(len(lines),) int64: tracks and fill edges that cross each of some rising lines."""
    out = np.zeros(len(lines), dtype=np.int64)
    for layer in board.copper:
        o, s = layer.file.objects, layer.file.segments
        drawn = ((o.kind == Kind.DRAW) | (o.kind == Kind.ARC)) & o.dark
        for table, rows in ((o, np.flatnonzero(drawn)), (s, np.arange(len(s)))):
            a = _along(table.x0[rows], table.y0[rows], tilt_deg)
            b = _along(table.x1[rows], table.y1[rows], tilt_deg)
            # Every line from the first above the lower end to the last below the upper one.
            first = np.searchsorted(lines, np.minimum(a, b), side="right")
            beyond = np.searchsorted(lines, np.maximum(a, b), side="left")
            crossed = beyond > first
            steps = np.bincount(first[crossed], minlength=len(lines) + 1)
            steps -= np.bincount(beyond[crossed], minlength=len(lines) + 1)
            out += np.cumsum(steps)[:-1]
    return out


_HALF_CAP_MM: Final = 7.0
"""The body of a switch reaches this far from its middle (common practice: 14 mm wide)."""

_LINES: Final = 41


def lean(centres: Floats) -> float:
    """How far the lowest keys stand to the right of the others, as a share of the width.

    Positive where thumb keys lie right, as on a left half seen from its keys.  0 where the keys
    do not tell: too few, or lean less than ``LEAN``.

    Parameters
    ----------
    centres : (n, 2) float64, mm
        Seen from the key side, away from the user upwards.
    """
    if len(centres) < FEWEST_LEANING:
        return 0.0
    x, y = centres[:, 0], centres[:, 1]
    # A row that the cut falls into belongs to the others as a whole, also where places are rounded.
    thumb = y < np.quantile(y, LOWEST) - _LEVEL * usual_gap(centres)
    width = float(np.ptp(x))
    if not thumb.any() or thumb.all() or width <= 0:
        return 0.0
    found = float(x[thumb].mean() - x[~thumb].mean()) / width
    return found if abs(found) >= LEAN else 0.0


def is_plain_grid(centres: Floats) -> bool:
    """Whether all keys stand in straight rows, half a pitch apart or more, as on a keypad."""
    pitch = usual_gap(centres)
    if not np.isfinite(pitch):
        return True
    at = (centres - centres[0]) / (pitch / 2)
    return bool((np.abs(at[:, 1] - np.round(at[:, 1])) < _LEVEL).all())


_LEVEL: Final = 0.06
"""Share of a pitch by which keys of one row may differ in height."""


def opposite(face: Side) -> Side:
    """The other face."""
    return "bottom" if face == "top" else "top"


def seen_from(centres: Floats, face: Side) -> Floats:
    """Places as seen with a face up: mirrored from the bottom."""
    return centres if face == "top" else centres * (-1, 1)
