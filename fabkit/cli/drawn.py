"""What every command that draws prints: the board, files laid back, names of files."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import looks, options, printing

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.sheets.order import BoardUse


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """What is done with pictures besides drawing them."""

    show: bool = options.show()
    replace: bool = options.replace()
    as_json: bool = options.as_json()

    def say(
        self,
        paths: Sequence[Path],
        boards: Sequence[tuple[Board, BoardUse | None, str]],
        *,
        notes: Sequence[str] = (),
    ) -> None:
        """Name the files that were written, say what was drawn, and show it where that is asked.

        Parameters
        ----------
        paths
            Files.
        boards
            Boards drawn, each with what it is by the user's word and its name.
        notes
            Remarks besides those on files that were laid back.
        """
        from fabkit.base.streams import clean
        from fabkit.keyboard.build import describe
        from fabkit.outputs import terminal
        from fabkit.outputs.records import keyboard_record

        said = [keyboard_record(describe(board, use, name=name)) for board, use, name in boards]
        every = [*notes, *(note for board, _, _ in boards for note in laid_back(board))]
        if self.as_json:
            names = [path.as_posix() for path in paths]
            document = {"boards": said, "files": names, "notes": every}
            printing.print_json("files", document, beside=STANDARD_STREAM in paths)
        else:
            terminal.print_boards(terminal.Terminal(sys.stderr), said)
            printing.print_files(paths)
            for note in every:
                click.echo(f"note: {clean(note)}", err=True)
        if self.show:
            looks.open_files(paths)


def laid_back(board: Board) -> list[str]:
    """Files that were drawn elsewhere than they lie, one sentence each."""
    found = (p for p in board.package.problems if p.id in _LAID_BACK and p.assumed)
    return [f"{p.places[0].file if p.places else board.name}: {p.message}; drawn so" for p in found]


_LAID_BACK = ("register/shifted", "register/mirrored", "register/other-unit")
