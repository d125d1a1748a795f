"""What one board is: keys taken apart into halves, and which hand each is for."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, get_args

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints
from fabkit.base.units import counted
from fabkit.board.model import Board
from fabkit.geometry.neighbours import PointTree, usual_gap
from fabkit.keyboard.footprints import Lands
from fabkit.keyboard.model import Evidence, Group, Hand, Hands, Key
from fabkit.keyboard.numbering import TURNED_DEG
from fabkit.package.model import Side
from fabkit.sheets.order import BoardUse

REVERSIBLE_SHARE: Final = 0.8
"""Share of the keys that must have contacts for either face (common practice: a board may keep a
knob or a wide key for one face)."""

CERTAIN_LEAN: Final = 0.12
"""A board is taken to lie upside down only where its highest keys lean at least this much."""

UPSIDE_DOWN: Final = 2.0
"""They then lean at least this many times as much as the lowest keys."""

CERTAIN_SHIFT: Final = 0.8
"""Keys in plain rows are a half only where the lowest lean by this many key pitches: less may come
from one key that is missing or wide."""

MOST_OF_HALF: Final = 42
"""Keys of the largest halves (common practice: 4 to 6 rows of 6 to 7)."""

FEWEST_LANDS: Final = 2
"""Lands a key needs for its contacts; a plate has fewer."""

_UPRIGHT: Final = frozenset((Evidence.PATTERN, Evidence.CENTRE, Evidence.OPENING))
"""Evidence that shows how a key is turned on its board."""

_LEFT: Final = re.compile(r"(?:^|[^a-z])(?:left|lh|l)(?:[^a-z]|$)", re.IGNORECASE)
_RIGHT: Final = re.compile(r"(?:^|[^a-z])(?:right|rh|r)(?:[^a-z]|$)", re.IGNORECASE)

USE_WORDS: Final[dict[BoardUse, str]] = {
    "reversible": "reversible half",
    "left": "left half",
    "right": "right half",
    "both": "both halves on one board",
    "whole": "whole keyboard",
    "plate": "plate",
    "none": "no keyboard",
}
"""What one board is, in words."""


def find_hands(board: Board, keys: Sequence[Key], lands: Lands) -> Hands:
    """Find what one board is from its keys."""
    if not keys:
        return Hands(use="none", halves=0, groups=(), why="no keys were found")
    return _laid(keys, _found(board, keys, lands))


def _found(board: Board, keys: Sequence[Key], lands: Lands) -> Hands:
    if _is_plate(keys, lands):
        found = _by_place(board, keys)
        why = f"it has {counted(len(keys), 'opening')} for switches and no lands for their contacts"
        return replace(found, use="plate", halves=0, why=why)
    return _by_faces(board, keys)


def _is_plate(keys: Sequence[Key], lands: Lands) -> bool:
    """Whether switches only clip in: openings, and hardly any land to solder to."""
    return all(k.held_by == "plate" for k in keys) and len(lands.table) < FEWEST_LANDS * len(keys)


def _by_faces(board: Board, keys: Sequence[Key]) -> Hands:
    turnable = [len(k.faces) == 2 for k in keys]
    known = [k.families != ("not known",) for k in keys]
    found = _by_place(board, keys)
    # A board with both halves on it is no half, even if its contacts serve either face.
    if np.mean(turnable) < REVERSIBLE_SHARE or found.use == "both":
        return found
    leaning = _leaning(keys, "top")
    # Pins of a plain push button lie the same way from either face: that alone proves nothing.
    if not any(known) and not leaning:
        return found
    return Hands(
        use="reversible",
        halves=1,
        groups=_either_face(len(keys), leaning),
        why=f"{sum(turnable)} of {counted(len(keys), 'key')} have contacts for either face",
        hand_known=bool(leaning),
    )


def _either_face(keys: int, leaning: float) -> tuple[Group, Group]:
    """Both hands of a reversible board."""
    left: Side = "bottom" if leaning < 0 else "top"
    every = tuple(range(keys))
    return (
        Group(hand="left", face_up=left, keys=every),
        Group(hand="right", face_up=opposite(left), keys=every),
    )


def _by_place(board: Board, keys: Sequence[Key]) -> Hands:
    """Judge what a board with keys on one face is by where the keys stand."""
    up = key_side(keys)
    parting = find_parting(board, _centres(keys), on_side=_on_side(keys))
    seen, _ = _before_user(keys, up)
    if parting is not None and (parting.apart or not parting.joined):
        return _parted(parting, seen, up)
    every = tuple(range(len(keys)))
    hand, why, known = _hand(board, seen, _leaning(keys, up))
    use: BoardUse = hand
    return Hands(
        use=use,
        halves=2 if hand == "whole" else 1,
        groups=(Group(hand=hand, face_up=up, keys=every),),
        why=why,
        hand_known=known,
    )


def _leaning(keys: Sequence[Key], up: Side) -> float:
    """How keys lean (as :func:`lean`) once their board lies before its user."""
    if not keys:
        return 0.0
    seen, turn = _before_user(keys, up)
    upright, over = lean(seen), lean(-seen)
    turned = turn is None and abs(over) >= max(CERTAIN_LEAN, UPSIDE_DOWN * abs(upright))
    return over if turned else upright


def _on_side(keys: Sequence[Key]) -> bool:
    """Whether a board is drawn lying on its side: most switches are turned by a quarter."""
    return bool(np.mean([(k.rotation_deg + 45) % 180 >= 90 for k in keys] or [False]) > 0.5)


def _before_user(keys: Sequence[Key], up: Side) -> tuple[Floats, int | None]:
    """Middles of keys as seen with a face up from before their board, and how it was turned for it.

    The few keys that are turned against the others are thumb keys, which lie nearest to the user.
    The turn, in degrees, is None where there are none: which end is up is not sure then.
    """
    seen = seen_from(_centres(keys), up)
    on_side = _on_side(keys)
    if on_side:
        seen = np.column_stack((seen[:, 1], -seen[:, 0]))
    turns = np.array([k.rotation_deg % 90 for k in keys])
    usual = Counter(turns.round().tolist()).most_common(1)[0][0]
    apart = np.abs((turns - usual + 45) % 90 - 45)
    thumb = apart > TURNED_DEG
    # Lands alone show turns against the other keys, not against the board.
    holes = np.mean([bool(_UPRIGHT & set(k.evidence)) for k in keys]) > 0.5
    if not (holes and 0 < thumb.sum() <= LOWEST * len(keys)):
        return seen, None
    low, high = np.quantile(seen[~thumb, 1], (LOWEST, 1 - LOWEST))
    if (seen[thumb, 1] > high).all():
        return -seen, 90 if on_side else 180
    return seen, (270 if on_side else 0) if (seen[thumb, 1] < low).all() else None


def _laid(keys: Sequence[Key], hands: Hands) -> Hands:
    """Give groups the turn that lays their board before its user."""
    turn = _before_user(keys, "top")[1] or 0
    groups = tuple(
        replace(g, turn_deg=turn if g.face_up == "top" else -turn % 360) for g in hands.groups
    )
    return replace(hands, groups=groups)


def _hand(board: Board, seen: Floats, leaning: float) -> tuple[Hand, str, bool]:
    """Which hand one group of keys is for, why, and whether the keys themselves show it."""
    named = named_hand(board)
    if len(seen) > MOST_OF_HALF:
        return "whole", f"{len(seen)} keys are too many for a half", True
    shown: Hand = "left" if leaning > 0 else "right"
    if named is not None and (not leaning or shown == named):
        return named, f"its name says {named}", bool(leaning)
    if not leaning:
        return "whole", "its keys do not lean to one hand", True
    shift = abs(leaning) * float(np.ptp(seen[:, 0])) / usual_gap(seen)
    if is_plain_grid(seen) and shift < CERTAIN_SHIFT:
        return "whole", "its keys stand in plain rows", True
    return shown, f"its thumb keys lie to the {'right' if leaning > 0 else 'left'}", True


def named_hand(board: Board) -> Hand | None:
    """Hand that the names of the package and its files agree on."""
    names = (board.name, *(f.name for f in board.package.files))
    left, right = (any(p.search(n) for n in names) for p in (_LEFT, _RIGHT))
    # Names for both hands show neither.
    if left == right:
        return None
    return "left" if left else "right"


def _parted(parting: Parting, seen: Floats, up: Side) -> Hands:
    """Two groups on one board, seen from before it: which is for which hand."""
    groups = [parting.first, parting.second]
    leans = [lean(seen[g]) for g in groups]
    groups_x = [float(seen[g, 0].mean()) for g in groups]
    one_hand = parting.relation == "copies" and leans[0] * leans[1] > 0
    if one_hand:
        hand: Hand = "left" if leans[0] > 0 else "right"
        return Hands(
            use=hand,
            halves=2,
            groups=tuple(_group(hand, up, g) for g in groups),
            why=f"its keys stand in two groups that are copies of one {hand} half",
        )
    shown = leans[0] * leans[1] < 0
    # Where thumb keys point outwards the halves lie crossed: the left hand's on the right.
    first_is_left = leans[0] > 0 if shown else groups_x[0] <= groups_x[1]
    left, right = groups if first_is_left else groups[::-1]
    crossed = shown and groups_x[0 if first_is_left else 1] > groups_x[1 if first_is_left else 0]
    alike = {
        "mirror images": "that mirror each other",
        "copies": "that are alike",
        "different": "on outlines of their own",
    }[parting.relation]
    where = ", the left hand's on the right" if crossed else ""
    return Hands(
        use="both",
        halves=2,
        groups=(_group("left", up, left), _group("right", up, right)),
        why=f"its keys stand in two groups {alike}, and nothing joins them{where}",
        hand_known=shown,
    )


def _group(hand: Hand, up: Side, rows: Ints) -> Group:
    return Group(hand=hand, face_up=up, keys=tuple(int(r) for r in np.sort(rows)))


def key_side(keys: Sequence[Key]) -> Side:
    """Name the face most keys are used from; the top when neither has more."""
    down = sum(k.faces == ("bottom",) for k in keys)
    return "bottom" if down > sum(k.faces == ("top",) for k in keys) else "top"


def state(keys: Sequence[Key], found: Hands, use: BoardUse) -> Hands:
    """Take the user's word on what one board is, and name what contradicts it.

    Parameters
    ----------
    use
        The user's word, which overrides the files.
    """
    if use not in get_args(BoardUse):
        raise ValueError(f"{use!r} is no use of a board")
    said = replace(found, stated_by="user", why="you said so")
    # A plate without openings for switches, such as a bottom plate, is a plate all the same.
    if use == found.use or (use == "plate" and found.use == "none"):
        return replace(said, use=use)
    seen = USE_WORDS[found.use]
    contradiction = f"you say {USE_WORDS[use]}; the files show {seen}: {found.why}"
    stated = _as_said(keys, found, use)
    return replace(_laid(keys, stated) if keys else stated, contradiction=contradiction)


def _as_said(keys: Sequence[Key], found: Hands, use: BoardUse) -> Hands:
    every = tuple(range(len(keys)))
    centres = _centres(keys)
    up = key_side(keys)
    groups: tuple[Group, ...] = ()
    if use == "reversible":
        groups = _either_face(len(keys), _leaning(keys, "top"))
    elif use == "both" and keys:
        x = seen_from(centres, up)[:, 0]
        on_right = x > (x.min() + x.max()) / 2
        groups = (
            _group("left", up, np.flatnonzero(~on_right)),
            _group("right", up, np.flatnonzero(on_right)),
        )
    elif use in ("left", "right", "whole"):
        hand: Hand = "left" if use == "left" else "right" if use == "right" else "whole"
        groups = (Group(hand=hand, face_up=up, keys=every),)
    elif use == "plate":
        groups = found.groups
    halves = {"reversible": 1, "left": 1, "right": 1, "both": 2, "whole": 2, "plate": 0, "none": 0}
    return Hands(
        use=use,
        halves=halves[use],
        groups=groups,
        stated_by="user",
        why="you said so",
        hand_known=found.hand_known,
    )


def _centres(keys: Sequence[Key]) -> Floats:
    return np.array([(k.x_mm, k.y_mm) for k in keys]).reshape(-1, 2)


Relation = Literal["mirror images", "copies", "different"]

FEWEST_KEYS: Final = 3
"""A group with fewer keys is not taken for a half."""

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
"""Share of a half's width by which its lowest quarter must stand to one side to show the hand."""

