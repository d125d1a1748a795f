"""Boards of the fixtures and of the demonstration, each read and built once a process.

They are shared: a test that changes one works on a copy (``dataclasses.replace``).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import fabkit
from fabkit.board.model import Board


def board_at(folder: Path) -> Board:
    """The board of a folder that no test writes to."""
    return _built(folder.resolve())


@cache
def _built(folder: Path) -> Board:
    return fabkit.build_board(fabkit.open_package(folder))
