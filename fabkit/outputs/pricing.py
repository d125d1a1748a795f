"""What needs verdicts, parts and prices together: a quote, what carries over, what changes do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Final, Literal

from fabkit.base.errors import UsageError
from fabkit.base.findings import Consequence, Severity
from fabkit.base.tables import Column, Record, Result, Table, columns_of
from fabkit.base.units import counted, some_of
from fabkit.board.model import Board, measure_laminate
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.compare.boards import compare_boards
from fabkit.compare.judging import Expectation, Judgement, judge_changes
from fabkit.compare.keys import why_no_parts
from fabkit.compare.model import Comparison, FindingChanges, compare_findings
from fabkit.compare.returned import Returned, judge_returned
from fabkit.costs import quote as costs
from fabkit.costs.model import CostSheet, LaidPanel, facts_from_board, facts_of_order
from fabkit.costs.offers import designs_of, try_cheapest
from fabkit.costs.sensitivity import CostChange, compare_costs
from fabkit.keyboard.ordered import as_designs, describe_order, order_of
from fabkit.outputs.comparison import compare_record
from fabkit.panels.build import lay_boards
from fabkit.panels.frame import outer
from fabkit.parts import buying
from fabkit.parts.book import load_parts
from fabkit.parts.listing import list_parts
from fabkit.parts.model import Bill
from fabkit.sheets.house import House, load_house
from fabkit.sheets.order import MOST_COPIES, Order, PanelOptions, order_for


def quote(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    bill: Bill | None = None,
    house: House | None = None,
    others: Sequence[House] = (),
    results: Sequence[CheckResult] | None = None,
    today: date | None = None,
) -> CostSheet:
    """Price an order: per board, per half and per keyboard over several quantities.

    Parameters
    ----------
    boards
        One reversible design, or the designs of ``order`` in its order.
    order
        How many of what, with which options; None: one keyboard, usual options.
    bill
        Parts list; None prices bare boards.
    house, others
        The house ordered from (None: the bundled, invented one), and others to compare with.
    results
        Verdicts of the boards, which show whether the fine class is needed; None finds them.
    today
        For the age of prices; None leaves it unjudged.

    Raises
    ------
    UsageError
        Boards and order do not belong together, or a board has no size.
    """
    sheet = house or load_house()
    return _pricing(as_designs(boards), order, sheet, others, results, today)(bill)


def _pricing(
    designs: Sequence[Board],
    order: Order | None,
    house: House,
    others: Sequence[House],
    results: Sequence[CheckResult] | None,
    today: date | None,
) -> Callable[[Bill | None], CostSheet]:
    """Measure and lay boards once; give what prices them with one parts list or another."""
    wanted = order_of(designs, order, house=house)
    verdicts = results or [
        check(b, house, options=CheckOptions.of(wanted, use=one.stated))
        for b, one in zip(designs, wanted.boards, strict=True)
    ]
    facts = facts_of_order(wanted, designs, verdicts)
    laid = _laid(designs, wanted, house)
    boards, judged = describe_order(wanted, designs), _judged(wanted, verdicts)
    notices = () if wanted.panel is None else (_BESIDE_PANEL,)

    def price(bill: Bill | None) -> CostSheet:
        found = costs.quote(facts, bill, house, wanted, others=others, today=today, laid=laid)
        return replace(found, notices=(*found.notices, *notices), boards=boards, judged=judged)

    return price


_BESIDE_PANEL: Final = (
    "totals are of boards ordered one by one; the panel is priced in its own document and, for a"
    " pair, among the ways to make it"
)


def _laid(boards: Sequence[Board], order: Order, house: House) -> LaidPanel | None:
    """Lay the boards of one panel by their outlines; None where that is left to their boxes."""
    halves = order.leads[0].use in ("reversible", "left", "right")
    wanted = [
        one.per_keyboard * ((order.panel.copies or 1) if order.panel else one in order.leads)
        for one in order.boards
    ]
    forbidden = sum(map(bool, wanted)) > 1 and not house.options.several_designs
    # What holds several boards already is laid out by its designer.
    one_each = all(b.profile is not None and len(b.profile.geoms) == 1 for b in boards)
    plain = one_each and not any(b.panel for b in boards)
    if not halves or forbidden or not plain or sum(wanted) > MOST_COPIES:
        return None
    outlines = [outer(board.profile) for board in boards if board.profile is not None]
    chosen = [n for n, count in enumerate(wanted) for _ in range(count)]
    try:
        width, height, waste = lay_boards(
            [outlines[n] for n in chosen],
            [order.boards[n].name for n in chosen],
            house=house,
            options=order.panel or PanelOptions(),
        )
    except UsageError:
        return None
    return LaidPanel(
        width_mm=Decimal(str(round(width, 3))),
        height_mm=Decimal(str(round(height, 3))),
        counts=tuple(wanted),
        waste_share=waste,
    )


def _judged(order: Order, verdicts: Sequence[CheckResult]) -> tuple[str, ...]:
    """Give the verdict of each board that should not, or not yet, be ordered."""
    alone = len(order.boards) == 1
    return tuple(
        f"fabkit check{'' if alone else ' of ' + one.name}: {found.verdict}"
        for one, found in zip(order.boards, verdicts, strict=True)
        if found.causes(Consequence.STOP) or found.causes(Consequence.DECIDE)
    )


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Carried(Result):
    """What carries over, and the new revision's cost with and without it.

    Parameters
    ----------
    parts
        Each part: what moves over, what is bought, what is left.
    with_it, without
        Cost of the new revision when only what is lacking is bought, and when everything is.
    """

    parts: buying.CarryOver
    with_it: CostSheet
    without: CostSheet

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        return f"{self.parts.old} to {self.parts.new}: {counted(len(self.parts.lines), 'part')}"

    @property
    def notices(self) -> tuple[str, ...]:
        """What every output must repeat, each once."""
        said = (*self.with_it.notices, *self.parts.bill.notices)
        if self.parts.unknown:
            named = some_of([a.title for a in self.parts.lines if a.key in self.parts.unknown], 4)
            said = (
                *said,
                f"NEW names no parts: whether it needs {named} is not known, nor a saving",
            )
        return tuple(dict.fromkeys(said))

    @property
    def saved_per_half(self) -> Decimal | None:
        """Difference of the two costs per half, rounded once; None where it is not known."""
        if self.parts.unknown:
            return None
        a, b = self.without.best, self.with_it.best
        if a is None or b is None or a.per_half is None or b.per_half is None:
            return None
        return self.with_it.currency.round(a.per_half - b.per_half)

    def table(self) -> Table:
        """Give every part; all numbers are pieces."""
        return self.parts.table()

    def costs_table(self) -> Table:
        """Give the cheapest offers that cover the need, with carry-over and without."""
        numbers = ("boards", "board_total", "parts_total", "total", "per_half")
        ways = (("with carry-over", self.with_it), ("all bought anew", self.without))
        money = self.with_it.currency
        return Table(
            (
                Column("way", "cost of the new revision"),
                Column("boards", number=True),
                Column("board_total", "boards cost", number=True),
                Column("parts_total", "parts cost", number=True),
                *columns_of("total", "per_half", numbers=numbers),
            ),
            tuple(
                (
                    way,
                    best.boards,
                    best.board_total,
                    best.parts_total,
                    best.total,
                    None if best.per_half is None else money.round(best.per_half),
                )
                for way, sheet in ways
                if (best := sheet.best) is not None
            ),
            title=f"in {money.code}",
        )


def carry_over(
    old: tuple[Board | Sequence[Board], Order],
    new: tuple[Board | Sequence[Board], Order],
    *,
    book: Path | str | None = None,
    house: House | None = None,
    keep: int = 0,
    today: date | None = None,
) -> Carried:
    """Find what moves from an old revision to a new one, what must be bought, what is left.

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
    (old_boards, old_order), (new_boards, new_order) = old, new
    if keep > old_order.keyboards:
        raise UsageError(
            f"{keep} old keyboards cannot be kept: there are {old_order.keyboards}",
            hint="say with the old order, or with --old-keyboards, how many were built",
        )
    before = list_parts(old_boards, old_order, book=book)
    after = list_parts(new_boards, new_order, book=book)
    loaded = load_parts(book if book is not None else new_order.parts)
    moved = buying.carry_over(before, after, loaded, keep=keep)
    sheet = house or load_house()
    designs = as_designs(new_boards)
    verdicts = [check(b, sheet, options=CheckOptions.of(new_order)) for b in designs]
    price = _pricing(designs, new_order, sheet, (), verdicts, today)
    with_it, without = price(moved.bill), price(after)
    if not any(board.components for board in designs):
        # A board that names no parts seems to need none of those that only names show.
        lost = frozenset(a.key for a in before.lines if after.line(a.key) is None)
        moved = replace(moved, unknown=lost)
    return Carried(parts=moved, with_it=with_it, without=without)


# From revision to revision


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
        wanted = order_of([board], base, house=sheet)
        tell(f"checking {name}")
        verdict = known or check(board, sheet, options=_options_of_check(asked, order and wanted))
        found.append(verdict)
        if costs:
            tell(f"pricing {name}")
            facts = facts_from_board(
                board, copper_cover=measure_laminate(board)[1], verdict=verdict
            )
            bill = None if unknown else list_parts(board, wanted)
            designs = designs_of((facts,), wanted)
            priced.append(try_cheapest(designs, house=sheet, order=wanted, bill=bill))
    prices = compare_costs(*priced) if costs else None
    return Consequences(
        findings=compare_findings(*found) if findings else None,
        costs=None if prices is None else replace(prices, without_parts=unknown),
    )


def _options_of_check(asked: CheckOptions, order: Order | None) -> CheckOptions:
    """Options of one board's check: what an order states comes before what was asked."""
    if order is None:
        return asked
    return replace(
        CheckOptions.of(order),
        only=asked.only,
        without=asked.without,
        silenced=(*order.silenced, *asked.silenced),
    )
