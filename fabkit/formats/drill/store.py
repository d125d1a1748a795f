"""Hits and slots while they are being read: single rows and whole arrays in one order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fabkit.base.columns import Floats
from fabkit.formats.drill.model import Hits, Slots

Rows = Floats
"""(n, 5) float64 for hits: x mm, y mm, tool, attributes, offset."""

_HIT = 5
_SLOT = 12


class LimitReached(Exception):
    """More objects than the limits allow; reading ends, what was read stays."""


class Store:
    """Growing columns.

    Rows are float64 throughout: a byte offset below 2**53 is exact in it.  A hit row is
    ``x, y, tool, attributes, offset``; a slot row ``x0, y0, x1, y1, cx, cy, turn, tool,
    attributes, path, routed, offset``.
    """

    def __init__(self, width: int) -> None:
        self._width = width
        self._parts: list[Rows] = []
        self._loose: list[tuple[float, ...]] = []
        self._settled = 0

    def __len__(self) -> int:
        return self._settled + len(self._loose)

    def add(self, *row: float) -> None:
        """Append one row."""
        self._loose.append(row)

    def extend(self, rows: Rows) -> None:
        """Append many rows."""
        self._settle()
        if len(rows):
            self._parts.append(rows)
            self._settled += len(rows)

    def _settle(self) -> None:
        if self._loose:
            self._parts.append(np.array(self._loose, dtype=np.float64))
            self._settled += len(self._loose)
            self._loose = []

    def rows(self, first: int = 0) -> Rows:
        """Rows from ``first`` on, as a new array."""
        self._settle()
        wanted: list[Rows] = []
        end = self._settled
        for part in reversed(self._parts):
            start = end - len(part)
            if start < first:
                if end > first:
                    wanted.append(part[first - start :])
                break
            wanted.append(part)
            end = start
        if not wanted:
            return np.empty((0, self._width))
        return np.concatenate(wanted[::-1])


def hit_store() -> Store:
    """Give an empty store of hits."""
    return Store(_HIT)


def slot_store() -> Store:
    """Give an empty store of slots."""
    return Store(_SLOT)


def hits_of(store: Store) -> Hits:
    """Give the columns of a finished store of hits."""
    return Hits(**_columns(store, Hits.DTYPES))


def slots_of(store: Store) -> Slots:
    """Give the columns of a finished store of slots."""
    return Slots(**_columns(store, Slots.DTYPES))


def _columns(store: Store, dtypes: Mapping[str, np.dtype[Any]]) -> dict[str, Any]:
    rows = store.rows()
    return {name: rows[:, i].astype(dtype) for i, (name, dtype) in enumerate(dtypes.items())}
