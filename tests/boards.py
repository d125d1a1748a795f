"""Boards of the fixtures and of the demonstration, each read and built once a process.

They are shared: a test that changes one works on a copy (``dataclasses.replace``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Protocol

import fabkit
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.board.model import Board
from fabkit.checks import judging
from fabkit.checks.model import Case, Check, Outcome
from fabkit.cli.reading import Reading
from fabkit.compare.model import Comparison
from fabkit.demo import find_demo
from fabkit.outputs import pricing

ROOT = Path(__file__).resolve().parents[1]
NEVER_WRITTEN = (ROOT / "fixtures", ROOT / "fabkit" / "demo")


def board_at(folder: Path) -> Board:
    """The board of a folder that no test writes to."""
    return _built(folder.resolve())


@cache
def _built(folder: Path) -> Board:
    return fabkit.build_board(fabkit.open_package(folder))


class Patch(Protocol):
    """What replaces a function while a test runs (``pytest.MonkeyPatch``)."""

    def setattr(self, target: object, name: str, value: object) -> None:
        """Replace one attribute."""


def read_once(patch: Patch) -> None:
    """Let commands of this process read, build, check and compare what does not change once.

    Boards of fixtures and demo are those of :func:`board_at`; others are kept by path and content
    as long as the patch lasts.  What the checks of a board came to, and how it differs from
    others, is kept with it.
    """
    read, run, compare = Reading.board, judging.run_checks, pricing.compare_boards
    kept: dict[tuple[Path, tuple[bytes, ...]], Board] = {}

    def board(
        self: Reading, path: Path, tell: object, *, roles: Mapping[str, str] | None = None
    ) -> Board:
        found = find_demo(Path(path), usual="rev-b").resolve()
        stated = self.roles if roles is None else roles
        if stated or self.limits != DEFAULT_LIMITS or not found.exists():
            return read(self, path, tell, roles=roles)  # type: ignore[arg-type]
        if found.is_dir() and any(room in found.parents for room in NEVER_WRITTEN):
            return board_at(found)
        files = sorted(found.rglob("*")) if found.is_dir() else [found]
        key = Path(path), tuple(f.read_bytes() for f in files if f.is_file())
        if key not in kept:
            kept[key] = read(self, path, tell, roles=roles)  # type: ignore[arg-type]
        return kept[key]

    def run_checks(checks: Sequence[Check], case: Case) -> tuple[Outcome, ...]:
        known: list[tuple[Case, tuple[Outcome, ...]]] = vars(case.board).setdefault("_known", [])
        for other, outcomes in known:
            if (other.house, other.options) == (case.house, case.options) and (
                other.other_half is case.other_half
            ):
                return outcomes
        known.append((case, run(checks, case)))
        return known[-1][1]

    def compare_boards(old: Board, new: Board, **more: object) -> Comparison:
        known: list[Comparison] = vars(new).setdefault("_compared", [])
        for comparison in known:
            if comparison.old is old:
                return comparison
        known.append(compare(old, new, **more))  # type: ignore[arg-type]
        return known[-1]

    patch.setattr(Reading, "board", board)
    patch.setattr(pricing, "compare_boards", compare_boards)
    patch.setattr(judging, "run_checks", run_checks)
