"""Processes that may die: their bound on memory, and words for how they ended."""

from __future__ import annotations

import signal
from typing import Final

_BROKE: Final = "it broke, most likely for want of memory"
_DEATHS: Final = {
    "SIGKILL": "the system ended it, most likely for its memory",
    **dict.fromkeys(("SIGSEGV", "SIGABRT", "SIGBUS", "SIGILL", "SIGFPE"), _BROKE),
}


def _name(status: int) -> str:
    return next((s.name for s in signal.Signals if s == -status), f"status {status}")


def is_death(status: int) -> bool:
    """Whether an exit status (minus the number of the signal) is one of want of memory."""
    return _name(status) in _DEATHS


def death_words(status: int) -> str:
    """Say how a process ended that gave no result.

    >>> death_words(-9)
    'the system ended it, most likely for its memory (SIGKILL)'
    """
    name = _name(status)
    return f"{_DEATHS.get(name, _BROKE)} ({name})"


def limit_memory(most: int) -> None:
    """Bound the memory of this process, in bytes; does nothing where the system cannot."""
    try:
        import resource
    except ImportError:
        return
    hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
    soft = most if hard == resource.RLIM_INFINITY else min(most, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))
