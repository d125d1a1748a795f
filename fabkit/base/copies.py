"""Work that copies of this process do beside it.

Most of this work is Python's own or a library's that holds its lock, so threads would wait for
each other.  A copy has all that was read so far without being sent it, and sends back what it
makes.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import BinaryIO, Final, TypeVar

from fabkit.base.steps import (
    counting,
    end_with,
    go_first,
    hush,
    is_bounded,
    leave_unnoticed,
    short_of_memory,
)

Subject = TypeVar("Subject")
T = TypeVar("T")

_TICKET_BYTES: Final = 2
_MOST: Final = 30_000
"""Tickets that a pipe surely holds (64 KiB): writing more would wait for a reader."""


@contextmanager
def _beside(work: Callable[[], None]) -> Iterator[None]:
    """Let a copy of this process do a work while the block runs, and wait for it.

    A copy writes files as this process would; where the block fails, it ends at once.
    """
    # The copy reads from it, and ends with this process: its end of the pipe closes then.
    ours, alive = os.pipe()
    copy = _copy(work, ours, alive)
    try:
        yield
    except BaseException:
        if copy is not None:
            os.kill(copy, signal.SIGKILL)
        raise
    finally:
        if copy is not None:
            os.waitpid(copy, 0)
        os.close(ours)
        os.close(alive)


def _copy(work: Callable[[], None], theirs: int, alive: int) -> int | None:
    """Begin the work in a copy; give its number, None where there is no copy."""
    with warnings.catch_warnings():
        # Threads of ours have ended; one that shows progress holds nothing that the copy uses.
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            copy = os.fork()
        except OSError:  # no further process is allowed
            return None
    if not copy:
        try:
            os.close(alive)
            end_with(theirs, 1)
            hush()
            leave_unnoticed()
            work()
        finally:
            # Nothing that is buffered may be written twice, and nobody hears what went wrong.
            os._exit(0)
    return copy


_alone: list[bool] = []


def stay_alone() -> None:
    """Make no copies of this process: others like it work beside it already."""
    _alone.append(True)


def processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _may_copy() -> bool:
    # Elsewhere not all libraries of the system outlive the copying of a process.
    if sys.platform != "linux" or os.environ.get("FABKIT_DEBUG") or _alone:
        return False
    return processors() > 1


def side_by_side(works: Sequence[Callable[[], T]], noun: str) -> list[T]:
    """Do works in this process and a copy of it, each taking the next when it is free.

    Only a process that was made to work for one command is copied: a user's own may hold threads
    and locks that no copy outlives.

    Parameters
    ----------
    works
        They share nothing, and what they give can be pickled.  Those that take long stand first.
    noun
        What they are called in counts of progress.

    Returns
    -------
    list
        What each gives, in their order.  A work that fails in the copy, for want of memory too, is
        done again here: what it raises then is no secret.
    """
    done: dict[int, T] = {}
    if 1 < len(works) <= _MOST and is_bounded() and _may_copy():
        tickets, source = os.pipe()
        with (
            os.fdopen(tickets, "rb", 0) as queue,
            os.fdopen(os.memfd_create("done"), "w+b") as sent,
        ):
            with os.fdopen(source, "wb", 0) as filled:
                filled.write(b"".join(_ticket(number) for number in range(len(works))))
            with _beside(partial(_send, works, queue, sent)):
                for number in counting(_drawn(queue), len(works), noun):
                    done[number] = works[number]()
            sent.seek(0)
            done.update(_received(sent))
    left = [number for number in range(len(works)) if number not in done]
    if left:
        for number in counting(left, len(left), noun):
            done[number] = works[number]()
    return [done[number] for number in range(len(works))]


def read_side_by_side(
    subjects: Sequence[Subject], read: Callable[[Subject], T], noun: str
) -> list[T]:
    """Read subjects side by side, as :func:`side_by_side` works.

    What a subject keeps of being read (see ``base.once``) is kept here, too.
    """

    def reading(subject: Subject) -> tuple[T, dict[str, object]]:
        before = set(vars(subject))
        given = read(subject)
        return given, {name: kept for name, kept in vars(subject).items() if name not in before}

    done = side_by_side([partial(reading, subject) for subject in subjects], noun)
    for subject, (_, kept) in zip(subjects, done, strict=True):
        vars(subject).update(kept)
    return [given for given, _ in done]


def _ticket(number: int) -> bytes:
    return number.to_bytes(_TICKET_BYTES, "little")


def _drawn(queue: BinaryIO) -> Iterator[int]:
    """Draw numbers until none is left; no two processes draw the same."""
    while ticket := queue.read(_TICKET_BYTES):
        yield int.from_bytes(ticket, "little")


def _send(works: Sequence[Callable[[], T]], queue: BinaryIO, sent: BinaryIO) -> None:
    """Do works in the copy, and send what each gives."""
    go_first()
    for number in _drawn(queue):
        before = short_of_memory()
        with suppress(Exception):
            data = pickle.dumps((number, works[number]()), pickle.HIGHEST_PROTOCOL)
            # A copy may take less memory than what it is a copy of, which may then do all of it.
            if short_of_memory() == before:
                sent.write(data)
    sent.flush()


def _received(sent: BinaryIO) -> Iterator[tuple[int, T]]:
    """Give what was sent whole: a copy may have died while it wrote."""
    with suppress(Exception):
        while True:
            yield pickle.load(sent)  # noqa: S301 -- from a copy of this process
