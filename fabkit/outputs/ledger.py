"""Records of many packages in a file, one a line, so that an interrupted run can go on."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, TypeVar

from fabkit.base.errors import FabkitError, OutputRefused
from fabkit.base.tables import Record
from fabkit.base.units import counted
from fabkit.base.version import VERSION
from fabkit.demo import shown_path
from fabkit.outputs.atomic import refuse_existing
from fabkit.outputs.json import FORMATS
from fabkit.outputs.judged import Settings, digest_of, read_given
from fabkit.schemas import load_schema

T = TypeVar("T")
Key = tuple[str, str | None]
"""Which package: how it is named, and the digest of what it held."""

_OURS: Final = f'{{"format": "fabkit/judged/{FORMATS["judged"]}"'.encode()
_KEYS: Final = frozenset(load_schema("judged")["required"])
_NAME: Final = "give another FILE with --jsonl"


def line_of(record: Record) -> bytes:
    """Write a record as one line of JSON (UTF-8)."""
    return json.dumps(record, ensure_ascii=False).encode("utf-8", "replace") + b"\n"


def read_ledger(path: Path) -> Iterator[Record]:
    """Read the records of a stopped run one by one; take off a last line that is not whole.

    Raises
    ------
    OutputRefused
        The file holds something else, or cannot be read.
    """
    if not path.exists():
        return
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
                if not (isinstance(record, dict) and record.keys() >= _KEYS):
                    raise OutputRefused(
                        f"{path}: line {number} is no result of check --jsonl; it stays as it is",
                        hint="give the file of the run that was stopped, or another name",
                    )
                yield record
                whole += len(line)
        if whole < path.stat().st_size:
            os.truncate(path, whole)
    except OSError as error:
        raise _refused(path, error) from error


def is_settled(record: Record, settings: Settings, seconds: float) -> bool:
    """Whether a record is what these settings and this version give.

    What took too long is not, once more time is allowed; nor is what a process died of, for that
    depends on what else the machine did.
    """
    if record["settings"] != settings.digest or record["version"] != VERSION:
        return False
    unfinished = record.get("unfinished")
    return unfinished is None or (
        unfinished["cause"] == "time" and unfinished["seconds_allowed"] >= seconds
    )


def find_done(known: Mapping[Key, T], paths: Iterable[Path], settings: Settings) -> dict[Path, T]:
    """Find the packages that are known already, by name and bytes."""
    sources = {source for source, _ in known}
    done = {}
    for path in paths:
        source = shown_path(path)
        if source not in sources:
            continue
        sha256 = None
        with suppress(FabkitError):
            sha256 = digest_of(read_given(path, limits=settings.limits))
        if (source, sha256) in known:
            done[path] = known[source, sha256]
    return done


class Ledger:
    """An open file that records are appended to, each on the disk before the next is judged."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path = path
        self._descriptor = descriptor
        self._whole = os.fstat(descriptor).st_size

    def append(self, record: Record) -> None:
        """Write a record; whatever happens, the file ends with a whole line.

        Raises
        ------
        OutputRefused
            The disk is full, or the file cannot be written.
        """
        data = line_of(record)
        try:
            written = 0
            while written < len(data):
                written += os.write(self._descriptor, data[written:])
            os.fsync(self._descriptor)
        except OSError as error:
            with suppress(OSError):
                os.ftruncate(self._descriptor, self._whole)
            raise _refused(self._path, error) from error
        self._whole += len(data)


@contextmanager
def appending(path: Path, *, resume: bool, replace: bool) -> Iterator[Ledger]:
    """Open the file that records are appended to.

    Raises
    ------
    OutputRefused
        It exists and neither ``resume`` nor ``replace`` is given, it is no such file, or it cannot
        be written.
    """
    exists = path.is_file()
    if exists and not resume:
        # A package named after --jsonl by mistake is not lost, with --replace either.
        next(read_ledger(path), None)
        if not replace:
            raise OutputRefused(
                f"{path} exists already and was left as it is",
                hint="go on with it by --resume, begin anew by --replace, or give another FILE",
            )
    try:
        refuse_existing(path, replace=exists)
    except OutputRefused as error:
        raise OutputRefused(error.message, hint=_NAME) from error
    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, flags if resume else flags | os.O_TRUNC, 0o666)
    except OSError as error:
        raise _refused(path, error) from error
    try:
        yield Ledger(path, descriptor)
    finally:
        os.close(descriptor)


def _refused(path: Path, error: OSError) -> OutputRefused:
    reason = (error.strerror or str(error)).lower()
    return OutputRefused(f"cannot write {path}: {reason}", hint=f"free some space, or {_NAME}")


def how_far(done: int, of: int, ledger: Path | None) -> tuple[str, str]:
    """Say how far a run came that ended early, and how it goes on."""
    far = f"{done} of {counted(of, 'package')} {'is' if done == 1 else 'are'} judged"
    if ledger is None:
        return far, "with --jsonl FILE a stopped run can go on by --resume"
    return f"{far} and recorded in {ledger}", "go on with the same command and --resume"
