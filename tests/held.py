"""Processes that wait for each other or stand still, so that no test depends on who is faster.

A process of ours that is to be killed, stopped or looked at in the middle of its work is held at a
step that it names (``base.steps``) for as long as a file lies there; it writes beside it who it is.
Where two share out works, each waits in its first for the other.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from pathlib import Path

from apart import PATIENCE_S

from fabkit.base import steps
from fabkit.base.copies import stay_alone


def until(holds, what="it"):
    """Wait until a function gives something; give it."""
    end = time.monotonic() + PATIENCE_S
    while not (found := holds()):
        assert time.monotonic() < end, f"never: {what}"
        time.sleep(0.01)
    return found


class Meeting:
    """Where this process and a copy of it wait until the other has come, too; then both are free.

    Works that come here are shared out for certain, however late the copy begins.
    """

    def __init__(self):
        context = multiprocessing.get_context("fork")
        self._here, self._came = os.getpid(), [context.Event(), context.Event()]

    def wait(self):
        """Wait for the other; whether this is the copy."""
        is_copy = os.getpid() != self._here
        self._came[is_copy].set()
        assert self._came[not is_copy].wait(PATIENCE_S), "the other never came"
        return is_copy


class Hold:
    """A file that holds processes at a step."""

    def __init__(self, file: Path):
        self.file = file

    def at(self, words):
        """From now on whoever comes to a step with these words waits."""
        self._who.unlink(missing_ok=True)
        self.file.write_text(words)

    @property
    def _who(self):
        return self.file.with_suffix(".held")

    def held(self):
        """Number of the process that waits; waits for it."""
        return int(until(lambda: self._who.exists() and self._who.read_text(), "held"))

    def release(self):
        """Let it go on, and everybody after it."""
        self.file.unlink(missing_ok=True)


def _words_of(file):
    try:
        return file.read_text()
    except FileNotFoundError:
        return ""


def hold_at(file: Path):
    """Let this process wait at the step that a file names, as long as it does (see ``Hold``)."""
    usual = steps._write

    def write():
        usual()
        words = _words_of(file)
        if words and steps._notice and words in "\0".join((*steps._stage, *steps._open)):
            part = file.with_suffix(".part")
            part.write_text(str(os.getpid()))
            part.rename(file.with_suffix(".held"))
            while file.exists():
                time.sleep(0.01)

    steps._write = write


# What processes of ours do instead of their usual work, by the name of a module.


def die(*_):
    """End at once, as the system ends whoever takes too much memory."""
    os.kill(os.getpid(), signal.SIGKILL)


def judge_held(pipe, notice, left_out, parcel, settings):
    """Judge a package as ``outputs.pool`` does; ``NAME.hold`` beside it holds it."""
    from fabkit.outputs import pool

    hold_at(parcel.given.with_name(f"{parcel.given.name}.hold"))
    pool._work(pipe, notice, left_out, parcel, settings)


def work_held(pipe, folder, name, notice, left_out):
    """Work on an order as the desk does; ``NAME.hold`` beside its folder holds it.

    Where that is not there, ``any.hold`` holds the process of every order.
    """
    from fabkit.desk import runs

    own = Path(folder).with_name(f"{name}.hold")
    if own.exists():
        # What copies of this process do is not noticed.
        stay_alone()
    hold_at(own if own.exists() else own.with_stem("any"))
    runs._work(pipe, folder, name, notice, left_out)


def serve():
    """Be ``fabkit`` with the words of this process; a desk's orders can be held."""
    from fabkit.__main__ import main
    from fabkit.desk import runs

    runs._work = work_held
    main()
