"""Where the rooms are put together: everything the command line can do, for Python.

Every function is re-exported by :mod:`fabkit`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fabkit.errors import UsageError
from fabkit.limits import DEFAULT_LIMITS, Limits

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.houses import HouseVerdict
    from fabkit.checks.model import Check, CheckOptions, CheckResult
    from fabkit.checks.thickness import ThicknessRow
    from fabkit.costs.facts import BoardFacts
    from fabkit.costs.model import CostSheet
    from fabkit.drill.model import DrillFile
    from fabkit.findings import Finding
    from fabkit.gerber.model import GerberFile
    from fabkit.house.order import Order
    from fabkit.house.sheet import House
    from fabkit.intake.model import Member
    from fabkit.outputs.archive import Packed
    from fabkit.outputs.drawings import SheetChoice, SheetKind
    from fabkit.outputs.options import PackOptions
    from fabkit.package.model import Package
    from fabkit.parts.model import Bill
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

    One layer or drill file may stand for the set in its folder that it belongs to.

    Raises
    ------
    UnreadableInput
        It is missing, empty, damaged, encrypted, or holds no package or several.
    LimitExceeded
        It is larger than the limits allow.
    """
    from fabkit.package.build import read_package
    from fabkit.package.one_file import open_set

    return read_package(open_set(Path(path), limits=limits), limits=limits)


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
        The options name a check or a rule that does not exist.
    """
    from fabkit.checks.case import Case
    from fabkit.checks.gather import gather
    from fabkit.checks.model import CheckOptions
    from fabkit.checks.plugins import all_checks
    from fabkit.checks.runner import run_checks

    chosen = options or CheckOptions()
    if chosen.silenced:
        from fabkit.outputs.rulebook import refuse_unknown

        refuse_unknown(silence.rule for silence in chosen.silenced)
    case = Case(board, house or load_house(), chosen)
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


def draw(
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


def draw_sheet(
    board: Board,
    target: Path | str,
    choice: SheetChoice | SheetKind,
    *,
    options: PreviewOptions | None = None,
    result: CheckResult | None = None,
    house: House | None = None,
    replace: bool = False,
) -> Path:
    """Draw one sheet about a board: halves, drills, a layer, a net, islands, findings, measures.

    Parameters
    ----------
    board
        As built by :func:`build_board`.
    target
        What to write; its ending (``.png``, ``.svg``, ``.pdf``) says how.
    choice
        Which sheet; the kind alone where it needs no more.
    options
        Colours, scale and more.
    result, house
        For ``findings``: the verdict, or the house to find it by.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        The ending, the layer, the net or the point is not known, or the picture too large.
    OutputRefused
        The file exists, or cannot be written.
    """
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.drawings import SheetChoice, build_sheet, format_of, sheet_bytes

    path = Path(target)
    wanted = choice if isinstance(choice, SheetChoice) else SheetChoice(kind=choice)
    kind = format_of(path)
    refuse_existing(path, replace=replace)
    found: Sequence[Finding] = ()
    if wanted.kind == "findings":
        found = check(board, house) if result is None else result
    picture = build_sheet(board, wanted, options=options, findings=found)
    write_file(path, sheet_bytes(picture, kind, options), replace=replace)
    return path


def draw_paper(
    boards: Board | Sequence[Board],
    target: Path | str,
    *,
    order: Order | None = None,
    paper: str = "a4",
    replace: bool = False,
) -> Path:
    """Write a paper template at full size as PDF, to lay a hand on.

    Parameters
    ----------
    boards
        One reversible design, or the designs of ``order`` in its order.
    target
        Name of the PDF.
    order
        Which board is which half; None: one design that makes either.
    paper
        ``a4`` or ``letter``.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        Boards and order do not belong together, or the paper is not known.
    OutputRefused
        The file exists, or cannot be written.
    """
    from fabkit.house.order import order_for
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.drawings import paper_bytes, paper_of

    designs = _listed(boards)
    wanted = order or order_for(designs[0].package.source)
    _agree(designs, wanted)
    path = Path(target)
    refuse_existing(path, replace=replace)
    write_file(path, paper_bytes(designs, wanted, paper=paper_of(paper)), replace=replace)
    return path


def load_order(path: Path | str) -> Order:
    """Load an order file.

    Raises
    ------
    SheetError
        A key of the file is wrong; names file, line and key.
    """
    from fabkit.house.order import load_order as load

    return load(path)


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
    from fabkit.house.order import order_for
    from fabkit.parts.bill import build_bill
    from fabkit.parts.book import load_parts
    from fabkit.parts.model import HALVES, Usage

    designs = _listed(boards)
    wanted = order or order_for(designs[0].package.source)
    _agree(designs, wanted)
    loaded = load_parts(book if book is not None else wanted.parts)
    usage = Usage.of(wanted)
    if len(designs) == 1:
        return dataclasses.replace(build_bill(designs[0], loaded, usage=usage), name=wanted.name)
    by_side = {o.side: board for o, board in zip(wanted.boards, designs, strict=True)}
    halves = {half: by_side[half] for half in HALVES}
    return dataclasses.replace(build_bill(halves, loaded, usage=usage), name=wanted.name)


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
        Verdicts of the boards, which tell whether the fine class is needed; None finds them.
    today
        For the age of prices; None leaves it unjudged.

    Raises
    ------
    UsageError
        Boards and order do not belong together, or a board has no size.
    """
    from fabkit.costs.quote import quote as price
    from fabkit.house.order import order_for

    designs = _listed(boards)
    wanted = order or order_for(designs[0].package.source)
    _agree(designs, wanted)
    sheet = house or load_house()
    verdicts = results or [check(b, sheet, options=_judged(wanted)) for b in designs]
    facts = _facts(designs, verdicts)
    return price(facts, bill, sheet, wanted, others=others, today=today)


