"""Tables and text as CSV and Markdown, safe whatever the files behind them say."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from fabkit.base.streams import clean
from fabkit.base.tables import Cell, Table, cell_text, is_formula


def to_csv(table: Table, *, notes: Sequence[str] = ()) -> str:
    """Write a table as CSV (RFC 4180), one header row, CRLF line ends.

    A text that a spreadsheet would take for a formula gets an apostrophe in front, because names
    and values come from files that others wrote.

    Parameters
    ----------
    notes
        What every output must repeat; stands in separate rows after the others.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    blank = ("",) * (len(table.columns) - 1)
    writer.writerow(map(_csv_cell, table.heads))
    writer.writerows(map(_csv_cell, row) for row in table.rows)
    writer.writerows((f"Note: {note}", *blank) for note in notes)
    return out.getvalue()


def _csv_cell(cell: Cell) -> str:
    text = cell_text(cell)
    return "'" + text if isinstance(cell, str) and is_formula(text) else text


def to_markdown(table: Table) -> str:
    """Write a table as Markdown; text in cells is escaped."""
    marks = ["---:" if column.number else "---" for column in table.columns]
    lines: Iterable[Iterable[str]] = (
        map(_markdown_inline, table.heads),
        marks,
        *(map(_markdown_inline, row) for row in table.texts()),
    )
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)


def _markdown_inline(value: object) -> str:
    text = clean(value).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return "".join("\\" + c if c in "\\`*_{}[]#|!~" else c for c in text)


def markdown_text(value: object) -> str:
    r"""Write text that no Markdown reader takes for markup, at the beginning of a line neither.

    >>> markdown_text("![x](y)"), markdown_text("- 1"), markdown_text("2. R<b>")
    ('\\!\\[x\\](y)', '\\- 1', '2\\. R&lt;b&gt;')
    """
    return re.sub(r"^(\d*)([-+=.)])(?=\s|$|[-=])", r"\1\\\2", _markdown_inline(value).strip())
