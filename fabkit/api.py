"""Where the rooms are put together: everything the command line can do, for Python.

Every function is re-exported by :mod:`fabkit`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.errors import UsageError
from fabkit.limits import DEFAULT_LIMITS, Limits

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.model import Check, CheckOptions, CheckResult
    from fabkit.drill.model import DrillFile
    from fabkit.findings import Rule
    from fabkit.gerber.model import GerberFile
    from fabkit.house.sheet import House
    from fabkit.intake.model import Member
    from fabkit.outputs.archive import Packed
    from fabkit.outputs.options import PackOptions
    from fabkit.package.model import Package
    from fabkit.preview.options import PreviewOptions


def read_gerber(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> GerberFile:
    """Read one layer file.

    Raises
    ------
    UnreadableInput
        The file cannot be opened; what is wrong inside is in the result's ``problems``.
    LimitExceeded
        The file is larger than the limits allow.
    """
    from fabkit.gerber.reader import read

    member = _only_member(path, limits)
    return read(member.data, name=member.name, limits=limits)


def read_drill(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> DrillFile:
    """Read one NC drill file.

    A number format that the file does not state can only be told from a whole package: see
    ``needs_format`` of the result, and :func:`open_package`.

    Raises
    ------
    UnreadableInput
        The file cannot be opened; what is wrong inside is in the result's ``problems``.
    LimitExceeded
        The file is larger than the limits allow.
    """
    from fabkit.drill.reader import read

    member = _only_member(path, limits)
    return read(member.data, name=member.name, limits=limits)


def _only_member(path: Path | str, limits: Limits) -> Member:
    from fabkit.intake.opening import open_input

    members = open_input(Path(path), limits=limits).members
    if len(members) != 1 or Path(path).is_dir():
        raise UsageError(
            f"{path} holds {len(members)} files, where one was expected",
            hint="name a single file, or read it all with open_package",
        )
    return members[0]


def open_package(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> Package:
    """Open a folder or zip of exported files and tell what each file is for.

    Raises
    ------
    UnreadableInput
        It is missing, empty, damaged, encrypted, or holds no package or several.
    LimitExceeded
        It is larger than the limits allow.
    """
    from fabkit.intake.opening import open_input
    from fabkit.package.build import read_package

    return read_package(open_input(Path(path), limits=limits), limits=limits)


def build_board(package: Package) -> Board:
    """Build the board that will be made from a package; problems ride along with it."""
    from fabkit.board.build import build_board as build

    return build(package)


def load_house(path: Path | str | None = None) -> House:
    """Load a house sheet; None gives the bundled, invented one.

    Raises
    ------
    SheetError
        A key of the sheet is wrong; names file, line and key.
    """
    from fabkit.house.loading import load_house as load

    return load(path)


def check(
    board: Board,
    house: House | None = None,
    *,
    options: CheckOptions | None = None,
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
        The options name a check that does not exist.
    """
    from fabkit.checks.case import Case
    from fabkit.checks.catalogue import CHECKS
    from fabkit.checks.gather import gather
    from fabkit.checks.model import CheckOptions
    from fabkit.checks.runner import run_checks

    chosen = options or CheckOptions()
    case = Case(board, house or load_house(), chosen)
    return gather(case, run_checks(CHECKS, case, watch=watch))


def find_rules(name: str | None = None) -> tuple[Rule, ...]:
    """Entries of the catalogue of everything that can be found.

    Parameters
    ----------
    name
        Id of a rule or of a check, a group with a trailing slash, or None for all.

    Raises
    ------
    UsageError
        Nothing is called so.
    """
    from difflib import get_close_matches

    from fabkit.checks.catalogue import CHECKS
    from fabkit.checks.runner import matches
    from fabkit.outputs.rulebook import all_rules

    rules = all_rules()
    if name is None:
        return rules
    own = {rule.id for one in CHECKS if one.id == name for rule in one.rules}
    found = tuple(rule for rule in rules if matches(name, rule.id) or rule.id in own)
    if not found:
        groups = {rule.id.split("/")[0] + "/" for rule in rules}
        near = get_close_matches(name, [*sorted(groups), *(rule.id for rule in rules)], n=1)
        raise UsageError(
            f"nothing in the catalogue is called '{name}'",
            hint=f"did you mean '{near[0]}'?" if near else "`fabkit checks` lists everything",
        )
    return found


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
        What is ordered, and which errors are accepted.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    FindingsRefused
        Errors were found that ``options.despite`` does not accept.
    OutputRefused
        The file exists, cannot be written, or did not read back as the same board.
    """
    from fabkit.outputs.options import PackOptions
    from fabkit.outputs.pack import refuse_errors, write_pack

    chosen = options or PackOptions()
    refuse_errors(check(board) if result is None else result, chosen)

    def reopen(part: Path) -> Board:
        return build_board(open_package(part))

    return write_pack(board, Path(target), options=chosen, reopen=reopen, replace=replace)


def preview(
    board: Board,
    folder: Path | str,
    *,
    options: PreviewOptions | None = None,
    formats: Sequence[str] = ("png",),
    replace: bool = False,
) -> tuple[Path, ...]:
    """Draw front and back of the finished board into a folder.

    Parameters
    ----------
    board
        As built by :func:`build_board`.
    folder
        Where the pictures go; made when it is not there.
    options
        Colours, scale and more.
    formats
        Of ``png``, ``svg`` and ``pdf``.
    replace
        Whether existing pictures may be overwritten.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputRefused
        A picture exists, or cannot be written.
    UsageError
        A picture would be too large.
    """
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.pictures import picture_files, picture_names
    from fabkit.preview.options import PreviewOptions

    targets = [Path(folder) / name for name in picture_names(formats)]
    for target in targets:
        refuse_existing(target, replace=replace)
    files = picture_files(board, options or PreviewOptions(), formats=formats)
    for target in targets:
        write_file(target, files[target.name], replace=replace)
    return tuple(targets)
