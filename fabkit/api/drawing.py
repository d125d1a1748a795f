"""Pictures of the finished board, sheets about it and paper templates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.api.designs import as_single, order_of
from fabkit.api.judging import check

if TYPE_CHECKING:
    from fabkit.base.findings import Finding
    from fabkit.board.model import Board
    from fabkit.checks.model import CheckResult
    from fabkit.outputs.drawings import SheetChoice, SheetKind
    from fabkit.pictures.options import PreviewOptions
    from fabkit.sheets.house import House
    from fabkit.sheets.order import Order


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
    from fabkit.outputs.drawings import picture_files, picture_names
    from fabkit.pictures.options import PreviewOptions

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
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.drawings import paper_bytes, paper_of

    designs = as_single(boards)
    wanted = order_of(designs, order)
    path = Path(target)
    refuse_existing(path, replace=replace)
    write_file(path, paper_bytes(designs, wanted, paper=paper_of(paper)), replace=replace)
    return path
