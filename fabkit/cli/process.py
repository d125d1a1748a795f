"""The process that works, the one that watches over it, and streams that never break a command.

Native code dies without a word when memory runs out, and the system kills who takes too much.  So
a command works in a copy of this process that is made before anything is loaded (a millisecond),
under bounds on its memory and processor time.  The first process only waits; when the worker dies,
it states at which step, and lets the work begin again without this step where it can be left out.
Where a system cannot copy processes, all is done in one.

Devices may be full, pipes closed, encodings old.  What programs read (JSON, CSV, SARIF ...) is
written as UTF-8 bytes; text for people is written in the encoding of the terminal, and signs it
does not have become ASCII.
"""

from __future__ import annotations

import codecs
import errno
import io
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from mmap import mmap
from types import FrameType
from typing import Any, Final, NoReturn

from fabkit.base.errors import WorkerDied
from fabkit.base.steps import SIZE, Death, begin_bounded, end_with, read_death
from fabkit.base.streams import clean

STOPPED = 130
"""Exit status after Ctrl-C, as shells give it (128 and the number of the signal)."""

PATIENCE_SECONDS = 5
"""How long a worker may clean up after Ctrl-C."""

_STATUSES = (0, 1, 2, 3, STOPPED)
_PASSED_ON = ("SIGINT", "SIGTERM", "SIGHUP")


def in_worker(work: Callable[[], int]) -> int:
    """Do a work in a process of its own; give its exit status.

    What was left out because it killed the worker makes the status 2 or more.
    """
    # Whoever looks into fabkit wants one process.
    if not hasattr(os, "fork") or os.environ.get("FABKIT_DEBUG"):
        return work()
    notice = mmap(-1, SIZE)
    left_out: dict[str, str] = {}
    while True:
        try:
            status, sent = _watch(work, notice, left_out)
        except OSError:  # no further process is allowed
            return work()
        if status in _STATUSES:
            return max(status, 2) if left_out else status
        if signal.SIGINT in sent:
            sys.stderr.write("stopped; nothing was half-written\n")
            return STOPPED
        # Some libraries end the process with a status of their own.
        death = read_death(status, notice[:])
        if -status in sent or (status < 0 and not death.by_bound):
            _die_of(-status)
        if death.culprit is None or death.is_final(left_out):
            return _give_up(death)
        left_out[death.culprit] = death.reason
        sys.stderr.write(
            f"error: {clean(death.culprit)}: {death.reason}; beginning again without it\n"
        )


def _give_up(death: Death) -> int:
    """Print that all of the work is given up, as any other error."""
    from fabkit.cli.printing import say_error

    return say_error(WorkerDied(death.message(), hint=death.hint), as_json="--json" in sys.argv[1:])


def _die_of(number: int) -> None:
    """End as the worker did."""
    signal.signal(number, signal.SIG_DFL)
    os.kill(os.getpid(), number)


def _watch(work: Callable[[], int], notice: mmap, left_out: dict[str, str]) -> tuple[int, set[int]]:
    """Start a worker and wait for its end; give how it ended, and the signals it was sent."""
    sent: set[int] = set()
    ours, theirs = os.pipe()
    watched = [getattr(signal, name) for name in _PASSED_ON]
    # Until both processes have their own handlers, no signal may come between.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, watched)
    child = os.fork()
    if not child:
        os.close(theirs)
        _work(work, notice, left_out, ours, before)

    def pass_on(number: int, _: FrameType | None) -> None:
        sent.add(number)
        with suppress(ProcessLookupError):
            os.kill(child, number)
        if number == signal.SIGINT:
            signal.alarm(PATIENCE_SECONDS)

    handlers = {}
    for number in watched:
        # What was ignored before stays ignored (nohup, jobs in the background).
        if signal.getsignal(number) != signal.SIG_IGN:
            handlers[number] = signal.signal(number, pass_on)
    handlers[signal.SIGALRM] = signal.signal(
        signal.SIGALRM, lambda *_: os.kill(child, signal.SIGKILL)
    )
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    finally:
        signal.alarm(0)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        os.close(ours)
        os.close(theirs)
    return status, sent


