"""Standard input and output in the place of a file, named ``-`` as utilities do (POSIX 12.2).

And what text may hold that is printed.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

from fabkit.base.errors import UnreadableInput
from fabkit.base.steps import unrepeatable

STANDARD_STREAM: Final = Path("-")
"""Standard input where a file is read, standard output where one is written."""


def clean(text: object) -> str:
    r"""Replace control characters by dots.

    >>> clean("red\x1b[31m.gbr")
    'red·[31m.gbr'
    """
    return "".join(c if c.isprintable() else "·" for c in str(text))


def standard_input(*, most: int) -> bytes:
    """Everything on standard input.

    Raises
    ------
    UnreadableInput
        There is nothing, or more than ``most`` bytes.
    """
    unrepeatable()
    data = sys.stdin.buffer.read(most + 1) if sys.stdin is not None else b""
    if not data:
        raise UnreadableInput(
            "standard input is empty", hint="pipe one file into the command; `-` can be used once"
        )
    if len(data) > most:
        raise UnreadableInput(f"standard input holds more than {most} bytes")
    return data


def standard_output(data: bytes) -> None:
    """Write bytes to standard output, after what was printed before."""
    sys.stdout.flush()
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()
