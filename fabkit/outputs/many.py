"""Many packages, each judged once: the run, the file it goes on by when stopped, a summary."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

from fabkit.base import VERSION
from fabkit.base.errors import FabkitError, OutputRefused, RunStopped
from fabkit.base.steps import counting
from fabkit.base.streams import STANDARD_STREAM, standard_output
from fabkit.base.tables import Record, Table, columns_of
from fabkit.base.units import counted
from fabkit.demo import shown_path
from fabkit.outputs.atomic import refuse_existing
from fabkit.outputs.cluster import judge_on_cluster, refuse_address
from fabkit.outputs.formats import FORMATS
from fabkit.outputs.judged import STATES, WORDS, Settings, digest_of, read_given
from fabkit.outputs.pool import judge_apart, largest_first
from fabkit.outputs.terminal import Terminal
from fabkit.schemas import load_schema

# Records in a file, one a line


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
    # Only packages of a known name are read: a thousand others would be read twice.
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


# Summary


_SHOWN: Final = 5
"""Slowest packages and causes that are shown."""
_LISTED: Final = 200
"""Packages that are listed: the worst of them; a file of records has all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What is kept of a record: a line of the summary.

    ``causes`` are the rules it must not be ordered for, or that need a decision: id and title.
    """

    package: str
    state: str
    words: str
    status: int
    seconds: float
    causes: tuple[tuple[str, str], ...]


def row_of(record: Record) -> Row:
    """Keep of a record what the summary needs."""
    error, check = record["error"], record["check"]
    found = [f for f in (check["findings"] if check else ()) if "follows" not in f]
    # What stops an order is named before what is to be decided.
    graver = [f for word in ("stop", "decide") for f in found if f["consequence"] == word]
    return Row(
        package=record["package"],
        state=record["state"],
        words=error["message"] if error else record["verdict"],
        status=record["status"],
        seconds=record.get("seconds", 0.0),
        causes=tuple({f["id"]: f["title"] for f in graver}.items()),
    )


def print_summary(console: Terminal, rows: Sequence[Row]) -> None:
    """Print what came of each package, the worst first; then counts, causes and the slowest."""
    folder = _folder_of(rows)
    room = _LISTED
    for state in reversed(STATES):
        mine = [row for row in rows if row.state == state]
        if not mine or not room:
            continue
        title = f"{WORDS[state]}: {counted(len(mine), 'package')}"
        if state == "fit":
            names = [row.package[len(folder) :] + _note(row) for row in mine[:room]]
            more = f" and {len(mine) - room} more" if len(mine) > room else ""
            console.print(title)
            console.print(f"  {', '.join(names)}{more}")
            continue
        cells = tuple((row.package[len(folder) :], _reason(row)) for row in mine)
        console.table(Table(columns_of("package", "because"), cells, title=title), most=room)
        if len(mine) > room:
            console.print(f"and {counted(len(mine) - room, 'more package')}")
        room -= min(room, len(mine))
    counts = Counter(row.state for row in rows)
    said = [f"{counts[state]} {WORDS[state]}" for state in STATES if counts[state]]
    place = f" in {folder}" if folder else ""
    console.print(f"\n{counted(len(rows), 'package')}{place}: {', '.join(said)}", style="bold")
    often = Counter(cause for row in rows for cause in row.causes)
    ranked = sorted(often.items(), key=lambda pair: (-pair[1], pair[0]))[:_SHOWN]
    if ranked:
        console.print("most common causes:")
    for (name, title), number in ranked:
        console.print(f"  {counted(number, 'package')}: {title} ({name})")
    slow = sorted(rows, key=lambda row: (-row.seconds, row.package))[:_SHOWN]
    if slow:
        named = ", ".join(f"{r.package[len(folder) :]} ({r.seconds:.1f} s)" for r in slow)
        console.print(f"slowest: {named}")


def _folder_of(rows: Sequence[Row]) -> str:
    """Folder that all packages lie in, with its slash, so that no line repeats it."""
    try:
        common = os.path.commonpath([os.path.dirname(row.package) for row in rows])  # noqa: PTH120
    except ValueError:
        return ""
    return os.path.join(common, "") if common else ""  # noqa: PTH118


def _reason(row: Row) -> str:
    if row.state in ("unreadable", "broken"):
        # Its message names the package, as the line does.
        return row.words.removeprefix(f"{row.package}: ")
    named = [title for _, title in row.causes[:1]]
    if len(row.causes) > 1:
        named.append(f"{len(row.causes) - 1} more")
    return "; ".join(named) + _note(row)


def _note(row: Row) -> str:
    return " (some of it was too heavy to be judged)" if row.status == 2 else ""


# The run


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
    refuse_address(address)
    return partial(judge_on_cluster, address=address)
