"""From the path given to a board, telling what is being done."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.cli import options

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.outputs.terminal import Tell


def read_board(path: Path, tell: Tell, *, roles: Mapping[str, str]) -> Board:
    """Open the package and build its board; ``roles`` as ``--role`` or the order states them."""
    import fabkit
    from fabkit.board.single import choose_edge

    tell(f"reading {path}")
    package = fabkit.open_package(path, limits=options.stated_limits(), roles=roles)
    tell("building the board")
    board = fabkit.build_board(package)
    edge = options.stated_edge()
    return board if edge is None else choose_edge(board, edge)
