"""The verdict: every check, run on one board."""

from __future__ import annotations

from contextlib import suppress

from fabkit.board.model import Board
from fabkit.checks.copper_facts import copper_of
from fabkit.checks.copper_width import narrow_copper
from fabkit.checks.data_set import faults_of_files
from fabkit.checks.half import keyboard_of
from fabkit.checks.model import Case, CheckOptions, CheckResult
from fabkit.checks.plugins import all_checks
from fabkit.checks.rulebook import refuse_unknown
from fabkit.checks.runner import gather, run_checks
from fabkit.sheets.house import House, load_house


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
