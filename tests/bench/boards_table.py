"""Prints what fabkit makes of every package under a folder: roles, size, holes, problems, cost.

Usage: ``python tests/bench/boards_table.py FOLDER [WORD ...] [--roles] [--problems]``.  Packages
are zips and folders that hold files; with words, only those whose path holds one of them.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections import Counter
from pathlib import Path

from fabkit.base.errors import FabkitError
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.package.build import read_package
from fabkit.package.opening import open_input


def find_packages(root: Path) -> list[Path]:
    """Zips and folders with files of their own, in path order."""
    folders = [p for p in root.rglob("*") if p.is_dir() and any(c.is_file() for c in p.iterdir())]
    return sorted([*root.rglob("*.zip"), *folders])


def print_board(board: Board, seconds: float, peak_mb: float, options: set[str]) -> None:
    """One line of figures, then roles and problems when asked for."""
    width, height = board.size_mm
    plated = Counter(board.holes.plated.tolist())
    levels = Counter(p.severity.word for p in board.problems)
    pieces = len(board.profile.geoms) if board.profile is not None else 0
    cut_outs = sum(len(p.interiors) for p in board.profile.geoms) if board.profile else 0
    print(
        f"   {width:8.2f} x {height:7.2f} mm  {board.area_mm2 / 100:8.2f} cm2"
        f"  pieces {pieces} cut-outs {cut_outs}  copper {len(board.copper)}"
        f"  holes {plated[1]} plated {plated[0]} not {plated[-1]} ?"
        f"  slots {len(set(board.slots.path.tolist()))}  parts {len(board.components)}"
        f"  {levels['error']} E {levels['warning']} W {levels['note']} N"
        f"  {seconds:5.2f} s {peak_mb:6.1f} MB"
    )
    if "--roles" in options:
        for file in board.package.files:
            print(
                f"      {file.name[-48:]:48} {file.role!s:28} {file.confidence:.2f} {file.reason}"
            )
        for left in board.package.left_out:
            print(f"      {left.name[-48:]:48} left out: {left.reason}")
    if "--problems" in options:
        for problem in board.problems:
            if problem.id.split("/")[0] in ("profile", "board", "package", "job"):
                place = problem.places[0] if problem.places else ""
                print(f"      {problem.severity.word:8} {problem.id}: {problem.message} [{place}]")


def main() -> None:
    """Read every package, one after the other."""
    options = {a for a in sys.argv[1:] if a.startswith("--")}
    folder, *words = (a for a in sys.argv[1:] if not a.startswith("--"))
    for path in find_packages(Path(folder)):
        if words and not any(word in str(path) for word in words):
            continue
        print(path.relative_to(folder))
        tracemalloc.start()
        begun = time.perf_counter()
        try:
            board = build_board(read_package(open_input(path)))
        except FabkitError as error:
            print("   refused: " + str(error).replace("\n", " | "))
            continue
        finally:
            seconds = time.perf_counter() - begun
            peak_mb = tracemalloc.get_traced_memory()[1] / 2**20
            tracemalloc.stop()
        print_board(board, seconds, peak_mb, options)


if __name__ == "__main__":
    main()
