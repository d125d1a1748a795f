"""Speed and memory of reading layers, as ratios measured in one run (run this file by name)."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from fabkit.formats.gerber.reader import read
from fabkit.formats.gerber.writer import write_gerber

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.1*%\nG75*\nG01*\nD10*\nX0Y0D02*\n"
TOKENS = re.compile(rb"[A-Z][+-]?\d+|\*|%")


def dense(lines: int) -> bytes:
    """A layer of ``lines`` draws between random points."""
    rng = np.random.default_rng(7)
    x, y = rng.integers(0, 10**8, (2, lines))
    words = "\n".join(f"X{a}Y{b}D01*" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    return (HEAD + words + "\nM02*\n").encode()


def best(job: Callable[[], object], times: int = 3) -> float:
    """Processor seconds of the quickest run."""
    found = []
    for _ in range(times):
        start = time.process_time()
        job()
        found.append(time.process_time() - start)
    return min(found)


def test_reading_against_tokenising() -> None:
    """A dense 20 MB layer becomes columns in half the time a regular expression walks it."""
    data = dense(900_000)
    walk = best(lambda: sum(1 for _ in TOKENS.finditer(data)))
    reading = best(lambda: read(data, name="dense.gbr"))
    print(f"{len(data) / 1e6:.1f} MB: tokens {walk:.2f} s, columns {reading:.2f} s")
    assert reading * 2 <= walk


def test_growth() -> None:
    """Sixteen times the objects take at most twenty times as long."""
    small, large = dense(100_000), dense(1_600_000)
    one = best(lambda: read(small, name="a"), 5)
    many = best(lambda: read(large, name="b"))
    print(f"1x {one:.3f} s, 16x {many:.3f} s, ratio {many / one:.1f}")
    assert many <= 20 * one


def test_attributes() -> None:
    """Tens of thousands of attribute commands take less than a second."""
    words = "\n".join(f"%TO.P,U{k},{k % 9}*%\nX{k}Y{k}D03*" for k in range(40_000))
    data = (HEAD + words + "\nM02*\n").encode()
    seconds = best(lambda: read(data, name="pins.gbr"))
    print(f"40000 attribute commands {seconds:.2f} s")
    assert seconds < 1


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from /proc")
def test_memory(tmp_path: Path) -> None:
    """Reading a file takes at most fifteen times its size at the peak."""
    # VmHWM starts anew with the process; ru_maxrss would begin at its parent's peak.
    script = (
        "import re, sys, pathlib\n"
        "from fabkit.formats.gerber.reader import read\n"
        "def peak():\n"
        "    status = pathlib.Path('/proc/self/status').read_text()\n"
        "    return int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) * 1024\n"
        "before = peak()\n"
        "data = pathlib.Path(sys.argv[1]).read_bytes()\n"
        "read(data, name='a')\n"
        "print(peak() - before)\n"
    )
    file = tmp_path / "dense.gbr"
    data = dense(900_000)
    file.write_bytes(data)
    command = [sys.executable, "-c", script, str(file)]
    peak = int(subprocess.run(command, capture_output=True, check=True).stdout)
    print(f"{len(data) / 1e6:.1f} MB file, peak {peak / 1e6:.0f} MB, {peak / len(data):.1f} times")
    assert peak <= 15 * len(data)


def test_writing_against_reading() -> None:
    """Writing a layer of many apertures, nets and strokes costs no more than reading it."""
    words = "\n".join(
        f"%TO.N,N{k % 99}*%\nD{10 + k % 2}*\nX{k}Y{k}D02*\nX{k}Y0D01*\nX{k + 50}Y0D01*"
        for k in range(60_000)
    )
    data = HEAD.replace("D10*", "%ADD11C,0.2*%\nD10*").encode() + words.encode() + b"\nM02*\n"
    for name, text in (("dense", dense(900_000)), ("mixed", data)):
        file = read(text, name=name)
        reading = best(lambda t=text: read(t, name="a"))  # type: ignore[misc]
        writing = best(lambda f=file: write_gerber(f))  # type: ignore[misc]
        print(f"{name}: reading {reading:.2f} s, writing {writing:.2f} s")
        assert writing <= reading
