"""The process that works, and the one that watches over it.

Native code dies without a word when memory runs out, and the system kills who takes too much.  So
a command works in a copy of this process that is made before anything is loaded (a millisecond),
under a bound on its memory.  The first process only waits; when the worker dies, it states at which
step, and lets the work begin again without this step where it can be left out.  Where a system
cannot copy processes, all is done in one.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from mmap import mmap
from types import FrameType
from typing import NoReturn

from fabkit.base.deaths import HINT, Death, begin_bounded, read_death
from fabkit.base.errors import WorkerDied
from fabkit.base.steps import SIZE, end_with
from fabkit.base.streams import clean

STOPPED = 130
"""Exit status after Ctrl-C, as shells give it (128 and the number of the signal)."""

PATIENCE_SECONDS = 5
"""How long a worker may clean up after Ctrl-C."""

_STATUSES = (0, 1, 2, 3, STOPPED)
_PASSED_ON = ("SIGINT", "SIGTERM", "SIGHUP")


def in_worker(work: Callable[[], int]) -> int:
    """Do a work in a process of its own; give its exit status.

    What was left out because it killed the worker makes the status 2 or more.
    """
    # Whoever looks into fabkit wants one process.
    if not hasattr(os, "fork") or os.environ.get("FABKIT_DEBUG"):
        return work()
    notice = mmap(-1, SIZE)
    left_out: dict[str, str] = {}
    while True:
        try:
            status, sent = _watch(work, notice, left_out)
        except OSError:  # no further process is allowed
            return work()
        if status in _STATUSES:
            return max(status, 2) if left_out else status
        if signal.SIGINT in sent:
            sys.stderr.write("stopped; nothing was half-written\n")
            return STOPPED
        # Some libraries end the process with a status of their own.
        death = read_death(status, notice[:])
        if -status in sent or (status < 0 and not death.by_memory):
            _die_of(-status)
        if death.culprit is None or death.is_final(left_out):
            return _give_up(death)
        left_out[death.culprit] = death.reason
        sys.stderr.write(
            f"error: {clean(death.culprit)}: {death.reason}; beginning again without it\n"
        )


def _give_up(death: Death) -> int:
    """Print that all of the work is given up, as any other error."""
    from fabkit.cli.mistakes import say

    return say(WorkerDied(death.message(), hint=HINT), as_json="--json" in sys.argv[1:])


def _die_of(number: int) -> None:
    """End as the worker did."""
    signal.signal(number, signal.SIG_DFL)
    os.kill(os.getpid(), number)


def _watch(work: Callable[[], int], notice: mmap, left_out: dict[str, str]) -> tuple[int, set[int]]:
    """Start a worker and wait for its end; give how it ended, and the signals it was sent."""
    sent: set[int] = set()
    ours, theirs = os.pipe()
    watched = [getattr(signal, name) for name in _PASSED_ON]
    # Until both processes have their own handlers, no signal may come between.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, watched)
    child = os.fork()
    if not child:
        os.close(theirs)
        _work(work, notice, left_out, ours, before)

    def pass_on(number: int, _: FrameType | None) -> None:
        sent.add(number)
        with suppress(ProcessLookupError):
            os.kill(child, number)
        if number == signal.SIGINT:
            signal.alarm(PATIENCE_SECONDS)

    handlers = {}
    for number in watched:
        # What was ignored before stays ignored (nohup, jobs in the background).
        if signal.getsignal(number) != signal.SIG_IGN:
            handlers[number] = signal.signal(number, pass_on)
    handlers[signal.SIGALRM] = signal.signal(
        signal.SIGALRM, lambda *_: os.kill(child, signal.SIGKILL)
    )
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    finally:
        signal.alarm(0)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        os.close(ours)
        os.close(theirs)
    return status, sent


def _work(
    work: Callable[[], int],
    notice: mmap,
    left_out: dict[str, str],
    alive: int,
    mask: set[int | signal.Signals],
) -> NoReturn:
    """Do the work in the copy, and end with its status."""
    status = 3
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        # Nobody waits for the result of an orphan.
        end_with(alive, STOPPED)
        begin_bounded(notice, left_out)
        status = work()
    except BaseException:  # noqa: BLE001 -- the last words of a process that ends at once
        sys.excepthook(*sys.exc_info())
    finally:
        # What is in memory need not be taken apart piece by piece.
        os._exit(status)
