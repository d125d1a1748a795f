"""Many packages judged side by side, each in a process of its own with its bounds.

A fork server loads the libraries once; each package gets a copy of it, which reads the package,
judges it and ends.  So nothing of one package stays for the next, and no more packages are held in
memory than are judged at once.  A copy that dies is begun again without the step that killed it
(``base.steps``); what cannot be judged even so, or takes too long, is a record like any other.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from ctypes import Array, c_char
from dataclasses import dataclass
from itertools import islice
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkServerContext, SpawnContext
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Lock, Thread
from types import ModuleType
from typing import Final

from fabkit.base.copies import stay_alone
from fabkit.base.errors import FabkitError, explain
from fabkit.base.steps import SIZE, Notice, begin_bounded, bound_memory, read_death
from fabkit.base.tables import Record
from fabkit.demo import shown_path
from fabkit.outputs.judged import Given, Settings, digest_of, failed, judge_given, read_given

_ORPHANED: Final = 130
_LOADED: Final = (
    *("fabkit.outputs.judged", "fabkit.checks.catalogue"),
    *("scipy.spatial", "matplotlib.path"),
)
"""What judging loads: once, in the process that is copied."""
_starting: Final = Lock()


@dataclass(frozen=True, slots=True)
class Parcel:
    """A package to be judged: how records name it, and its path or what was read from there."""

    source: str
    given: Path | Given

    def read(self, settings: Settings) -> Given:
        """Read it, if that is not done.

        Raises
        ------
        FabkitError
            It cannot be read.
        """
        if isinstance(self.given, Path):
            return read_given(self.given, limits=settings.limits)
        return self.given

    def judge(self, settings: Settings) -> Record:
        """Judge it here; never raises for what the package holds."""
        began = time.monotonic()
        try:
            given = self.read(settings)
        except Exception as error:  # noqa: BLE001 -- one package must not lose the others
            record = failed(self.source, settings, *explain(error), sha256=None)
        else:
            record = judge_given(given, settings, source=self.source)
        return {**record, "seconds": round(time.monotonic() - began, 2)}


def largest_first(paths: Iterable[Path]) -> Iterator[Parcel]:
    """Order packages so that none of those that take long is begun last, and then waited for."""
    for path in sorted(paths, key=_size, reverse=True):
        yield Parcel(shown_path(path), path)


def judge_apart(
    parcels: Iterable[Parcel], settings: Settings, *, jobs: int, seconds: float
) -> Generator[Record, None, None]:
    """Judge packages in processes of their own; give each record as it ends.

    Parameters
    ----------
    parcels
        Packages in the order in which they are begun; taken one by one.
    jobs
        How many are judged at once.
    seconds
        Longest time for one package; then its process is ended, and its record says so.
    """
    waiting = iter(parcels)
    running: dict[Connection, _Running] = {}
    try:
        while True:
            for parcel in islice(waiting, jobs - len(running)):
                one = _Running.begin(parcel, settings)
                running[one.pipe] = one
            if not running:
                return
            next_end = min(one.began for one in running.values()) + seconds
            ended = wait(list(running), timeout=max(0.0, next_end - time.monotonic()))
            for pipe, one in list(running.items()):
                late = pipe not in ended
                if late and time.monotonic() - one.began < seconds:
                    continue
                del running[pipe]
                record = one.give_up(settings, seconds) if late else one.take(settings, seconds)
                if record is None:
                    again = one.begin_again(settings)
                    running[again.pipe] = again
                else:
                    yield record
    finally:
        for one in running.values():
            one.process.kill()


@dataclass(frozen=True, slots=True)
class _Running:
    parcel: Parcel
    began: float
    pipe: Connection
    process: BaseProcess
    notice: Array[c_char]
    left_out: dict[str, str]

    @classmethod
    def begin(
        cls,
        parcel: Parcel,
        settings: Settings,
        began: float | None = None,
        left_out: dict[str, str] | None = None,
    ) -> _Running:
        """Start a process that judges a package."""
        context = copying(_LOADED)
        began = time.monotonic() if began is None else began
        left_out = left_out or {}
        notice = context.RawArray(c_char, SIZE)
        ours, theirs = context.Pipe(duplex=False)
        given = (theirs, notice, left_out, parcel, settings)
        process = context.Process(target=_work, args=given, daemon=True)
        with undisturbed():
            process.start()
        theirs.close()
        return cls(parcel, began, ours, process, notice, left_out)

    def begin_again(self, settings: Settings) -> _Running:
        """Start once more without what killed the process; the time goes on."""
        return self.begin(self.parcel, settings, self.began, self.left_out)

    def take(self, settings: Settings, seconds: float) -> Record | None:
        """Take the record that the process sent; None when it died and can begin again."""
        try:
            record: Record = self.pipe.recv()
        except (EOFError, OSError):
            self.process.join()
            death = read_death(self.process.exitcode or 0, self.notice.raw)
            if death.culprit is not None and not death.is_final(self.left_out):
                self.left_out[death.culprit] = death.reason
                return None
            known = ("could not be judged", death.words, death.reason)
            message = ": ".join(word for word in known if word)
            return self._failed(settings, message, death.hint, cause="death", seconds=seconds)
        finally:
            self.pipe.close()
        self.process.join()
        return {**record, "status": max(record["status"], 2)} if self.left_out else record

    def give_up(self, settings: Settings, seconds: float) -> Record:
        """End the process."""
        self.process.kill()
        self.process.join()
        self.pipe.close()
        message = f"not judged within {seconds:g} s"
        hint = "take out what is drawn many times over, or allow more with --seconds NUMBER"
        return self._failed(settings, message, hint, cause="time", seconds=seconds)

    def _failed(
        self, settings: Settings, message: str, hint: str, *, cause: str, seconds: float
    ) -> Record:
        took = round(time.monotonic() - self.began, 2)
        record = failed_midway(self.parcel, settings, message, hint, cause=cause, seconds=seconds)
        return {**record, "seconds": took}


def failed_midway(
    parcel: Parcel, settings: Settings, message: str, hint: str, *, cause: str, seconds: float
) -> Record:
    """Record that judging a package was begun and not ended: for ``time`` or by ``death``.

    Another run may well end it, so that ``--resume`` judges it again (``ledger.is_settled``).
    """
    sha256 = None
    with suppress(FabkitError):
        sha256 = digest_of(parcel.read(settings))
    message = f"{parcel.source}: {message}"
    record = failed(parcel.source, settings, message, hint, 2, sha256=sha256)
    return {**record, "unfinished": {"cause": cause, "seconds_allowed": seconds}}


def copying(loaded: Sequence[str]) -> ForkServerContext | SpawnContext:
    """Make processes as copies of one that has loaded these modules, where the system can."""
    # Each of its threads would take memory, and nothing here multiplies large matrices.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if sys.platform == "win32":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(loaded))
    return context


@contextmanager
def undisturbed() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach, and that load nothing but what judging needs.

    Whoever started them ends them.  The script that this process runs would be loaded by each of
    them anew: a second, where it is that of a cluster.
    """
    with _starting:
        main = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")
        try:
            if sys.platform == "win32":
                yield
                return
            # Begun by the first start of a process, it would let Ctrl-C through again.
            resource_tracker.ensure_running()
            before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
            try:
                yield
            finally:
                signal.pthread_sigmask(signal.SIG_SETMASK, before)
        finally:
            sys.modules["__main__"] = main


def _size(path: Path) -> int:
    """Bytes of a package, near enough to judge which takes longest."""
    with suppress(OSError):
        if path.is_dir():
            return sum(p.stat().st_size for p in path.rglob("*") if p.is_file())
        # Packed text unpacks to about four times its size.
        return path.stat().st_size * 4
    return 0


def end_with_parent() -> None:
    """End with the process that waits for the result; a kill of it reaches nobody else."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(_ORPHANED)


def _work(
    pipe: Connection,
    notice: Notice,
    left_out: dict[str, str],
    parcel: Parcel,
    settings: Settings,
) -> None:
    end_with_parent()
    begin_bounded(notice, left_out)
    bound_memory(settings.limits.memory_bytes)
    stay_alone()
    pipe.send(parcel.judge(settings))
    pipe.close()