def _work(
    work: Callable[[], int],
    notice: mmap,
    left_out: dict[str, str],
    alive: int,
    mask: set[int | signal.Signals],
) -> NoReturn:
    """Do the work in the copy, and end with its status."""
    status = 3
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        # Nobody waits for the result of an orphan.
        end_with(alive, STOPPED)
        begin_bounded(notice, left_out)
        status = work()
    except BaseException:  # noqa: BLE001 -- the last words of a process that ends at once
        sys.excepthook(*sys.exc_info())
    finally:
        # What is in memory need not be taken apart piece by piece.
        os._exit(status)


# Streams


SIGNS: Final = {
    "×": "x",
    "µ": "u",
    "μ": "u",
    "·": ".",
    "…": "...",
    "–": "-",
    "—": "-",
    "−": "-",
    "±": "+/-",
    "°": " deg",
    "≥": ">=",
    "≤": "<=",
    "→": "->",
    "←": "<-",
    "²": "2",
    "³": "3",
    "Ω": "ohm",
    "€": "EUR",
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
    "•": "*",
    "│": "|",
    "─": "-",
    "━": "-",
}
"""What stands for signs that an encoding does not have; all others become a question mark."""

REPLACEMENT: Final = "fabkit-signs"


def replace_signs(error: UnicodeError) -> tuple[str, int]:
    """Codec error handler: ASCII for what cannot be encoded."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    bad = error.object[error.start : error.end]
    return "".join(SIGNS.get(sign, "?") for sign in bad), error.end


codecs.register_error(REPLACEMENT, replace_signs)


class Outlet(io.RawIOBase):
    """A file descriptor that remembers why writing failed instead of raising.

    A reader that closed the pipe early (``| head``) has seen enough; what is left is dropped and
    the command ends with the status it would have had.
    """

    def __init__(self, descriptor: int) -> None:
        super().__init__()
        self._descriptor = descriptor
        self.failure: OSError | None = None

    def writable(self) -> bool:
        """Written to, never read."""
        return True

    def fileno(self) -> int:
        """Give the descriptor behind it."""
        return self._descriptor

    def isatty(self) -> bool:
        """Terminals are left to Python's own stream."""
        return False

    def write(self, data: Any, /) -> int:
        """Write as much as can be; after a failure nothing more is tried."""
        if self.failure is None:
            try:
                return os.write(self._descriptor, data)
            except OSError as error:
                self.failure = error
        return len(data)

    @property
    def lost(self) -> OSError | None:
        """Why output was lost that somebody wanted; None for a pipe that its reader closed."""
        failure = self.failure
        closed = (errno.EPIPE, errno.ESHUTDOWN, errno.ECONNRESET)
        return None if failure is None or failure.errno in closed else failure


def _guard(name: str) -> Outlet | None:
    """Put a guarded stream in the place of ``sys.stdout`` or ``sys.stderr``."""
    stream = getattr(sys, name)
    if stream is None:  # closed before we began
        setattr(sys, name, io.TextIOWrapper(io.BytesIO(), encoding="utf-8"))
        return None
    if stream.isatty():
        stream.reconfigure(errors=REPLACEMENT)
        return None
    outlet = Outlet(stream.fileno())
    setattr(
        sys,
        name,
        io.TextIOWrapper(
            io.BufferedWriter(outlet),
            encoding=stream.encoding,
            errors=REPLACEMENT,
            line_buffering=name == "stderr",
        ),
    )
    return outlet


def run_guarded(command: Callable[[], None]) -> int:
    """Run the command line with guarded streams; give the exit status.

    Output that could not be written ends with status 2 and a message on standard error; a pipe
    closed by its reader does not change the status.
    """
    closed = sys.stdout is None
    out, _ = _guard("stdout"), _guard("stderr")
    status = 0
    try:
        command()
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else int(end.code is not None)
    sys.stdout.flush()
    reason = "it is closed" if closed else ""
    if out is not None and out.lost is not None:
        reason = (out.lost.strerror or str(out.lost)).lower()
    if reason:
        sys.stderr.write(f"error: cannot write to standard output: {reason}\n")
        status = max(status, 2)
    sys.stderr.flush()
    return status