FEWEST_LEANING: Final = 7
"""Fewer keys do not show which hand they are for."""

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

    first: Ints
    second: Ints
    relation: Relation
    joined: int
    apart: bool


def find_parting(board: Board, centres: Floats, *, on_side: bool = False) -> Parting | None:
    """Find two halves on one board; None where its keys are one group.

    Parameters
    ----------
    board
        Its outline and copper show whether anything joins two groups.
    centres : (n, 2) float64, mm
        Middles of its keys.
    on_side
        It is drawn lying on its side.
    """
    if not 2 * FEWEST_KEYS <= len(centres) <= MOST_KEYS:
        return None
    by_outline = _by_outline(board, centres)
    if by_outline is not None:
        return by_outline
    best: Parting | None = None
    # A plate has no copper that could show whether anything joins them.
    drawn = any(len(layer.file.objects) for layer in board.copper)
    laid = np.column_stack((centres[:, 1], -centres[:, 0])) if on_side else centres
    for tilt in (t + 90 * on_side for t in TILTS_DEG):
        for first, second, gap in _cuts(centres, tilt):
            relation = relate(laid[first], laid[second])
            if relation == "different":
                continue
            if not _stands_apart(laid, first, second, mirror=drawn and relation == "mirror images"):
                continue
            joined = tracks_across(board, tilt, gap, _along(centres[:, 0], centres[:, 1], tilt))
            if best is None or joined < best.joined:
                best = Parting(first, second, relation, joined, apart=False)
        # Lines that lean more are tried only while no parting free of tracks is found.
        if best is not None and not best.joined:
            return best
    return None


