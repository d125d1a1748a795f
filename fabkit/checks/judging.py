"""The verdict: every check, run on one board; and which of several houses can make it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Final

from fabkit.base.findings import FINE_CLASS, Finding, Severity
from fabkit.base.tables import Result, Table, columns_of
from fabkit.board.model import Board
from fabkit.checks.catalogue import CHECKS, all_checks, refuse_unknown
from fabkit.checks.copper_facts import copper_of
from fabkit.checks.copper_width import narrow_copper
from fabkit.checks.data_set import faults_of_files
from fabkit.checks.half import keyboard_of
from fabkit.checks.model import Case, CheckOptions, CheckResult
from fabkit.checks.runner import any_matches, gather, run_checks
from fabkit.sheets.house import House, LimitClass, load_house


def check(
    board: Board,
    house: House | None = None,
    *,
    options: CheckOptions | None = None,
    other_half: Board | None = None,
) -> CheckResult:
    """Judge a board by the published formats and by what a house can make.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`.
    house
        The house sheet; None takes the bundled, invented one.
    options
        What was chosen for the order, and which checks to run.
    other_half
        The right half, when ``board`` is a left one of another design: whether the two belong
        together is checked too.  The right half itself is judged by a call of its own.

    Returns
    -------
    CheckResult
        A sequence of findings, worst first: what the readers met, what building the board met,
        and what the checks found.

    Raises
    ------
    UsageError
        The options name a check or a rule that does not exist.
    """
    chosen = options or CheckOptions()
    refuse_unknown(silence.rule for silence in chosen.silenced)
    case = Case(board, house or load_house(), chosen, other_half)
    if not chosen.only:
        _prepare(case)
    return gather(case, run_checks(all_checks(), case))


def _prepare(case: Case) -> None:
    """Find what most checks ask for, before they are divided between processes.

    What is too heavy, or breaks, is said by each check that asks for it.
    """
    # In this order: reading the files for faults draws the images that copper is traced on.
    for fact in (faults_of_files, copper_of, keyboard_of, narrow_copper):
        with suppress(Exception):
            case.shared(fact)


def set_aside(
    result: CheckResult, board: Board, house: House, options: CheckOptions
) -> CheckResult:
    """Give the verdict with other rules set aside; nothing is checked again.

    Parameters
    ----------
    result
        Of :func:`check`, of the same board and house with the same other options.

    Raises
    ------
    UsageError
        The options name a rule that does not exist.
    """
    refuse_unknown(silence.rule for silence in options.silenced)
    return gather(Case(board, house, options), result.outcomes)


OFFERS: Final = ("package/layers-offered", "thickness/offered", "order/choices", "profile/routing")
"""Checks that compare with what a house offers, besides those that compare with its limits."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HouseVerdict(Result):
    """What one house could do with a board.

    Parameters
    ----------
    house
        Whose sheet.
    cls
        Class of limits it would be made by; None when the house cannot make it.
    reasons
        Findings that forbid it, or those that need the fine class.
    """

    house: House
    cls: LimitClass | None
    reasons: tuple[Finding, ...]

    @property
    def brief(self) -> str:
        """Whether the house can make it, in a few words."""
        return f"{self.house.name}: {f'{self.cls} class' if self.cls else 'cannot make it'}"

    def table(self) -> Table:
        """Every reason."""
        return Table(columns_of("id", "message"), tuple((f.id, f.message) for f in self.reasons))


def house_checks() -> tuple[str, ...]:
    """Ids of the checks whose answer depends on the house."""
    return tuple(c.id for c in CHECKS if c.limits or c.id in OFFERS)


def judge_house(house: House, result: CheckResult) -> HouseVerdict:
    """Judge from a verdict by this house's sheet whether the house can make the board.

    Errors that lie in the files alone, and what follows from them, are no house's fault and do
    not count.
    """
    rules = {r.id for o in result.outcomes if o.check.id in house_checks() for r in o.check.rules}
    bound = [f for f in result if f.id in rules and not f.follows]
    forbidding = tuple(f for f in bound if f.severity is Severity.ERROR)
    if forbidding:
        return HouseVerdict(house=house, cls=None, reasons=forbidding)
    fine = tuple(f for f in bound if f.choice == FINE_CLASS)
    return HouseVerdict(house=house, cls="fine" if fine else "standard", reasons=fine)


def compare_houses(
    board: Board, houses: Sequence[House], *, options: CheckOptions | None = None
) -> tuple[HouseVerdict, ...]:
    """Judge which of several houses can make a board, at which class of limits, and why not.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`.
    houses
        Sheets; the verdicts come in their order.
    options
        As for :func:`fabkit.check`; only checks that ask the house are run.
    """
    chosen = options or CheckOptions()
    asked = tuple(i for i in house_checks() if not chosen.only or any_matches(chosen.only, i))
    verdicts = []
    for house in houses:
        case = Case(board, house, replace(chosen, only=asked))
        outcomes = run_checks(CHECKS, case) if asked else ()
        verdicts.append(judge_house(house, gather(case, outcomes)))
    return tuple(verdicts)
