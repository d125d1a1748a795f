"""Work in a process of its own that starts at once: a copy of one that has loaded the libraries.

A fresh interpreter loads for a second of processor time before it reads a byte. Here one process
loads once, knows nothing of the tests, and is copied for each piece of work. What is measured,
killed or bounded is the copy.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

LOADED = (
    *("fabkit.desk.ordering", "fabkit.outputs.order_folder", "fabkit.outputs.drawings"),
    *("fabkit.outputs.report.page", "fabkit.checks.catalogue", "fabkit.cli.order"),
    *("scipy.spatial", "matplotlib.path", "matplotlib.textpath", "jinja2", "openpyxl"),
    *("click.testing", "pytest"),
)
"""What an order needs, and what the module that is run may be."""
PATIENCE_S = 240
"""How long anything may take before a test is given up: what is well never takes it."""


@dataclass(frozen=True)
class Done:
    """What a piece of work gave, and what it took.

    Parameters
    ----------
    result
        What the function returned.
    seconds
        Processor time.
    megabytes
        Peak memory, libraries included; nan where the system does not tell.
    """

    result: Any
    seconds: float
    megabytes: float


def _context() -> multiprocessing.context.ForkServerContext:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(LOADED))
    return context


def begin(work: Callable[..., object], *given: object) -> tuple[BaseProcess, Connection]:
    """Start a function of a module of these tests in a process of its own."""
    context = _context()
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_carry_out, args=(theirs, work, given))
    process.start()
    theirs.close()
    return process, ours


def end(process: BaseProcess, pipe: Connection) -> Done:
    """Wait for the end of what was begun; a death without a result fails the test."""
    try:
        assert pipe.poll(PATIENCE_S), "it did not end"
        done = pipe.recv()
    except EOFError:
        process.join(PATIENCE_S)
        raise AssertionError(f"it died with exit code {process.exitcode}") from None
    finally:
        pipe.close()
        process.kill()
        process.join(PATIENCE_S)
    if isinstance(done, BaseException):
        raise done
    assert isinstance(done, Done)
    return done


def run_apart(work: Callable[..., object], *given: object) -> Done:
    """Run a function of a module of these tests in a process of its own."""
    return end(*begin(work, *given))


def _carry_out(pipe: Connection, work: Callable[..., object], given: tuple[object, ...]) -> None:
    warnings.simplefilter("error")
    began = time.process_time()
    try:
        result = work(*given)
    except Exception as error:  # noqa: BLE001 -- the one who waits for it raises it
        pipe.send(error)
        return
    pipe.send(Done(result, time.process_time() - began, _peak_megabytes()))


def _peak_megabytes() -> float:
    # VmHWM starts anew with the process; ru_maxrss would begin at its parent's peak.
    if sys.platform != "linux":
        return float("nan")
    status = Path(f"/proc/{os.getpid()}/status").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s+(\d+)", status)
    assert found is not None
    return int(found[1]) / 1024
