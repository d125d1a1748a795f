"""What all results have in common: one line about themselves, a table, a face in notebooks."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from fabkit.base.tables import Record, Table, to_html

MOST_ROWS: Final = 200
"""Rows that a notebook shows; :meth:`Result.rows` gives them all."""


class Result:
    """Base of results that people look at from Python."""

    @property
    def brief(self) -> str:
        """What it is, in a few words on one line."""
        raise NotImplementedError

    def table(self) -> Table:
        """Give what it lists."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"<{type(self).__name__} {' '.join(self.brief.split())}>"

    def rows(self) -> list[Record]:
        """Give its table as plain rows, dictionaries by column, as data-frame libraries take them.

        Numbers are ``int``, ``float`` and ``Decimal``, absent values None; every row has the same
        columns in the same order.
        """
        return self.table().records()

    def _repr_html_(self) -> str:
        """Show the table in a notebook."""
        return to_html(replace(self.table(), title=self.brief), most=MOST_ROWS)
