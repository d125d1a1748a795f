"""Many packages judged side by side, each in a process of its own with its bounds.

A fork server loads the libraries once; each package gets a copy of it, which reads the package,
judges it and ends.  So nothing of one package stays for the next, and no more packages are held in
memory than are judged at once.  A copy that dies is begun again without the step that killed it
(``base.steps``); what cannot be judged even so, or takes too long, is a record like any other.

A Dask cluster carries the same function to other machines.  Packages are read here and travel as
arguments of their tasks.  So workers need no disk in common, and the scheduler keeps the bytes
until the task is done: what a lost worker had begun is begun anew by another.  A worker judges each
package in a process of its own, too, so that bounds, deaths and records are those of one machine.
"""

from __future__ import annotations

import ipaddress
import logging
import multiprocessing
import os
import signal
import sys
import time
import warnings
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
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from fabkit.base import VERSION
from fabkit.base.copies import stay_alone
from fabkit.base.errors import FabkitError, UnreadableInput, UsageError, explain
from fabkit.base.steps import SIZE, Notice, begin_bounded, bound_memory, read_death
from fabkit.base.tables import Record
from fabkit.demo import shown_path
from fabkit.outputs.judged import Given, Settings, digest_of, failed, judge_given, read_given

if TYPE_CHECKING:
    from distributed import Client


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


# On a cluster


MOST_IN_FLIGHT: Final = 1000
"""Packages that the cluster has at once: enough to keep it busy, few enough to keep in memory."""
MOST_BYTES: Final = 2**29
"""Their bytes."""
_PATIENCE_SECONDS: Final = 20
"""How long to wait for the scheduler, and for a first worker."""


def judge_on_cluster(
    paths: Sequence[Path], settings: Settings, seconds: float, *, address: str
) -> Generator[Record, None, None]:
    """Judge packages on the workers of a Dask cluster; give each record as it comes.

    Parameters
    ----------
    seconds
        Longest time for one package, counted on the worker.
    address
        Of the scheduler, as in ``tcp://127.0.0.1:8786``.

    Raises
    ------
    UsageError
        There is no such cluster, it has no worker, or its workers have another fabkit.
    UnreadableInput
        The scheduler is gone.
    """
    from distributed import as_completed

    with _connected(address) as client:
        waiting = largest_first(paths)
        held: dict[str, Parcel] = {}
        ended = as_completed(loop=client.loop, with_results=True, raise_errors=False)
        room = MOST_BYTES
        while True:
            parcel = next(waiting, None) if len(held) < MOST_IN_FLIGHT and room > 0 else None
            if parcel is not None:
                try:
                    given = parcel.read(settings)
                except Exception as error:  # noqa: BLE001 -- one package must not lose the others
                    yield failed(parcel.source, settings, *explain(error), sha256=None)
                    continue
                with warnings.catch_warnings():
                    # Large arguments are meant: see above.
                    warnings.filterwarnings("ignore", "Sending large graph")
                    # Impure: equal bytes under two names are two tasks.
                    future = client.submit(
                        judge_here, parcel.source, given, settings, seconds, pure=False
                    )
                held[future.key] = Parcel(parcel.source, given)
                room -= _bytes_of(given)
                ended.add(future)
            elif not held:
                return
            for done, result in ended.next_batch(block=parcel is None):
                kept = held.pop(done.key)
                assert not isinstance(kept.given, Path)  # noqa: S101 -- it was read
                room += _bytes_of(kept.given)
                yield _record_of(result, kept, settings, seconds, address)


def judge_here(source: str, given: Given, settings: Settings, seconds: float) -> Record:
    """Judge a package on this worker, in a process of its own."""
    # Workers are daemons, which may have no children lest these outlive them; ours end with them.
    multiprocessing.current_process().daemon = False
    # Dask sets it for its workers: our processes, which end soon, would only get slower.
    os.environ.pop("MALLOC_TRIM_THRESHOLD_", None)
    (record,) = judge_apart([Parcel(source, given)], settings, jobs=1, seconds=seconds)
    return record


def refuse_address(address: str) -> None:
    """Refuse a cluster that others can listen to or stand in for: it runs code, here too.

    Raises
    ------
    UsageError
        The extra is not installed, or the address is neither of this machine nor encrypted.
    """
    try:
        import distributed  # noqa: F401 -- whether it is there
    except ImportError as error:
        raise UsageError(
            f"--cluster needs Dask, which is not installed ({error})",
            hint="pip install 'fabkit[cluster]', on this machine and on every worker",
        ) from error
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    if parts.scheme not in ("tls", "wss") and not _is_loopback(parts.hostname or ""):
        raise UsageError(
            f"--cluster {address}: neither on this machine nor encrypted",
            hint="give a tls:// address, or one of 127.0.0.1 (a tunnel ends there, too)",
        )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    """Connect to a scheduler whose workers have this very fabkit."""
    from distributed import Client

    # What goes wrong is said once, by us.
    for name in ("distributed", "distributed.client", "distributed.comm"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=_PATIENCE_SECONDS, set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        raise UsageError(
            f"there is no Dask scheduler at {address}: {error}",
            hint="start one with `dask scheduler`, and workers with `dask worker ADDRESS`",
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=_PATIENCE_SECONDS)
            versions = client.run(_version)
        except TimeoutError as error:
            raise UsageError(
                f"the cluster at {address} has no worker", hint=f"start one: dask worker {address}"
            ) from error
        except (ImportError, AttributeError) as error:
            raise _other_fabkit(address, str(error)) from error
        for worker, version in sorted(versions.items()):
            if version != VERSION:
                raise _other_fabkit(address, f"{worker} has fabkit {version}")
        yield client


def _version() -> str:
    return VERSION


def _other_fabkit(address: str, what: str) -> UsageError:
    return UsageError(
        f"the workers of {address} have not this fabkit: {what}",
        hint=f"install fabkit[cluster] {VERSION} where the workers run",
    )


def _record_of(
    result: object, parcel: Parcel, settings: Settings, seconds: float, address: str
) -> Record:
    """Take what a task gave: a record, or why there is none."""
    from distributed import KilledWorker

    if isinstance(result, dict):
        return result
    # Errors come as triples of type, error and traceback.
    error = result[1] if isinstance(result, tuple) else result
    if isinstance(error, KilledWorker):
        message = f"could not be judged: {error.allowed_failures + 1} workers in turn were lost"
        hint = "give workers more memory, or begin fewer threads on one machine"
        return failed_midway(parcel, settings, message, hint, cause="death", seconds=seconds)
    if isinstance(error, ImportError | AttributeError):
        raise _other_fabkit(address, str(error))
    if isinstance(error, FabkitError):
        raise error
    raise UnreadableInput(
        f"the cluster at {address} is gone or does not work ({type(error).__name__})",
        hint="look at its logs and start it again; with --jsonl FILE the run goes on by --resume",
    )


def _bytes_of(given: Given) -> int:
    return len(given) if isinstance(given, bytes) else sum(len(m.data) for m in given.members)
