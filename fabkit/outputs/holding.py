"""Which process works on a file or folder: a lock that ends with the process, however it ends.

The lock is advisory (``flock`` of the system).  Where a system or a file system has none, nothing
is known of other processes, and nothing counts as left by a stopped run.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def held(path: Path, *, wait: bool) -> Iterator[bool]:
    """Hold a file or folder; the hold stays with it when it is renamed.

    Parameters
    ----------
    path
        What is there already.
    wait
        Whether to wait while another process holds it.

    Yields
    ------
    bool
        Whether it is ours now and still has this name; without ``wait``, only when that is sure.
    """
    try:
        import fcntl

        # Without O_NONBLOCK the opening of a pipe waits for somebody who writes to it.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except FileNotFoundError:
        yield False
        return
    except (ImportError, OSError):
        # No lock to be had: whoever waits goes on as without locks, whoever looks for leftovers
        # finds none.
        yield wait
        return
    try:
        ours = wait
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
            # While we waited the holder may have renamed or removed it: the lock is on that, not
            # on what has the name now.
            ours = _names(path, descriptor)
        yield ours
    finally:
        os.close(descriptor)


def _names(path: Path, descriptor: int) -> bool:
    """Whether a name still leads to what is open."""
    try:
        return os.path.samestat(path.lstat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False
