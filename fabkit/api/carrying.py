"""Parts and cost from one revision to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.api.designs import as_designs
from fabkit.api.judging import check
from fabkit.api.ordering import judged_by, list_parts, quote
from fabkit.api.reading import load_house

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.costs.model import CostSheet
    from fabkit.parts.carry import CarryOver
    from fabkit.sheets.house import House
    from fabkit.sheets.order import Order


@dataclass(frozen=True, eq=False, kw_only=True)
class Carried:
    """What carries over, and the new revision's cost with and without it.

    ``without`` buys everything anew; ``with_it`` buys only what is lacking.
    """

    parts: CarryOver
    with_it: CostSheet
    without: CostSheet


def carry_over(
    old: tuple[Board | Sequence[Board], Order],
    new: tuple[Board | Sequence[Board], Order],
    *,
    book: Path | str | None = None,
    house: House | None = None,
    keep: int = 0,
    today: date | None = None,
) -> Carried:
    """Tell what moves from an old revision to a new one, what must be bought, what is left.

    Parameters
    ----------
    old, new
        Boards and order of each revision.
    book
        The parts book of both; None takes each order's own.
    house
        The house the new boards are ordered from; None takes the bundled, invented one.
    keep
        Old keyboards that are not taken apart.
    today
        For the age of prices; None leaves it unjudged.

    Raises
    ------
    SheetError
        A key of a parts book is wrong.
    UsageError
        Boards and orders do not belong together, or more keyboards are kept than there are.
    """
    from fabkit.base.errors import UsageError
    from fabkit.parts.book import load_parts
    from fabkit.parts.carry import carry_over as carry

    (old_boards, old_order), (new_boards, new_order) = old, new
    if keep > old_order.keyboards:
        raise UsageError(
            f"{keep} old keyboards cannot be kept: there are {old_order.keyboards}",
            hint="say with the old order, or with --old-keyboards, how many were built",
        )
    before = list_parts(old_boards, old_order, book=book)
    after = list_parts(new_boards, new_order, book=book)
    loaded = load_parts(book if book is not None else new_order.parts)
    moved = carry(before, after, loaded, keep=keep)
    sheet = house or load_house()
    designs = as_designs(new_boards)
    verdicts = [check(b, sheet, options=judged_by(new_order)) for b in designs]
    with_it, without = (
        quote(designs, new_order, bill=bill, house=sheet, results=verdicts, today=today)
        for bill in (moved.bill, after)
    )
    return Carried(parts=moved, with_it=with_it, without=without)