def order(
    wanted: Order | Path | str,
    folder: Path | str,
    *,
    despite: Mapping[str, str] | None = None,
    replace: bool = False,
    today: date | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> dict[str, Any]:
    """Do everything an order asks for, into one folder that is replaced only when whole.

    Parameters
    ----------
    wanted
        The order, or the path of an order file.
    folder
        Where the outputs go; an old order folder is replaced, any other is refused.
    despite
        Rules whose errors are accepted, each with a reason.
    replace
        Whether outputs changed by hand may be overwritten.
    today
        For the age of prices; None leaves it unjudged.
    tell
        Told what is being done now.

    Returns
    -------
    dict
        The manifest.

    Raises
    ------
    FabkitError
        An input cannot be used, or the folder cannot be written.
    """
    from fabkit.outputs.order_folder import (
        JudgedBoard,
        OrderContents,
        prepare_folder,
        write_order,
    )

    asked = wanted if not isinstance(wanted, Path | str) else load_order(wanted)
    target = Path(folder)
    prepare_folder(target, replace=replace)
    house, *others = [load_house(path) for path in asked.houses or (None,)]
    judged = []
    for one in asked.boards:
        tell(f"reading {one.name}")
        board = build_board(open_package(one.package))
        tell(f"checking {one.name}")
        options = _judged(asked)
        result = check(board, house, options=options)
        tell(f"comparing houses for {one.name}" if others else f"checked {one.name}")
        compared = compare_houses(board, (house, *others), options=options) if others else ()
        judged.append(JudgedBoard(ordered=one, board=board, result=result, houses=compared))
    boards = [j.board for j in judged]
    tell("listing the parts")
    bill = list_parts(boards, asked)
    tell("pricing")
    costs = quote(
        boards,
        asked,
        bill=bill,
        house=house,
        others=others,
        results=[j.result for j in judged],
        today=today,
    )
    contents = OrderContents(
        order=asked,
        house=house,
        boards=tuple(judged),
        facts=_facts(boards, [j.result for j in judged]),
        bill=bill,
        costs=costs,
        sources=_sheet_bytes(asked),
        today=today,
    )
    return write_order(
        contents,
        target,
        despite=despite or {},
        reopen=lambda part: build_board(open_package(part)),
        tell=tell,
        replace=replace,
    )


def _facts(boards: Sequence[Board], verdicts: Sequence[CheckResult]) -> tuple[BoardFacts, ...]:
    """What a house charges by, of each board; the verdicts tell who needs the fine class."""
    from fabkit.costs.facts import facts_from_board, measure_cover

    return tuple(
        facts_from_board(b, copper_cover=measure_cover(b), needs_fine=r.needs_fine)
        for b, r in zip(boards, verdicts, strict=True)
    )


def _listed(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    from fabkit.board.model import Board

    return (boards,) if isinstance(boards, Board) else tuple(boards)


def _agree(boards: Sequence[Board], order: Order) -> None:
    if len(boards) != len(order.boards):
        raise UsageError(
            f"the order has {len(order.boards)} designs, but {len(boards)} boards were given",
            hint="give one board for each [[board]] of the order, in its order",
        )


def _judged(order: Order) -> CheckOptions:
    """What an order means for the checks."""
    from fabkit.checks.model import CheckOptions

    choice = order.choice
    return CheckOptions(
        thickness_mm=float(choice.thickness_mm),
        copper_oz=float(choice.copper_oz),
        colour=choice.colour,
        finish=choice.finish,
        silenced=order.silenced,
    )


def _sheet_bytes(order: Order) -> dict[str, bytes]:
    """The order file and the sheets it names, for the manifest."""
    paths = [*([Path(order.file)] if order.file else []), *order.houses]
    paths += [order.parts] if order.parts else []
    return {path.name: path.read_bytes() for path in paths}
