"""Columns that grow piece by piece."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(slots=True)
class Table:
    """Growing columns: pieces per column, joined once at the end."""

    names: tuple[str, ...]
    pieces: dict[str, list[NDArray[Any]]] = field(init=False)
    count: int = 0

    def __post_init__(self) -> None:
        self.pieces = {name: [] for name in self.names}

    def add(self, count: int, **arrays: NDArray[Any]) -> None:
        """Append ``count`` rows."""
        if not count:
            return
        for name in self.names:
            self.pieces[name].append(arrays[name])
        self.count += count

    def join(self, dtypes: Mapping[str, np.dtype[Any]]) -> dict[str, NDArray[Any]]:
        """All rows; the table is empty afterwards, column by column, to keep the peak low."""
        out = {}
        for name in self.names:
            pieces = self.pieces.pop(name)
            out[name] = np.concatenate(pieces) if pieces else np.empty(0, dtypes[name])
        return out
