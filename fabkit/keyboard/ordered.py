"""The boards of an order: those given for its designs, and what each is once its files are read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from fabkit.base.errors import UsageError
from fabkit.board.model import Board
from fabkit.board.single import choose_edge, single_board
from fabkit.keyboard.build import describe, find_keyboard
from fabkit.keyboard.model import BoardIs, Hands
from fabkit.sheets.order import (
    BESIDE,
    Order,
    OrderedBoard,
    find_wrong_count,
    halves_of,
    order_for,
)


def as_designs(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    """Boards as a tuple, also when one is given alone."""
    return (boards,) if isinstance(boards, Board) else tuple(boards)


def as_single(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    """Boards as a tuple, each panel of equal boards as one of its boards."""
    return tuple(single_board(board) for board in as_designs(boards))


def require_same_count(boards: Sequence[Board], order: Order) -> None:
    """Refuse boards that are more or fewer than the order's designs.

    Raises
    ------
    UsageError
        They are.
    """
    if len(boards) != len(order.boards):
        raise UsageError(
            f"the order has {len(order.boards)} designs, but {len(boards)} boards were given",
            hint="give one board for each [[board]] of the order, in its order",
        )


def order_of(boards: Sequence[Board], order: Order | None) -> Order:
    """The order for some boards, each settled by its files where the user did not state its use.

    Parameters
    ----------
    boards
        The designs.
    order
        As loaded; None orders one keyboard of the first board.

    Raises
    ------
    UsageError
        The order has more or fewer designs.
    """
    wanted = order or order_for(boards[0].package.source)
    require_same_count(boards, wanted)
    return settle_uses(wanted, boards)


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
        hand is counted as if the other hand's half were a design of the same price; a half or
        plate with its counterpart for the other hand counts once a keyboard.

    Raises
    ------
    UsageError
        The boards of one keyboard do not give two halves.
    """
    hands = [find_keyboard(board, one.stated).hands for one, board in _pairs(order, boards)]
    sides = [(_is_half(h), h.groups[0].hand if len(h.groups) == 1 else "") for h in hands]
    settled = []
    for (one, _), found, (half, hand) in zip(_pairs(order, boards), hands, sides, strict=True):
        if one.stated is None:
            one = replace(one, use=found.use)
        if not one.counted and (one.stated is None or one.use == "plate"):
            halves = plate_halves(found)
            paired = hand in _OTHER and (half, _OTHER[hand]) in sides
            once = one.use == "none" or (paired and halves == 1)
            one = replace(one, halves=halves, per_keyboard=1 if once else 2 // halves)
        settled.append(one)
    wrong = find_wrong_count(settled)
    if wrong is not None:
        name = settled[wrong.number].name
        raise UsageError(
            f"{order.name}: {wrong.message} ({name})", hint=f"expected {wrong.expected}"
        )
    return replace(order, boards=tuple(settled))


def with_edge(board: Board, one: OrderedBoard) -> Board:
    """The board with its edge as the order file states it; as it is where the file leaves it.

    Raises
    ------
    UsageError
        There is no such reading of its outline, or no single board.
    """
    if one.edge is None:
        return board
    try:
        return choose_edge(board, one.edge)
    except UsageError as error:
        raise UsageError(f"{one.name}: {error.message}", hint=error.hint) from error


_OTHER = {"left": "right", "right": "left"}


def _pairs(order: Order, boards: Sequence[Board]) -> Iterator[tuple[OrderedBoard, Board]]:
    return zip(order.boards, boards, strict=True)


def _is_half(hands: Hands) -> bool:
    """Whether a board is a circuit board rather than a plate."""
    return hands.use not in BESIDE


def plate_halves(hands: Hands) -> int:
    """Halves one board serves; a plate serves those its openings are for."""
    if hands.use == "plate" and hands.groups:
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
