"""Boards for tests of the wiring, whole or with one thing planted."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path

import boards
import pytest

import fabkit
from fabkit.board.model import Board

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture(scope="session")
def board_at() -> Callable[[str], Board]:
    """Boards of the fixtures by their folder, built once."""
    return lambda folder: boards.board_at(FIXTURES / folder)


@pytest.fixture
def planted(tmp_path: Path) -> Callable[..., Board]:
    """A board of the fixtures with texts of its layer files replaced; each must be there."""

    def build(folder: str, *edits: tuple[str, str]) -> Board:
        target = tmp_path / "planted"
        shutil.copytree(FIXTURES / folder, target)
        for old, new in edits:
            met = 0
            for path in target.glob("*.gbr"):
                text = path.read_text(encoding="utf-8")
                met += text.count(old)
                path.write_text(text.replace(old, new), encoding="utf-8")
            assert met, f"{old!r} is in no layer file"
        return fabkit.build_board(fabkit.open_package(target))

    return build


@pytest.fixture(scope="session")
def table_of() -> Callable[[str], list[dict[str, str]]]:
    """Rows of a table that the generator wrote."""

    def read(name: str) -> list[dict[str, str]]:
        with (FIXTURES / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    return read
