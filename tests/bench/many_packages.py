"""Packages a minute by one and two processes and by a cluster of one and two, and their memory.

    python tests/bench/many_packages.py [COUNT]

Judges COUNT mutated packages (default 200) and twelve copies of the demo in each way, compares all
records with those of one process, and kills a worker of the cluster in the middle of one more run.
The figures of docs/scale.md are made with it.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import psutil
from distributed import LocalCluster

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests/cli")]

from mutated import mutated_packages  # noqa: E402 -- found by the line above

from fabkit.outputs.judged import Settings, judge_given, read_given  # noqa: E402
from fabkit.outputs.many import in_processes, on_cluster  # noqa: E402

DEMO = ROOT / "fabkit/demo/rev-b"
SETTINGS = Settings()


class Watch:
    """Processor time of all processes below this one, and the most memory that one of them had."""

    def __init__(self):
        self.most = 0.0
        self._ended = threading.Event()
        self._watcher = threading.Thread(target=self._look, daemon=True)

    def __enter__(self):
        self._before = self._spent()
        self._began = time.monotonic()
        self._watcher.start()
        return self

    def __exit__(self, *_):
        self.seconds = time.monotonic() - self._began
        self.processor = self._spent() - self._before
        self._ended.set()
        self._watcher.join()

    def _look(self):
        while not self._ended.wait(0.2):
            for process in psutil.Process().children(recursive=True):
                with suppress(psutil.Error):
                    self.most = max(self.most, process.memory_full_info().uss / 2**20)

    def _spent(self):
        """Of processes that are there, with that of their ended children."""
        spent = 0.0
        for process in [psutil.Process(), *psutil.Process().children(recursive=True)]:
            with suppress(psutil.Error):
                times = process.cpu_times()
                spent += times.user + times.system + times.children_user + times.children_system
        return spent


def bare(records):
    """What must be equal: all but the time it took."""
    found = {one["package"]: {k: v for k, v in one.items() if k != "seconds"} for one in records}
    assert len(found) == len(records), "something was done twice"
    return found


def measure(title, engine, paths, expected, during=None):
    """Run an engine and print its figures; its records must be those expected."""
    records = []
    with Watch() as watch:
        for number, record in enumerate(engine(paths, SETTINGS, 120)):
            records.append(record)
            if during is not None and number == len(paths) // 2:
                during()
    assert bare(records) == expected, title
    a_minute = 60 * len(paths) / watch.seconds
    each = watch.processor / len(paths)
    print(f"{title}: {len(paths)} in {watch.seconds:.1f} s, {a_minute:.0f} a minute", end="; ")
    print(f"{each:.2f} processor seconds each, largest process {watch.most:.0f} MB", flush=True)


def main():
    """Measure all of it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small = mutated_packages(folder / "small", count)
        (folder / "demos").mkdir()
        archive = shutil.make_archive(str(folder / "demo"), "zip", DEMO)
        demos = [folder / "demos" / f"demo-{n:02}.zip" for n in range(12)]
        for path in demos:
            shutil.copy(archive, path)
        for title, paths in (("mutated packages", small), ("demos", demos)):
            began = time.process_time()
            expected = bare([judge_given(read_given(p), SETTINGS, source=str(p)) for p in paths])
            each = (time.process_time() - began) / len(paths)
            print(f"{title}: in this process, {each:.3f} processor seconds each", flush=True)
            for jobs in (1, 2):
                measure(f"{title}, --jobs {jobs}", in_processes(jobs), paths, expected)
            for workers in (1, 2):
                with LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    host="127.0.0.1",
                    dashboard_address="127.0.0.1:0",
                ) as local:
                    engine = on_cluster(local.scheduler_address)
                    list(engine(paths[:2], SETTINGS, 120))  # libraries are loaded
                    measure(f"{title}, cluster of {workers}", engine, paths, expected)
                    if workers == 2:
                        first = next(iter(local.workers.values()))
                        measure(
                            f"{title}, a worker killed in the middle",
                            engine,
                            paths,
                            expected,
                            lambda pid=first.pid: os.kill(pid, signal.SIGKILL),
                        )


if __name__ == "__main__":
    main()
