"""Processor time and memory of `check` as one shape is asked for more and more often.

    python tests/bench/growth.py [WORD ...]

measures the cases whose names hold one of the words (all of them without) and writes them into
``docs/growth.tsv``, which docs/limits.md shows.  Each check is a command of its own, so that its
bounds on memory hold.
"""

from __future__ import annotations

import csv
import json
import random
import struct
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "hostile")]

import test_hostile_crowding as crowds  # noqa: E402

TABLE = ROOT / "docs" / "growth.tsv"
HEAD = crowds.HEAD + crowds.TOP
DISC = HEAD + b"D11*X25000000Y25000000D03*M02*"
Files = dict[str, bytes]


def on_one_spot(count: int) -> Files:
    """Discs a few nanometres apart."""
    flashes = (b"X%dY25000000D03*" % (25_000_000 + 10 * n) for n in range(count))
    return {"top.gbr": HEAD + b"D11*" + b"".join(flashes) + b"M02*"}


def all_over(count: int) -> Files:
    """Discs of 0.1 mm at random places, 170 to the square millimetre at the most."""
    chance = random.Random(1)
    spots = ((chance.randrange(5 * 10**7), chance.randrange(5 * 10**7)) for _ in range(count))
    return {"top.gbr": HEAD + b"D10*" + b"".join(b"X%dY%dD03*" % at for at in spots) + b"M02*"}


def short_strokes(count: int) -> Files:
    """Strokes in chains of eight, eight to the square millimetre however many there are."""
    chance = random.Random(1)
    side = round((count / 8) ** 0.5 * 1e6)
    out = [HEAD, b"D10*"]
    for n in range(count):
        if n % 8 == 0:
            x, y = chance.randrange(side), chance.randrange(side)
            out.append(b"X%dY%dD02*" % (x, y))
        x, y = x + chance.randrange(-200_000, 200_000), y + chance.randrange(-200_000, 200_000)
        out.append(b"X%dY%dD01*" % (x, y))
    square = crowds.SQUARE.replace(b"50000000", b"%d" % side)
    edge = crowds.HEAD + crowds.EDGE + square + b"M02*"
    return {"top.gbr": b"".join(out) + b"M02*", "edge.gbr": edge}


def _alternating(spots: list[tuple[int, int]]) -> Files:
    flashes = (b"%%LP%c*%%X%dY%dD03*" % (b"DC"[n % 2], *at) for n, at in enumerate(spots))
    return {"top.gbr": HEAD + b"D11*" + b"".join(flashes) + b"M02*"}


