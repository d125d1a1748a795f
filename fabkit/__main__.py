"""The console script, and ``python -m fabkit``."""

from __future__ import annotations

import os
import signal
import sys
from typing import NoReturn


def _stop(*_: object) -> NoReturn:
    """End at once: nothing was begun yet that would have to be undone."""
    sys.stderr.write("stopped\n")
    sys.stderr.flush()
    os._exit(130)


def main() -> NoReturn:
    """Run the command line; Ctrl-C is one line also while it is still being loaded."""
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if ours:
        signal.signal(signal.SIGINT, _stop)
    from fabkit.cli.group import main as run

    if ours:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    run()


if __name__ == "__main__":
    main()
