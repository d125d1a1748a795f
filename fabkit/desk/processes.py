"""A process for each order that is worked on, and what the desk hears of it.

What a process sends is JSON, never code: it has read files that may be hostile.  When it dies, the
step that killed it is known, as on the command line, and the work begins again without it.
"""

from __future__ import annotations

import ctypes
import json
import os
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread
from typing import Any, Final

from fabkit.base.deaths import Death, begin_bounded, read_death
from fabkit.base.steps import SIZE
from fabkit.base.tables import Record
from fabkit.desk.store import OrderFolder
from fabkit.outputs.pool import copying, end_with_parent, undisturbed

_LOADED: Final = (
    "fabkit.desk.working",
    "fabkit.checks.catalogue",
    "fabkit.pictures.finished",
    "scipy.spatial",
    "scipy.optimize",
    "matplotlib.path",
    "jinja2",
)
"""What working loads: once, in the process that is copied."""

Hear = Callable[[Record], None]
Ended = Callable[[Death], None]


def warm_up() -> None:
    """Load everything in the process that is copied, so that the first order need not wait."""
    # Each of its threads would take memory, and nothing here multiplies large matrices.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with undisturbed():
        copying(_LOADED).Process(target=_nothing, daemon=True).start()


def _nothing() -> None:
    """End at once: the process was only to be made."""


class OrderProcess:
    """A process that works on one order, task by task.

    Parameters
    ----------
    left_out
        Steps that killed the process before, each with how it died.
    hear, ended
        Called, in a thread of their own, with each message, and once with how it ended.
    """

    def __init__(
        self,
        folder: OrderFolder,
        left_out: Mapping[str, str],
        *,
        hear: Hear,
        ended: Ended,
    ) -> None:
        self._folder = folder
        self._left_out = dict(left_out)
        self._hear = hear
        self._ended = ended
        context = copying(_LOADED)
        self._pipe, self._theirs = context.Pipe()
        self._notice = context.RawArray(ctypes.c_char, SIZE)
        self._process: BaseProcess = context.Process(
            target=_work,
            args=(self._theirs, str(folder.path.absolute()), folder.id, self._notice, left_out),
            daemon=True,
        )
        Thread(target=self._listen, daemon=True).start()

    def give(self, task: Record) -> None:
        """Give it a task; it is done after those before it."""
        try:
            self._pipe.send_bytes(json.dumps(task).encode())
        except OSError:
            return  # it died, which is heard elsewhere

    def kill(self) -> None:
        """End it, whatever it does."""
        if self._process.pid is not None:
            self._process.kill()

    @property
    def pid(self) -> int | None:
        """Its number; None until it has begun."""
        return self._process.pid

    def _listen(self) -> None:
        with undisturbed():
            self._process.start()
        self._theirs.close()
        try:
            while True:
                self._hear(json.loads(self._pipe.recv_bytes()))
        except (EOFError, OSError, ValueError):
            # It may have sent what is no message: it is not to be trusted any more.
            self._process.kill()
        self._process.join()
        notice = bytes(self._notice)
        self._pipe.close()
        self._ended(read_death(self._process.exitcode or 0, notice))


def _work(pipe: Connection, folder: str, name: str, notice: Any, left_out: dict[str, str]) -> None:
    """Work on an order until nobody gives tasks any more."""
    end_with_parent()
    begin_bounded(notice, left_out)
    os.chdir(folder)
    from fabkit.desk.working import Working

    working = Working(
        OrderFolder(name, Path()),
        say=lambda message: pipe.send_bytes(json.dumps(message).encode()),
        newer=pipe.poll,
    )
    while True:
        try:
            task = json.loads(pipe.recv_bytes())
        except EOFError:
            return
        working.do(task)
        pipe.send_bytes(json.dumps({"ended": task["number"]}).encode())