def _by_outline(board: Board, centres: Floats) -> Parting | None:
    """Find two groups of keys that stand on separate outlines."""
    if board.profile is None or len(board.profile.geoms) < 2:
        return None
    parts = shapely.get_parts(board.profile)
    # Filled: in a plate the middle of a key is an opening, yet the key stands on that outline.
    filled = shapely.polygons(shapely.get_exterior_ring(parts))
    points, outline = shapely.STRtree(filled).query(shapely.points(centres), predicate="intersects")
    groups = [points[outline == number] for number in range(len(parts))]
    groups = [np.unique(g) for g in groups if len(g) >= FEWEST_KEYS]
    if len(groups) != 2:
        return None
    groups.sort(key=lambda g: float(centres[g, 0].mean()))
    relation = relate(centres[groups[0]], centres[groups[1]])
    return Parting(groups[0], groups[1], relation, 0, apart=True)


def _cuts(centres: Floats, tilt_deg: float) -> Iterator[tuple[Ints, Ints, tuple[float, float]]]:
    """Ways to part the keys along a direction, with the gap between the two groups.

    At the widest gap, and in the middle of their number: halves have about as many keys each.
    """
    along = _along(centres[:, 0], centres[:, 1], tilt_deg)
    order = np.argsort(along, kind="stable")
    steps = np.diff(along[order])
    for at in dict.fromkeys((int(np.argmax(steps)), len(order) // 2 - 1)):
        first, second = np.sort(order[: at + 1]), np.sort(order[at + 1 :])
        if min(len(first), len(second)) >= NEAR_SIZE * max(len(first), len(second)) and steps[at]:
            yield first, second, (float(along[order[at]]), float(along[order[at + 1]]))


def _stands_apart(centres: Floats, first: Ints, second: Ints, *, mirror: bool) -> bool:
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
        # Lines under the switches would count the tracks between a half's own keys.
        low, high = low + _HALF_CAP_MM, high - _HALF_CAP_MM
    between = _crossings(board, tilt_deg, np.linspace(low, high, _LINES))
    ends = [(float(keys.min()), gap[0]), (gap[1], float(keys.max()))]
    within = [_crossings(board, tilt_deg, np.linspace(*end, _LINES)) for end in ends]
    # What joins the halves crosses every line; what only reaches into the gap misses some.
    joined = int(between.min())
    usual = float(np.median(np.concatenate(within)))
    return joined if joined >= max(JOINED, JOINED_SHARE * usual) else 0


def _crossings(board: Board, tilt_deg: float, lines: Floats) -> Ints:
    """(len(lines),) int64: tracks and fill edges that cross each of some rising lines."""
    out = np.zeros(len(lines), dtype=np.int64)
    for layer in board.copper:
        o, s = layer.file.objects, layer.file.segments
        drawn = o.stroked & o.dark
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
    do not show it: too few, or they lean less than ``LEAN``.

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
    """Name the other face."""
    return "bottom" if face == "top" else "top"


def seen_from(centres: Floats, face: Side) -> Floats:
    """Places as seen with a face up: mirrored from the bottom."""
    return centres if face == "top" else centres * (-1, 1)
