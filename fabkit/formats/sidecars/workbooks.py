"""Spreadsheets (ECMA-376, Office Open XML) that hold a parts or placement table.

A sheet is read as the CSV text that saving it would give, so that one reader knows all tables.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator, Sequence
from typing import Final

_BOOK: Final = "xl/workbook.xml"
"""Part that every spreadsheet in this format has (ECMA-376 part 1, section 12.3.23)."""
_CONTENT_TYPES: Final = "[Content_Types].xml"
"""Part that every office document in this format has (ECMA-376 part 2, section 10.1.2.3)."""
_ODF: Final = b"mimetypeapplication/vnd.oasis.opendocument"
"""First member of an OpenDocument package, stored as it is (ISO/IEC 26300-3, section 3.3)."""
_NAME_AT: Final = 30
"""Byte of a zip at which the name of its first member begins."""
MOST_BYTES: Final = 32 * 2**20
"""A spreadsheet that unpacks to more is no parts list, and is not read."""
_MOST_ROWS: Final = 20_000
_MOST_COLUMNS: Final = 200


def is_document(data: bytes) -> bool:
    """Whether a zip is an office document of one of the two open formats, and no archive."""
    return data.startswith(_ODF, _NAME_AT) or _CONTENT_TYPES in _names(data)


def is_workbook(data: bytes) -> bool:
    """Whether it is a spreadsheet that can be read."""
    return _BOOK in _names(data)


def _names(data: bytes) -> list[str]:
    """Names of the parts of an office document; none where it is something else."""
    if not data.startswith(b"PK") or _CONTENT_TYPES.encode() not in data:
        return []
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            return parts.namelist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        return []


def sheet_texts(data: bytes) -> Iterator[bytes]:
    """Give each visible sheet of a workbook as CSV; nothing where it is damaged or too large."""
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            if sum(part.file_size for part in parts.infolist()) > MOST_BYTES:
                return
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        for sheet in book.worksheets:
            if sheet.sheet_state == "visible":
                rows = sheet.iter_rows(max_row=_MOST_ROWS, max_col=_MOST_COLUMNS, values_only=True)
                out = io.StringIO()
                csv.writer(out).writerows(map(_cells, rows))
                yield out.getvalue().encode()
    except Exception:  # noqa: BLE001 -- the library raises whatever a damaged part leads to
        return


def _cells(row: Sequence[object]) -> list[str]:
    """Cells of a row as text, without the empty ones behind the last."""
    cells = ["" if cell is None else str(cell) for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return cells
