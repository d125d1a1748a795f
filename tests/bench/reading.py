"""Prints how fast and how large reading is, as ratios measured in one run.

Usage: ``python tests/bench/reading.py [MEGABYTES]``.  All times are processor seconds.
"""

from __future__ import annotations

import random
import re
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz.tiny_board import FILES

from fabkit import open_package
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case
from fabkit.checks.runner import run_checks
from fabkit.formats.gerber.conformance import examine
from fabkit.formats.gerber.model import compose
from fabkit.formats.gerber.reader import read
from fabkit.keyboard.build import build_keyboard
from fabkit.keyboard.patterns import load_patterns
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fabkit" / "demo" / "rev-b"
TOKEN = re.compile(rb"%|\*|[XYIJ][+-]?\d+|[DGM]\d+|[A-Z]+|[^%*\s]")
HEAD = (
    b"%TF.FileFunction,Copper,L1,Top*%\n%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.2*%\n%ADD11C,1*%\nG01*\n"
)


def layer(objects: int) -> bytes:
    """Short strokes and flashes over a board that grows with their number."""
    chance = random.Random(1)
    side = int(objects**0.5) + 1
    lines = [HEAD]
    for number in range(objects // 2):
        x, y = number % side * 1_500_000, number // side * 1_500_000
        dx = chance.randrange(100_000, 900_000)
        lines.append(b"D10*\nX%dY%dD02*\nX%dY%dD01*\n" % (x, y, x + dx, y))
        lines.append(b"D11*\nX%dY%dD03*\n" % (x, y + 800_000))
    return b"".join([*lines, b"M02*\n"])


def dense(size: int) -> bytes:
    """Nothing but coordinates."""
    chance = random.Random(2)
    lines = [HEAD, b"D10*\nX0Y0D02*\n"]
    length = 0
    while length < size:
        line = b"X%dY%dD01*\n" % (chance.randrange(10**8), chance.randrange(10**8))
        lines.append(line)
        length += len(line)
    return b"".join([*lines, b"M02*\n"])


def seconds(act: Callable[[], object], times: int = 3) -> float:
    """The least of a few runs."""
    best = float("inf")
    for _ in range(times):
        begun = time.process_time()
        act()
        best = min(best, time.process_time() - begun)
    return best


def show(what: str, value: float, goal: str) -> None:
    """One line."""
    print(f"{what:64} {value:8.2f}   goal {goal}")


def peak_ratio(path: Path) -> float:
    """Peak memory of reading a file beyond that of the loaded reader, over its size."""
    # What getrusage says of a new process includes the process that started it.
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from fabkit.formats.gerber.reader import read\n"
        "def peak():\n"
        "    text = Path('/proc/self/status').read_text()\n"
        "    return int(text.split('VmHWM:')[1].split()[0])\n"
        "read(b'%FSLAX46Y46*%M02*', name='x')\n"
        "before = peak()\n"
        "read(Path(sys.argv[1]).read_bytes(), name='x')\n"
        "print(peak() - before)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, check=True)
    return int(done.stdout) * 1024 / path.stat().st_size


def board_of(data: bytes) -> Board:
    """A board with this copper."""
    files = {**FILES, "tiny-copper-top.gbr": data}
    members = tuple(Member(name, files[name]) for name in sorted(files))
    return build_board(read_package(Intake(name="x", source="x", members=members, left_out=())))


def judge(data: bytes) -> object:
    """Everything that can be told of the board with this copper."""
    return run_checks(CHECKS, Case(board_of(data), load_house()))


def spent_by(*command: str) -> float:
    """Processor seconds of a command, the least of three."""
    best = float("inf")
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, capture_output=True, cwd=ROOT, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        best = min(best, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return best


def main() -> None:
    """Measure everything once."""
    megabytes = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    data = dense(megabytes * 10**6)
    tokens = seconds(lambda: TOKEN.findall(data), 1)
    show(
        f"tokenising {megabytes} MB over reading it",
        tokens / seconds(lambda: read(data, name="x"), 2),
        ">= 2",
    )
    path = ROOT / "build" / "bench-dense.gbr"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    show("peak memory of reading over size of the file", peak_ratio(path), "<= 15")
    path.unlink()
    small, large = layer(4_000), layer(64_000)
    steps: dict[str, Callable[[bytes], object]] = {
        "read": lambda d: read(d, name="x"),
        "shapes": lambda d: compose(read(d, name="x")),
        "board": board_of,
        "board and all checks": judge,
    }
    for name, step in steps.items():
        ratio = seconds(lambda s=step: s(large), 2) / seconds(lambda s=step: s(small), 3)
        show(f"{name}: 16 times the objects over once", ratio, "<= 20")
    file = read(large, name="x")
    plain = seconds(lambda: read(large, name="x"))
    show(
        "format checks over plain reading", seconds(lambda: examine(file, large)) / plain, "<= 0.6"
    )
    board = build_board(open_package(DEMO))
    reading = seconds(lambda: build_board(open_package(DEMO)))
    keyboard = seconds(lambda: build_keyboard(board, load_patterns()))
    show("finding the keyboard of the demo over reading it", keyboard / reading, "<= 0.25")
    python = sys.executable
    click = spent_by(python, "-c", "import click")
    show(
        "fabkit --help over import click",
        spent_by(python, "-m", "fabkit", "--help") / click,
        "<= 2",
    )
    demo = "fabkit/demo"
    show(
        "check on the demo, s", spent_by(python, "-m", "fabkit", "check", f"{demo}/rev-b"), "<= 1.5"
    )
    order = (python, "-m", "fabkit", "order", f"{demo}/order.toml", "--out", "build/bench-order")
    show("order on the demo, s", spent_by(*order), "<= 8")


if __name__ == "__main__":
    main()
