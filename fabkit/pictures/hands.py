"""Which face of a board is up on which half, in words for pictures."""

from __future__ import annotations

from fabkit.keyboard.model import Keyboard
from fabkit.package.model import Side


def face_word(side: Side) -> str:
    """``front`` or ``back``."""
    return "front" if side == "top" else "back"


def views_as_used(keyboard: Keyboard) -> tuple[tuple[str, Side], ...]:
    """Name and face of every way a board is used, left before right.

    A reversible board is used in two ways, any other with its key side up; of a board without
    keys both faces are shown.
    """
    hands = keyboard.hands
    if hands.use == "reversible":
        return tuple((f"{g.hand.capitalize()} half", g.face_up) for g in hands.groups)
    if not hands.groups:
        return (("No keys were found", "top"), ("No keys were found", "bottom"))
    words = {"both": "Both halves", "whole": "Whole keyboard", "plate": "Plate"}
    up = hands.groups[0].face_up
    return ((words.get(hands.use, f"{hands.use.capitalize()} half"), up),)


def one_face_note(keyboard: Keyboard) -> str:
    """Words for a half whose switches fit one face only; none for any other board."""
    if keyboard.hands.use not in ("left", "right"):
        return ""
    return "Its switches fit one face only: turned over, this board is no other half"
