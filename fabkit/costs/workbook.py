"""The cost sheet as a workbook: live formulas, what goes in, and what to buy."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from fabkit.base.tables import Table, cell_text, is_formula
from fabkit.costs.expression import to_cells
from fabkit.costs.model import PARTS_GROUPS, CostSheet, Input, Line, Offer
from fabkit.parts.model import Bill
from fabkit.sheets.money import Currency

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet


BINARY_DUST = "0.000000001"
"""Added before rounding: a spreadsheet counts in binary, where 1.005 is a hair below itself."""
FIXED_DATE = (1980, 1, 1, 0, 0, 0)
"""Date of every member, so that the same sheet gives the same bytes."""


def write_workbook(sheet: CostSheet, bill: Bill | None = None) -> bytes:
    """Write the cost sheet, and the parts list if given, as an XLSX file."""
    from openpyxl import Workbook

    book = Workbook()
    summary = book.active
    summary.title = "Summary"
    inputs = _Inputs(book.create_sheet("Inputs"))
    places = [
        (offer, *_write_offer(book.create_sheet(f"{offer.quantity} pieces"), offer, inputs))
        for offer in sheet.offers
    ]
    _write_summary(summary, sheet, places)
    _write_tables(book, sheet)
    if bill is not None:
        write_bill_pages(book, bill)
    out = io.BytesIO()
    book.save(out)
    return _without_clock(out.getvalue())


class _Inputs:
    """The worksheet of inputs: each number once."""

    def __init__(self, page: Worksheet) -> None:
        self.page = page
        page.append(["Input", "Value", "Unit", "Where it comes from"])
        style_head(page, 1, 4)
        for column, width in (("A", 22), ("B", 14), ("C", 10), ("D", 80)):
            page.column_dimensions[column].width = width
        page.freeze_panes = "A2"
        self._cells: dict[tuple[str, Decimal, str, str], str] = {}

    def cell(self, item: Input) -> str:
        """Cell of an input, added when new."""
        key = (item.name, item.value, item.unit, item.origin)
        if key not in self._cells:
            self.page.append(
                [clean_text(item.name), item.value, clean_text(item.unit), clean_text(item.origin)]
            )
            self._cells[key] = f"Inputs!$B${self.page.max_row}"
        return self._cells[key]


def _write_offer(page: Worksheet, offer: Offer, inputs: _Inputs) -> tuple[str, dict[str, str]]:
    """Write the lines of one offer; gives the page's title and the cells of its totals."""
    page.append([f"{offer.quantity} pieces of each design"])
    page.append(
        ["Line", "Paid for", "Exact", "Invoiced", f"Amount, {offer.currency.code}", "Formula"]
    )
    style_head(page, 2, 6)
    for column, width in (("A", 46), ("B", 24), ("C", 14), ("D", 12), ("E", 14), ("F", 90)):
        page.column_dimensions[column].width = width
    page.freeze_panes = "A3"
    amounts: dict[str, str] = {}
    for line in offer.lines:
        amounts[line.key] = _write_line(page, line, inputs, amounts)
    boards = [amounts[a.key] for a in offer.lines if a.group not in PARTS_GROUPS]
    parts = [amounts[a.key] for a in offer.lines if a.group in PARTS_GROUPS]
    page.append([])
    cells = {}
    for key, title, formula in (
        ("boards", "Boards, landed", _sum(boards)),
        ("parts", "Parts", _sum(parts)),
    ):
        page.append([title, None, None, None, formula])
        cells[key] = f"E{page.max_row}"
    page.append(["Total", None, None, None, f"={cells['boards']}+{cells['parts']}"])
    cells["total"] = f"E{page.max_row}"
    bold(page, page.max_row)
    for row in page.iter_rows(min_row=3, min_col=3, max_col=5):
        for cell in row:
            cell.number_format = "#,##0.00####" if cell.column == 3 else _money(offer.currency)
    return page.title, cells


def _write_line(page: Worksheet, line: Line, inputs: _Inputs, amounts: dict[str, str]) -> str:
    """Write a line and its terms below it; gives the cell of its amount."""
    at = page.max_row + 1
    terms = range(at + 1, at + 1 + len(line.elements))
    exact = f"=SUM({','.join(f'C{r}' for r in terms)})"
    invoiced = f"={_rounded(f'C{at}', line.invoice, whole=line.whole_units)}"
    amount = f"=D{at}"
    if line.exchange is not None:
        amount = f"={_rounded(f'D{at}*{inputs.cell(line.exchange)}', line.target)}"
    page.append([clean_text(line.title), str(line.group), exact, invoiced, amount])
    bold(page, at)
    for element in line.elements:
        cells = {
            item.name: f"({'+'.join(amounts[k] for k in item.lines) or '0'})"
            if item.lines
            else inputs.cell(item)
            for item in element.inputs
        }
        formula = f"={to_cells(element.expression, cells)}"
        page.append(
            [
                clean_text(f"    {element.title}"),
                None,
                formula,
                None,
                None,
                clean_text(f"{element.expression}   ({element.rule})"),
            ]
        )
    return f"E{at}"


def _rounded(value: str, currency: Currency, *, whole: bool = False) -> str:
    if whole:
        return f"ROUNDDOWN({value}+{BINARY_DUST},0)"
    steps = f"({value})/{currency.step:f}"
    if currency.mode == "half-even":
        half = f"ABS(({steps})-INT({steps})-0.5)<{BINARY_DUST}"
        return f"IF({half},2*ROUND(({steps})/2,0),ROUND({steps},0))*{currency.step:f}"
    return f"ROUND({steps}+{BINARY_DUST},0)*{currency.step:f}"


