"""A command that dies or stands still, in a process of its own (for ``apart``)."""

from __future__ import annotations

import os
import signal
import sys
from importlib import import_module
from pathlib import Path

from apart import PATIENCE_S
from held import hold_at, judge_held

from fabkit.__main__ import main as run_fabkit
from fabkit.cli import process
from fabkit.cli.group import main
from fabkit.cli.process import in_worker
from fabkit.outputs import pool


def _become(words: list[str], folder: Path) -> None:
    for descriptor, name in ((1, "out"), (2, "err")):
        os.dup2(os.open(folder / name, os.O_WRONLY | os.O_CREAT), descriptor)
    sys.stdout, sys.stderr = (open(n, "w", 1, encoding="utf-8", closefd=False) for n in (1, 2))  # noqa: SIM115 -- streams
    sys.argv = ["fabkit", *words]


def stand_still(hold: Path, words: list[str], folder: Path) -> None:
    """Run a command that a file holds at a step, and end with its status; streams as below.

    However busy the machine is, it has the time to clean up after Ctrl-C.
    """
    _become(words, folder)
    hold_at(hold)
    process.PATIENCE_SECONDS = PATIENCE_S
    # Tests may run in the background; processes that are copied may have been begun without it.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
    run_fabkit()


def judge_standing_still(words: list[str]) -> None:
    """Run a command that judges packages each in a process that a file beside it holds."""
    pool._work = judge_held
    sys.argv = ["fabkit", *words]
    run_fabkit()


def die(place: tuple[str, str], victim: str, number: int, words: list[str], folder: Path) -> int:
    """Run a command that a signal ends when a function comes to a file; give its status.

    Without a number it stays there for ever.

    Its streams go into the files ``out`` and ``err`` of a folder.
    """
    _become(words, folder)

    def work() -> int:
        room, function = import_module(place[0]), place[1]
        usual = getattr(room, function)

        def deadly(subject, *given, **more):
            if subject.name == victim:
                while not number:  # it goes on for ever
                    pass
                signal.raise_signal(number)
            return usual(subject, *given, **more)

        setattr(room, function, deadly)
        return main()

    return in_worker(work)