def in_turn(count: int) -> Files:
    """Discs on each other, dark and clear in turn."""
    return _alternating([(25_000_000 + 10**5 * (n % 60), 10**5 * (n // 60)) for n in range(count)])


def in_turn_all_over(count: int) -> Files:
    """Discs at random places, dark and clear in turn."""
    chance = random.Random(1)
    return _alternating(
        [(chance.randrange(5 * 10**7), chance.randrange(5 * 10**7)) for _ in range(count)]
    )


def side_by_side(count: int) -> Files:
    """A repeat of one disc, in a square."""
    side = round(count**0.5)
    return {"top.gbr": crowds.repeated(side, side)}


def nearly_alike(count: int) -> Files:
    """Apertures that differ by a nanometre, flashed a nanometre apart."""
    return {"top.gbr": crowds.near_apertures(count)}


def stars(count: int) -> Files:
    """Regions on each other, dark and clear in turn."""
    return {"top.gbr": crowds.alternating_regions(count)}


def circles(count: int) -> Files:
    """A profile that is the same circle many times."""
    circle = b"X0Y25000000D02*G75*G03*X0Y25000000I25000000J0D01*"
    return {"edge.gbr": crowds.HEAD + crowds.EDGE + circle * count + b"M02*", "top.gbr": DISC}


def tools(count: int) -> Files:
    """Drill tools, each used once."""
    named = (b"T%dC%.5f\n" % (n, 0.3 + n * 1e-5) for n in range(1, count + 1))
    side = round(count**0.5)
    used = (
        b"T%d\nX%.3fY%.3f\n" % (n, n % side * 45 / side, n // side * 45 / side)
        for n in range(1, count + 1)
    )
    drill = b"M48\nMETRIC\n" + b"".join(named) + b"%\n" + b"".join(used) + b"M30\n"
    return {"holes.drl": drill, "top.gbr": DISC}


def rows_of_holes(count: int) -> Files:
    """Rows of 10,000 holes that overlap, each made by one repeat."""
    rows = (b"X%.3fY0.1\nR9999X0.005\n" % (n * 0.1) for n in range(count))
    drill = b"M48\nMETRIC\nT1C0.3\n%\nT1\n" + b"".join(rows) + b"M30\n"
    return {"holes.drl": drill, "top.gbr": DISC}


def digits(count: int) -> Files:
    """A format statement of so many digits, with strokes a board wide."""
    head = (HEAD + b"D10*X5Y5D03*X9Y9D02*X7D01*M02*").replace(
        b"X46Y46", b"X0%dY0%d" % (count, count)
    )
    return {"top.gbr": head}


def entries(count: int) -> Files:
    """A zip with so many members in its directory, 46 bytes each (APPNOTE 4.3.12, 4.3.16)."""
    entry = b"PK\x01\x02" + bytes(42)
    end = struct.pack("<4sHHHHIIH", b"PK\x05\x06", 0, 0, 7, 7, len(entry) * count, 4, 0)
    return {"set.zip": b"PK\x03\x04" + entry * count + end}


LAUNCHER = """
import resource, subprocess, sys
with open(sys.argv[1], "wb") as result:
    subprocess.run(sys.argv[2:], stdout=result)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(f"{used.ru_utime + used.ru_stime:.1f} s, {used.ru_maxrss / 1024:.0f} MB", end="")
"""
"""A small process starts the command, for its peak of memory would begin at this one's."""

CASES: dict[str, tuple[Callable[[int], Files], tuple[int, ...]]] = {
    "discs on one spot": (on_one_spot, (4_000, 16_000, 64_000)),
    "discs all over a board": (all_over, (27_000, 107_000, 430_000)),
    "short strokes, equally dense": (short_strokes, (5_000, 20_000, 80_000)),
    "discs on each other, dark and clear in turn": (in_turn, (500, 1_000, 2_000)),
    "discs all over, dark and clear in turn": (in_turn_all_over, (1_000, 4_000, 16_000)),
    "regions on each other, dark and clear in turn": (stars, (75, 150, 300)),
    "repeats of a disc": (side_by_side, (10_000, 40_000, 273**2)),
    "repeats of a disc, beyond the limit": (side_by_side, (274**2, 300**2, 999**2)),
    "apertures nearly alike": (nearly_alike, (250, 500, 1_000)),
    "corners of one tangle": (lambda n: {"top.gbr": crowds.tangle(n)}, (120, 250, 1_000)),
    "equal circles as profile": (circles, (10, 100, 1_000)),
    "drill tools, each used": (tools, (10_000, 30_000, 100_000)),
    "rows of 10,000 holes": (rows_of_holes, (1, 7, 99)),
    "digits of a format": (digits, (6, 3, 0)),
    "entries of a zip's directory": (entries, (1_000, 100_000, 4_000_000)),
}


def measure(files: Files) -> str:
    """Processor seconds and megabytes of a check, and how it ended where not all is judged."""
    with tempfile.TemporaryDirectory() as folder:
        given = Path(folder, "board")
        given.mkdir()
        for name, data in files.items():
            (given / name).write_bytes(data)
        if "set.zip" in files:
            given /= "set.zip"
        elif "edge.gbr" not in files:
            edge = crowds.HEAD + crowds.EDGE + crowds.SQUARE + b"M02*"
            (given / "edge.gbr").write_bytes(edge)
        command = [sys.executable, "-m", "fabkit", "check", given, "--json", "--quiet"]
        result = Path(folder, "result")
        launched = [sys.executable, "-c", LAUNCHER, result, *command]
        spent = subprocess.run(launched, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
        said = json.loads(result.read_bytes())
    ids = {finding["id"] for finding in said.get("findings", ())}
    ends = {
        "refused": "findings" not in said,
        "limit": bool(ids & {"gerber/limit", "drill/too-many-objects"}),
        "not all judged": "package/too-heavy" in ids,
    }
    return "; ".join([spent.stdout, *(words for words, so in ends.items() if so)])


def main(words: list[str]) -> None:
    """Measure, print and write the cases that are asked for."""
    with TABLE.open(encoding="utf-8", newline="") as kept:
        table = {row[0]: row for row in csv.reader(kept, delimiter="\t")}
    for name, (make, counts) in CASES.items():
        if not words or any(word in name for word in words):
            table[name] = [name, *(f"{count:,}: {measure(make(count))}" for count in counts)]
            print(" | ".join(table[name]), flush=True)
            with TABLE.open("w", encoding="utf-8", newline="") as made:
                csv.writer(made, delimiter="\t", lineterminator="\n").writerows(
                    table[name] for name in CASES if name in table
                )


if __name__ == "__main__":
    main(sys.argv[1:])
