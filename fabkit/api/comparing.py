"""From revision to revision: what changed, whether it was meant, what it does to the price."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.api.designs import order_of
from fabkit.api.judging import check
from fabkit.api.ordering import judged_by, list_parts
from fabkit.api.reading import load_house
from fabkit.base.errors import UsageError

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.model import CheckOptions, CheckResult
    from fabkit.compare.expecting import Expectation, Judgement
    from fabkit.compare.findings import FindingChanges
    from fabkit.compare.model import Comparison
    from fabkit.costs.changes import CostChange
    from fabkit.outputs.comparison import Compared
    from fabkit.sheets.house import House
    from fabkit.sheets.order import BoardUse, Order


@dataclass(frozen=True, eq=False, kw_only=True)
class Consequences:
    """What the changes do to the verdict and to the price; None where it was not asked for."""

    findings: FindingChanges | None
    costs: CostChange | None


def compare_boards(
    old: Board, new: Board, *, tell: Callable[[str], None] = lambda _: None
) -> Comparison:
    """Find everything that differs between two boards.

    Parameters
    ----------
    old, new
        As built by :func:`build_board`.
    tell
        Told what is being done now.

    Returns
    -------
    Comparison
        Its ``changes`` are empty when both are the same board within the tolerance, whatever the
        dialect, units or order of their files.
    """
    from fabkit.compare.boards import compare_boards as compare

    return compare(old, new, tell=tell)


def judge_changes(
    comparison: Comparison, expected: Path | str | tuple[Expectation, ...]
) -> Judgement:
    """Tell which changes were meant; what was not, and what was meant but is not there.

    Parameters
    ----------
    expected
        A file of expected changes, or its entries.

    Raises
    ------
    SheetError
        A key of the file is wrong; names file, line and key.
    """
    from fabkit.compare.expecting import judge_changes as judge
    from fabkit.compare.expecting import load_expected

    if isinstance(expected, tuple):
        return judge(comparison, expected, file="")
    return judge(comparison, load_expected(expected), file=str(expected))


def weigh_changes(
    comparison: Comparison,
    *,
    order: Order | None = None,
    house: House | None = None,
    result: CheckResult | None = None,
    options: CheckOptions | None = None,
    use: BoardUse | None = None,
    findings: bool = True,
    costs: bool = True,
    tell: Callable[[str], None] = lambda _: None,
) -> Consequences:
    """Compare verdicts and prices of both boards.

    Parameters
    ----------
    order
        How many of what, for the price; None: one keyboard.
    house
        Who makes it; None takes the bundled, invented one.
    result
        Verdict of the new board, where it is known already.
    options
        Which checks to run and which rules are silenced; the rest where there is no order.
    use
        What one board is, where there is no order; None leaves it to the files.
    findings, costs
        Whether to compare verdicts, and prices.

    Raises
    ------
    UsageError
        The order has two designs.
    """
    from fabkit.checks.model import CheckOptions
    from fabkit.compare.findings import compare_findings
    from fabkit.costs.changes import compare_costs, price_half
    from fabkit.costs.facts import facts_from_board, measure_cover
    from fabkit.sheets.order import order_for, settle_thickness

    boards = (comparison.old, comparison.new)
    if order is not None and len(order.boards) != 1:
        raise UsageError(
            f"the order has {len(order.boards)} designs, and one board was compared",
            hint="give an order of one design, or leave the price out with --no-costs",
        )
    if not findings and not costs:
        return Consequences(findings=None, costs=None)
    sheet = house or load_house()
    # Each board is judged and priced at its own thickness where the order leaves it open.
    orders = [
        settle_thickness(
            order_of([b], order or order_for(b.package.source, use=use)), [b.thickness_mm], sheet
        )
        for b in boards
    ]
    asked = options or CheckOptions()
    found = []
    for name, board, wanted, given in zip(
        ("OLD", "NEW"), boards, orders, (None, result), strict=True
    ):
        tell(f"checking {name}")
        judged = asked
        if order is not None:
            judged = dataclasses.replace(
                judged_by(wanted),
                only=asked.only,
                without=asked.without,
                silenced=(*wanted.silenced, *asked.silenced),
            )
        found.append(given or check(board, sheet, options=judged))
    money = None
    if costs:
        tell("pricing both")
        priced = []
        for board, wanted, verdict in zip(boards, orders, found, strict=True):
            facts = facts_from_board(
                board, copper_cover=measure_cover(board), needs_fine=verdict.needs_fine
            )
            priced.append(price_half(facts, list_parts(board, wanted), sheet, wanted))
        money = compare_costs(*priced)
    changes = compare_findings(*found) if findings else None
    return Consequences(findings=changes, costs=money)


def compare_order(
    old: Board,
    new: Board,
    result: CheckResult,
    order: Order,
    house: House,
    *,
    tell: Callable[[str], None] = lambda _: None,
) -> Compared:
    """Compare an order's board, whose verdict is known, with the revision before it."""
    from fabkit.outputs.comparison import Compared, compare_record

    comparison = compare_boards(old, new, tell=tell)
    weighed = weigh_changes(comparison, order=order, house=house, result=result, tell=tell)
    record = compare_record(comparison, findings=weighed.findings, costs=weighed.costs)
    return Compared(comparison=comparison, record=record)
