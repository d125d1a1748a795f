"""What the boards of an order are, once their files are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fabkit.board.model import Board
from fabkit.house.order import Order, OrderedBoard, boards_of, halves_of
from fabkit.keyboard.build import describe, find_keyboard
from fabkit.keyboard.model import BoardIs, Hands


def settle_uses(order: Order, boards: Sequence[Board]) -> Order:
    """Take what each board is from its files where the user did not say it.

    Parameters
    ----------
    order
        As loaded.
    boards
        Its designs, in its order.

    Returns
    -------
    Order
        With use, halves and boards per keyboard of every design settled.  A lone half for one
        hand is counted as if the other hand's half were a design of the same price.
    """
    settled = [_settle(one, board) for one, board in zip(order.boards, boards, strict=True)]
    return replace(order, boards=tuple(settled))


def _settle(one: OrderedBoard, board: Board) -> OrderedBoard:
    if one.stated is not None or one.counted:
        return one
    hands = find_keyboard(board).hands
    halves = _halves_of(hands)
    return replace(
        one,
        use=hands.use,
        halves=halves,
        per_keyboard=boards_of(hands.use) if hands.use == "none" else 2 // halves,
    )


def _halves_of(hands: Hands) -> int:
    """Halves one board serves; a plate serves those its openings are for."""
    if hands.use == "plate":
        return 2 if len(hands.groups) == 2 or hands.groups[0].hand == "whole" else 1
    return hands.halves or halves_of(hands.use)


def describe_order(order: Order, boards: Sequence[Board]) -> tuple[BoardIs, ...]:
    """What each board of a settled order is; how a lone half is counted stands in its headline."""
    return tuple(
        replace(said, headline="; ".join(t for t in (said.headline, counted_as(one)) if t))
        for one, board in zip(order.boards, boards, strict=True)
        for said in [describe(board, one.stated, name=one.name)]
    )


def counted_as(one: OrderedBoard) -> str:
    """What was assumed to count a lone half for one hand; empty for every other board."""
    if one.stated is None and one.use in ("left", "right") and one.per_keyboard == 2:
        other = "right" if one.use == "left" else "left"
        return f"the {other} half is counted as another board of the same price"
    return ""
