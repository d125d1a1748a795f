"""Verdicts, and the package that is written when they allow it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.api.reading import build_board, load_house, open_package

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.houses import HouseVerdict
    from fabkit.checks.model import Check, CheckOptions, CheckResult
    from fabkit.checks.thickness import ThicknessRow
    from fabkit.outputs.archive import Packed
    from fabkit.outputs.options import PackOptions
    from fabkit.sheets.house import House


def check(
    board: Board,
    house: House | None = None,
    *,
    options: CheckOptions | None = None,
    other_half: Board | None = None,
    watch: Callable[[Sequence[Check]], Sequence[Check]] | None = None,
) -> CheckResult:
    """Judge a board by the published formats and by what a house can make.

    Parameters
    ----------
    board
        As built by :func:`build_board`.
    house
        The house sheet; None takes the bundled, invented one.
    options
        What was chosen for the order, and which checks to run.
    other_half
        The right half, when ``board`` is a left one of another design: told is whether the two
        belong together.  The right half itself is judged by a call of its own.
    watch
        Wraps the checks while they run; a progress display does this.

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
    from fabkit.checks.model import Case, CheckOptions
    from fabkit.checks.plugins import all_checks
    from fabkit.checks.runner import gather, run_checks

    chosen = options or CheckOptions()
    if chosen.silenced:
        from fabkit.outputs.rulebook import refuse_unknown

        refuse_unknown(silence.rule for silence in chosen.silenced)
    case = Case(board, house or load_house(), chosen, other_half)
    return gather(case, run_checks(all_checks(), case, watch=watch))


def judge_thicknesses(board: Board, house: House | None = None) -> tuple[ThicknessRow, ...]:
    """Judge every thickness a house offers: which hole forbids it, what it weighs, how it gives."""
    from fabkit.checks.thickness import thickness_table

    return thickness_table(board, house or load_house())


def compare_houses(
    board: Board, houses: Sequence[House], *, options: CheckOptions | None = None
) -> tuple[HouseVerdict, ...]:
    """Tell which of several houses can make a board, at which class of limits, and why not."""
    from fabkit.checks.houses import compare_houses as compare

    return compare(board, houses, options)


def pack(
    board: Board,
    target: Path | str,
    *,
    result: CheckResult | None = None,
    options: PackOptions | None = None,
    replace: bool = False,
) -> Packed:
    """Write the zip that a board house needs.

    Parameters
    ----------
    board
        As built by :func:`build_board`; the bytes of its package are packed as they are.
    target
        Name of the zip.
    result
        The board's verdict; None lets :func:`check` find it.
    options
        What is ordered, and how files are named.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    FindingsRefused
        Errors were found that nobody silenced with a reason.
    OutputRefused
        The file exists, cannot be written, or did not read back as the same board.
    """
    from fabkit.outputs.options import PackOptions
    from fabkit.outputs.pack import accepted_errors, refuse_errors, write_pack

    judged = check(board) if result is None else result
    refuse_errors(judged)

    def reopen(part: Path) -> Board:
        return build_board(open_package(part, limits=board.package.limits))

    return write_pack(
        board,
        Path(target),
        options=options or PackOptions(),
        accepted=accepted_errors(judged),
        reopen=reopen,
        replace=replace,
    )
