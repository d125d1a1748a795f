"""From revision to revision: what changed, whether it was meant, what it does to the price."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Literal

from fabkit.base.errors import UsageError
from fabkit.base.findings import Severity
from fabkit.base.tables import Record
from fabkit.board.model import Board, measure_laminate
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.compare.boards import compare_boards
from fabkit.compare.expecting import Expectation, Judgement, judge_changes
from fabkit.compare.keys import why_no_parts
from fabkit.compare.model import Comparison, FindingChanges, compare_findings
from fabkit.compare.returned import Returned, judge_returned
from fabkit.costs.changes import CostChange, compare_costs
from fabkit.costs.facts import facts_from_board
from fabkit.costs.offers import designs_of, try_cheapest
from fabkit.keyboard.ordered import order_of
from fabkit.outputs.comparison import compare_record
from fabkit.parts.listing import list_parts
from fabkit.sheets.house import House, load_house
from fabkit.sheets.order import Order, order_for, settle_thickness


@dataclass(frozen=True, eq=False, kw_only=True)
class Consequences:
    """What the changes do to the verdict and to the price; None where it was not asked for."""

    findings: FindingChanges | None = None
    costs: CostChange | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Compared:
    """Two revisions compared, judged by the changes that were meant, and weighed.

    ``judgement`` is None where no file of expected changes was given, ``returned`` where NEW did
    not come back from a board house.
    """

    comparison: Comparison
    judgement: Judgement | None = None
    consequences: Consequences = Consequences()
    returned: Returned | None = None

    @cached_property
    def record(self) -> Record:
        """All of it as a plain dictionary, which outputs are written from."""
        return compare_record(
            self.comparison,
            findings=self.consequences.findings,
            costs=self.consequences.costs,
            judgement=self.judgement,
            returned=self.returned,
        )

    def exit_status(self, fail_on: Severity | None) -> int:
        """1 for a change that was not meant (or any, where none was), or a new severe finding.

        Of files that came back from a board house: 1 when they are not the board, or it is not
        decided.
        """
        if self.returned is not None:
            return int(not self.returned.mine)
        meant = self.comparison.equal if self.judgement is None else not self.judgement.findings
        findings = self.consequences.findings
        return int(not meant) or (findings.status(fail_on) if findings else 0)


def compare_revisions(
    old: Board,
    new: Board,
    *,
    expected: Path | str | Sequence[Expectation] | None = None,
    order: Order | None = None,
    house: House | None = None,
    options: CheckOptions | None = None,
    weigh: Literal["all", "findings", "nothing", "returned"] = "all",
    tell: Callable[[str], None] = lambda _: None,
) -> Compared:
    """Compare two boards, judge the changes, and weigh what they do to verdict and price.

    Parameters
    ----------
    old, new
        As built by :func:`fabkit.build_board`.
    expected
        As for :func:`judge_changes`; None judges nothing.
    order, house, options, tell
        As for :func:`weigh_changes`.
    weigh
        What else to compare: verdicts and prices, verdicts alone, or nothing; or, of files that a
        board house returned, whether they are still the board.  Boards of the same files are not
        weighed, as nothing differs, nor are two designs that are not comparable.

    Raises
    ------
    SheetError
        A key of the file of expected changes is wrong.
    UsageError
        The order has two designs.
    """
    comparison = compare_boards(old, new, tell=tell)
    judgement = None if expected is None else judge_changes(comparison, expected)
    weighable = comparison.alignment.comparable and not comparison.same_files
    consequences = weigh_changes(
        comparison,
        order=order,
        house=house,
        options=options,
        findings=weigh in ("all", "findings") and weighable,
        costs=weigh == "all" and weighable,
        tell=tell,
    )
    return Compared(
        comparison=comparison,
        judgement=judgement,
        consequences=consequences,
        returned=judge_returned(comparison) if weigh == "returned" else None,
    )


def weigh_changes(
    comparison: Comparison,
    *,
    order: Order | None = None,
    house: House | None = None,
    result: CheckResult | None = None,
    options: CheckOptions | None = None,
    findings: bool = True,
    costs: bool = True,
    tell: Callable[[str], None] = lambda _: None,
) -> Consequences:
    """Compare verdicts and prices of both boards.

    Parameters
    ----------
    comparison
        As made by :func:`fabkit.compare_boards`.
    order
        How many of what, for the price; None: one keyboard.
    house
        Who makes it; None takes the bundled, invented one.
    result
        Verdict of the new board, where it is known already.
    options
        Which checks to run, which rules are silenced and, where there is no order, what one board
        is and what is chosen for it.
    findings, costs
        Whether to compare verdicts, and prices.
    tell
        Called with a few words on what is being done now.

    Raises
    ------
    UsageError
        The order has two designs.
    """
    if order is not None and len(order.boards) != 1:
        raise UsageError(
            f"the order has {len(order.boards)} designs, and one board was compared",
            hint="give an order of one design, or leave the price out with --no-costs",
        )
    if not findings and not costs:
        return Consequences()
    sheet = house or load_house()
    asked = options or CheckOptions()
    found, priced = [], []
    # A board that names no parts seems to need none: its price would show a saving.
    unknown = why_no_parts(comparison.old, comparison.new)
    unknown = "" if unknown.startswith("neither") else unknown
    for name, board, known in (("OLD", comparison.old, None), ("NEW", comparison.new, result)):
        # Each board is judged and priced at its own thickness where the order leaves it open.
        base = order or order_for(board.package.source, use=asked.use)
        wanted = settle_thickness(order_of([board], base), [board.thickness_mm], sheet)
        tell(f"checking {name}")
        verdict = known or check(board, sheet, options=_judged(asked, order and wanted))
        found.append(verdict)
        if costs:
            tell(f"pricing {name}")
            facts = facts_from_board(
                board, copper_cover=measure_laminate(board)[1], needs_fine=verdict.needs_fine
            )
            bill = None if unknown else list_parts(board, wanted)
            designs = designs_of((facts,), wanted)
            priced.append(try_cheapest(designs, house=sheet, order=wanted, bill=bill))
    prices = compare_costs(*priced) if costs else None
    return Consequences(
        findings=compare_findings(*found) if findings else None,
        costs=None if prices is None else replace(prices, without_parts=unknown),
    )


def _judged(asked: CheckOptions, order: Order | None) -> CheckOptions:
    """Options of one board's check: what an order states comes before what was asked."""
    if order is None:
        return asked
    return replace(
        CheckOptions.of(order),
        only=asked.only,
        without=asked.without,
        silenced=(*order.silenced, *asked.silenced),
    )
