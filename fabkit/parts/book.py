"""The parts book (``parts.toml``): which part is which, what it costs, what becomes of it."""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, NamedTuple, get_args

from fabkit.keyboard.model import PartKind
from fabkit.parts.model import STAGES, Fitting, Lasting
from fabkit.sheets.house import renamed
from fabkit.sheets.order import SpareRule
from fabkit.sheets.prices import Currency, CurrencyCode, find_currency
from fabkit.sheets.reading import (
    Count,
    Exact,
    Filled,
    Key,
    Line,
    Positive,
    Span,
    Words,
    Wrong,
    nearest,
    read_as,
)
from fabkit.sheets.toml_text import KeyPath, SheetText, read_sheet

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

    ref: str | None = None
    value: str | None = None
    footprint: str | None = None
    part_number: str | None = None
    manufacturer: str | None = None
    mount: str | None = None

    def __post_init__(self) -> None:
        """Refuse a match without a field."""
        if not self._wanted():
            raise Wrong("", "matches everything", expected="at least one field")

    def fits(self, fields: Mapping[str, str]) -> bool:
        """Whether a component's fields fit."""
        # Not fnmatch(), which follows the system's own rules of upper and lower case.
        return all(
            fnmatch.fnmatchcase(fields.get(name, "").casefold(), wanted.casefold())
            for name, wanted in self._wanted()
        )

    def _wanted(self) -> list[tuple[str, str]]:
        found = ((name, getattr(self, name)) for name in MATCH_FIELDS)
        return [(name, wanted) for name, wanted in found if wanted is not None]


Pieces = Annotated[int, Span(least=1, most=10**6)]


class Break(NamedTuple):
    """``{ from = 10, each = 0.16 }``: pieces from which a unit price holds."""

    pieces: Annotated[Pieces, Key("from")]
    each: Exact


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What one shop asks for a part.

    Parameters
    ----------
    pack, minimum
        Sold in multiples of ``pack``, at least ``minimum`` pieces.
    breaks
        Ascending from 1 (or the minimum), each no dearer than the one before.
    at
        Where it stands.
    """

    shop: str
    pack: Pieces = 1
    minimum: Pieces = 1
    breaks: tuple[Break, ...]
    at: Annotated[str, Filled.PLACE]

    def __post_init__(self) -> None:
        """Refuse breaks that leave pieces without a price."""
        if not self.breaks:
            raise Wrong("breaks", "empty list", expected="[{ from = 1, each = 0.60 }]")
        first_sold = -(-self.minimum // self.pack) * self.pack
        if self.breaks[0][0] > first_sold:
            raise Wrong(
                "breaks",
                f"gap: {first_sold} pieces have no price",
                expected=f"a first break from {first_sold} or less",
            )

    def unit_price(self, pieces: int) -> Decimal:
        """Price of the largest break not above the pieces."""
        return next(p for b, p in reversed(self.breaks) if b <= pieces or b == self.breaks[0][0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """A shop: shipping, the goods from which it is free, and a fee on small orders."""

    name: str
    shipping: Exact = Decimal(0)
    free_from: Positive | None = None
    small_below: Exact = Decimal(0)
    small_fee: Exact = Decimal(0)
    at: Annotated[str, Filled.PLACE] = ""


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class BookPart:
    """One part of the book.

    Parameters
    ----------
    kinds
        Kinds of places it is for where neither words nor holes decide.
    count
        Pieces by key, half or keyboard.
    lets_carry
        Keys of the parts that can move on because this one holds them.
    """

    key: str
    title: str
    cls: Annotated[str, Key("class")] = "other"
    match: tuple[Match, ...] = ()
    patterns: tuple[str, ...] = ()
    kinds: tuple[Annotated[str, Words(KINDS)], ...] = ()
    count: Annotated[
        Mapping[Each, Annotated[int, Span(least=0, most=1000)]], Words(get_args(Each))
    ] = field(default_factory=dict)
    fitting: Annotated[Fitting, Key("fitted")]
    lasting: Annotated[Lasting, Key("lasts")]
    lets_carry: tuple[str, ...] = ()
    face: Face = "either"
    stage: Annotated[str, Words(tuple(s.key for s in STAGES))]
    caution: Literal["", "lithium", "static"] = ""
    prices: Annotated[tuple[Price, ...], Key("price")] = ()
    line: Line = None

    def __post_init__(self) -> None:
        """Refuse a part that is never used."""
        if not (self.match or self.patterns or self.kinds or self.count):
            raise Wrong(
                "",
                "it does not state when it is used",
                expected="match, patterns, kinds or count",
            )


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
        """What every output must state about the book; empty when nothing."""
        if not self.invented:
            return ""
        return (
            f"'{self.name}' is an invented parts book: fill in your own prices with "
            "`fabkit parts new`"
        )

    def find(self, fields: Mapping[str, str]) -> BookPart | None:
        """Find the first part one of whose matches fits a component's fields."""
        return next((p for p in self.parts if any(m.fits(fields) for m in p.match)), None)


