"""Parts and placement tables in spreadsheets (ECMA-376), written by the library of the format."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from openpyxl import Workbook

from fabkit.formats.sidecars.tables import looks_like_parts, read_parts
from fabkit.formats.sidecars.workbooks import MOST_BYTES, is_document, is_workbook, sheet_texts
from fabkit.package.model import RoleKind
from fabkit.package.reading import open_package

ROWS = [
    ("Board of an invented studio", None, None, None),
    ("Designator", "Comment", "Footprint", "Quantity"),
    ("C1, C2", "100 nF", "0603", 2),
    ("D1", "", "SOD-123", 1),
]
LAYER = b"%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,1*%\nD10*\nX0Y0D03*\nM02*\n"


def _book(*sheets: list[tuple[object, ...]], hidden: int | None = None) -> bytes:
    book = Workbook()
    book.remove(book.worksheets[0])
    for number, rows in enumerate(sheets):
        sheet = book.create_sheet()
        for row in rows:
            sheet.append(row)
        if number == hidden:
            sheet.sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _zip(**parts: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def test_a_sheet_is_the_table_that_saving_it_as_text_gives() -> None:
    """Its rows are lines, numbers as they are shown, and empty cells behind the last left out."""
    (text,) = sheet_texts(_book(ROWS))
    table = read_parts(text, name="bom.xlsx")

    assert text.decode().splitlines()[:2] == [ROWS[0][0], ",".join(map(str, ROWS[1]))]
    assert [(row.refs, row.quantity) for row in table.rows] == [(("C1", "C2"), 2), (("D1",), 1)]


def test_the_first_sheet_with_a_table_is_read() -> None:
    """A cover sheet is passed over, and a hidden sheet is nobody's."""
    sheets = list(sheet_texts(_book([("About", 1)], ROWS, ROWS, hidden=1)))

    assert [looks_like_parts(text) for text in sheets] == [False, True]


def test_a_spreadsheet_beside_layers_is_no_archive(tmp_path: Path) -> None:
    """It is a parts table; nothing is said of an archive."""
    files = {"top.gtl": LAYER, "bom.xlsx": _book(ROWS), "notes.odt": _odf()}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    package = open_package(tmp_path)

    assert [f.name for f in package.of(RoleKind.PARTS)] == ["bom.xlsx"]
    assert not [f for f in package.remarks if f.rule.id == "package/archive-beside"]
    assert "office document" in next(i.reason for i in package.left_out)


def _odf() -> bytes:
    return _zip(mimetype=b"application/vnd.oasis.opendocument.text")


def test_an_archive_that_holds_a_spreadsheet_is_an_archive() -> None:
    """What is packed inside does not count."""
    packed = _zip(**{"bom.xlsx": _book(ROWS), "top.gtl": LAYER})

    assert is_document(_book(ROWS))
    assert is_workbook(_book(ROWS))
    assert not is_document(packed)


@pytest.mark.parametrize("kept", [0.3, 0.9])
def test_a_damaged_spreadsheet_has_no_table(kept: float) -> None:
    """It is left out, and nothing is raised."""
    data = _book(ROWS)

    assert list(sheet_texts(data[: int(len(data) * kept)])) == []


def test_a_spreadsheet_that_unpacks_to_too_much_is_not_read() -> None:
    """Its parts are not even opened."""
    large = _zip(**{"[Content_Types].xml": b"", "xl/workbook.xml": bytes(MOST_BYTES + 1)})

    assert is_workbook(large)
    assert list(sheet_texts(large)) == []
