"""Which face of a board for either hand is up on which half, and whether it is such a board."""

from __future__ import annotations

from collections.abc import Sequence

from fabkit.board.model import Board
from fabkit.board.symmetry import find_mirror, left_face
from fabkit.package.model import Side
from fabkit.preview.keys import KeyPosition


def face_word(side: Side) -> str:
    """``front`` or ``back``."""
    return "front" if side == "top" else "back"


def sides_as_used(keys: Sequence[KeyPosition]) -> tuple[Side, Side]:
    """Face that is up on the left half and on the right; the top on the left when keys tell
    nothing."""
    left = left_face(keys) or "top"
    return left, "bottom" if left == "top" else "top"


def one_face_note(board: Board, keys: Sequence[KeyPosition]) -> str:
    """Words for a board whose switches fit one face only; none for one that can be turned over.

    A plate, and a board without keys, says nothing of itself.
    """
    if not keys or not board.copper:
        return ""
    mirror = find_mirror(board.traced)
    if mirror is None or mirror.reversible or not (len(mirror.pads) or mirror.pins):
        return ""
    return "Its switches fit one face only: turned over, this board is no other half"
