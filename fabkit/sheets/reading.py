"""Reading a sheet into typed dataclasses: one reader, and one way to say what is wrong.

What a file may hold is declared once, as frozen dataclasses: a field is a key, its type and its
notes (:class:`Span`, :class:`Words`, :class:`Key`) say what may stand there, its default what holds
without it.  The same declarations make the JSON schemas (``docs/make_schemas.py``).  Rules over
several keys of one table raise :class:`Wrong` in ``__post_init__``; rules over several tables are
judged by whoever reads the sheet, with :meth:`SheetText.error`.
"""

from __future__ import annotations

import copyreg
import dataclasses
import difflib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum, StrEnum
from functools import cache
from types import MappingProxyType, NoneType, UnionType
from typing import (
    Annotated,
    Final,
    Literal,
    TypeVar,
    Union,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

from fabkit.base.errors import SheetError
from fabkit.sheets.toml_text import KeyPath, SheetText, correction, dotted

T = TypeVar("T")
K = TypeVar("K")
V = TypeVar("V")

FORMAT: Final = 1
"""Version of all our TOML formats."""
MOST: Final = 10**12
"""Larger than any number in a sheet: exact arithmetic takes time with the digits."""
_DIGITS: Final = 30
"""Behind the point of a number, and in all; more than any price or measure has."""
_YEARS: Final = (1970, 2099)
"""Of a day on which a price or a rate was read; another is a slip of a digit."""


def _read_only(mapping: dict[K, V]) -> MappingProxyType[K, V]:
    return MappingProxyType(mapping)


# Sheets hold read-only mappings, which Python cannot pickle by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


# Notes on a field


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Bounds of a number: ``least`` and ``most`` may be reached, ``above`` may not."""

    least: int | None = None
    most: int | None = None
    above: int | None = None


@dataclass(frozen=True, slots=True)
class Key:
    """The key of a field, where it is not the field's name."""

    name: str


@dataclass(frozen=True, slots=True)
class Words:
    """The words a text may be, and what they are called where they are too many to list."""

    names: tuple[str, ...]
    what: str = ""


class Filled(Enum):
    """Fields that are no keys: the reader fills them with where their table stands."""

    NAME = "the name the table stands under"
    PATH = "its dotted path"
    PLACE = "file, line and dotted path"
    LINE = "its line"
    LATER = "nothing: whoever reads the sheet fills it"
    REST = "the keys of its table that are its own words"


Count = Annotated[int, Span(least=1)]
Exact = Annotated[Decimal, Span(least=0)]
Share = Annotated[Decimal, Span(least=0, most=1)]
Positive = Annotated[Decimal, Span(above=0)]
Length = Annotated[float, Span(above=0)]
Line = Annotated[int | None, Filled.LINE]


class Wrong(ValueError):
    """Keys of one table contradict each other; the reader adds file, line and path.

    Parameters
    ----------
    key
        The one to point at; empty: the table.
    """

    def __init__(self, key: str, message: str, *, expected: str) -> None:
        super().__init__(message)
        self.key = key
        self.message = message
        self.expected = expected


# What a dataclass declares

Kind = Literal[
    "text", "flag", "whole", "exact", "number", "date", "list", "names", "table", "either"
]
_LEAVES: Final[Mapping[object, Kind]] = {
    str: "text",
    bool: "flag",
    int: "whole",
    Decimal: "exact",
    float: "number",
    date: "date",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What may stand at a key.

    Parameters
    ----------
    words
        Of a text, or of the names in a table of the user's own names; None: any.
    parts
        Form of the items of a list or of named things; of each alternative of ``either``.
    length
        Of a list; None: any.
    made
        Dataclass or named tuple of a table; enumeration of words.
    numbered
        Whether the names in a table of the user's own names are numbers.
    """

    kind: Kind
    span: Span = Span()
    words: Words | None = None
    parts: tuple[Form, ...] = ()
    length: int | None = None
    made: Callable[..., object] | None = None
    numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One field of a dataclass as the reader sees it."""

    name: str
    key: str
    form: Form
    required: bool
    default: object
    filled: Filled | None = None


@cache
def slots_of(cls: Callable[..., object]) -> tuple[Slot, ...]:
    """List the fields of a dataclass: key, form, and whether it must be there."""
    hints = get_type_hints(cls, include_extras=True)
    found = []
    for name, default in _defaults(cls).items():
        base, notes = _bare(hints[name])
        filled = next((n for n in notes if isinstance(n, Filled)), None)
        found.append(
            Slot(
                name=name,
                key=next((n.name for n in notes if isinstance(n, Key)), name),
                form=_form(base, notes),
                required=default is dataclasses.MISSING and filled is None,
                default=default,
                filled=filled,
            )
        )
    return tuple(found)


def _defaults(cls: Callable[..., object]) -> dict[str, object]:
    """List the fields of a dataclass or named tuple with their defaults (or MISSING)."""
    if not dataclasses.is_dataclass(cls):
        return dict.fromkeys(cast("type[tuple[object]]", cls).__annotations__, dataclasses.MISSING)
    return {
        one.name: one.default
        if one.default_factory is dataclasses.MISSING
        else one.default_factory()
        for one in dataclasses.fields(cls)
    }


def keys_of(slots: Sequence[Slot]) -> tuple[str, ...]:
    """List the keys that a table of these fields may have."""
    own = [slot.key for slot in slots if slot.filled is None]
    rest = [slot.form.words for slot in slots if slot.filled is Filled.REST]
    return (*own, *(name for words in rest if words is not None for name in words.names))


def _bare(hint: object) -> tuple[object, tuple[object, ...]]:
    """Part a type from its notes and from None."""
    if get_origin(hint) is Annotated:
        inner, *notes = get_args(hint)
        base, more = _bare(inner)
        return base, (*more, *notes)
    if get_origin(hint) in (Union, UnionType):
        some = [a for a in get_args(hint) if a is not NoneType]
        if len(some) == 1:
            return _bare(some[0])
    return hint, ()


def _form(base: object, notes: tuple[object, ...]) -> Form:
    span = next((n for n in notes if isinstance(n, Span)), Span())
    words = next((n for n in notes if isinstance(n, Words)), None)
    origin, inner = get_origin(base), get_args(base)
    if base in _LEAVES:
        return Form(kind=_LEAVES[base], span=span, words=words)
    if origin is Literal:
        return Form(kind="text", words=Words(inner))
    if isinstance(base, type) and issubclass(base, StrEnum):
        return Form(kind="text", words=Words(tuple(str(w) for w in base)), made=base)
    if origin in (Union, UnionType):
        some = tuple(_form(*_bare(a)) for a in inner if a is not NoneType)
        return Form(kind="either", parts=some)
    if origin is tuple:
        length = None if inner[-1] is Ellipsis else len(inner)
        return Form(kind="list", parts=(_form(*_bare(inner[0])),), length=length)
    if origin is Mapping:
        part = _form(*_bare(inner[1]))
        return Form(kind="names", parts=(part,), words=words, numbered=inner[0] is Decimal)
    return Form(kind="table", made=cast("Callable[..., object]", base))


# Reading


OWN_KEYS: Final[Mapping[str, frozenset[str]]] = {
    "the order file": frozenset(("board", "want")),
    "the house sheet": frozenset(("rates", "limits", "fine")),
    "the parts book": frozenset(("part", "shop")),
}
"""Tables that a sheet of one kind alone has."""


def read_as(cls: Callable[..., T], text: SheetText, *, what: str) -> T:
    """Make a dataclass of a parsed sheet.

    Parameters
    ----------
    cls
        A dataclass whose first key is ``format``.
    what
        The kind of sheet, in words.

    Raises
    ------
    SheetError
        A key, type or value is wrong; names file, line, key and what would be right.
    """
    kind = next((k for k, keys in OWN_KEYS.items() if keys & set(text.data)), what)
    if kind != what and not OWN_KEYS.get(what, frozenset()) & set(text.data) and what in OWN_KEYS:
        raise text.error((), f"this is {kind}, not {what}", expected=f"the path of {what}")
    version = text.data.get("format")
    if isinstance(version, int) and version is not True and version != FORMAT:
        raise text.error(
            ("format",),
            f"version {_shown(version)} of {what} is not known to this fabkit",
            expected=f"format = {FORMAT}",
        )
    return cast("T", _Reader(text, cls).table(cls, text.data, ()))


@dataclass(frozen=True, slots=True)
class _Reader:
    text: SheetText
    root: Callable[..., object]

    def table(
        self, cls: Callable[..., object], data: Mapping[str, object], path: KeyPath
    ) -> object:
        slots = slots_of(cls)
        known = keys_of(slots)
        # First of all: a misspelt key is the cause of the one that seems to be missing.
        for key in data:
            if key not in known:
                raise self._unknown(key, (*path, key), known)
        values: dict[str, object] = {}
        for slot in slots:
            if slot.filled is Filled.REST and slot.form.words is not None:
                own = {k: v for k, v in data.items() if k in slot.form.words.names}
                values[slot.name] = self.value(slot.form, own, path)
            elif slot.filled is not None:
                if slot.filled is not Filled.LATER:
                    values[slot.name] = self._filled(slot.filled, path)
            elif slot.key in data:
                values[slot.name] = self.value(slot.form, data[slot.key], (*path, slot.key))
                if slot.required and not str(values[slot.name]).strip():
                    raise self.text.error(
                        (*path, slot.key), "empty", expected=_expected(slot.form, (*path, slot.key))
                    )
            elif slot.required:
                raise self.text.error(
                    (*path, slot.key), "missing", expected=_expected(slot.form, (*path, slot.key))
                )
        try:
            return cls(**values)
        except Wrong as wrong:
            at = (*path, wrong.key) if wrong.key else path
            raise self.text.error(at, wrong.message, expected=wrong.expected) from wrong

    def _filled(self, filled: Filled, path: KeyPath) -> object:
        if filled is Filled.NAME:
            return path[-1]
        if filled is Filled.LINE:
            return self.text.line(path)
        return dotted(path) if filled is Filled.PATH else self.text.cite(path)

    def value(self, form: Form, value: object, path: KeyPath) -> object:
        """Check and convert what stands at a key."""
        match form.kind:
            case "table" | "names":
                return self._below(form, value, path)
            case "list":
                return self._list(form, value, path)
            case "either":
                fitting = [one for one in form.parts if isinstance(value, _TYPES[one.kind])]
                if not fitting or isinstance(value, bool):
                    raise self._refused(form, value, path, "does not fit")
                return self.value(fitting[0], value, path)
            case "whole" | "exact" | "number":
                number = self._number(form, value, path)
                return float(number) if form.kind == "number" else number
            case "text":
                return self._text(form, value, path)
        right = date if form.kind == "date" else bool
        if type(value) is not right:
            what = "a date" if form.kind == "date" else "true or false"
            raise self._refused(form, value, path, f"is not {what}")
        if isinstance(value, date) and not _YEARS[0] <= value.year <= _YEARS[1]:
            raise self.text.error(
                path,
                f"the year {value.year} cannot be right",
                expected=f"a day from {_YEARS[0]} to {_YEARS[1]}",
            )
        return value

    def _below(self, form: Form, value: object, path: KeyPath) -> object:
        if not isinstance(value, dict):
            message = f"{_shown(value)} is not a table"
            rows = isinstance(value, list) and value and isinstance(value[0], dict)
            if rows:
                message = "stands in double brackets, for a list"
            raise self.text.error(path, message, expected=_expected(form, path))
        if form.made is not None:
            return self.table(form.made, value, path)
        if form.words is not None:
            for name in value:
                if name not in form.words.names:
                    raise self._unknown(name, (*path, name), form.words.names)
        named = {k: self.value(form.parts[0], one, (*path, k)) for k, one in value.items()}
        if form.numbered:
            return MappingProxyType({self._numbered(k, path): one for k, one in named.items()})
        return MappingProxyType(named)

    def _numbered(self, name: str, path: KeyPath) -> Decimal:
        if not _reads_as("exact", name):
            raise self.text.error(
                (*path, name), f"'{name[:60]}' is not a number", expected='such as "2" = 1.0'
            )
        return Decimal(name).normalize()

    def _list(self, form: Form, value: object, path: KeyPath) -> object:
        item = form.parts[0]
        if not isinstance(value, list):
            if item.kind == "table":
                raise self.text.error(path, "not a list of tables", expected=_expected(form, path))
            # A wrong item is reported before the brackets that are missing around it.
            self.value(item, value, path)
            raise self._refused(form, value, path, "is not a list")
        if form.length is not None and len(value) != form.length:
            raise self.text.error(path, f"{len(value)} numbers", expected=_expected(form, path))
        if item.kind == "table" and not all(isinstance(one, dict) for one in value):
            raise self.text.error(path, "not a list of tables", expected=_expected(form, path))
        return tuple(self.value(item, one, (*path, n)) for n, one in enumerate(value))

    def _text(self, form: Form, value: object, path: KeyPath) -> object:
        if not isinstance(value, str):
            raise self._refused(form, value, path, "is not text")
        odd = next((c for c in value if c < " " and c not in "\n\t"), "")
        if odd:
            raise self.text.error(
                path,
                f"{_shown(value)} holds a control character",
                expected="single quotes, in which a backslash stands for itself, or / in paths",
            )
        if form.words is not None and value not in form.words.names:
            raise self.text.error(
                path,
                f"'{value[:60]}' is not known",
                expected=_expected(form, path),
                nearest=nearest(value, form.words.names),
            )
        return value if form.made is None else form.made(value)

    def _number(self, form: Form, value: object, path: KeyPath) -> int | Decimal:
        span, whole = form.span, form.kind == "whole"
        what = "a whole number" if whole else "a number"
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            # A float comes from a caller that parsed the text otherwise.
            raise self._refused(form, value, path, f"is not {what}")
        number: int | Decimal = value
        expected = _expected(form, path)
        if isinstance(number, Decimal):
            if not number.is_finite():
                raise self.text.error(path, f"{number} is not a finite number", expected=expected)
            if number and (number.adjusted() < -_DIGITS or len(number.as_tuple().digits) > _DIGITS):
                raise self.text.error(path, f"more than {_DIGITS} digits", expected=expected)
        most = MOST if span.most is None else span.most
        if not -MOST <= number <= MOST:
            raise self.text.error(
                path, "is too large", expected=_spanned(what, dataclasses.replace(span, most=most))
            )
        if whole and isinstance(number, Decimal):
            right = f"{number:f}".partition(".")[0]
            proposed = f"{expected}, such as {right}" if number == int(number) else expected
            raise self.text.error(path, f"{number} is not a whole number", expected=proposed)
        if span.least is not None and number < span.least:
            word = "negative" if number < 0 <= span.least else "too small"
            raise self.text.error(path, f"{number} is {word}", expected=expected)
        if span.above is not None and number <= span.above:
            raise self.text.error(path, f"{number} is too small", expected=expected)
        if number > most:
            if (span.least, most) == (0, 1) and number <= 100:
                expected += f", such as {Decimal(number) / 100} for {number} %"
            raise self.text.error(path, f"{number} is too large", expected=expected)
        return number if whole else Decimal(number)

    def _refused(self, form: Form, value: object, path: KeyPath, why: str) -> SheetError:
        """Refuse a value of another type, with the right spelling where that is plain."""
        return self.text.error(
            path,
            f"{_shown(value)} {why}",
            expected=_meant(form, value) or _expected(form, path),
        )

    def _unknown(self, key: str, path: KeyPath, known: Sequence[str]) -> SheetError:
        stem, _, unit = key.rpartition("_")
        if unit in _LENGTHS and f"{stem}_mm" in known:
            return self.text.error(
                path,
                f"lengths are in millimetres, not in {unit}",
                expected=f"the value in mm ({_LENGTHS[unit]})",
                nearest=f"{stem}_mm",
            )
        # A key below the wrong header is spelled right: likeness would point to a wrong key.
        homes = list(dict.fromkeys(_homes(self.root, key)))
        if homes and not _same(key, known):
            return self.text.error(
                path, "unknown key here", expected=f"it {' or '.join(homes[:3])}"
            )
        return self.text.error(
            path,
            "unknown key",
            expected="one of " + ", ".join(sorted(known)),
            nearest=nearest(key, known),
        )


# Words for people


_TYPES: Final[Mapping[Kind, type | tuple[type, ...]]] = {
    "text": str,
    "flag": bool,
    "whole": int,
    "exact": (int, Decimal),
    "number": (int, Decimal),
    "date": date,
    "list": list,
    "names": dict,
    "table": dict,
}
"""What the parser gives for each kind."""

_LENGTHS: Final[Mapping[str, str]] = {
    **dict.fromkeys(("mil", "mils", "thou"), "1 mil = 0.0254 mm"),
    **dict.fromkeys(("inch", "in"), "1 inch = 25.4 mm"),
    "um": "1 \u00b5m = 0.001 mm",
    "cm": "1 cm = 10 mm",
    "m": "1 m = 1000 mm",
}

OTHER_WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    **dict.fromkeys(("reused", "reusable", "kept", "keep", "carried", "again"), ("carried_over",)),
    **dict.fromkeys(("consumed", "lost", "singleuse", "once", "gone"), ("used_up",)),
    **dict.fromkeys(("euro", "euros", "\u20ac"), ("EUR",)),
    **dict.fromkeys(("dollar", "dollars", "usdollar", "$"), ("USD",)),
    **dict.fromkeys(("pound", "pounds", "sterling", "\u00a3"), ("GBP",)),
    **dict.fromkeys(("yuan", "renminbi", "rmb"), ("CNY",)),
    **dict.fromkeys(("yen", "\u00a5"), ("JPY",)),
    **dict.fromkeys(("franc", "francs", "sfr"), ("CHF",)),
    **dict.fromkeys(("file", "folder", "path", "zip", "gerber", "gerbers"), ("package",)),
    **dict.fromkeys(("side", "hand", "type", "kind", "use"), ("is", "fitted")),
    **dict.fromkeys(("boards", "design", "designs", "pcb"), ("board",)),
    **dict.fromkeys(("people", "friends", "sharers"), ("builder",)),
    **dict.fromkeys(("quantity", "qty", "amount", "pieces"), ("quantities", "from", "count")),
    **dict.fromkeys(("unitprice", "priceeach", "price", "cost"), ("each", "price")),
    **dict.fromkeys(("vat", "tax", "taxrate", "salestax"), ("vat_rate",)),
    **dict.fromkeys(("duty", "customs", "tariff"), ("duty_rate",)),
    **dict.fromkeys(("surface", "coating", "plating"), ("finish",)),
    **dict.fromkeys(("mask", "maskcolour", "soldermask"), ("colour",)),
    **dict.fromkeys(("moq", "min", "least"), ("minimum", "least")),
    **dict.fromkeys(("weight", "copperweight", "oz"), ("copper_oz",)),
    **dict.fromkeys(("eitherhand", "ambidextrous", "universal", "doublesided"), ("reversible",)),
    **dict.fromkeys(("unibody", "onepiece", "full", "single", "notsplit"), ("whole",)),
    **dict.fromkeys(("switchplate", "bottomplate", "topplate", "cover", "case"), ("plate",)),
    **dict.fromkeys(("front", "top", "keyside"), ("key",)),
    **dict.fromkeys(("bottom", "rear", "underside"), ("back",)),
    **dict.fromkeys(("incl", "included", "withtax", "brutto"), ("gross",)),
    **dict.fromkeys(("excl", "excluded", "withouttax", "netto"), ("net",)),
}
"""Words people write for ours, where likeness of letters points the wrong way or nowhere: `reused`
looks like `used_up` and means the opposite."""


def nearest(word: str, known: Sequence[str]) -> str:
    """Find the known word that was most likely meant; empty when none is near.

    >>> nearest("reused", ["used_up", "carried_over"]), nearest("Euro", ["AUD", "EUR", "cu"])
    ('carried_over', 'EUR')
    """
    same = _same(word, known)
    if same:
        return same
    plain = {_plain(one): one for one in reversed(known)}
    close = difflib.get_close_matches(_plain(word), plain, n=1, cutoff=0.6)
    return plain[close[0]] if close else ""


def _same(word: str, known: Sequence[str]) -> str:
    """Find the known word that means the same; empty when none does."""
    asked = _plain(word)
    spelled = [one for one in known if _plain(one) == asked]
    meant = [one for one in OTHER_WORDS.get(asked, ()) if one in known]
    # A unit or a qualifier left out: thickness is thickness_mm.
    longer = [one for one in known if one.casefold().startswith(f"{word.casefold()}_")]
    return next(iter((*spelled, *meant, *longer)), "")


def _plain(word: str) -> str:
    kept = "".join(c for c in word.casefold() if c not in "_-. ")
    return kept or word


def _homes(
    cls: Callable[..., object], key: str, prefix: str = "", *, rows: bool = False
) -> Iterator[str]:
    """Find where else in a sheet a key belongs."""
    for slot in slots_of(cls):
        if slot.filled is not None:
            continue
        if slot.key == key:
            header = f"[[{prefix}]]" if rows else f"[{prefix}]"
            yield f"under {header}" if prefix else "at the top of the file"
        below = f"{prefix}.{slot.key}" if prefix else slot.key
        yield from _homes_in(slot.form, key, below, rows=False)


def _homes_in(form: Form, key: str, prefix: str, *, rows: bool) -> Iterator[str]:
    if form.kind == "table" and form.made is not None:
        yield from _homes(form.made, key, prefix, rows=rows)
    elif form.kind == "list":
        yield from _homes_in(form.parts[0], key, prefix, rows=True)
    elif form.kind == "names":
        yield from _homes_in(form.parts[0], key, f"{prefix}.NAME", rows=False)


def _expected(form: Form, path: KeyPath) -> str:
    """Say in words what may stand at a key."""
    match form.kind:
        case "text" if form.words is not None:
            return form.words.what or "one of " + ", ".join(w or '""' for w in form.words.names)
        case "text":
            return "text in quotes"
        case "flag":
            return "true or false"
        case "date":
            return "a date such as 2025-03-31, without quotes"
        case "either":
            return " or ".join(_expected(one, path) for one in form.parts)
        case "list":
            return _listed(form, path)
        case "table" | "names":
            return f"a table [{dotted(path)}]"
    return _spanned("a whole number" if form.kind == "whole" else "a number", form.span)


def _listed(form: Form, path: KeyPath) -> str:
    item = form.parts[0]
    if item.kind == "table":
        return f"[[{dotted(tuple(p for p in path if isinstance(p, str)))}]], in double brackets"
    if item.kind == "text":
        names = f" out of {', '.join(item.words.names)}" if item.words else ""
        return f'a list of texts{names}, such as ["one", "two"]'
    if form.length is not None:
        return f"a list of {form.length} numbers, such as {list(range(10, 10 + form.length))}"
    example = "[5, 10]" if item.kind == "whole" else "[0.8, 1.6]"
    return f"a list of numbers, such as {example}"


def _spanned(what: str, span: Span) -> str:
    if span.least is not None and span.most is not None:
        return f"{what} from {span.least} to {span.most}"
    if span.least is not None:
        return f"{what} of at least {span.least}"
    if span.above is not None:
        return f"{what} above {span.above}" + (f", at most {span.most}" if span.most else "")
    return f"{what} of at most {span.most}" if span.most is not None else what


def _shown(value: object) -> str:
    """Write a value as it stands in the file, in short."""
    if isinstance(value, str):
        return repr(value[:60])
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "a table"
    if isinstance(value, int) and abs(value) > MOST:
        return "a huge number"  # Python refuses to write thousands of digits
    return str(value).lower() if isinstance(value, bool) else str(value)[:60]


def _meant(form: Form, value: object) -> str:
    """Spell a value of the wrong type right; empty where that is not plain."""
    if form.kind == "list" and not isinstance(value, list | dict):
        return f"it in brackets: [{_literal(value)}]"
    if isinstance(value, list) and len(value) == 1 and not isinstance(value[0], list | dict):
        return f"it without brackets: {_literal(value[0])}"
    if form.kind == "text" and not isinstance(value, list | dict):
        return f'it in quotes: "{_literal(value)}"'
    if isinstance(value, datetime):
        return f"{value.date().isoformat()}, without the time"
    if form.kind == "flag" and isinstance(value, int) and value in (0, 1):
        return "true" if value else "false"
    if not isinstance(value, str):
        return ""
    plain = value.strip()
    right = plain if _reads_as(form.kind, plain) else correction(value) or plain
    first = right.partition(",")[0]
    if _reads_as(form.kind, first):
        return f"{right}{',' if right == first else ' and'} without quotes"
    return ""


def _reads_as(kind: Kind, text: str) -> bool:
    """Whether a text without quotes would be read as this kind."""
    try:
        if kind == "date":
            return date.fromisoformat(text) is not None
        if kind == "flag":
            return text in ("true", "false")
        return kind in ("whole", "exact", "number") and Decimal(text).is_finite()
    except (ValueError, ArithmeticError):
        return False


def _literal(value: object) -> str:
    return f'"{value[:60]}"' if isinstance(value, str) else _shown(value)
