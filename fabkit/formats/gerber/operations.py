"""Which words are operations, written out or repeated from the one before."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from fabkit.base.columns import Ints
from fabkit.base.findings import Rule
from fabkit.formats.gerber.problems import BARE_COORDINATES, MODAL_OPERATION
from fabkit.formats.gerber.state import Carry, spread
from fabkit.formats.gerber.tokens import NONE, Rows


class Say(Protocol):
    """Reports a rule for the commands at ``offsets``."""

    def __call__(
        self, rule: Rule, message: str, offsets: Ints, *, assumed: str | None = None
    ) -> None: ...


def find_operations(rows: Rows, count: int, carry: Carry, say: Say) -> Ints:
    """1, 2 or 3 for each row that is an operation, else 0."""
    d = rows.d[:count]
    operation = np.where((d >= 1) & (d <= 3), d, 0)
    bare = np.flatnonzero(
        (d < 0)
        & (
            (rows.x[:count] != NONE)
            | (rows.y[:count] != NONE)
            | (rows.i[:count] != NONE)
            | (rows.j[:count] != NONE)
        )
    )
    coded = np.flatnonzero(d >= 0)
    if len(bare):
        last = spread(bare, coded, d[coded], carry.modal)
        offset = rows.offset
        repeats = last == 1
        operation[bare[repeats]] = 1
        say(
            MODAL_OPERATION,
            "coordinates without operation code behind D01",
            offset[bare[repeats]],
            assumed="D01 was repeated",
        )
        # A move leaves no image, and left out it would let the next line start in a wrong place.
        moves = last == 2
        operation[bare[moves]] = 2
        say(
            MODAL_OPERATION,
            "coordinates without operation code behind D02",
            offset[bare[moves]],
            assumed="D02 was repeated",
        )
        say(
            BARE_COORDINATES,
            "coordinates without operation code, behind neither D01 nor D02",
            offset[bare[~repeats & ~moves]],
            assumed="they were ignored",
        )
    if len(coded):
        carry.modal = int(d[coded[-1]])
    return operation
