"""Damages whole packages and runs ``check`` on each, under a bound on memory and time.

Usage: ``python tests/fuzz/run_packages.py FOLDER [SECONDS] [SEED]``.  Packages are the zips and the
folders with files under FOLDER, and the smallest whole package.  Smaller ones are taken more often,
because their runs are short.  A run that ends by a signal, with exit status 3
(a fault of ours) or beyond a bound is kept in ``build/fuzz/packages``, beside what it printed.
Counts are printed every hundred runs.
"""

from __future__ import annotations

import os
import random
import re
import resource
import shutil
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent), str(ROOT)]

# Children are copies of this process: it has no threads that a copy would lack.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from fuzz.tiny_board import FILES  # noqa: E402

from fabkit.cli.group import cli  # noqa: E402

MOST_BYTES = 3 * 2**30
MOST_SECONDS = 120
"""Of the processor."""
NUMBERS = (b"0", b"-1", b"1", b"99999999", b"0.000001", b"1e9", b"2147483648")
Files = dict[str, bytes]


def packages_of(folder: Path) -> list[Files]:
    """Files of every package, as bytes."""
    found: list[Files] = [FILES]
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as packed:
                members = [m for m in packed.infolist() if not m.is_dir()]
                found.append({Path(m.filename).name: packed.read(m) for m in members})
        elif path.is_dir() and any(p.is_file() for p in path.iterdir()):
            found.append({p.name: p.read_bytes() for p in path.iterdir() if p.is_file()})
    return [files for files in found if len(files) > 2]


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Change a file in one to six places: bytes, lines or numbers."""
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(data) + 1)
        end = min(len(data), at + chance.choice((1, 8, 80, 2000)))
        match chance.randrange(6):
            case 0:
                data = data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
            case 1:
                data = data[:at] + data[end:]
            case 2:
                data = data[:end] + data[at:end] * chance.choice((1, 2, 50)) + data[end:]
            case 3:
                data = data[:at]
            case 4:
                lines = data.split(b"\n")
                one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
                lines[one], lines[other] = lines[other], lines[one]
                data = b"\n".join(lines)
            case _:
                number = re.compile(rb"\d+").search(data, at)
                if number:
                    new = chance.choice((*NUMBERS, number[0] + b"0", number[0][:-1]))
                    data = data[: number.start()] + new + data[number.end() :]
    return data


def check(folder: Path) -> int:
    """Check a folder; give the exit status."""
    try:
        return int(cli.main(["check", str(folder)], standalone_mode=False) or 0)
    except SystemExit as end:
        return int(end.code or 0)


def check_apart(folder: Path, printed: Path) -> int:
    """Check a folder in a process of its own; give its exit status, or a signal below zero."""
    child = os.fork()
    if not child:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_SECONDS, MOST_SECONDS))
        out = os.open(printed, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        status = 3
        try:
            status = check(folder)
        except BaseException:  # noqa: BLE001 -- everything that escapes is a finding
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def main() -> None:
    """Damage and check, until the time is over."""
    folder, seconds, seed = (*sys.argv[1:], "600", "1")[:3]
    chance = random.Random(int(seed))
    packages = packages_of(Path(folder))
    weights = [1 / sum(map(len, files.values())) for files in packages]
    kept = ROOT / "build" / "fuzz" / "packages"
    ends: Counter[int] = Counter()
    begun = time.monotonic()
    # What a check imports is imported once, here.
    with tempfile.TemporaryDirectory() as work:
        write(FILES, Path(work, "package"))
        check(Path(work, "package"))
    while time.monotonic() - begun < float(seconds):
        files = dict(chance.choices(packages, weights)[0])
        for name in chance.sample(sorted(files), k=min(len(files), chance.randint(1, 3))):
            files[name] = damaged(files[name], chance)
        with tempfile.TemporaryDirectory() as work:
            place = Path(work, "package")
            write(files, place)
            status = check_apart(place, Path(work, "printed.txt"))
            ends[status] += 1
            if status < 0 or status == 3:
                kept.mkdir(parents=True, exist_ok=True)
                shutil.copytree(work, kept / f"{seed}-{ends.total()}", dirs_exist_ok=True)
        if ends.total() % 100 == 0:
            report(ends, packages)
    report(ends, packages)


def write(files: Files, folder: Path) -> None:
    """Write files into a new folder."""
    folder.mkdir()
    for name, data in files.items():
        (folder / name).write_bytes(data)


def report(ends: Counter[int], packages: list[Files]) -> None:
    """Print how many runs ended how."""
    said = f"{ends.total()} runs on {len(packages)} packages, by exit status: {dict(ends)}"
    print(said, flush=True)


if __name__ == "__main__":
    main()
