"""The parts list of an order: which boards make the halves, and what each board is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fabkit.board.model import Board
from fabkit.keyboard.ordered import as_designs, as_single, describe_order, order_of
from fabkit.parts.bill import build_bill
from fabkit.parts.book import load_parts
from fabkit.parts.model import HALVES, Bill, Usage
from fabkit.parts.places import Beside
from fabkit.sheets.order import Order, lead_numbers


def list_parts(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    book: Path | str | None = None,
) -> Bill:
    """List what must be bought.

    Parameters
    ----------
    boards
        One reversible design, or the designs of ``order`` in its order.
    order
        How many of what; None: one keyboard of the reversible design.
    book
        The parts book; None takes the order's, else the bundled, invented one.

    Raises
    ------
    SheetError
        A key of the parts book is wrong.
    UsageError
        Boards and order do not belong together.
    """
    given = as_designs(boards)
    designs = as_single(given)
    wanted = order_of(designs, order)
    loaded = load_parts(book if book is not None else wanted.parts)
    leads = lead_numbers(wanted.boards)
    by_use = {wanted.boards[n].use: designs[n] for n in leads}
    whole = designs[leads[0]] if len(leads) == 1 else {half: by_use[half] for half in HALVES}
    beside = [
        Beside(board=board, name=one.name, use=one.use, count=one.per_keyboard)
        for number, (one, board) in enumerate(zip(wanted.boards, designs, strict=True))
        if number not in leads
    ]
    bill = build_bill(whole, loaded, usage=Usage.of(wanted), beside=beside)
    return replace(bill, name=wanted.name, boards=describe_order(wanted, given))
