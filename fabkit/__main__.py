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


def _stop_once(*_: object) -> NoReturn:
    """Interrupt what is done, and let it clean up undisturbed by who is impatient."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    raise KeyboardInterrupt


def main() -> NoReturn:
    """Run the command line; Ctrl-C is one line also while it is still being loaded."""
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if ours:
        signal.signal(signal.SIGINT, _stop)
    from fabkit.cli.process import in_worker

    def run() -> int:
        from fabkit.cli.group import main

        if ours:
            signal.signal(signal.SIGINT, _stop_once)
        return main()

    raise SystemExit(in_worker(run))


if __name__ == "__main__":
    main()
