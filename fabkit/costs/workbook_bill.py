"""The parts list as two worksheets: what goes in, and what to buy with live sums."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fabkit.costs.workbook_style import bold, clean_text, style_head
from fabkit.parts.model import Bill

if TYPE_CHECKING:
    from openpyxl import Workbook

PARTS_HEAD = (
    "Part",
    "Left half",
    "Right half",
    "Keyboard",
    "Needed",
    "Face, left",
    "Face, right",
    "Fitted",
    "Lasts",
    "References",
    "Why this many",
)
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
    page = book.create_sheet("Parts")
    for notice in bill.notices:
        page.append([clean_text(notice)])
    page.append(list(PARTS_HEAD))
    style_head(page, page.max_row, len(PARTS_HEAD))
    for line in bill.lines:
        page.append(
            [
                clean_text(line.title),
                line.left,
                line.right,
                line.per_keyboard,
                line.need(bill.usage),
                line.faces.get("left", ""),
                line.faces.get("right", ""),
                str(line.fitting),
                line.lasting.replace("_", " "),
                clean_text(line.short_refs("left")),
                clean_text(line.reason),
            ]
        )
    page.column_dimensions["A"].width = 36
    page.column_dimensions["J"].width = 30
    page.column_dimensions["K"].width = 60
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
