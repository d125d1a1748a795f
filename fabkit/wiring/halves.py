"""What one board is: a half for either hand, one half, both halves side by side, or a whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.board.copper import Copper
from fabkit.board.symmetry import find_mirror, left_face
from fabkit.geometry.neighbours import PointTree, usual_gap
from fabkit.house.order import BoardUse
from fabkit.package.model import Side
from fabkit.wiring.keys import BoardKey

MIRROR_MM: Final = 4.0
"""Keys of two halves on one board mirror each other this well (common practice: a thumb key may
be turned a little differently)."""

MIRROR_SHARE: Final = 0.8
FEWEST_KEYS: Final = 6
"""Keys below which a board is not taken apart into two halves."""

GAP: Final = 1.3
"""Between two halves lies a gap wider than this many key pitches."""


def opposite(face: Side) -> Side:
    """The other face."""
    return "bottom" if face == "top" else "top"


def key_side(keys: Sequence[BoardKey]) -> Side:
    """The face most keys are used from; the top when the holes do not tell."""
    sides = Counter(s for k in keys if len(k.site.contacts) == 1 for s in k.site.contacts)
    return "bottom" if sides["bottom"] > sides["top"] else "top"


def what_it_is(copper: Copper, keys: Sequence[BoardKey]) -> tuple[BoardUse, str]:
    """What a board is, and why it is taken to be that."""
    mirror = find_mirror(copper)
    if mirror is not None and mirror.reversible:
        return "reversible", "its keys can be used from either face"
    if split_hands(keys) is not None:
        return "both", "its keys stand in two groups that mirror each other"
    left = left_face(keys)
    if left is None:
        return "whole", "its keys do not lean to one hand"
    hand: BoardUse = "left" if left == key_side(keys) else "right"
    return hand, f"its thumb keys lean as on a {hand} half"


def left_up(keys: Sequence[BoardKey]) -> tuple[Side, bool]:
    """Face that is up on the left half of a board for either hand, and whether the keys tell."""
    found = left_face(keys)
    return found or "top", found is not None


def split_hands(keys: Sequence[BoardKey]) -> NDArray[np.bool_] | None:
    """(n,) bool: keys of the group on the right; None when there are no two mirrored groups."""
    count = len(keys)
    if count < FEWEST_KEYS or count % 2:
        return None
    at = np.array([(k.x_mm, k.y_mm) for k in keys])
    order = np.argsort(at[:, 0], kind="stable")
    left, right = at[order[: count // 2]], at[order[count // 2 :]]
    axis = (left[:, 0].mean() + right[:, 0].mean()) / 2
    image = right * (-1, 1) + (2 * axis, 0)
    image[:, 1] += left[:, 1].mean() - image[:, 1].mean()
    apart, _ = PointTree(left).query(image)
    if (apart <= MIRROR_MM).mean() < MIRROR_SHARE:
        return None
    # A single block of keys mirrors itself as well: two halves have a gap, or thumbs that lean in.
    gap = float(right[:, 0].min() - left[:, 0].max())
    pitch = usual_gap(at)
    inner = [keys[k] for k in order[: count // 2]]
    if gap < GAP * pitch and left_face(inner) != key_side(keys):
        return None
    mask = np.zeros(count, dtype=bool)
    mask[order[count // 2 :]] = True
    return mask
