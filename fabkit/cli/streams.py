"""Standard output and error that never break a command: full devices, closed pipes, old encodings.

What programs read (JSON, CSV, SARIF ...) is written as UTF-8 bytes; text for people is written in
the encoding of the terminal, and signs it does not have become ASCII.
"""

from __future__ import annotations

import codecs
import errno
import io
import os
import sys
from collections.abc import Callable
from typing import Any, Final

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
