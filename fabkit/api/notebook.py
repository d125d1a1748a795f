"""Results as plain rows, as tables of a notebook, and the board as a picture."""

from __future__ import annotations

from functools import singledispatch
from html import escape
from typing import Any

from fabkit.base.findings import Finding
from fabkit.base.results import Result
from fabkit.board.model import Board
from fabkit.checks.model import CheckResult
from fabkit.compare.model import Comparison
from fabkit.costs.model import CostSheet
from fabkit.outputs.wiring_records import COLUMNS, wiring_record, wiring_rows
from fabkit.package.model import Package
from fabkit.parts.model import Bill
from fabkit.wiring.model import Wiring

Row = dict[str, Any]

MOST_ROWS = 200
"""A notebook shows no more; ``rows()`` gives them all."""
PICTURE_PX = 900
"""Width of a board in a notebook."""


@singledispatch
def rows_of(result: object) -> list[Row]:
    """Plain rows of a result.

    Raises
    ------
    TypeError
        It has no table.
    """
    raise TypeError(f"a {type(result).__name__} has no table")


@rows_of.register
def _(package: Package) -> list[Row]:
    return [
        {
            "file": f.name,
            "role": str(f.role),
            "confidence": f.confidence,
            "reason": f.reason,
            "bytes": len(f.data),
        }
        for f in package.files
    ]


@rows_of.register
def _(board: Board) -> list[Row]:
    words = {1: "plated", 0: "non-plated", -1: "not known"}
    columns = (board.holes.x, board.holes.y, board.holes.diameter, board.holes.plated)
    return [
        {
            "x_mm": float(x),
            "y_mm": float(y),
            "diameter_mm": float(diameter),
            "plating": words[int(plated)],
        }
        for x, y, diameter, plated in zip(*columns, strict=True)
    ]


@rows_of.register
def _(result: CheckResult) -> list[Row]:
    return [_finding(f) for f in result]


def _finding(finding: Finding) -> Row:
    place = finding.places[0] if finding.places else None
    return {
        "severity": finding.severity.word,
        "id": finding.id,
        "message": finding.message,
        "count": finding.count,
        "measured": finding.measured,
        "limit": finding.limit,
        "unit": finding.unit,
        "file": place.file if place else None,
        "line": place.line if place else None,
        "side": place.side if place else None,
        "x_mm": place.x_mm if place else None,
        "y_mm": place.y_mm if place else None,
        "remedy": finding.remedy,
    }


@rows_of.register
def _(bill: Bill) -> list[Row]:
    bought = {p.key: p for p in bill.plan.purchases}
    return [
        {
            "part": line.title,
            "left": line.left,
            "right": line.right,
            "per_keyboard": line.per_keyboard,
            "needed": line.need(bill.usage),
            "bought": bought[line.key].bought if line.key in bought else None,
            "cost": bought[line.key].cost if line.key in bought else None,
            "currency": bill.currency.code,
        }
        for line in bill.lines
    ]


@rows_of.register
def _(costs: CostSheet) -> list[Row]:
    return [
        {
            "boards": offer.boards,
            "keyboards": offer.keyboards_possible,
            "boards_cost": offer.board_total,
            "parts_cost": offer.parts_total,
            "total": offer.total,
            "per_half": offer.per_half,
            "per_keyboard": offer.per_keyboard,
            "currency": offer.currency.code,
            "cheapest": costs.best is not None and offer.quantity == costs.best.quantity,
        }
        for offer in costs.offers
    ]


@rows_of.register
def _(wiring: Wiring) -> list[Row]:
    names = [name.replace(" ", "_") for name in COLUMNS]
    return [dict(zip(names, row, strict=True)) for row in wiring_rows(wiring_record(wiring))]


@rows_of.register
def _(comparison: Comparison) -> list[Row]:
    return [
        {
            "kind": change.kind,
            "subject": change.subject,
            "message": change.message,
            "side": change.side,
            "x_mm": change.x_mm,
            "y_mm": change.y_mm,
        }
        for change in comparison.changes
    ]


def html_of(result: Result) -> str:
    """A result as a heading and a table; text from files is escaped."""
    rows = rows_of(result)
    shown = rows[:MOST_ROWS]
    lines = [f"<p><strong>{escape(result.brief)}</strong></p>"]
    if shown:
        head = "".join(f"<th>{escape(name.replace('_', ' '))}</th>" for name in shown[0])
        lines += ["<table>", f"<thead><tr>{head}</tr></thead>", "<tbody>"]
        lines += ["<tr>" + "".join(map(_cell, row.values())) + "</tr>" for row in shown]
        lines += ["</tbody>", "</table>"]
    if len(rows) > len(shown):
        lines.append(f"<p>{len(rows) - len(shown)} more rows</p>")
    return "\n".join(lines)


def _cell(value: object) -> str:
    text = "" if value is None else f"{value:.4g}" if isinstance(value, float) else str(value)
    return f"<td>{escape(text)}</td>"


def png_of(board: Board) -> bytes:
    """Front and back of a board side by side, as PNG."""
    import numpy as np

    from fabkit.pictures.finished import render_faces
    from fabkit.pictures.options import PreviewOptions
    from fabkit.pictures.paint_png import png_bytes

    faces = render_faces(board, PreviewOptions(width_px=PICTURE_PX // 2))
    return png_bytes(np.concatenate([faces.front, faces.back], axis=1), faces.px_per_mm)
