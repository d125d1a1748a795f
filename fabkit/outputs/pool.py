"""Many packages judged side by side, each in a process of its own with its bounds.

A fork server loads the libraries once; each package gets a copy of it, which reads the package,
judges it and ends.  So nothing of one package stays for the next, a death or a hang is a record
like any other, and no more packages are held in memory than are judged at once.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkServerContext, SpawnContext
from multiprocessing.process import BaseProcess
from pathlib import Path

from fabkit.base.deaths import limit_memory, read_death
from fabkit.base.errors import FabkitError, explain
from fabkit.base.tables import Record
from fabkit.demo import shown_path
from fabkit.outputs.judged import Settings, digest_of, failed, judge_given, read_given

_ORPHANED = 130
_LOADED = ("fabkit.outputs.judged", "fabkit.checks.catalogue", "scipy.spatial", "matplotlib.path")
"""What judging loads: once, in the process that is copied."""


def judge_path(path: Path, settings: Settings) -> Record:
    """Read a package and judge it; never raises for what the package holds."""
    began = time.monotonic()
    source = shown_path(path)
    try:
        given = read_given(path, limits=settings.limits)
    except Exception as error:  # noqa: BLE001 -- one package must not lose the others
        record = failed(source, settings, *explain(error), sha256=None)
    else:
        record = judge_given(given, settings, source=source)
    return {**record, "seconds": round(time.monotonic() - began, 2)}


@dataclass(frozen=True, slots=True)
class _Running:
    path: Path
    process: BaseProcess
    began: float


def judge_paths(
    paths: Sequence[Path], settings: Settings, *, jobs: int, seconds: float
) -> Iterator[Record]:
    """Judge packages in processes of their own; give each record as it ends.

    Parameters
    ----------
    paths
        Packages; the largest are begun first, so that none is left to one process at the end.
    jobs
        How many are judged at once.
    seconds
        Longest time for one package; then its process is ended, and its record says so.
    """
    context = _context()
    # Each of its threads would take memory, and nothing here multiplies large matrices.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    waiting = deque(sorted(paths, key=_size, reverse=True))
    running: dict[Connection, _Running] = {}
    try:
        while waiting or running:
            while waiting and len(running) < jobs:
                ours, theirs = context.Pipe(duplex=False)
                path = waiting.popleft()
                process = context.Process(target=_work, args=(theirs, path, settings), daemon=True)
                process.start()
                theirs.close()
                running[ours] = _Running(path, process, time.monotonic())
            latest = min(one.began for one in running.values()) + seconds
            ended = wait(list(running), timeout=max(0.0, latest - time.monotonic()))
            for pipe, one in list(running.items()):
                took = time.monotonic() - one.began
                if pipe in ended or took >= seconds:
                    del running[pipe]
                    yield _result(pipe, one, settings, late=pipe not in ended, took=took)
    finally:
        for one in running.values():
            one.process.kill()


def _context() -> ForkServerContext | SpawnContext:
    if sys.platform == "win32":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(_LOADED))
    return context


def _size(path: Path) -> int:
    """Bytes of a package, near enough to judge which takes longest."""
    with suppress(OSError):
        if path.is_dir():
            return sum(p.stat().st_size for p in path.rglob("*") if p.is_file())
        # Packed text unpacks to about four times its size.
        return path.stat().st_size * 4
    return 0


def _result(
    pipe: Connection, one: _Running, settings: Settings, *, late: bool, took: float
) -> Record:
    """Take the record that a process sent, or make one of how it ended."""
    source = shown_path(one.path)
    try:
        if not late:
            record: Record = pipe.recv()
            one.process.join()
            return record
        one.process.kill()
        message = f"{source}: not judged within {took:.0f} s"
        hint = "take out what is drawn many times over, or allow more with --seconds NUMBER"
    except (EOFError, OSError):
        one.process.join()
        how = read_death(one.process.exitcode or 0).reason
        message = f"{source}: could not be judged: {how}"
        hint = "check it alone: what it cannot do is then left out and named"
    finally:
        pipe.close()
    record = failed(source, settings, message, hint, 2, sha256=_digest(one.path, settings))
    return {**record, "seconds": round(took, 2)}


def _digest(path: Path, settings: Settings) -> str | None:
    with suppress(FabkitError):
        return digest_of(read_given(path, limits=settings.limits))
    return None


def _end_with(parent: BaseProcess) -> None:
    """End with the process that waits for the result; a kill of it reaches nobody else."""
    parent.join()
    os._exit(_ORPHANED)


def _work(pipe: Connection, path: Path, settings: Settings) -> None:
    import signal
    from threading import Thread

    # Whoever started this process ends it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        Thread(target=_end_with, args=(parent,), daemon=True).start()
    limit_memory(settings.limits.memory_bytes)
    pipe.send(judge_path(path, settings))
    pipe.close()
