"""Many packages, each judged once: run, record file and what is kept for the summary."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Sequence
from contextlib import closing, nullcontext
from functools import partial
from pathlib import Path

from fabkit.base.errors import OutputRefused, RunStopped
from fabkit.base.progress import counting
from fabkit.base.streams import STANDARD_STREAM, standard_output
from fabkit.base.tables import Record
from fabkit.demo import shown_path
from fabkit.outputs.judged import Settings
from fabkit.outputs.ledger import (
    appending,
    find_done,
    how_far,
    is_settled,
    line_of,
    read_ledger,
)
from fabkit.outputs.pool import judge_apart, largest_first
from fabkit.outputs.summary import Row, row_of

Engine = Callable[[Sequence[Path], Settings, float], Generator[Record, None, None]]
"""Judges packages, each within so many seconds, and gives each record as it ends."""


def judge_many(
    paths: Sequence[Path],
    settings: Settings,
    *,
    engine: Engine,
    seconds: float,
    ledger: Path | None = None,
    resume: bool = False,
    replace: bool = False,
) -> list[Row]:
    """Judge packages and write each record as it ends.

    Parameters
    ----------
    engine
        Who judges: processes of this machine, or a cluster.
    seconds
        Longest time for one package.
    ledger
        File for the records, one a line; ``-`` is standard output, None writes none.
    resume
        Whether what the file holds already is not done again.
    replace
        Whether an older file of records of this name may be overwritten.

    Returns
    -------
    list of Row
        One for each package, in the order given.

    Raises
    ------
    OutputRefused
        The file exists, holds something else, or cannot be written.
    RunStopped
        Ctrl-C; what was judged is recorded.
    """
    file = None if ledger == STANDARD_STREAM else ledger
    known = {
        (record["package"], record["sha256"]): row_of(record)
        for record in (read_ledger(file) if resume and file is not None else ())
        if is_settled(record, settings, seconds)
    }
    before = find_done(known, paths, settings)
    todo = [path for path in paths if path not in before]
    rows = {shown_path(path): row for path, row in before.items()}
    opened = appending(file, resume=resume, replace=replace) if file is not None else nullcontext()
    with opened as written, closing(engine(todo, settings, seconds)) as records:
        try:
            for record in counting(records, len(todo), "packages"):
                if written is not None:
                    written.append(record)
                elif ledger is not None:
                    standard_output(line_of(record))
                rows[record["package"]] = row_of(record)
        except KeyboardInterrupt:
            far, hint = how_far(len(rows), len(paths), file)
            raise RunStopped(f"stopped: {far}", hint=hint) from None
        except OutputRefused as error:
            far, hint = how_far(len(rows), len(paths), file)
            raise OutputRefused(
                f"{error.message}; {far}", hint=f"free some space, {hint}"
            ) from error
    return [rows[shown_path(path)] for path in paths]


def in_processes(jobs: int) -> Engine:
    """Judge in processes of this machine, so many at once."""

    def judge(
        paths: Sequence[Path], settings: Settings, seconds: float
    ) -> Generator[Record, None, None]:
        return judge_apart(largest_first(paths), settings, jobs=jobs, seconds=seconds)

    return judge


def on_cluster(address: str) -> Engine:
    """Judge on a Dask cluster, given the address of its scheduler.

    Raises
    ------
    UsageError
        The extra is not installed, or the address is neither of this machine nor encrypted.
    """
    from fabkit.outputs.cluster import judge_on_cluster, refuse_address

    refuse_address(address)
    return partial(judge_on_cluster, address=address)


def processors() -> int:
    """How many packages this process may have judged at once."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
