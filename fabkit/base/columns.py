"""Frozen tables of equal-length numpy columns: a million graphic objects in a dozen arrays."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, Self, TypeVar, get_args, get_type_hints

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Shapes = NDArray[np.object_]
"""Object array of shapely geometries."""

Key = TypeVar("Key")
Value = TypeVar("Value")


def gather(pairs: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Values of each key, keys and values in the order in which they come.

    >>> gather([("b", 1), ("a", 2), ("b", 3)])
    {'b': [1, 3], 'a': [2]}
    """
    found: dict[Key, list[Value]] = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return found


def rows_by(keys: NDArray[Any]) -> dict[Any, Ints]:
    """Rows of each key, keys and rows ascending.

    >>> {key: rows.tolist() for key, rows in rows_by(np.array([7, 3, 7])).items()}
    {3: [1], 7: [0, 2]}
    """
    order = np.argsort(keys, kind="stable")
    known, first = np.unique(keys[order], return_index=True)
    return dict(zip(known.tolist(), np.split(order, first[1:]), strict=False))


def run_starts(*columns: NDArray[Any]) -> Ints:
    """Rows at which any of some columns changes: the first of each run of equal ones.

    >>> run_starts(np.array([7, 7, 3, 3, 7])).tolist()
    [0, 2, 4]
    """
    changes = [column[1:] != column[:-1] for column in columns]
    first = [True] if len(columns[0]) else []
    return np.flatnonzero(np.concatenate((first, np.logical_or.reduce(changes))))


def ranges(first: Ints, counts: Ints) -> Ints:
    """Rows from each ``first[k]`` on, as many as ``counts[k]``, one range after the other.

    >>> ranges(np.array([5, 2]), np.array([2, 3])).tolist()
    [5, 6, 2, 3, 4]
    """
    ends = np.cumsum(counts)
    rows: Ints = np.arange(counts.sum()) + np.repeat(first - (ends - counts), counts)
    return rows


def last_before(known: Bools) -> Ints:
    """Row of the last one that is known at or before each row; -1 where there is none.

    >>> last_before(np.array([False, True, False, True])).tolist()
    [-1, 1, 1, 3]
    """
    rows: Ints = np.maximum.accumulate(np.where(known, np.arange(len(known)), -1))
    return rows


def _scalar(hint: Any) -> type[np.generic]:
    """Scalar type that an ``NDArray[...]`` annotation names."""
    while inner := get_args(hint):
        hint = inner[-1]
    if not (isinstance(hint, type) and issubclass(hint, np.generic)):
        raise TypeError(f"a column is annotated NDArray[scalar type], not {hint!r}")
    return hint


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Base of column tables.

    A subclass is a ``@dataclass(frozen=True, slots=True, eq=False)`` whose fields are all
    annotated ``NDArray[...]``; ``DTYPES`` is read from these annotations.  Arrays are converted,
    checked for equal length and made read-only, because a frozen dataclass alone still lets
    ``t.x[0] = 9`` through.
    """

    DTYPES: ClassVar[dict[str, np.dtype[Any]]] = {}

    def __init_subclass__(cls) -> None:
        """Read the types of the columns from their annotations."""
        # Named here, or each table's own @dataclass would put one there that prints every row.
        cls.__repr__ = Columns.__repr__  # type: ignore[method-assign]
        # Up to numpy 2.4 NDArray[T] expands to ndarray[shape, dtype[T]]; from 2.5 on it is a
        # type alias whose own argument is T.  The last scalar type within is T either way.
        hints = get_type_hints(cls)
        cls.DTYPES = {n: np.dtype(_scalar(h)) for n, h in hints.items() if n != "DTYPES"}

    def __post_init__(self) -> None:
        """Convert, check and freeze the columns."""
        length = -1
        for name, dtype in self.DTYPES.items():
            array = np.ascontiguousarray(getattr(self, name), dtype=dtype)
            if array.ndim != 1:
                raise ValueError(f"column {name} must have one dimension")
            if length < 0:
                length = len(array)
            elif len(array) != length:
                raise ValueError(f"column {name} has {len(array)} rows, not {length}")
            if array.flags.writeable:
                array = array.view()
                array.setflags(write=False)
            object.__setattr__(self, name, array)

    def __repr__(self) -> str:
        """Name and columns."""
        return f"<{type(self).__name__} {len(self)} x {', '.join(self.DTYPES)}>"

    def __len__(self) -> int:
        """Count the rows."""
        return len(getattr(self, next(iter(self.DTYPES))))

    def by_name(self) -> dict[str, NDArray[Any]]:
        """Columns by name, as data-frame libraries take them."""
        return {name: getattr(self, name) for name in self.DTYPES}

    @classmethod
    def empty(cls) -> Self:
        """Make a table without rows."""
        return cls(**{name: np.empty(0, dtype) for name, dtype in cls.DTYPES.items()})

    @classmethod
    def of(cls, table: Columns) -> Self:
        """Take the columns of this kind from a table that has more."""
        return cls(**{name: getattr(table, name) for name in cls.DTYPES})

    def take(self, rows: Ints | Bools | slice) -> Self:
        """Rows picked by an index array, a boolean mask or a slice."""
        return type(self)(**{name: getattr(self, name)[rows] for name in self.DTYPES})

    def with_columns(self, **changed: NDArray[Any]) -> Self:
        """Replace some columns."""
        return type(self)(**{name: changed.get(name, getattr(self, name)) for name in self.DTYPES})

    def replaced(self, rows: Ints, by: Self) -> Self:
        """Exchange some rows."""
        order = np.arange(len(self))
        order[rows] = len(self) + np.arange(len(rows))
        return self.concat(self, by).take(order)

    @classmethod
    def concat(cls, *tables: Self) -> Self:
        """Rows of all tables, in order."""
        if not tables:
            return cls.empty()
        if len(tables) == 1:
            return tables[0]
        return cls(
            **{name: np.concatenate([getattr(t, name) for t in tables]) for name in cls.DTYPES}
        )
