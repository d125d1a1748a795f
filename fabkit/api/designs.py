"""The designs of an order and the boards given for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from fabkit.base.errors import UsageError

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.sheets.order import Order


def as_designs(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    """Boards as a tuple, also when one is given alone."""
    from fabkit.board.model import Board

    return (boards,) if isinstance(boards, Board) else tuple(boards)


def as_single(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    """Boards as a tuple, each panel of equal boards as one of its boards."""
    from fabkit.board.single import single_board

    return tuple(single_board(board) for board in as_designs(boards))


def order_of(boards: Sequence[Board], order: Order | None) -> Order:
    """The order for some boards, with what each board is settled by its files where nobody said.

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
    from fabkit.keyboard.ordered import settle_uses
    from fabkit.sheets.order import order_for

    wanted = order or order_for(boards[0].package.source)
    require_same_count(boards, wanted)
    return settle_uses(wanted, boards)


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
