"""Quotes and invoices that a user already has, as a CSV table: what was asked, and its price."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Final

from fabkit.base.errors import SheetError, UnreadableInput
from fabkit.base.units import board_weight_g
from fabkit.sheets.prices import CURRENCY_DIGITS
from fabkit.sheets.reading import MOST, nearest
from fabkit.sheets.toml_text import read_text

COLUMNS: Final = (
    *("size_mm", "quantity", "layers", "thickness_mm", "copper_oz", "colour", "finish"),
    *("country", "weight_g", "boards", "shipping", "tax", "currency", "date", "note"),
)
"""Columns of the table; ``width_mm`` and ``height_mm`` may stand for ``size_mm``."""

_SAME: Final = {
    "size": "size_mm",
    "width": "width_mm",
    "height": "height_mm",
    "pieces": "quantity",
    "thickness": "thickness_mm",
    "copper": "copper_oz",
    "color": "colour",
    "weight": "weight_g",
    "boards_price": "boards",
    "price": "boards",
    "shipping_price": "shipping",
}
"""Headings that people write, and what they mean."""
_SIDES: Final = ("width_mm", "height_mm")
_MOST_ROWS: Final = 200
"""More quotes than anyone has; the work grows faster than their number."""

EXAMPLE_QUOTES: Final = """\
# Invented quotes of an invented house: put your own in their place.  A row is one set of files.
size_mm,quantity,layers,thickness_mm,colour,finish,country,weight_g,boards,shipping,tax,currency,date,note
95 x 72,5,2,1.6,green,hasl-lead-free,here,,12.88,12.00,4.98,cu,2025-01-10,web form
95 x 72,10,2,1.6,green,hasl-lead-free,here,,14.76,12.00,5.35,cu,2025-01-10,web form
95 x 72,20,2,1.6,black,hasl-lead-free,here,,19.43,18.00,7.49,cu,2025-01-10,web form
95 x 72,50,2,1.2,green,hasl-lead-free,here,,27.07,18.00,9.01,cu,2025-01-10,web form
130 x 90,5,2,1.6,green,hasl-lead-free,here,,20.22,12.00,6.44,cu,2025-01-12,invoice
130 x 90,10,2,1.6,black,enig,here,,34.44,18.00,10.49,cu,2025-01-12,web form
60 x 40,5,2,1.6,black,hasl-lead-free,here,,13.66,12.00,5.13,cu,2025-01-12,web form
130 x 90,30,2,1.6,green,hasl-lead-free,here,,33.50,27.00,12.10,cu,2025-01-12,web form
60 x 40,10,2,1.6,green,hasl-lead-free,here,,12.32,12.00,4.86,cu,2025-01-12,web form
60 x 40,20,2,0.6,green,hasl-lead-free,here,,17.26,12.00,5.85,cu,2025-01-14,invoice
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One set of files as it was asked for.

    Parameters
    ----------
    long_mm, short_mm
        Sides of the box, the longer first.
    copper_oz
        Ounces a square foot.
    """

    long_mm: Decimal
    short_mm: Decimal
    quantity: int
    layers: int = 2
    thickness_mm: Decimal = Decimal("1.6")
    copper_oz: Decimal = Decimal(1)
    colour: str = "green"
    finish: str = "hasl-lead-free"

    @property
    def words(self) -> str:
        """The request in words, as one would ask a house."""
        return (
            f"{self.quantity} boards of {self.long_mm:f} × {self.short_mm:f} mm, {self.layers} "
            f"layers, {self.thickness_mm:f} mm, {self.colour}, {self.finish}"
        )

    @property
    def boards_g(self) -> Decimal:
        """Weight of all boards, each a full box of laminate."""
        area = float(self.long_mm * self.short_mm)
        return self.quantity * Decimal(
            str(round(board_weight_g(area, float(self.thickness_mm)), 3))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PastQuote:
    """One row: what was asked for and what it cost; None where the row does not state it."""

    line: int
    asked: Asked
    country: str = ""
    weight_g: Decimal | None = None
    boards: Decimal | None = None
    shipping: Decimal | None = None
    tax: Decimal | None = None
    currency: str = ""
    date: date | None = None


def load_quotes(path: Path) -> tuple[PastQuote, ...]:
    """Load a table of quotes: commas, semicolons or tabs, one heading row, ``#`` for remarks.

    Raises
    ------
    UnreadableInput
        It cannot be read, or holds no quote.
    SheetError
        A heading or cell is wrong; names file, line, column and what would be right.
    """
    return read_quotes(read_text(path, what="table of quotes"), path=path)


def read_quotes(text: str, *, path: Path) -> tuple[PastQuote, ...]:
    """Read the text of a table of quotes; ``path`` is for messages.

    Raises
    ------
    UnreadableInput, SheetError
        As :func:`load_quotes`.
    """
    lines = text.removeprefix("\ufeff").splitlines()
    # Remarks and blank lines keep their place, so that line numbers are those of the file.
    kept = [(n, row) for n, row in enumerate(lines, 1) if row.strip(" ,;\t") and row[0] != "#"]
    if len(kept) < 2:
        raise UnreadableInput(
            f"{path}: no quotes in this table",
            hint="`fabkit house learn --example` prints a table to fill in",
        )
    if len(kept) > _MOST_ROWS + 1:
        raise UnreadableInput(
            f"{path}: {len(kept) - 1} quotes", hint=f"keep the newest {_MOST_ROWS}"
        )
    first, head = kept[0]
    mark = max(",;\t", key=head.count)
    plain = [re.sub(r"\(.*?\)|,", " ", cell).strip().lower() for cell in _cells(head, mark)]
    heads = [_SAME.get(h, h) for h in (re.sub(r"[\s_-]+", "_", cell) for cell in plain)]
    _judge_heads(heads, path, first)
    found = []
    for number, row in kept[1:]:
        cells = _cells(row, mark)
        reader = _Row(str(path), number, dict(zip(heads, map(str.strip, cells), strict=False)))
        if len(cells) > len(heads):
            raise reader.error(
                "(row)", f"{len(cells)} cells below {len(heads)} headings", "one cell a heading"
            )
        found.append(reader.quote())
    return tuple(found)


def _cells(row: str, mark: str) -> list[str]:
    return next(csv.reader(io.StringIO(row), delimiter=mark))


def _judge_heads(heads: list[str], path: Path, line: int) -> None:
    def wrong(message: str, near: str = "") -> SheetError:
        return SheetError(
            message,
            file=str(path),
            line=line,
            key="(headings)",
            expected="columns out of " + ", ".join(COLUMNS),
            nearest=near,
        )

    for n, head in enumerate(heads):
        if head not in (*COLUMNS, *_SIDES):
            raise wrong(f"'{head[:60]}' is no column", nearest(head, COLUMNS) or "")
        if head in heads[:n]:
            raise wrong(f"column '{head}' is there twice")
    if "size_mm" not in heads and not all(side in heads for side in _SIDES):
        raise wrong("there is no column 'size_mm'")
    for needed in ("quantity", "boards"):
        if needed not in heads:
            raise wrong(f"there is no column '{needed}'")


@dataclass(frozen=True, slots=True)
class _Row:
    file: str
    line: int
    cells: Mapping[str, str]

    def error(self, key: str, message: str, expected: str) -> SheetError:
        return SheetError(message, file=self.file, line=self.line, key=key, expected=expected)

    def quote(self) -> PastQuote:
        sides = sorted(self._sides(), reverse=True)
        quantity, layers = self._number("quantity"), self._number("layers")
        for key, number in (("quantity", quantity), ("layers", layers)):
            if number is not None and (number != int(number) or number < 1):
                raise self.error(key, f"{number:f} is no whole number", "such as 10")
        if quantity is None:
            raise self.error("quantity", "missing", "how many boards, such as 10")
        boards, shipping = self._number("boards"), self._number("shipping")
        if boards is None and shipping is None:
            raise self.error("boards", "neither boards nor shipping has a price", "such as 14.76")
        currency = self.cells.get("currency", "")
        if currency and currency not in CURRENCY_DIGITS:
            raise self.error(
                "currency", f"'{currency[:20]}' is not known", "an ISO 4217 code such as EUR"
            )
        stated = {
            "layers": None if layers is None else int(layers),
            "thickness_mm": self._number("thickness_mm"),
            "copper_oz": self._number("copper_oz"),
            "colour": self._name("colour") or None,
            "finish": self._name("finish") or None,
        }
        asked = Asked(long_mm=sides[0], short_mm=sides[1], quantity=int(quantity))
        given: dict[str, Any] = {key: value for key, value in stated.items() if value is not None}
        return PastQuote(
            line=self.line,
            asked=replace(asked, **given),
            country=self.cells.get("country", ""),
            weight_g=self._number("weight_g"),
            boards=boards,
            shipping=shipping,
            tax=self._number("tax"),
            currency=currency,
            date=self._date(),
        )

    def _name(self, key: str) -> str:
        """Word of a choice as a sheet spells it: small letters with hyphens."""
        return re.sub(r"[^a-z0-9]+", "-", self.cells.get(key, "").lower()).strip("-")

    def _sides(self) -> list[Decimal]:
        given = self.cells.get("size_mm", "")
        sides = [self.cells.get(side, "") for side in _SIDES]
        if given:
            sides = re.split(r"\s*[x×*]\s*", re.sub(r"\s*mm\b", "", given.lower()))
        found = [self._decimal("size_mm", side) for side in sides if side]
        if len(found) != 2 or not all(0 < side <= 2000 for side in found):
            raise self.error("size_mm", f"'{given[:40]}' is no size", "such as 95 x 72")
        return found

    def _number(self, key: str) -> Decimal | None:
        given = self.cells.get(key, "")
        if not given:
            return None
        number = self._decimal(key, given)
        above = key in ("thickness_mm", "copper_oz", "weight_g", "boards")
        if number < 0 or (above and number == 0) or number > MOST:
            raise self.error(key, f"{given[:40]} cannot be right", "a number above 0")
        if key in ("thickness_mm", "copper_oz") and number > 20:
            raise self.error(key, f"{given[:40]} cannot be right", "at most 20")
        if key == "quantity" and number > 100_000:
            raise self.error(key, f"{given[:40]} cannot be right", "at most 100000")
        return number

    def _decimal(self, key: str, given: str) -> Decimal:
        # A comma alone is a decimal point; with a point behind it, it parts thousands.
        text = re.sub(r"(?<=\d) *(mm|g|oz)$", "", given).replace(" ", "").replace("'", "")
        text = text.replace(",", "") if "," in text and "." in text else text.replace(",", ".")
        try:
            number = Decimal(text)
        except InvalidOperation:
            number = Decimal("NaN")
        if not number.is_finite() or len(text) > 30:
            raise self.error(key, f"'{given[:40]}' is not a number", "a number such as 14.76")
        return number

    def _date(self) -> date | None:
        given = self.cells.get("date", "")
        if not given:
            return None
        try:
            return date.fromisoformat(given)
        except ValueError:
            raise self.error(
                "date", f"'{given[:40]}' is not a date", "such as 2025-01-15"
            ) from None
