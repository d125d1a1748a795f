"""What a command that draws says of its pictures: the board, files laid back, names of files."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import options

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.sheets.order import BoardUse


def say(
    paths: Sequence[Path],
    boards: Sequence[tuple[Board, BoardUse | None, str]],
    *,
    as_json: bool,
    notes: Sequence[str] = (),
) -> None:
    """Name the files that were written, and what was drawn.

    Parameters
    ----------
    paths
        Files.
    boards
        Boards drawn, each with what the user says of it and its name.
    notes
        Remarks besides those on files that were laid back.
    """
    from fabkit.base.streams import clean
    from fabkit.keyboard.build import describe
    from fabkit.outputs import terminal
    from fabkit.outputs.records import keyboard_record

    said = [keyboard_record(describe(board, use, name=name)) for board, use, name in boards]
    every = [*notes, *(note for board, _, _ in boards for note in laid_back(board))]
    if as_json:
        names = [path.as_posix() for path in paths]
        document = {"boards": said, "files": names, "notes": every}
        options.print_json("files", document, beside=STANDARD_STREAM in paths)
        return
    terminal.print_boards(terminal.Terminal(sys.stderr), said)
    options.print_files(paths, as_json=False)
    for note in every:
        click.echo(f"note: {clean(note)}", err=True)


def laid_back(board: Board) -> list[str]:
    """Files that were drawn elsewhere than they lie, one sentence each."""
    found = (p for p in board.package.problems if p.id in _LAID_BACK and p.assumed)
    return [f"{p.places[0].file if p.places else board.name}: {p.message}; drawn so" for p in found]


_LAID_BACK = ("register/shifted", "register/mirrored", "register/other-unit")
