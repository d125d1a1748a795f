"""Tables, text and records as CSV, Markdown, XLSX and JSON, safe whatever their files say.

JSON reads the same every time: stable order, plain numbers, no NaN.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from enum import Enum
from typing import Final, TypeAlias

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


def to_xlsx(tables: Mapping[str, Table], *, notes: Sequence[str] = ()) -> bytes:
    """Write tables as a workbook (ISO/IEC 29500-1), each on a sheet of this name; no formulas.

    Numbers stay numbers.  Parameters as for :func:`to_csv`; notes stand below each table.
    """
    from openpyxl import Workbook

    from fabkit.costs.pages import Page, saved, set_print, style_head

    book = Workbook()
    book.remove(book.active)
    pages = []
    for name, table in tables.items():
        page = Page(book.create_sheet(name))
        style_head(page.sheet, page.texts(*table.heads), len(table.columns))
        for row in table.rows:
            page.texts(*(cell_text(cell) if isinstance(cell, str) else cell for cell in row))
        for note in notes:
            page.texts(f"Note: {note}")
        longest = [
            max(map(len, column)) for column in zip(table.heads, *table.texts(), strict=True)
        ]
        set_print(page.sheet, heads=1, widths=[min(wide + 2, _WIDEST) for wide in longest])
        pages.append(page)
    return saved(book, pages)


_WIDEST: Final = 60
"""Characters of a column of a workbook; longer texts run on."""


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


Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"
"""What JSON knows (RFC 8259)."""


def plain(value: object) -> Json:
    """Turn results into what JSON knows: Decimal to text, NaN to null, enums to their values."""
    if isinstance(value, Enum):
        named: Json = value.value
        return named
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float):
        # Nanometres are far below anything a board house can distinguish.
        return round(value, 6) if math.isfinite(value) else None
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    raise TypeError(f"cannot write {type(value).__name__} as JSON")


FORMATS: Final = {
    "carry": 1,
    "check": 1,
    "checks": 1,
    "compare": 1,
    "error": 1,
    "files": 1,
    "house": 1,
    "judged": 1,
    "mend": 1,
    "order": 1,
    "pack": 1,
    "panel": 1,
    "parts": 1,
    "quote": 1,
    "settings": 1,
    "wiring": 1,
}
"""Every kind of JSON document of our own, with its version; ``fabkit/schemas`` describes each.

A version is raised when a key goes or changes its meaning; new keys are no new version.
"""


def to_document(kind: str, record: Mapping[str, object]) -> str:
    """Write a record as a JSON document that first states what it is: ``fabkit/check/1``."""
    return to_json({"format": f"fabkit/{kind}/{FORMATS[kind]}", **record})


def to_json(record: object) -> str:
    """Write a record as JSON text, two spaces a level, with a last line end."""
    return json.dumps(plain(record), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
