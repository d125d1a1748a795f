"""From the path given to a board, telling what is being done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.outputs.terminal import Tell


def read_board(path: Path, tell: Tell) -> Board:
    """Open the package and build its board."""
    from fabkit import api

    tell(f"reading {path}")
    package = api.open_package(path)
    tell("building the board")
    return api.build_board(package)
