"""Processor time and memory of `check` as one shape is asked for more and more often.

Usage: ``python tests/bench/growth.py``; prints the table of docs/limits.md.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "hostile")]
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import test_hostile_crowding as crowds  # noqa: E402

from fabkit.cli.group import cli  # noqa: E402

HEAD = crowds.HEAD + crowds.TOP


def on_one_spot(count: int) -> bytes:
    """Discs a few nanometres apart."""
    flashes = (b"X%dY25000000D03*" % (25_000_000 + 10 * n) for n in range(count))
    return HEAD + b"D11*" + b"".join(flashes) + b"M02*"


def in_turn(count: int) -> bytes:
    """Discs on each other, dark and clear in turn."""
    flashes = (
        b"%%LP%c*%%X%dY%dD03*" % (b"DC"[n % 2], 25_000_000 + 10**5 * (n % 60), 10**5 * (n // 60))
        for n in range(count)
    )
    return HEAD + b"D11*" + b"".join(flashes) + b"M02*"


def side_by_side(count: int) -> bytes:
    """A repeat of one disc, in a square."""
    side = round(count**0.5)
    return crowds.repeated(side, side)


CASES: dict[str, tuple[Callable[[int], bytes], tuple[int, ...]]] = {
    "discs on one spot": (on_one_spot, (4_000, 16_000, 64_000)),
    "discs on each other, dark and clear in turn": (in_turn, (500, 1_000, 2_000)),
    "a disc repeated side by side": (side_by_side, (2_500, 10_000, 40_000)),
    "corners of one tangled contour": (crowds.tangle, (60, 120, 250)),
}


def measure(data: bytes) -> tuple[float, float]:
    """Processor seconds and megabytes of a check, in a copy of this process."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "top.gbr").write_bytes(data)
        Path(folder, "edge.gbr").write_bytes(crowds.HEAD + crowds.EDGE + crowds.SQUARE + b"M02*")
        child = os.fork()
        if not child:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            try:
                cli.main(["check", folder], standalone_mode=False)
            finally:
                os._exit(0)
        _, _, used = os.wait4(child, 0)
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    """Print one row a case."""
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
    measure(on_one_spot(10))
    for name, (make, counts) in CASES.items():
        found = [(count, *measure(make(count))) for count in counts]
        cells = (f"{count:,}: {seconds:.1f} s, {size:.0f} MB" for count, seconds, size in found)
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
