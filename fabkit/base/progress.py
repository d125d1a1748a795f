"""How far long work is: loops count what they have done, and whoever listens shows it.

Counts come from deep inside of readers and checks.  A function to call would have to be handed
through every signature in between, so listeners are known here instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")
Hear = Callable[[int, int, str], None]
"""Called with how many are done, of how many, and what is counted."""

_listeners: list[Hear] = []


@contextmanager
def listening(hear: Hear) -> Iterator[None]:
    """Let a function hear every count."""
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
