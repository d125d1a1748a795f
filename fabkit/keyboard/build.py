"""The keyboard of a board, made once and kept as long as the board is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fabkit.base.once import once_per
from fabkit.board.model import Board
from fabkit.board.single import single_board, single_rows
from fabkit.keyboard.hands import USE_WORDS, find_hands, state
from fabkit.keyboard.keys import find_keys
from fabkit.keyboard.lands import read_lands
from fabkit.keyboard.model import BoardIs, Group, Keyboard
from fabkit.keyboard.patterns import Pattern, load_patterns
from fabkit.sheets.order import BoardUse


def find_keyboard(board: Board, stated: BoardUse | None = None) -> Keyboard:
    """The keyboard a board is.

    Parameters
    ----------
    board
        The board; its keyboard is found once, however often it is asked for.
    stated
        What one board is by the user's word; None leaves it to the files.

    Examples
    --------
    ``find_keyboard(board).hands.use`` is ``"reversible"`` for one board that makes either half.
    """
    found = _of_files(board)
    if stated is None:
        return found
    return replace(found, hands=state(found.keys, found.hands, stated))


@once_per
def _of_files(board: Board) -> Keyboard:
    return build_keyboard(board, load_patterns())


def build_keyboard(board: Board, patterns: Sequence[Pattern]) -> Keyboard:
    """Build a keyboard from a board's files with a given catalogue of hole patterns.

    Of a panel of equal boards it is the keyboard of one of them.
    """
    single = single_board(board)
    if single is not board:
        return _on_panel(build_keyboard(single, patterns), board)
    lands = read_lands(board)
    keys = find_keys(board, patterns, lands)
    return Keyboard(keys=keys, hands=find_hands(board, keys, lands))


def _on_panel(keyboard: Keyboard, panel: Board) -> Keyboard:
    """The keyboard of one board of a panel, with rows of the panel's holes and slots."""
    holes, slots = single_rows(panel)
    keys = tuple(
        replace(
            key,
            holes=tuple(holes[list(key.holes)].tolist()),
            slots=tuple(slots[list(key.slots)].tolist()),
        )
        for key in keyboard.keys
    )
    return replace(keyboard, keys=keys)


def describe(board: Board, stated: BoardUse | None = None, *, name: str = "") -> BoardIs:
    """What a board is, for the first line of a result.

    Parameters
    ----------
    board, stated
        As for :func:`find_keyboard`.
    name
        Name of the design; the board's own when empty.
    """
    keyboard = find_keyboard(board, stated)
    hands = keyboard.hands
    return BoardIs(
        name=name or board.name,
        use=hands.use,
        halves=hands.halves,
        stated_by=hands.stated_by,
        why=hands.why,
        contradiction=hands.contradiction,
        keys=keyboard.counts,
        groups=tuple((g.hand, g.face_up, keyboard.group_counts(g)) for g in hands.groups),
        headline=_on_piece(board, headline(keyboard)),
    )


def _on_piece(board: Board, words: str) -> str:
    """A headline that says how many such boards one piece holds."""
    panel = board.panel
    if panel is None or not panel.equal or panel.count == 1:
        return words
    return f"panel of {panel.count} boards, each: {words}"


def headline(keyboard: Keyboard) -> str:
    """One line that says what a board is, such as ``reversible half, 18 keys; front up = left``.

    The front is the top: pictures call it so.
    """
    hands = keyboard.hands
    words = USE_WORDS[hands.use]
    if hands.use == "none":
        return words
    counts = [_range(keyboard.group_counts(g)) for g in hands.groups]
    if hands.use == "both" and len(counts) == 2:
        each = (
            f"2 × {counts[0]} keys" if counts[0] == counts[1] else f"{counts[0]} + {counts[1]} keys"
        )
        return f"{words}: {each}"
    if hands.use == "plate" and not keyboard.keys:
        return f"{words} without openings for switches"
    if hands.use == "plate":
        return f"{words} for {_range(keyboard.counts)} keys"
    keys = f"{_range(keyboard.counts)} keys"
    if hands.halves == 2 and hands.use in ("left", "right"):
        return f"two {hands.use} halves on one board: 2 × {counts[0]} keys"
    if hands.use != "reversible":
        return f"{words}, {keys}"
    top = next(g for g in hands.groups if g.face_up == "top")
    return f"{words}, {keys}; front up = {_hand(top, sure=hands.hand_known)}"


def _hand(group: Group, *, sure: bool) -> str:
    return group.hand if sure else f"{group.hand} (taken, the keys do not show the hand)"


def _range(counts: tuple[int, int]) -> str:
    fewest, most = counts
    return str(most) if fewest == most else f"{fewest} to {most}"
