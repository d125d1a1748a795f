"""One table for every output: results give it, and each format has one writer that reads it."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from html import escape
from typing import Any, Final

Record = dict[str, Any]
"""What a JSON document holds: names to values."""


def picked(result: object, *names: str) -> Record:
    """Take attributes of a result as they are, by name."""
    return {name: getattr(result, name) for name in names}


FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")

Cell = str | int | float | Decimal | StrEnum | None


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Parameters
    ----------
    key
        Its name for programs: ``seen_x_mm``.
    heading
        Its name for people; the key with blanks when empty.
    unit
        Written behind the heading: ``added, mm²``.
    number
        Whether it is aligned to the right, and never broken over two lines.
    """

    key: str
    heading: str = ""
    unit: str = ""
    number: bool = False

    @property
    def head(self) -> str:
        """Heading with its unit."""
        words = self.heading or self.key.replace("_", " ")
        return f"{words}, {self.unit}" if self.unit else words


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under columns, with a title.

    Parameters
    ----------
    columns
        At least one.
    rows
        One cell a column: numbers, text, a word of a fixed choice, or None for nothing.
    title
        What it is, in a few words; empty where its surroundings say so.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    title: str = ""

    @property
    def heads(self) -> tuple[str, ...]:
        """Headings with their units."""
        return tuple(column.head for column in self.columns)

    def texts(self) -> list[list[str]]:
        """Give cells as people read them."""
        return [[cell_text(cell) for cell in row] for row in self.rows]

    def records(self) -> list[Record]:
        """Give rows by key, as programs take them."""
        keys = [column.key for column in self.columns]
        return [dict(zip(keys, row, strict=True)) for row in self.rows]

    def only(self, *keys: str) -> Table:
        """Keep these columns, in this order."""
        places = {column.key: n for n, column in enumerate(self.columns)}
        chosen = [places[key] for key in keys]
        return replace(
            self,
            columns=tuple(self.columns[n] for n in chosen),
            rows=tuple(tuple(row[n] for n in chosen) for row in self.rows),
        )


def columns_of(*keys: str, numbers: Iterable[str] = ()) -> tuple[Column, ...]:
    """Name columns whose headings are their keys; those of ``numbers`` hold numbers."""
    return tuple(Column(key, number=key in set(numbers)) for key in keys)


def cell_text(cell: Cell) -> str:
    """Write a cell in words: nothing for None, a choice without its underscores."""
    if isinstance(cell, StrEnum):
        return cell.value.replace("_", " ")
    return "" if cell is None else str(cell)


def is_formula(text: str) -> bool:
    """Whether a spreadsheet may compute it.

    Some drop blanks and unseen marks in front, and read full-width signs as the plain ones.
    """
    if text.startswith(FORMULA_SIGNS):
        return True
    plain = unicodedata.normalize("NFKC", text)
    unseen = (c for c in plain if not (c.isspace() or unicodedata.category(c) in ("Cf", "Cc")))
    return next(unseen, "") in FORMULA_SIGNS


CHOSEN = '<span class="unseen">, chosen</span>'
"""What readers of the screen hear of a row that stands out."""


def to_html(
    table: Table,
    *,
    most: int | None = None,
    label: str = "",
    chosen: int | None = None,
    ticks: str = "",
    name: str = "",
) -> str:
    """Write a table as HTML, its title as caption; every text is escaped.

    Parameters
    ----------
    most
        Rows shown; the rest is counted.
    label
        Name for readers of the screen of a box that scrolls sideways; none when empty.
    chosen
        Number of a row that stands out.
    ticks
        Word before each row's first cell in the name of a box to tick; none when empty.
    name
        Id of the body, by which a script finds the rows; none when empty.
    """
    shown = table.rows[:most]
    lines = ["<table>"]
    if label:
        box = '<div class="scroll" tabindex="0" role="region"'
        lines = [f'{box} aria-label="{escape(label)}">', '<table class="cards">']
    if table.title:
        lines.append(f"<caption>{escape(table.title)}</caption>")
    heads = [escape(column.head) for column in table.columns]
    cells = "".join(
        f'<th scope="col"{_align(column)}>{head}</th>'
        for column, head in zip(table.columns, heads, strict=True)
    )
    body = f'<tbody id="{escape(name)}">' if name else "<tbody>"
    lines += [f"<thead><tr>{cells}</tr></thead>", body]
    # On a narrow screen each cell of a page stands on its own line, behind its heading.
    named = [f' data-name="{head}"' if label else "" for head in heads]
    for number, row in enumerate(shown):
        texts = [
            f"{cell:.4g}" if isinstance(cell, float) else escape(cell_text(cell)) for cell in row
        ]
        key = escape(f"{ticks} {cell_text(row[0])}")
        box = f'<input type="checkbox" data-tick="{key}" aria-label="{key}">' if ticks else ""
        # The first cell names its row, to readers of the screen as well.
        more, mark = (CHOSEN, ' class="chosen"') if number == chosen else ("", "")
        rest = "".join(
            f"<td{_align(column)}{head}>{text}</td>"
            for column, head, text in zip(table.columns[1:], named[1:], texts[1:], strict=True)
        )
        lead = named[0] if table.columns[0].number else ""
        first = f'<th scope="row"{_align(table.columns[0])}{lead}>{box}{texts[0]}{more}</th>'
        lines.append(f"<tr{mark}>{first}{rest}</tr>")
    lines += ["</tbody>", "</table>"]
    if label:
        lines.append("</div>")
    if len(table.rows) > len(shown):
        lines.append(f"<p>{len(table.rows) - len(shown)} more rows</p>")
    return "\n".join(lines)


def _align(column: Column) -> str:
    return ' class="number"' if column.number else ""


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
