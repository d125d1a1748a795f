"""Damages whole packages and runs ``check`` on each, under a bound on memory and time.

Usage: ``python tests/fuzz/run_packages.py SECONDS FOLDER ... [--seed SEED] [--from NUMBER]``.
Packages are the zips and the folders with files under each FOLDER, up to 2 MB, and the smallest
whole package.  Smaller ones are taken more often, because their runs are short.  A run that ends by
a signal, with exit status 3 (a fault of ours) or beyond a bound is kept in ``build/fuzz/packages``,
beside what it printed; seed and number of a run always give the same damage.  Counts are printed
every hundred runs.

This process loads everything once.  A copy of it does fifty runs, or as many as it survives.
"""

from __future__ import annotations

import argparse
import gc
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
SLOW_SECONDS = 60
LARGEST_BYTES = 2_000_000
RUNS_OF_A_COPY = 50
BROKEN = 3
NUMBERS = (b"0", b"-1", b"1", b"99999999", b"0.000001", b"1e9", b"2147483648")
WORDS = tuple(
    word.encode().decode("unicode_escape").encode("latin-1")
    for word in re.findall(r'^"(.*)"$', (HERE / "words.dict").read_text("utf-8"), re.MULTILINE)
)
Files = dict[str, bytes]


def packages_of(folder: Path) -> list[Files]:
    """Files of every package, as bytes."""
    found: list[Files] = []
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as packed:
                members = [m for m in packed.infolist() if not m.is_dir()]
                found.append({Path(m.filename).name: packed.read(m) for m in members})
        elif path.is_dir() and any(p.is_file() for p in path.iterdir()):
            found.append({p.name: p.read_bytes() for p in path.iterdir() if p.is_file()})
    return [f for f in found if len(f) > 2 and sum(map(len, f.values())) <= LARGEST_BYTES]


def damage_package(files: Files, other: Files, chance: random.Random) -> Files:
    """Change one to three files, and now and then which files there are."""
    files = dict(files)
    for name in chance.sample(sorted(files), k=min(len(files), chance.randint(1, 3))):
        files[name] = damaged(files[name], chance)
    one, two = (chance.choice(sorted(files)) for _ in range(2))
    match chance.randrange(12):
        case 0:
            files[one], files[two] = files[two], files[one]
        case 1:
            files[f"copy-{one}"] = files[one]
        case 2:
            del files[one]
        case 3:
            files[one] = other[chance.choice(sorted(other))]
        case 4:
            files[Path(one).stem + Path(two).suffix] = files.pop(one)
        case 5:
            files[one] += files[two]
        case _:
            pass
    return files


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Change a file in one to six places: bytes, lines, numbers or words."""
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(data) + 1)
        end = min(len(data), at + chance.choice((1, 8, 80, 2000)))
        match chance.randrange(10):
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
            case 5:
                data = data[:at] + chance.choice(WORDS) + data[at:]
            case 6:
                # A head stands for the whole file: damage there goes furthest.
                at = chance.randrange(min(len(data), 400) + 1)
                data = data[:at] + bytes([chance.randrange(32, 127)]) + data[at + 1 :]
            case 7:
                number = re.compile(rb"\d+").search(data, chance.randrange(min(len(data), 400) + 1))
                if number:
                    new = chance.choice((*NUMBERS, b"%d" % chance.randrange(100)))
                    data = data[: number.start()] + new + data[number.end() :]
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


class Driver:
    """Runs with their numbers, and how they ended."""

    def __init__(self, seed: str, number: int, packages: list[Files]) -> None:
        self.seed = seed
        self.number = number
        self.packages = packages
        self.weights = [1 / sum(map(len, files.values())) for files in packages]
        self.ends: Counter[str] = Counter()
        self.seconds = 0.0
        self.work = Path(tempfile.mkdtemp())
        self.package = self.work / "package"
        self.printed = self.work / "printed.txt"

    def write_package(self, number: int) -> None:
        """Write the package of a run."""
        chance = random.Random(f"{self.seed}-{number}")
        files, other = chance.choices(self.packages, self.weights, k=2)
        write(damage_package(files, other, chance), self.package)

    def run_some(self, until: float) -> None:
        """Let a copy of this process do runs, until it has done enough or dies."""
        ours, theirs = os.pipe()
        child = os.fork()
        if not child:
            self._run_in_copy(theirs, until)
        os.close(theirs)
        with os.fdopen(ours, "r") as pipe:
            for line in pipe:
                status, seconds = line.split()
                self._note("slow" if float(seconds) > SLOW_SECONDS else status, float(seconds))
        end = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if end:
            self._note(str(end), 0)

    def _run_in_copy(self, pipe: int, until: float) -> None:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        for number in range(self.number, self.number + RUNS_OF_A_COPY):
            used = time.process_time()
            most = int(used) + MOST_SECONDS
            resource.setrlimit(resource.RLIMIT_CPU, (most, resource.RLIM_INFINITY))
            self.write_package(number)
            out = os.open(self.printed, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(out, 1)
            os.dup2(out, 2)
            os.close(out)
            try:
                status = check(self.package)
            except BaseException:  # noqa: BLE001 -- everything that escapes is a finding
                traceback.print_exc()
                status = BROKEN
            sys.stdout.flush()
            seconds = time.process_time() - used
            if status == BROKEN or seconds > SLOW_SECONDS:
                self._keep(number)
            os.write(pipe, b"%d %.2f\n" % (status, seconds))
            if time.monotonic() > until:
                break
        os._exit(0)

    def _note(self, status: str, seconds: float) -> None:
        if status.startswith("-"):
            self._keep(self.number)
        self.number += 1
        self.ends[status] += 1
        self.seconds += seconds
        if self.ends.total() % 100 == 0:
            self.report()

    def _keep(self, number: int) -> None:
        kept = ROOT / "build" / "fuzz" / "packages" / f"{self.seed}-{number}"
        shutil.copytree(self.work, kept, dirs_exist_ok=True)

    def report(self) -> None:
        """Print how many runs ended how."""
        ends = dict(sorted(self.ends.items()))
        said = f"{self.ends.total()} runs on {len(self.packages)} packages, by exit status: {ends}"
        print(f"{said}; {self.seconds:.0f} processor seconds, next {self.number}", flush=True)


def write(files: Files, folder: Path) -> None:
    """Write files into a folder, and remove what is there."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in files.items():
        (folder / name).write_bytes(data)


def main() -> None:
    """Damage and check, until the time is over."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seconds", type=float)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--seed", default="1")
    parser.add_argument("--from", type=int, default=0, dest="first")
    asked = parser.parse_args()
    until = time.monotonic() + asked.seconds
    packages = [FILES, *(files for folder in asked.folders for files in packages_of(folder))]
    driver = Driver(asked.seed, asked.first, packages)
    # What a check imports is imported once, here, from the smallest package of all and a few more.
    sys.stdout.flush()
    quiet, before = os.open(os.devnull, os.O_WRONLY), os.dup(1)
    os.dup2(quiet, 1)
    for files in packages[:20]:
        write(files, driver.package)
        check(driver.package)
    sys.stdout.flush()
    os.dup2(before, 1)
    gc.collect()
    gc.freeze()
    while time.monotonic() < until:
        driver.run_some(until)
    driver.report()
    shutil.rmtree(driver.work)


if __name__ == "__main__":
    main()
