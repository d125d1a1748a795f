"""The keyboard of a board, made once and kept as long as the board is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats
from fabkit.base.once import once_per
from fabkit.board.model import Board
from fabkit.board.single import cut_out, single_board, single_rows
from fabkit.geometry.segments import Box
from fabkit.keyboard.hands import USE_WORDS, find_hands, state
from fabkit.keyboard.keys import find_keys
from fabkit.keyboard.lands import read_lands
from fabkit.keyboard.model import BoardIs, Group, Keyboard, Spot
from fabkit.keyboard.patterns import Pattern, load_patterns
from fabkit.sheets.order import BoardUse

BESIDE_MM: Final = 14.0
"""Board shown beside the outermost key of a half that shares its outline with the other."""


def find_keyboard(board: Board, stated: BoardUse | None = None) -> Keyboard:
    """Find the keys of a board, and which half each belongs to.

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
    """Give a keyboard the rows of its holes and slots in the panel it was cut from."""
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
    """Describe a board for the first line of a result.

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
    """Put before a headline how many such boards one piece holds."""
    panel = board.panel
    if panel is None or not panel.equal or panel.count == 1:
        return words
    return f"panel of {panel.count} boards, each: {words}"


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfBoard:
    """The board of one half.

    Parameters
    ----------
    board
        What it is cut from: without rails, tabs and the other half where its outline is its own.
    frame
        Where it lies on a board that holds both halves in one outline, mm, with a margin on its
        outer sides; None for all of it.
    """

    board: Board
    frame: Box | None = None


def half_boards(
    board: Board, halves: Sequence[Sequence[Spot]], margin_mm: float
) -> tuple[HalfBoard, ...]:
    """Cut a board into one board for each half.

    Parameters
    ----------
    board
        As read; a panel is taken apart.
    halves
        Middles of the keys of each half, mm; the same ones twice for a reversible board.
    margin_mm
        Shown around a half that shares its outline.
    """
    panel = board.panel
    whole = panel.boards if panel is not None else shapely.get_parts(_material(board))
    every = {spot for half in halves for spot in half}
    out = []
    for half in halves:
        mine = np.array(half).reshape(-1, 2)
        away = np.array(sorted(every - set(half))).reshape(-1, 2)
        own = [p for p in whole if shapely.intersects_xy(p, *mine.T).any()]
        if not own or (panel is None and not len(away)):
            out.append(HalfBoard(board=board))
        elif not any(shapely.intersects_xy(p, *away.T).any() for p in own):
            out.append(HalfBoard(board=cut_out(board, shapely.MultiPolygon(own))))
        else:
            box = shapely.bounds(shapely.buffer(shapely.MultiPolygon(own), margin_mm)).tolist()
            out.append(HalfBoard(board=board, frame=_beside(box, mine[:, 0], away[:, 0])))
    return tuple(out)


def _material(board: Board) -> shapely.MultiPolygon:
    if board.profile is not None and not board.profile.is_empty:
        return board.profile
    return shapely.MultiPolygon([shapely.box(*board.bounds)])


def _beside(box: Sequence[float], mine: Floats, away: Floats) -> Box:
    """Cut a box half way to the other half's keys, or beyond all of its own keys.

    The latter counts where it is further, as thumb clusters may reach under the other half.
    """
    x0, y0, x1, y1 = box
    if mine.mean() < away.mean():
        x1 = min(x1, max(float(mine.max()) + BESIDE_MM, float(mine.max() + away.min()) / 2))
    else:
        x0 = max(x0, min(float(mine.min()) - BESIDE_MM, float(mine.min() + away.max()) / 2))
    return x0, y0, x1, y1


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
