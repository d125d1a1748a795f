"""Worksheets whose figures are written twice: as formula, and as the value it has now.

Many viewers show values and calculate nothing.  Both come from one expression
(:mod:`fabkit.costs.lines`), so they cannot disagree.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING, Final

from fabkit.base import ZIP_DATE
from fabkit.base.tables import is_formula
from fabkit.costs.lines import Value, evaluate, to_cells
from fabkit.sheets.prices import Currency

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

BINARY_DUST: Final = "0.000000001"
"""Added before rounding: a spreadsheet counts in binary, where 1.005 is a hair below itself."""
_DIGITS: Final = 12
"""Of a stored value: a spreadsheet holds fifteen, and shows the last ones as noise."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell with the value it has now; ``at`` is absolute, with its page."""

    at: str
    value: Value


Scope = Mapping[str, Cell]
"""Cells by the names that expressions know them by."""


@dataclass(slots=True)
class Page:
    """A worksheet that is written row by row, with the values of its formulas."""

    sheet: Worksheet
    values: dict[str, Value] = field(default_factory=dict)

    @property
    def row(self) -> int:
        """The row written last."""
        return self.sheet.max_row if self.sheet.max_row > 1 or self.sheet["A1"].value else 0

    def texts(self, *texts: object) -> int:
        """Append a row of texts and plain values; gives its number."""
        row = self.row + 1
        for column, text in enumerate(texts, start=1):
            if text is not None:
                shown = clean_text(text) if isinstance(text, str) else text
                self.sheet.cell(row=row, column=column, value=shown)
        return row

    def cell(self, column: str, row: int, value: Value, form: str = "") -> Cell:
        """Write a plain value."""
        made = self.sheet[f"{column}{row}"]
        made.value = clean_text(value) if isinstance(value, str) else value
        if form:
            made.number_format = form
        return Cell(f"'{self.sheet.title}'!${column}${row}", value)

    def formula(self, column: str, row: int, text: str, value: Value, form: str = "") -> Cell:
        """Write a formula with the value it has now."""
        own = f"'{self.sheet.title}'!"
        made = self.sheet[f"{column}{row}"]
        made.value = f"={text.replace(own, '')}"
        if form:
            made.number_format = form
        self.values[f"{column}{row}"] = value
        return Cell(f"{own}${column}${row}", value)

    def reckoned(
        self, column: str, row: int, expression: str, scope: Scope, form: str = ""
    ) -> Cell:
        """Write an expression over the cells of a scope."""
        text = to_cells(expression, {name: cell.at for name, cell in scope.items()})
        value = evaluate(expression, {name: cell.value for name, cell in scope.items()})
        return self.formula(column, row, text, value, form)

    def rounded(self, column: str, row: int, cell: Cell, rule: Rounding, form: str) -> Cell:
        """Write another cell as it is invoiced."""
        assert isinstance(cell.value, Decimal)  # noqa: S101 -- amounts are numbers
        return self.formula(column, row, rule.text(cell.at), rule.value(cell.value), form)


@dataclass(frozen=True, slots=True)
class Rounding:
    """How an amount is rounded: to the step of its currency, or down to whole units."""

    currency: Currency
    whole: bool = False

    def text(self, value: str) -> str:
        """Write it as a formula over a value."""
        step = f"{self.currency.step:f}"
        if self.whole:
            return f"ROUNDDOWN({value}+{BINARY_DUST},0)"
        steps = f"({value})/{step}"
        if self.currency.mode == "half-even":
            half = f"ABS(({steps})-INT({steps})-0.5)<{BINARY_DUST}"
            return f"IF({half},2*ROUND(({steps})/2,0),ROUND({steps},0))*{step}"
        return f"ROUND({steps}+{BINARY_DUST},0)*{step}"

    def value(self, amount: Decimal) -> Decimal:
        """Round an amount."""
        if self.whole:
            return amount.to_integral_value(rounding=ROUND_FLOOR).quantize(self.currency.step)
        return self.currency.round(amount)


def money_form(currency: Currency) -> str:
    """Give the number format of amounts."""
    return "#,##0" + ("." + "0" * currency.digits if currency.digits else "")


def total_of(names: Sequence[str]) -> str:
    """Write a sum as an expression."""
    return " + ".join(names) or "0"


# How a page looks


def bold(page: Worksheet, row: int) -> None:
    """Set a row in bold."""
    from openpyxl.styles import Font

    for cell in page[row]:
        cell.font = Font(bold=True)


def style_head(page: Worksheet, row: int, columns: int) -> None:
    """Set a row as the head of a table."""
    from openpyxl.styles import Alignment, Font, PatternFill

    for column in range(1, columns + 1):
        cell = page.cell(row=row, column=column)
        cell.font = Font(bold=True)
        cell.fill = PatternFill("solid", fgColor="E8EDF3")
        cell.alignment = Alignment(wrap_text=True, vertical="top")


def style_input(page: Worksheet, at: str) -> None:
    """Set a cell as one to be changed."""
    from openpyxl.styles import PatternFill

    page[at].fill = PatternFill("solid", fgColor="FFF6D6")


def set_print(page: Worksheet, *, heads: int, widths: Sequence[int]) -> None:
    """Set widths, frozen heads, and printing on one landscape page."""
    from openpyxl.utils import get_column_letter

    for column, width in enumerate(widths, start=1):
        page.column_dimensions[get_column_letter(column)].width = width
    page.freeze_panes = f"B{heads + 1}"
    page.print_title_rows = f"1:{heads}"
    page.page_setup.orientation = "landscape"
    page.page_setup.paperSize = page.PAPERSIZE_A4
    page.page_setup.fitToWidth = 1
    page.page_setup.fitToHeight = 1
    page.sheet_properties.pageSetUpPr.fitToPage = True


def clean_text(value: str) -> str:
    """Text that no spreadsheet takes for a formula, without characters a workbook cannot hold."""
    clean = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "·", value)
    return f"'{clean}" if is_formula(clean) else clean


# The file


def saved(book: Workbook, pages: Sequence[Page]) -> bytes:
    """Save a workbook with the values of its formulas, and every date in it fixed."""
    out = io.BytesIO()
    book.save(out)
    values = {f"xl/worksheets/sheet{n}.xml": page.values for n, page in enumerate(pages, start=1)}
    made = io.BytesIO()
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(made, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"1980-01-01T00:00:00Z", content
                )
            elif name in values:
                content = _with_values(content, values[name])
            info = zipfile.ZipInfo(name, ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, content)
    return made.getvalue()


_FORMULA: Final = re.compile(rb'(<c r="([A-Z]+\d+)"[^>]*>)(<f>.*?</f>)<v ?(?:/>|></v>)', re.DOTALL)


def _with_values(content: bytes, values: Mapping[str, Value]) -> bytes:
    """Put values behind the formulas, which openpyxl writes without."""

    def filled(found: re.Match[bytes]) -> bytes:
        value = values[found[2].decode()]
        text = f"{float(value):.{_DIGITS}g}"
        return b"%s%s<v>%s</v>" % (found[1], found[3], text.encode())

    return _FORMULA.sub(filled, content)
