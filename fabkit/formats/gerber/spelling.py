"""Spell operations as text, many at a time: no loop over rows.

A chunk of rows is laid out as a matrix of bytes wide enough for every row; what a row does not
need is masked out, and what is left, row after row, is the text.  A line of text for each number
in turn took three times as long as reading the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Columns, Ints

_CHUNK: Final = 1 << 13
"""Rows of a matrix: it should fit the processor's cache."""

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Operations(Columns):
    """Operations in file order, in coordinate steps.

    Columns
    -------
    code : int64
        1, 2 or 3 of D01, D02, D03.
    x, y, i, j : int64
        ``i`` and ``j`` count for arcs alone.
    arc : bool
        Whether a D01 is one.
    mode : int64
        1, 2 or 3 of the G01, G02 or G03 written in front; 0 for none.
    opens, closes : bool
        Whether G36 stands in front and G37 behind.
    """

    code: Ints
    x: Ints
    y: Ints
    i: Ints
    j: Ints
    arc: Bools
    mode: Ints
    opens: Bools
    closes: Bools

    def spelt(self) -> tuple[bytes, Ints]:
        """Text of all rows, and where that of each row begins, (n + 1,) int64."""
        texts: list[bytes] = []
        sizes: list[Ints] = []
        for first in range(0, len(self), _CHUNK):
            rows = self.take(slice(first, first + _CHUNK))
            letters, shown = _matrix(rows)
            texts.append(letters[shown].tobytes())
            sizes.append(np.count_nonzero(shown, axis=1))
        return b"".join(texts), np.cumsum(np.concatenate(([0], *sizes)))


def _matrix(rows: Operations) -> tuple[Bytes, Bools]:
    """Letters of the rows, and which of them are text."""
    always = np.ones(len(rows), np.bool_)
    numbers = [(b"X", rows.x, always), (b"Y", rows.y, always)]
    if rows.arc.any():
        numbers += [(b"I", rows.i, rows.arc), (b"J", rows.j, rows.arc)]
    widths = [len(str(int(np.abs(values).max(initial=0)))) for _, values, _ in numbers]
    words = 1 + sum(bool(used.any()) for used in (rows.opens, rows.mode, rows.closes))
    shape = (len(rows), words * len(_OPEN) + sum(widths) + 2 * len(numbers))
    letters, shown = np.empty(shape, np.uint8), np.empty(shape, np.bool_)
    at = 0

    def put(text: bytes, where: Bools) -> None:
        nonlocal at
        letters[:, at : at + len(text)] = np.frombuffer(text, np.uint8)
        shown[:, at : at + len(text)] = where[:, None]
        at += len(text)

    if rows.opens.any():
        put(_OPEN, rows.opens)
    if rows.mode.any():
        put(_MODE, rows.mode > 0)
        letters[:, at - 3] += rows.mode.astype(np.uint8)
    for (letter, values, where), width in zip(numbers, widths, strict=True):
        put(letter + b"-", where)
        shown[:, at - 1] &= values < 0
        _digits(np.abs(values), letters[:, at : at + width], shown[:, at : at + width])
        shown[:, at : at + width] &= where[:, None]
        at += width
    put(_OPERATION, always)
    letters[:, at - 3] += rows.code.astype(np.uint8)
    if rows.closes.any():
        put(_CLOSE, rows.closes)
    return letters, shown


_OPEN: Final = b"G36*\n"
_MODE: Final = b"G00*\n"
_OPERATION: Final = b"D00*\n"
_CLOSE: Final = b"G37*\n"


def _digits(values: Ints, letters: Bytes, shown: Bools) -> None:
    """Fill in the digits of numbers of at most as many digits as there are columns."""
    left: NDArray[np.integer] = values
    if len(values) and int(values.max()) < 2**32:
        left = values.astype(np.uint32)  # divides in half the time
    for column in range(letters.shape[1] - 1, -1, -1):
        shown[:, column] = left > 0
        after = left // 10
        letters[:, column] = left - after * 10 + ord("0")
        left = after
    shown[:, -1] = True
