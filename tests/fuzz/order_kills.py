"""Kills an order at random moments, or saves into its folder while it runs: nothing may be lost.

Usage: ``python tests/fuzz/order_kills.py [KILLS] [CHANGES] [SEED]``.  An order of the smallest
package is written into one folder again and again.  It is killed (all its processes), or a file
of the user's is made or changed in the folder meanwhile.  After each round the user's files must be
there with their bytes, and the outputs must be those of one whole order.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from hashlib import sha256
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1])]

from fuzz.tiny_board import FILES  # noqa: E402

MANIFEST = "manifest.json"


def start(package: Path, out: Path) -> subprocess.Popen[str]:
    """Start an order, with its processes in a group of their own."""
    return subprocess.Popen(
        [sys.executable, "-m", "fabkit", "order", str(package), "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )


def faults(out: Path, mine: dict[str, str]) -> list[str]:
    """What is lost: files of the user's, or outputs that are not those of the manifest."""
    # A kill may leave the old folder under its hidden name; the next run brings it back.
    places = [p for p in (out, *out.parent.glob(f".{out.name}.*.old")) if p.is_dir()]
    texts = {
        name: {p.joinpath(name).read_text() for p in places if (p / name).is_file()}
        for name in mine
    }
    lost = [name for name, text in mine.items() if text not in texts[name]]
    whole = [p for p in places if (p / MANIFEST).is_file() and not _changed(p)]
    return [f"lost: {name}" for name in lost] + ([] if whole else ["no whole order"])


def _changed(folder: Path) -> list[str]:
    rows = json.loads((folder / MANIFEST).read_text())["outputs"]
    return [
        row["name"]
        for row in rows
        if not (folder / row["name"]).is_file()
        or sha256((folder / row["name"]).read_bytes()).hexdigest() != row["sha256"]
    ]


def main() -> None:
    """Kill and change, and print how the runs ended and what was lost."""
    kills, changes, seed = (int(n) for n in (*sys.argv[1:], "200", "50", "1")[:3])
    chance = random.Random(seed)
    ends: Counter[str] = Counter()
    lost: list[str] = []
    with tempfile.TemporaryDirectory() as work:
        package, out = Path(work, "tiny"), Path(work, "out")
        package.mkdir()
        for name, data in FILES.items():
            (package / name).write_bytes(data)
        begun = time.monotonic()
        start(package, out).communicate()
        seconds = time.monotonic() - begun
        mine: dict[str, str] = {}
        rounds = ["kill"] * kills + ["change"] * changes
        chance.shuffle(rounds)
        for number, deed in enumerate(rounds):
            begun = time.monotonic()
            running = start(package, out)
            # Late moments are when names change.
            time.sleep(seconds * chance.uniform(0, 1.1))
            if deed == "kill":
                os.killpg(running.pid, signal.SIGKILL)
            else:
                name = chance.choice([f"mine-{number}.txt", *mine])
                mine[name] = f"saved in round {number}"
                (out / name).write_text(mine[name])
            running.communicate()
            if running.returncode >= 0:
                seconds = 0.7 * seconds + 0.3 * (time.monotonic() - begun)
            ends[f"{deed}: {running.returncode}"] += 1
            lost += [f"round {number}, {deed}: {fault}" for fault in faults(out, mine)]
            if number % 10 == 9:
                print(f"{number + 1} rounds, {dict(ends)}, {len(lost)} lost", flush=True)
        start(package, out).communicate()
        lost += [f"in the end: {fault}" for fault in faults(out, mine)]
        left = [p.name for p in Path(work).iterdir() if p not in (package, out)]
    print(f"{len(rounds)} rounds, {dict(ends)}; left beside the folder: {left}")
    print("\n".join(lost) or "nothing was lost")


if __name__ == "__main__":
    main()
