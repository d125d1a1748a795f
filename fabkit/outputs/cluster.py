"""Many packages judged on a Dask cluster.

Packages are read here and travel as arguments of their tasks.  So workers need no disk in common,
and the scheduler keeps the bytes until the task is done: what a lost worker had begun is begun anew
by another.  A worker judges each package in a process of its own, so that bounds, deaths and
records are those of one machine (``pool.py``).
"""

from __future__ import annotations

import ipaddress
import logging
import multiprocessing
import os
import warnings
from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from fabkit.base import VERSION
from fabkit.base.errors import FabkitError, UnreadableInput, UsageError, explain
from fabkit.base.tables import Record
from fabkit.outputs.judged import Given, Settings, failed
from fabkit.outputs.pool import Parcel, failed_midway, judge_apart, largest_first

if TYPE_CHECKING:
    from distributed import Client


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
