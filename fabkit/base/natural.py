"""The order of names that hold numbers."""

from __future__ import annotations

import re


def natural(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key under which SW2 comes before SW10, whatever the case of letters.

    Numbers are compared by length, then by digits, so that none is too long to be counted.

    >>> sorted(["SW10", "sw2", "SW1", "R3"], key=natural)
    ['R3', 'SW1', 'sw2', 'SW10']
    """
    pieces = []
    for piece in re.findall(r"[0-9]+|[^0-9]+", name.casefold()):
        digits = piece.lstrip("0")
        number = piece[0] in "0123456789"
        pieces.append((0, len(digits), digits) if number else (1, 0, piece))
    return tuple(pieces), name
