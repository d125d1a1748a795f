"""Work that a copy of this process does while this one does other work."""

from __future__ import annotations

import os
import signal
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from fabkit.base.progress import hush
from fabkit.base.steps import end_with, leave_unnoticed


@contextmanager
def beside(work: Callable[[], bool]) -> Iterator[Callable[[], bool]]:
    """Do a work in a copy of this process while the block runs.

    Pictures and sheets are made by Python alone, so threads would wait for each other.  A copy
    holds all that is loaded and drawn already, and writes files as this process would.

    Parameters
    ----------
    work
        Gives whether it could do all of it.

    Yields
    ------
    function
        Waits for the copy, and gives whether all was done.  Where it was not, or where processes
        cannot be copied safely, the work is to be done here: what it then raises is no secret.
    """
    # The copy reads from it, and ends with this process: its end of the pipe closes then.
    ours, alive = os.pipe()
    copy = _copy(work, ours, alive)

    def is_done() -> bool:
        nonlocal copy
        if copy is None:
            return False
        _, status = os.waitpid(copy, 0)
        copy = None
        return status == 0

    try:
        yield is_done
    finally:
        if copy is not None:
            os.kill(copy, signal.SIGKILL)
            os.waitpid(copy, 0)
        os.close(ours)
        os.close(alive)


def _copy(work: Callable[[], bool], theirs: int, alive: int) -> int | None:
    """Begin the work in a copy; give its number, None where there is no copy."""
    # Elsewhere not all libraries of the system outlive the copying of a process.
    if sys.platform != "linux" or os.environ.get("FABKIT_DEBUG"):
        return None
    if len(os.sched_getaffinity(0)) < 2:
        return None
    with warnings.catch_warnings():
        # Threads of ours have ended; one that shows progress holds nothing that the copy uses.
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            copy = os.fork()
        except OSError:  # no further process is allowed
            return None
    if not copy:
        status = 1
        try:
            os.close(alive)
            end_with(theirs, 1)
            hush()
            leave_unnoticed()
            status = 0 if work() else 1
        finally:
            # Nothing that is buffered may be written twice, and nobody hears what went wrong.
            os._exit(status)
    return copy
