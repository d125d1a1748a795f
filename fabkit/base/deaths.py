"""Processes that work under bounds, and what is known of one that died.

Both front ends let such a process work, note its steps (``base.steps``) and begin again without
the step that killed it.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.base.steps import Notice, note_in, read_notice

MOST_DEATHS: Final = 6
"""How often a work begins again before all of it is given up."""

_BROKE: Final = "it broke, most likely for want of memory"
_DEATHS: Final = {
    "SIGKILL": "the system ended it, most likely for its memory",
    **dict.fromkeys(("SIGSEGV", "SIGABRT", "SIGBUS", "SIGILL", "SIGFPE"), _BROKE),
}
_bounded: list[int] = []

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

    ``culprit`` is None where nothing can be left out; ``by_memory`` whether the signal is one that
    too little memory sends.
    """

    words: str
    reason: str
    culprit: str | None
    by_memory: bool

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


HINT: Final = "close other programs, or take out what is drawn many times over"
"""What to do when all of the work is given up."""


def read_death(status: int, notice: bytes = b"") -> Death:
    """Read how a process ended: its status (below 0: a signal), and its last steps.

    >>> read_death(-9).reason
    'the system ended it, most likely for its memory (SIGKILL)'
    """
    name = next((s.name for s in signal.Signals if s == -status), f"status {status}")
    words, culprit = read_notice(notice)
    reason = f"{_DEATHS.get(name, _BROKE)} ({name})"
    return Death(words=words, reason=reason, culprit=culprit, by_memory=name in _DEATHS)
