"""Graphics state: what changes between rows, and how a change spreads over the rows behind it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from fabkit.base.columns import Ints

Change = tuple[int, int]
"""``(row, value)``: from that row on the value holds."""


class Mark(IntEnum):
    """Where a structure opens or closes between objects."""

    BLOCK_OPEN = 0
    BLOCK_CLOSE = 1
    REPEAT_OPEN = 2
    REPEAT_CLOSE = 3


@dataclass(frozen=True, slots=True)
class Marker:
    """An AB or SR command, in front of object ``at`` of the stream."""

    kind: Mark
    at: int
    offset: int
    block: int = -1
    grid: tuple[int, int, float, float] = (1, 1, 0.0, 0.0)


@dataclass(slots=True)
class Changes:
    """Changes of one chunk, each list in order of rows."""

    dark: list[Change] = field(default_factory=list)
    pose: list[Change] = field(default_factory=list)
    objects: list[Change] = field(default_factory=list)
    regions: list[Change] = field(default_factory=list)
    mode: list[Change] = field(default_factory=list)
    quadrant: list[Change] = field(default_factory=list)
    region: list[Change] = field(default_factory=list)
    incremental: list[Change] = field(default_factory=list)
    reset: list[int] = field(default_factory=list)
    apertures: dict[int, list[Change]] = field(default_factory=dict)
    markers: list[tuple[int, Marker]] = field(default_factory=list)
    commands: list[tuple[int, int]] = field(default_factory=list)
    """``(row, offset)`` of commands that have no place in a region."""


@dataclass(slots=True)
class Carry:
    """State at the end of a chunk, taken into the next one."""

    dark: int = 1
    pose: int = 0
    objects: int = 0
    regions: int = 0
    mode: int = 0
    quadrant: int = 0
    incremental: int = 0
    aperture: int = -1
    modal: int = 0
    x: int | None = None
    y: int | None = None


def spread(
    rows: Ints, at: Ints, values: NDArray[Any], initial: int, dtype: DTypeLike = np.int64
) -> NDArray[Any]:
    """Value in force at each of ``rows``, given changes ``values`` from rows ``at`` on.

    Parameters
    ----------
    rows, at : int64, each in ascending order
    values : as long as ``at``
    initial
        In force before the first change.
    """
    if not len(at):
        return np.full(len(rows), initial, dtype)
    cuts = np.searchsorted(rows, at, side="left")
    counts = np.diff(cuts, prepend=0, append=len(rows))
    return np.repeat(np.concatenate(([initial], values)).astype(dtype), counts)


def merge(rows: Ints, values: Ints, changes: list[Change]) -> tuple[Ints, Ints]:
    """Changes made by rows themselves and those that stand in front of a row, in order."""
    if not changes:
        return rows, values
    table = np.array(changes, np.int64)
    at = np.concatenate((table[:, 0], rows))
    order = np.argsort(at, kind="stable")
    return at[order], np.concatenate((table[:, 1], values))[order]


def columns(changes: list[Change]) -> tuple[Ints, Ints]:
    """Changes as two arrays."""
    if not changes:
        empty = np.empty(0, np.int64)
        return empty, empty
    table = np.array(changes, np.int64)
    return table[:, 0], table[:, 1]