# The file


@dataclass(frozen=True, kw_only=True)
class PartsFile:
    """``parts.toml``."""

    format: Count
    name: str
    invented: bool = False
    currency: CurrencyCode
    date: date
    tax: Literal["net", "gross"] = "gross"
    spares: Mapping[str, SpareRule] = field(default_factory=dict)
    map: Mapping[str, str] = field(default_factory=dict)
    shop: tuple[Shop, ...] = ()
    part: tuple[BookPart, ...] = ()


def load_parts(path: Path | str | None = None) -> PartsBook:
    """Load a parts book; None gives the bundled invented example.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    SheetError
        A key, type or price is wrong; names file, line and key.
    """
    if path is not None:
        return book_from(read_sheet(Path(path)))
    return _bundled_book()


@cache
def _bundled_book() -> PartsBook:
    # A book is frozen, and the bundled sheet stays as it is: read once.
    return book_from(replace(read_sheet(EXAMPLE), file="bundled parts.toml"))


def parts_template(name: str = "Our parts book") -> str:
    """Write a commented parts book to fill in: the bundled example under another name."""
    return renamed(EXAMPLE.read_text(encoding="utf-8"), name)


def book_from(text: SheetText) -> PartsBook:
    """Make a parts book of its parsed text; raises as :func:`load_parts`."""
    file = read_as(PartsFile, text, what="the parts book")
    _judge_names(file, text)
    return PartsBook(
        name=file.name,
        file=text.file,
        invented=file.invented,
        currency=find_currency(file.currency),
        date=file.date,
        gross=file.tax == "gross",
        parts=file.part,
        shops={shop.name: shop for shop in file.shop},
        spares=file.spares,
        mapping=tuple(file.map.items()),
    )


def _judge_names(file: PartsFile, text: SheetText) -> None:
    """Refuse two shops or parts of one name, and names that are used but not there."""
    shops = [shop.name for shop in file.shop]
    keys = [part.key for part in file.part]
    for n, name in enumerate(shops):
        if name in shops[:n]:
            raise text.error(
                ("shop", n, "name"), f"shop '{name}' is there twice", expected="another name"
            )
    for n, key in enumerate(keys):
        if key in keys[:n]:
            raise text.error(("part", n, "key"), f"'{key}' is there twice", expected="another key")
    for n, part in enumerate(file.part):
        row: KeyPath = ("part", n)
        for held in part.lets_carry:
            if held not in keys:
                raise text.error(
                    (*row, "lets_carry"),
                    f"there is no part '{held}'",
                    expected="keys of this book",
                    nearest=nearest(held, keys),
                )
        for k, price in enumerate(part.prices):
            if price.shop not in shops:
                raise text.error(
                    (*row, "price", k, "shop"),
                    f"there is no shop '{price.shop}'",
                    expected="the name of a [[shop]]: " + (", ".join(shops) or "none yet"),
                    nearest=nearest(price.shop, shops),
                )
            _judge_breaks(text, (*row, "price", k, "breaks"), price.breaks)


def _judge_breaks(text: SheetText, path: KeyPath, breaks: Sequence[Break]) -> None:
    for n, (before, one) in enumerate(pairwise(breaks), start=1):
        if one.pieces <= before.pieces:
            raise text.error(
                (*path, n, "from"),
                f"{one.pieces} is not above {before.pieces}",
                expected="ascending pieces",
            )
        if one.each > before.each:
            raise text.error(
                (*path, n, "each"),
                f"{one.each} is dearer than {before.each} for fewer pieces",
                expected=f"at most {before.each}",
            )
