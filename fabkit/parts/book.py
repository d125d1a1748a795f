"""The parts book (``parts.toml``): which part is which, what it costs, what becomes of it."""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Literal, get_args

from fabkit.base.errors import UsageError
from fabkit.keyboard.model import PartKind
from fabkit.parts.model import Fitting, Lasting
from fabkit.parts.stages import STAGES
from fabkit.sheets.house import check_format, renamed
from fabkit.sheets.money import CURRENCY_DIGITS, Currency, find_currency
from fabkit.sheets.order import SpareRule, load_spares
from fabkit.sheets.table import Table, read_sheet
from fabkit.sheets.toml_lines import dotted

Each = Literal["key", "half", "keyboard"]
Face = Literal["key", "back", "either"]
EXAMPLE = Path(__file__).with_name("parts.toml")

NOTHING = "nothing"
"""What a reference that is no part is mapped to."""

KINDS = (*get_args(PartKind), "key switch", "switch socket", "key cap")

MATCH_FIELDS = ("ref", "value", "footprint", "part_number", "manufacturer", "mount")


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Wildcards on the fields of a component; all given ones must fit, upper or lower case."""

    wanted: tuple[tuple[str, str], ...]

    def fits(self, fields: Mapping[str, str]) -> bool:
        """Whether a component's fields fit."""
        return all(
            fnmatch.fnmatchcase(fields.get(name, "").casefold(), wanted.casefold())
            for name, wanted in self.wanted
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What one shop asks for a part.

    Parameters
    ----------
    pack, minimum
        Sold in multiples of ``pack``, at least ``minimum`` pieces.
    breaks
        Pieces from which a unit price holds, ascending from 1 (or the minimum).
    at
        Where it stands.
    """

    shop: str
    pack: int
    minimum: int
    breaks: tuple[tuple[int, Decimal], ...]
    at: str

    def unit_price(self, pieces: int) -> Decimal:
        """Price of the largest break not above the pieces."""
        return next(p for b, p in reversed(self.breaks) if b <= pieces or b == self.breaks[0][0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """A shop: shipping, the goods from which it is free, and a fee on small orders."""

    name: str
    shipping: Decimal = Decimal(0)
    free_from: Decimal | None = None
    small_below: Decimal = Decimal(0)
    small_fee: Decimal = Decimal(0)
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BookPart:
    """One part of the book."""

    key: str
    title: str
    cls: str
    match: tuple[Match, ...]
    patterns: tuple[str, ...]
    kinds: tuple[str, ...]
    """Kinds of places it is for where neither words nor holes tell."""
    count: tuple[tuple[Each, int], ...]
    fitting: Fitting
    lasting: Lasting
    lets_carry: tuple[str, ...]
    face: Face
    stage: str
    caution: str
    prices: tuple[Price, ...]
    line: int | None


@dataclass(frozen=True, eq=False, kw_only=True)
class PartsBook:
    """A parts book."""

    name: str
    file: str
    invented: bool
    currency: Currency
    date: date
    gross: bool
    parts: tuple[BookPart, ...]
    shops: Mapping[str, Shop]
    spares: Mapping[str, SpareRule]
    mapping: tuple[tuple[str, str], ...] = ()
    """References (wildcards) and what they are: a key of the book, a description, ``nothing``."""

    @property
    def notice(self) -> str:
        """What every output must say about the book; empty when nothing."""
        return f"'{self.name}' is an invented parts book: its prices are nobody's" * self.invented

    def find(self, fields: Mapping[str, str]) -> BookPart | None:
        """The first part one of whose matches fits a component's fields."""
        return next((p for p in self.parts if any(m.fits(fields) for m in p.match)), None)


def load_parts(path: Path | str | None = None) -> PartsBook:
    """Load a parts book; None gives the bundled invented example.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    SheetError
        A key, type or price is wrong; names file, line and key.
    """
    table = read_sheet(Path(path)) if path is not None else read_sheet(EXAMPLE)
    if path is None:
        table.file = "bundled parts.toml"
    return book_from(table)


def parts_template(name: str = "Our parts book") -> str:
    """A commented parts book to fill in: the bundled example under another name."""
    return renamed(EXAMPLE.read_text(encoding="utf-8"), name)


def book_from(table: Table) -> PartsBook:
    """Build a parts book from its parsed text; raises as :func:`load_parts`."""
    check_format(table, "the parts book")
    code = table.text("currency")
    try:
        currency = find_currency(code)
    except UsageError as error:
        raise table.error(
            "currency",
            error.message,
            expected=f"one of {len(CURRENCY_DIGITS)} codes (ISO 4217), or cu for invented prices",
        ) from error
    shops: dict[str, Shop] = {}
    for row in table.tables("shop", None):
        shop = _shop(row)
        if shop.name in shops:
            raise row.error("name", f"shop '{shop.name}' is there twice", expected="another name")
        shops[shop.name] = shop
    parts: list[BookPart] = []
    rows = table.tables("part", None)
    for row in rows:
        part = _part(row, shops)
        if any(p.key == part.key for p in parts):
            raise row.error("key", f"'{part.key}' is there twice", expected="a key of its own")
        parts.append(part)
    keys = [p.key for p in parts]
    for row, part in zip(rows, parts, strict=True):
        for held in part.lets_carry:
            if held not in keys:
                raise row.error(
                    "lets_carry", f"there is no part '{held}'", expected="keys of this book"
                )
    book = PartsBook(
        name=table.text("name"),
        file=table.file,
        invented=table.flag("invented", False),
        currency=currency,
        date=table.date("date"),
        gross=table.text("tax", "gross", choices=("net", "gross")) == "gross",
        parts=tuple(parts),
        shops=shops,
        spares=load_spares(table, "spares"),
        mapping=tuple(table.table("map", None).texts_by_name().items()),
    )
    table.done()
    return book


def _shop(row: Table) -> Shop:
    shop = Shop(
        name=row.text("name"),
        shipping=row.decimal("shipping", Decimal(0), least=0),
        free_from=row.decimal("free_from", None, above=0),
        small_below=row.decimal("small_below", Decimal(0), least=0),
        small_fee=row.decimal("small_fee", Decimal(0), least=0),
        at=_at(row),
    )
    row.done()
    return shop


def _part(row: Table, shops: Mapping[str, Shop]) -> BookPart:
    matches = []
    for inner in row.tables("match", None):
        wanted = tuple((f, inner.text(f)) for f in MATCH_FIELDS if f in inner)
        for field in MATCH_FIELDS:
            inner.text(field, "")
        inner.done()
        if not wanted:
            raise inner.error(None, "matches everything", expected="at least one field")
        matches.append(Match(wanted=wanted))
    counts = row.table("count", None)
    count: list[tuple[Each, int]] = []
    names: tuple[Each, ...] = ("key", "half", "keyboard")
    for each in names:
        number = counts.integer(each, None, least=0)
        if number is not None:
            count.append((each, number))
    counts.done()
    part = BookPart(
        key=row.text("key"),
        title=row.text("title"),
        cls=row.text("class", "other"),
        match=tuple(matches),
        patterns=row.texts("patterns", ()),
        count=tuple(count),
        kinds=_kinds(row),
        fitting=Fitting(row.text("fitted", choices=list(Fitting))),
        lasting=Lasting(row.text("lasts", choices=list(Lasting))),
        lets_carry=row.texts("lets_carry", ()),
        face=row.text("face", "either", choices=("key", "back", "either")),
        stage=row.text("stage", choices=[s.key for s in STAGES]),
        caution=row.text("caution", "", choices=("", "lithium", "static")),
        prices=tuple(_price(p, shops) for p in row.tables("price", None)),
        line=row.line(),
    )
    if not (part.match or part.patterns or part.kinds or part.count):
        raise row.error(
            None, "nothing says when it is used", expected="match, patterns, kinds or count"
        )
    row.done()
    return part


def _kinds(row: Table) -> tuple[str, ...]:
    kinds = row.texts("kinds", ())
    for kind in kinds:
        if kind not in KINDS:
            near = get_close_matches(kind, KINDS, 1)
            raise row.error(
                "kinds",
                f"'{kind}' is no kind of part",
                expected=f"'{near[0]}'" if near else "one of " + ", ".join(sorted(KINDS)),
            )
    return kinds


def _price(row: Table, shops: Mapping[str, Shop]) -> Price:
    shop = row.text("shop")
    if shop not in shops:
        raise row.error(
            "shop",
            f"there is no shop '{shop}'",
            expected="the name of a [[shop]]: " + (", ".join(shops) or "none yet"),
        )
    pack = row.integer("pack", 1, least=1)
    minimum = row.integer("minimum", 1, least=1)
    breaks: list[tuple[int, Decimal]] = []
    for inner in row.tables("breaks"):
        pieces = inner.integer("from", least=1)
        price = inner.decimal("each", least=0)
        if breaks and pieces <= breaks[-1][0]:
            raise inner.error(
                "from", f"{pieces} is not above {breaks[-1][0]}", expected="ascending pieces"
            )
        if breaks and price > breaks[-1][1]:
            raise inner.error(
                "each",
                f"{price} is dearer than {breaks[-1][1]} for fewer pieces",
                expected=f"at most {breaks[-1][1]}",
            )
        inner.done()
        breaks.append((pieces, price))
    if not breaks:
        raise row.error("breaks", "empty list", expected="[{ from = 1, each = 0.60 }]")
    first_sold = -(-max(minimum, 1) // pack) * pack
    if breaks[0][0] > first_sold:
        raise row.error(
            "breaks",
            f"gap: {first_sold} pieces have no price",
            expected=f"a first break from {first_sold} or less",
        )
    row.done()
    return Price(shop=shop, pack=pack, minimum=minimum, breaks=tuple(breaks), at=_at(row))


def _at(row: Table) -> str:
    return f"{Path(row.file).name}:{row.line()} {dotted(row.path)}"
