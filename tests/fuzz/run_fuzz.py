"""Coverage-guided fuzzing of one target; goes on behind each new finding.

Usage: ``python tests/fuzz/run_fuzz.py TARGET [SECONDS]``, with ``pip install -e '.[fuzz]'``.

Every input that ends badly is kept in ``build/fuzz/TARGET``, one for each place in our code that
fails, beside a text with its traceback.  Inputs that reach new code are kept in
``build/fuzz/corpus/TARGET``.  Executions and findings are printed at the end.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
import traceback
import warnings
from pathlib import Path

import atheris

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent), str(ROOT)]

with atheris.instrument_imports(include=["fabkit"]):
    from fuzz.targets import TARGETS, must_end_well

SLOW_SECONDS = 10.0
"""Processor seconds that no input within the limits of the targets may take."""
HANG_SECONDS = 120
MOST_MEGABYTES = 2048
MOST_BYTES = 8192


class Run:
    """One target being fuzzed."""

    def __init__(self, name: str, seconds: float) -> None:
        self.name = name
        self.seconds = seconds
        self.kept = ROOT / "build" / "fuzz" / name
        self.kept.mkdir(parents=True, exist_ok=True)
        self.seen: set[str] = set()
        self.executions = 0
        self.begun = time.monotonic()

    def once(self, data: bytes) -> None:
        """Run the target on one input; a bad end is kept, not raised."""
        self.executions += 1
        spent = time.process_time()
        try:
            must_end_well(self.name, data)
        except Exception as error:  # noqa: BLE001 -- everything that escapes is a finding
            self.keep(_place(error), data, traceback.format_exc())
        spent = time.process_time() - spent
        if spent > SLOW_SECONDS:
            self.keep("slow", data, f"{spent:.1f} s")
        if time.monotonic() - self.begun > self.seconds:
            self.report()
            os._exit(0)  # the fuzzing engine has no other way to end that lets us speak

    def keep(self, place: str, data: bytes, text: str) -> None:
        """Keep the first input for each place."""
        if place in self.seen:
            return
        self.seen.add(place)
        path = self.kept / hashlib.sha256(place.encode()).hexdigest()[:12]
        path.write_bytes(data)
        path.with_suffix(".txt").write_text(f"{place}\n{text}", encoding="utf-8")

    def report(self) -> None:
        """Print what came of it."""
        spent = f"{time.monotonic() - self.begun:.0f} s, {time.process_time():.0f} of the processor"
        print(
            f"{self.name}: {self.executions} executions in {spent}, "
            f"{len(self.seen)} findings in {self.kept}",
            flush=True,
        )


def _place(error: BaseException) -> str:
    """Kind of error and the innermost line of ours that it came through."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "fabkit" in Path(f.filename).parts] or list(frames)
    return f"{type(error).__name__} {ours[-1].filename}:{ours[-1].lineno}"


def main() -> None:
    """Fuzz for the time asked for."""
    name, *rest = sys.argv[1:]
    if name not in TARGETS:
        sys.exit(f"no target {name}; there are: {', '.join(TARGETS)}")
    seconds = int(rest[0]) if rest else 60
    warnings.simplefilter("error")
    run = Run(name, seconds)
    found = ROOT / "build" / "fuzz" / "corpus" / name
    found.mkdir(parents=True, exist_ok=True)
    options = [
        f"-timeout={HANG_SECONDS}",
        f"-rss_limit_mb={MOST_MEGABYTES}",
        f"-max_len={MOST_BYTES}",
        f"-dict={HERE / 'words.dict'}",
        f"-artifact_prefix={run.kept}/",
        "-verbosity=0",
        str(found),
        str(HERE / "corpus" / name),
    ]
    atheris.Setup([sys.argv[0], *options], run.once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
