"""Tables as CSV and Markdown, safe whatever the files behind them say."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Sequence

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def to_csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a table as CSV (RFC 4180), one header row, CRLF line ends.

    A text that a spreadsheet would take for a formula gets an apostrophe in front, because names
    and values come from files that others wrote.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: object) -> str:
    text = "" if value is None else str(value)
    return "'" + text if isinstance(value, str) and _is_formula(text) else text


def _is_formula(text: str) -> bool:
    """Whether a spreadsheet may compute it.

    Some drop blanks and unseen marks in front, and read full-width signs as the plain ones.
    """
    if text.startswith(FORMULA_SIGNS):
        return True
    plain = unicodedata.normalize("NFKC", text)
    unseen = (c for c in plain if not (c.isspace() or unicodedata.category(c) in ("Cf", "Cc")))
    return next(unseen, "") in FORMULA_SIGNS


def to_markdown(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a table as Markdown; bars and line ends in cells are escaped."""
    lines = [list(columns), ["---"] * len(columns)]
    lines += [["" if value is None else str(value) for value in row] for row in rows]
    return "".join(
        "| " + " | ".join(cell if n == 1 else _escaped(cell) for cell in line) + " |\n"
        for n, line in enumerate(lines)
    )


def _escaped(text: str) -> str:
    for sign in ("\\", "|", "<", "`", "*", "_", "["):
        text = text.replace(sign, "\\" + sign)
    return " ".join(text.split())
