"""Prints what every command says of every package under a folder, and where two disagree.

Usage: ``python tests/bench/agreement.py FOLDER [WORD ...]``.  Packages are zips and folders that
hold files; with words, only those whose path holds one of them.  Exit status 1 when commands
disagree.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from answers import Answer, answers, disagreements, paper_keys
from boards_table import find_packages

import fabkit
from fabkit.board.model import Board
from fabkit.keyboard.build import describe, find_keyboard
from fabkit.package.model import RoleKind

COMMANDS = ("check", "parts", "wiring", "compare", "quote")


def print_answers(path: str, board: Board) -> bool:
    """Print one package; whether its commands agree."""
    begun = time.process_time()
    keyboard = find_keyboard(board)
    seconds = time.process_time() - begun
    unknown = sum(f.role.kind is RoleKind.UNKNOWN for f in board.package.files)
    width, height = board.size_mm
    readings = len(board.edge.readings)
    print(f"{path}\n   {describe(board).headline} ({keyboard.hands.why})")
    print(
        f"   {width:.2f} x {height:.2f} mm"
        f"{f', {readings} readings of the edge' if readings > 1 else ''}"
        f"  {len(board.package.files)} files, {unknown} unknown  keyboard {seconds:.2f} s"
    )
    begun = time.process_time()
    said: dict[str, Answer] = answers(board)
    words = "  ".join(f"{c} {'/'.join(map(str, said[c].keys.values())) or 0}" for c in COMMANDS)
    print(f"   {words}  paper {paper_keys(board)}  {time.process_time() - begun:.1f} s")
    wrong = disagreements(said, keyboard)
    if paper_keys(board) != len(keyboard.keys):
        wrong.append(f"paper: {paper_keys(board)} places, not {len(keyboard.keys)}")
    for line in wrong:
        print(f"   DISAGREES {line}")
    return not wrong


def main() -> None:
    """Ask about every package, one after the other."""
    folder, *words = sys.argv[1:]
    agreed = True
    for path in find_packages(Path(folder)):
        name = str(path.relative_to(folder))
        if words and not any(word in name for word in words):
            continue
        try:
            begun = time.process_time()
            board = fabkit.build_board(fabkit.open_package(path))
            print(f"{time.process_time() - begun:5.1f} s ", end="")
            agreed = print_answers(name, board) and agreed
        except fabkit.FabkitError as error:
            print(f"{name}\n   refused: " + str(error).replace("\n", " | "))
        sys.stdout.flush()
    raise SystemExit(0 if agreed else 1)


if __name__ == "__main__":
    main()
