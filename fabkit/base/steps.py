"""What is being done just now, how far it is, and how a process dies at it.

Too little memory often ends native code without a word, and too much work ends it never.  So each
front end lets a process of its own work under bounds, which writes here, into memory that outlives
it, which step it is at.  When it dies, the work begins again without the step that ended it.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Final, Protocol, TypeVar

from fabkit.base.errors import TooHeavy, is_out_of_memory
from fabkit.base.limits import DEFAULT_LIMITS

SIZE: Final = 4096
"""Bytes of the memory that steps are written to."""

_OPTIONAL: Final = "?"
_NEEDED: Final = " "


class Notice(Protocol):
    """Memory that steps are written to."""

    def __setitem__(self, where: slice, data: bytes, /) -> None: ...


_lock: Final = Lock()
"""Layers are drawn side by side: none may write a list of steps that is no longer true."""

_notice: list[Notice] = []
_stage: list[str] = []
_open: list[str] = []
_left_out: dict[str, str] = {}
_short: list[str] = []


def short_of_memory() -> int:
    """How many steps memory did not suffice for, since this process began."""
    return len(_short)


def note_in(notice: Notice, left_out: dict[str, str]) -> None:
    """Write every step into ``notice`` from now on; leave steps out, each for its reason."""
    _notice.append(notice)
    _left_out.update(left_out)


def leave_unnoticed() -> None:
    """Write no step of this process any more: another one writes its own there."""
    _notice.clear()


def at(words: str) -> None:
    """Note which stage of the whole work is reached."""
    _begin_time()
    with _lock:
        _stage[:] = [_NEEDED + words]
        _write()


def unrepeatable() -> None:
    """Note that the work cannot begin again: what it read is gone."""
    with _lock:
        _open.insert(0, _NEEDED)
        _write()


@contextmanager
def step(words: str, *, optional: bool = True) -> Iterator[None]:
    """Note a step while it is done.

    Parameters
    ----------
    words
        What is done to what; different for each step of a command.
    optional
        Whether all else can be done without it.

    Raises
    ------
    TooHeavy
        The step is optional, and either memory does not suffice or it was left out.
    """
    if words in _left_out:
        raise TooHeavy(words, _left_out[words])
    entry = (_OPTIONAL if optional else _NEEDED) + words
    _begin_time()
    with _lock:
        _open.append(entry)
        _write()
    try:
        yield
    except Exception as error:
        if optional and is_out_of_memory(error):
            _short.append(words)
            raise TooHeavy(words, "memory does not suffice") from None
        raise
    finally:
        _begin_time()
        # Steps do not end in the order in which they began.
        with _lock:
            _open.remove(entry)
            _write()


def end_with(alive: int, status: int) -> None:
    """End this process with a status as soon as the one that waits for it has ended.

    ``alive`` is a pipe whose other end the waiting process holds and never writes to.
    """
    from threading import Thread

    def wait() -> None:
        os.read(alive, 1)
        os._exit(status)

    Thread(target=wait, daemon=True).start()


def _write() -> None:
    if _notice:
        data = "\0".join((*_stage, *_open)).encode(errors="replace")[: SIZE - 2]
        _notice[-1][: len(data) + 2] = data + b"\0\0"


def read_notice(data: bytes) -> tuple[str, str | None]:
    r"""Read what a process was at when it died.

    Returns
    -------
    tuple
        All of it in words, and the innermost step that can be left out; None where there is none
        or the work cannot begin again.

    >>> read_notice(b" checking\0?reading a.gbr\0 uniting\0\0...")
    ('checking: reading a.gbr: uniting', 'reading a.gbr')
    """
    entries = data.partition(b"\0\0")[0].decode(errors="replace").split("\0")
    words = [entry[1:] for entry in entries if entry[1:]]
    optional = [entry[1:] for entry in entries if entry.startswith(_OPTIONAL)]
    once = _NEEDED in entries
    return ": ".join(words), optional[-1] if optional and not once else None


# How far long work is.  Counts come from deep inside of readers and checks: a function to call
# would have to be handed through every signature in between, so listeners are known here instead.

T = TypeVar("T")
Hear = Callable[[int, int, str], None]
"""Called with how many are done, of how many, and what is counted."""

_listeners: list[Hear] = []


@contextmanager
def listening(hear: Hear) -> Iterator[None]:
    """Let a function hear every count."""
    _begin_time()
    _listeners.append(hear)
    try:
        yield
    finally:
        _listeners.remove(hear)


def hush() -> None:
    """Let nobody hear counts in this process any more."""
    _listeners.clear()


def counting(items: Iterable[T], of: int, noun: str) -> Iterator[T]:
    """Give items one by one, and let listeners hear how many were done.

    Parameters
    ----------
    of
        How many there are.
    noun
        What they are called, in the plural.

    >>> heard = []
    >>> with listening(lambda *said: heard.append(said)):
    ...     letters = list(counting("ab", 2, "letters"))
    >>> letters, heard
    (['a', 'b'], [(0, 2, 'letters'), (1, 2, 'letters'), (2, 2, 'letters')])
    """
    for done, item in enumerate(items):
        _say(done, of, noun)
        yield item
    _say(of, of, noun)


def _say(done: int, of: int, noun: str) -> None:
    for hear in _listeners:
        hear(done, of, noun)


# Processes that work under bounds, and what is known of one that died.

MOST_DEATHS: Final = 6
"""How often a work begins again before all of it is given up."""

_BROKE: Final = "it broke, most likely for want of memory"
_LATE: Final = "SIGPROF"
_DEATHS: Final = {
    _LATE: "it takes more processor time than is allowed (limit seconds)",
    "SIGKILL": "the system ended it, most likely for its memory",
    **dict.fromkeys(("SIGSEGV", "SIGABRT", "SIGBUS", "SIGILL", "SIGFPE"), _BROKE),
}
_bounded: list[int] = []
_seconds: list[float] = []
"""Processor time from one step to the next that a bounded process and its copies may take."""

_MOST_HALVES: Final = 2
_M_ARENA_MAX: Final = -8
"""The most heaps, as ``malloc.h`` of the GNU C library numbers it."""


def begin_bounded(notice: Notice, left_out: dict[str, str]) -> None:
    """Let this process be one that may die: bound its memory and note its steps from now on."""
    note_in(notice, left_out)
    _bounded.append(os.getpid())
    bound_memory(DEFAULT_LIMITS.memory_bytes)
    # Each of its threads would take memory, and nothing here multiplies large matrices.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def is_bounded() -> bool:
    """Whether this very process was made to work, and may die; no copy of it is."""
    return os.getpid() in _bounded


def bound_memory(most: int) -> None:
    """Bound the memory that a bounded process may take, in bytes; does nothing elsewhere."""
    if is_bounded():
        limit_memory(most)


def bound_seconds(most: int) -> None:
    """Bound the processor time of each step of a bounded process; does nothing elsewhere.

    Called where a package is read: a process that serves pages, or learns prices, works for hours.
    Native code ends at no word, only at a signal, which ends the process.  Each step that was left
    out halves the time, up to twice, so that what is slow in many ways ends, too.
    """
    if is_bounded() and hasattr(signal, "setitimer"):
        _seconds[:] = [most / 2 ** min(len(_left_out), _MOST_HALVES)]
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        _begin_time()


def _begin_time() -> None:
    """Count the time of a step anew."""
    if _seconds:
        signal.setitimer(signal.ITIMER_PROF, _seconds[0])


def go_first() -> None:
    """Let this copy of a process take half of what is left, and be the one that is ended for want.

    The other then does its work, too.
    """
    with suppress(ImportError, OSError):
        import resource

        soft = resource.getrlimit(resource.RLIMIT_DATA)[0]
        if soft != resource.RLIM_INFINITY:
            pages = Path("/proc/self/statm").read_text().split()[5]
            taken = int(pages) * resource.getpagesize()
            limit_memory(taken + max(0, soft - taken) // 2)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")


def limit_memory(most: int) -> None:
    """Bound the memory of this process, in bytes; does nothing where the system cannot."""
    share_heap()
    try:
        import resource
    except ImportError:
        return
    hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
    soft = most if hard == resource.RLIM_INFINITY else min(most, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


def share_heap() -> None:
    """Let all threads take memory from one heap, where the C library can be told so (glibc).

    Each has one of its own else, and what is freed in one is not used in another: a board of
    fourteen layers takes a seventh more so, and no less time.
    """
    from ctypes import CDLL

    with suppress(OSError, AttributeError):
        CDLL(None).mallopt(_M_ARENA_MAX, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Death:
    """How a process died, at what, and the step that can be left out.

    ``culprit`` is None where nothing can be left out; ``by_bound`` whether the signal is one that
    a bound on memory or time sends.
    """

    words: str
    reason: str
    culprit: str | None
    by_bound: bool
    hint: str

    def is_final(self, left_out: Mapping[str, str]) -> bool:
        """Whether beginning again is of no use."""
        return self.culprit is None or self.culprit in left_out or len(left_out) == MOST_DEATHS

    def message(self) -> str:
        """Say that all of the work is given up."""
        return (
            f"fabkit could not go on: {self.words}: {self.reason}"
            if self.words
            else f"fabkit: {self.reason}"
        )


_HINT: Final = "close other programs, or take out what is drawn many times over"
_HINT_LATE: Final = (
    "take out what is drawn many times over, or allow more with --limit seconds=NUMBER"
)
"""What to do when all of the work is given up."""


def read_death(status: int, notice: bytes = b"") -> Death:
    """Read how a process ended: its status (below 0: a signal), and its last steps.

    >>> read_death(-9).reason
    'the system ended it, most likely for its memory (SIGKILL)'
    """
    name = next((s.name for s in signal.Signals if s == -status), f"status {status}")
    words, culprit = read_notice(notice)
    late = name == _LATE
    reason = _DEATHS[name] if late else f"{_DEATHS.get(name, _BROKE)} ({name})"
    hint = _HINT_LATE if late else _HINT
    return Death(words=words, reason=reason, culprit=culprit, by_bound=name in _DEATHS, hint=hint)