def _write_summary(
    page: Worksheet, sheet: CostSheet, places: list[tuple[Offer, str, dict[str, str]]]
) -> None:
    page.append([clean_text(f"{sheet.name}: cost per half, {sheet.currency.code}")])
    bold(page, 1)
    for notice in sheet.notices:
        page.append([clean_text(notice)])
    for key, value in sheet.terms.items():
        page.append([clean_text(key), clean_text(value)])
    page.append([])
    page.append(
        [
            "Pieces of each design",
            "Boards, landed",
            "Parts",
            "Total",
            "Halves made",
            "Halves used",
            "Halves left over",
            "Per board",
            "Per bare half used",
            "Per half",
            "Per keyboard",
            "Enough",
        ]
    )
    style_head(page, page.max_row, 12)
    for offer, title, cells in places:
        row = page.max_row + 1
        page.append(
            [
                offer.quantity,
                *(f"='{title}'!{cells[k]}" for k in ("boards", "parts", "total")),
                offer.halves_made,
                offer.halves_used,
                offer.halves_left,
                f"=B{row}/{offer.boards}",
                f"=IF(F{row}=0,0,B{row}/F{row})",
                f"=I{row}+C{row}/{offer.halves_wanted}",
                f"=2*J{row}",
                "yes" if offer.covers else "no",
            ]
        )
        for column in "BCD":
            page[f"{column}{row}"].number_format = _money(sheet.currency)
        for column in "HIJK":
            page[f"{column}{row}"].number_format = "#,##0.0000"
    page.column_dimensions["A"].width = 28
    for column in "BCDEFGHIJKL":
        page.column_dimensions[column].width = 17


def _write_tables(book: Workbook, sheet: CostSheet) -> None:
    """Further results, as values."""
    for table in sheet.comparisons():
        _write_table(book.create_sheet(table.title[:31]), table)


def _sum(cells: list[str]) -> str | int:
    return f"=SUM({','.join(cells)})" if cells else 0


def _money(currency: Currency) -> str:
    return "#,##0" + ("." + "0" * currency.digits if currency.digits else "")


def _without_clock(data: bytes) -> bytes:
    """Return the same workbook with every date in it fixed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"1980-01-01T00:00:00Z", content
                )
            info = zipfile.ZipInfo(name, FIXED_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, content)
    return out.getvalue()


BUY_HEAD = (
    "Part",
    "Shop",
    "Built in",
    "With spares",
    "Pack",
    "Bought",
    "Price each",
    "Cost",
    "Left over",
    "Price from",
    "Why this many",
)


def write_bill_pages(book: Workbook, bill: Bill) -> None:
    """Add the worksheets ``Parts`` and ``Shopping``."""
    _write_table(book.create_sheet("Parts"), bill.parts_table(), bill.notices)
    _write_shopping(book, bill)


def _write_shopping(book: Workbook, bill: Bill) -> None:
    page = book.create_sheet("Shopping")
    for notice in bill.notices:
        page.append([clean_text(notice)])
    page.append([*BUY_HEAD[:7], f"Cost, {bill.currency.code}", *BUY_HEAD[8:]])
    style_head(page, page.max_row, len(BUY_HEAD))
    first = page.max_row + 1
    step = f"{bill.currency.step:f}"
    for purchase in bill.plan.purchases:
        row = page.max_row + 1
        page.append(
            [
                clean_text(purchase.title),
                clean_text(purchase.shop),
                purchase.need,
                purchase.wanted,
                purchase.pack,
                purchase.bought,
                purchase.unit_price,
                f"=ROUND(F{row}*G{row}/{step}+0.000000001,0)*{step}",
                f"=F{row}-C{row}",
                clean_text(purchase.at),
                clean_text(purchase.reason),
            ]
        )
    for shop in bill.plan.shops:
        charges = shop.shipping + shop.small_order_fee
        if charges:
            page.append([f"shipping from {clean_text(shop.shop)}", *[None] * 6, charges])
    if page.max_row >= first:
        page.append(["Total", *[None] * 6, f"=SUM(H{first}:H{page.max_row})"])
        bold(page, page.max_row)
    page.column_dimensions["A"].width = 36
    page.column_dimensions["J"].width = 36
    page.column_dimensions["K"].width = 44


WIDE = 32
"""Characters that a column of text shows."""


def clean_text(value: str) -> str:
    """Text that no spreadsheet takes for a formula, without characters a workbook cannot hold."""
    clean = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "·", value)
    return f"'{clean}" if is_formula(clean) else clean


def _write_table(page: Worksheet, table: Table, notices: Sequence[str] = ()) -> None:
    """Write notices, then a table as values; text columns are as wide as words need."""
    for notice in notices:
        page.append([clean_text(notice)])
    page.append([clean_text(head) for head in table.heads])
    style_head(page, page.max_row, len(table.columns))
    for row in table.rows:
        page.append([clean_text(cell_text(c)) if isinstance(c, str) else c for c in row])
    for column, (one, head) in enumerate(zip(table.columns, table.heads, strict=True)):
        width = len(head) + 4 if one.number else WIDE
        page.column_dimensions[chr(ord("A") + column)].width = width


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
