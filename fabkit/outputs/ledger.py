"""Records of many packages in a file, one a line, so that an interrupted run can go on."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Final

from fabkit.base.errors import FabkitError, OutputRefused
from fabkit.base.tables import Record
from fabkit.base.version import VERSION
from fabkit.demo import shown_path
from fabkit.outputs.atomic import refuse_existing, refused
from fabkit.outputs.json import FORMATS
from fabkit.outputs.judged import Settings, digest_of, read_given

_OURS: Final = f'{{"format": "fabkit/judged/{FORMATS["judged"]}"'.encode()


def line_of(record: Record) -> bytes:
    """Write a record as one line of JSON (UTF-8)."""
    return json.dumps(record, ensure_ascii=False).encode("utf-8", "replace") + b"\n"


def read_ledger(path: Path) -> list[Record]:
    """Read the records of a stopped run, and take off a last line that is not whole.

    Raises
    ------
    OutputRefused
        The file holds something else, or cannot be read.
    """
    if not path.exists():
        return []
    records: list[Record] = []
    whole = 0
    try:
        with path.open("rb") as stream:
            for number, line in enumerate(stream, start=1):
                start = line[: len(_OURS)]
                if not line.endswith(b"\n") and _OURS.startswith(start):
                    break
                try:
                    record = json.loads(line) if start == _OURS else None
                except ValueError:
                    record = None
                if record is None:
                    raise OutputRefused(
                        f"{path}: line {number} is no result of check --jsonl",
                        hint="give the file of the run that was stopped, or another name",
                    )
                records.append(record)
                whole += len(line)
        if whole < path.stat().st_size:
            os.truncate(path, whole)
    except OSError as error:
        raise refused(path, error) from error
    return records


def append(stream: BinaryIO, record: Record) -> None:
    """Write a record at once: what is written outlives a kill of this process."""
    stream.write(line_of(record))
    stream.flush()


def done_before(records: Iterable[Record], paths: Iterable[Path], settings: Settings) -> set[Path]:
    """Find the packages that a stopped run has judged: same path, bytes, settings and version."""
    known = {
        (r["package"], r["sha256"])
        for r in records
        if r["settings"] == settings.digest and r["version"] == VERSION
    }
    sources = {source for source, _ in known}
    done = set()
    for path in paths:
        source = shown_path(path)
        if source not in sources:
            continue
        try:
            sha256 = digest_of(read_given(path, limits=settings.limits))
        except FabkitError:
            sha256 = None
        if (source, sha256) in known:
            done.add(path)
    return done


@contextmanager
def appending(path: Path, *, resume: bool, replace: bool) -> Iterator[BinaryIO]:
    """Open the file to append records to, each written at once.

    Raises
    ------
    OutputRefused
        It exists and neither ``resume`` nor ``replace`` is given, or it cannot be written.
    """
    refuse_existing(path, replace=replace or resume)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("ab" if resume else "wb") as stream:
            yield stream
    except OSError as error:
        raise refused(path, error) from error
