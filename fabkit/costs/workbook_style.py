"""Text and looks of workbook cells."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet


def clean_text(value: str) -> str:
    """Text that no spreadsheet takes for a formula, without characters a workbook cannot hold."""
    clean = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "·", value)
    return f"'{clean}" if clean[:1] in ("=", "+", "-", "@") else clean


def bold(page: Worksheet, row: int) -> None:
    from openpyxl.styles import Font

    for cell in page[row]:
        cell.font = Font(bold=True)


def style_head(page: Worksheet, row: int, columns: int) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill

    for column in range(1, columns + 1):
        cell = page.cell(row=row, column=column)
        cell.font = Font(bold=True)
        cell.fill = PatternFill("solid", fgColor="E8EDF3")
        cell.alignment = Alignment(wrap_text=True, vertical="top")
