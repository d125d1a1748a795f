"""What one board is: a half for either hand, one half, both halves, a whole keyboard, a plate."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.base.units import counted
from fabkit.board.model import Board
from fabkit.geometry.neighbours import usual_gap
from fabkit.keyboard.groups import (
    Parting,
    find_parting,
    is_plain_grid,
    lean,
    opposite,
    seen_from,
)
from fabkit.keyboard.lands import Lands
from fabkit.keyboard.model import Group, Hand, Hands, Key, Use
from fabkit.package.model import Side

REVERSIBLE_SHARE: Final = 0.8
"""Share of the keys that must have contacts for either face (common practice: a board may keep a
knob or a wide key for one face)."""

CERTAIN_LEAN: Final = 0.12
"""Lean from which keys are a half although they stand upside down."""

UPSIDE_DOWN: Final = 2.0
"""How many times more the highest keys lean than the lowest where a board lies upside down."""

CERTAIN_SHIFT: Final = 0.8
"""Key pitches by which the lowest of keys in plain rows lean when they are a half all the same:
less may be one key that is missing or wide."""

MOST_OF_HALF: Final = 42
"""Keys of the largest halves (common practice: 4 to 6 rows of 6 to 7)."""

FEWEST_LANDS: Final = 2
"""Lands a key needs for its contacts; a plate has fewer."""

_LEFT: Final = re.compile(r"(?:^|[^a-z])(?:left|lh|l)(?:[^a-z]|$)", re.IGNORECASE)
_RIGHT: Final = re.compile(r"(?:^|[^a-z])(?:right|rh|r)(?:[^a-z]|$)", re.IGNORECASE)

USE_WORDS: Final[dict[Use, str]] = {
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
    """Find what one board is from its keys.

    Parameters
    ----------
    board, keys, lands
        The board, its keys in reading order, and its lands.
    """
    if not keys:
        return Hands(use="none", halves=0, groups=(), stated_by="files", why="no keys were found")
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
    if np.mean(turnable) < REVERSIBLE_SHARE or found.use == "both":
        return found
    all_keys = tuple(range(len(keys)))
    leaning = _leaning(keys, "top")
    # Pins of a plain push button lie the same way from either face: that alone says nothing.
    if not any(known) and not leaning:
        return found
    left: Side = "bottom" if leaning < 0 else "top"
    return Hands(
        use="reversible",
        halves=1,
        groups=(
            Group(hand="left", face_up=left, keys=all_keys),
            Group(hand="right", face_up=opposite(left), keys=all_keys),
        ),
        stated_by="files",
        why=f"{sum(turnable)} of {counted(len(keys), 'key')} have contacts for either face",
        hand_known=bool(leaning),
    )


def _by_place(board: Board, keys: Sequence[Key]) -> Hands:
    """What keys used from one face are, by where they stand."""
    centres = _centres(keys)
    up = key_side(keys)
    parting = find_parting(board, centres)
    if parting is not None and (parting.apart or not parting.joined):
        return _parted(parting, centres, up)
    every = tuple(range(len(keys)))
    hand, why, known = _hand(board, seen_from(centres, up), _leaning(keys, up))
    use: Use = hand
    return Hands(
        use=use,
        halves=2 if hand == "whole" else 1,
        groups=(Group(hand=hand, face_up=up, keys=every),),
        stated_by="files",
        why=why,
        hand_known=known,
    )


def _leaning(keys: Sequence[Key], up: Side) -> float:
    """How keys lean (as :func:`lean`) once their board lies before its user.

    Switches that are turned by a quarter tell a board that lies on its side.
    """
    if not keys:
        return 0.0
    seen = seen_from(_centres(keys), up)
    on_side = [(k.rotation_deg + 45) % 180 >= 90 for k in keys]
    if np.mean(on_side) > 0.5:
        seen = np.column_stack((seen[:, 1], -seen[:, 0]))
    upright, over = lean(seen), lean(-seen)
    turned = abs(over) >= max(CERTAIN_LEAN, UPSIDE_DOWN * abs(upright))
    return over if turned else upright


def _hand(board: Board, seen: Floats, leaning: float) -> tuple[Hand, str, bool]:
    """Which hand one group of keys is for, why, and whether the keys themselves tell."""
    named = named_hand(board)
    if len(seen) > MOST_OF_HALF:
        return "whole", f"{len(seen)} keys are too many for a half", True
    if named is not None and (not leaning or (leaning > 0) == (named == "left")):
        return named, f"its name says {named}", bool(leaning)
    if not leaning:
        return "whole", "its keys do not lean to one hand", True
    shift = abs(leaning) * float(np.ptp(seen[:, 0])) / usual_gap(seen)
    if is_plain_grid(seen) and shift < CERTAIN_SHIFT:
        return "whole", "its keys stand in plain rows", True
    hand: Hand = "left" if leaning > 0 else "right"
    return hand, f"its thumb keys lie to the {'right' if leaning > 0 else 'left'}", True


def named_hand(board: Board) -> Hand | None:
    """Hand that the names of the package and its files agree on."""
    names = (board.name, *(f.name for f in board.package.files))
    left, right = (any(p.search(n) for n in names) for p in (_LEFT, _RIGHT))
    if left == right:
        return None
    return "left" if left else "right"


def _parted(parting: Parting, centres: Floats, up: Side) -> Hands:
    """Two groups on one board: which is for which hand."""
    groups = [parting.first, parting.second]
    seen = seen_from(centres, up)
    leans = [lean(seen[g]) for g in groups]
    groups_x = [float(seen[g, 0].mean()) for g in groups]
    one_hand = parting.relation == "copies" and leans[0] * leans[1] > 0
    if one_hand:
        hand: Hand = "left" if leans[0] > 0 else "right"
        return Hands(
            use=hand,
            halves=2,
            groups=tuple(_group(hand, up, g) for g in groups),
            stated_by="files",
            why=f"its keys stand in two groups that are copies of one {hand} half",
        )
    told = leans[0] * leans[1] < 0
    # Where thumb keys point outwards the halves lie crossed: the left hand's on the right.
    first_is_left = leans[0] > 0 if told else groups_x[0] <= groups_x[1]
    left, right = groups if first_is_left else groups[::-1]
    crossed = told and groups_x[0 if first_is_left else 1] > groups_x[1 if first_is_left else 0]
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
        stated_by="files",
        why=f"its keys stand in two groups {alike}, and nothing joins them{where}",
        hand_known=told,
    )


def _group(hand: Hand, up: Side, rows: NDArray[np.int64]) -> Group:
    return Group(hand=hand, face_up=up, keys=tuple(int(r) for r in np.sort(rows)))


def key_side(keys: Sequence[Key]) -> Side:
    """The face most keys are used from; the top when they do not tell."""
    down = sum(k.faces == ("bottom",) for k in keys)
    return "bottom" if down > sum(k.faces == ("top",) for k in keys) else "top"


def state(keys: Sequence[Key], found: Hands, use: Use) -> Hands:
    """What the user says one board is, against what was found.

    Parameters
    ----------
    keys, found
        The keys, and what the files say.
    use
        The user's word, which wins.
    """
    if use not in get_args(Use):
        raise ValueError(f"{use!r} is no use of a board")
    said = replace(found, stated_by="user", why="you said so")
    # A plate without openings for switches, such as a bottom plate, is a plate all the same.
    if use == found.use or (use == "plate" and found.use == "none"):
        return replace(said, use=use)
    seen = USE_WORDS[found.use]
    contradiction = f"you say {USE_WORDS[use]}; the files show {seen}: {found.why}"
    return replace(_as_said(keys, found, use), contradiction=contradiction)


def _as_said(keys: Sequence[Key], found: Hands, use: Use) -> Hands:
    every = tuple(range(len(keys)))
    centres = _centres(keys)
    up = key_side(keys)
    groups: tuple[Group, ...] = ()
    if use == "reversible":
        left: Side = "bottom" if _leaning(keys, "top") < 0 else "top"
        groups = (
            Group(hand="left", face_up=left, keys=every),
            Group(hand="right", face_up=opposite(left), keys=every),
        )
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
