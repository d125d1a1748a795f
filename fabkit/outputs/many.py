"""Many packages, each judged once: run, record file and what is kept for the summary."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from pathlib import Path

from fabkit.base.progress import counting
from fabkit.base.streams import STANDARD_STREAM, standard_output
from fabkit.base.tables import Record
from fabkit.demo import shown_path
from fabkit.outputs.judged import Settings
from fabkit.outputs.ledger import append, appending, done_before, line_of, read_ledger
from fabkit.outputs.pool import judge_paths
from fabkit.outputs.summary import Row, row_of

Engine = Callable[[Sequence[Path], Settings], Iterator[Record]]
"""Judges packages and gives each record as it ends."""


def judge_many(
    paths: Sequence[Path],
    settings: Settings,
    *,
    engine: Engine,
    ledger: Path | None = None,
    resume: bool = False,
    replace: bool = False,
) -> list[Row]:
    """Judge packages and write each record as it ends.

    Parameters
    ----------
    engine
        Who judges: processes of this machine, or a cluster.
    ledger
        File for the records, one a line; ``-`` is standard output, None writes none.
    resume
        Whether what the file holds already is not done again.
    replace
        Whether another file of this name may be overwritten.

    Returns
    -------
    list of Row
        One for each package, in the order given.

    Raises
    ------
    OutputRefused
        The file exists, holds something else, or cannot be written.
    """
    before: list[Record] = []
    if resume and ledger is not None and ledger != STANDARD_STREAM:
        before = read_ledger(ledger)
    done = done_before(before, paths, settings)
    rows = {r["package"]: row_of(r) for r in before if r["settings"] == settings.digest}
    todo = [path for path in paths if path not in done]
    to_file = ledger is not None and ledger != STANDARD_STREAM
    opened = (
        appending(ledger, resume=resume, replace=replace)
        if ledger is not None and to_file
        else nullcontext()
    )
    with opened as stream:
        for record in counting(engine(todo, settings), len(todo), "packages"):
            if stream is not None:
                append(stream, record)
            elif ledger is not None:
                standard_output(line_of(record))
            rows[record["package"]] = row_of(record)
    return [rows[shown_path(path)] for path in paths]


def in_processes(jobs: int, seconds: float) -> Engine:
    """Judge in processes of this machine: so many at once, each within a time."""
    return lambda paths, settings: judge_paths(paths, settings, jobs=jobs, seconds=seconds)


def processors() -> int:
    """How many packages this process may have judged at once."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
