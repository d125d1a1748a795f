"""What is being done just now, and what is given up because it cannot be done.

Too little memory often ends native code without a word.  So a command works in a process of its
own (``cli.process``), and writes here, into memory that outlives it, which step it is at.  When it
dies, the work begins again without the step that killed it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Final, Protocol

from fabkit.base.errors import TooHeavy, is_out_of_memory

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
