"""What a part is called, and what kind it is, by the words of tables and of the parts book."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from fabkit.keyboard.kinds import kind_of, plain, stem
from fabkit.parts.book import BookPart
from fabkit.parts.places import Place, Record

_KILO: Final = re.compile(r"(?<=\d)\s?K(?=\d|\b)")
"""Kilo, which tables of one board write both ways; SI writes k."""


def part_kind(part: BookPart) -> str:
    """Recognise what a part of the book is, by kinds, class or title; empty when not known."""
    if part.kinds:
        return part.kinds[0]
    words = f"{part.cls} {plain(part.key)} {plain(part.title)}"
    if part.cls in ("socket", "cap", "switch"):
        return {"socket": "switch socket", "cap": "key cap", "switch": "key switch"}[part.cls]
    if not any(p.startswith("switch-") for p in part.patterns):
        return ""
    for word, kind in (("socket", "switch socket"), ("cap", "key cap"), ("switch", "key switch")):
        if re.search(rf"\b{word}\b", words):
            return kind
    return ""


def row_kind(row: Record) -> str:
    """Recognise what a row of a table without references is about."""
    words = plain(description(row.fields))
    if re.search(r"\bkey ?caps?\b", words):
        return "key cap"
    if re.search(r"\bscrews?\b", words):
        return "screw hole"
    if re.search(r"\bcell\b", words):
        return "cell"
    if re.search(r"\bswitch sockets?\b", words):
        return "switch socket"
    kind = kind_of("", row.fields.get("value", ""), row.fields.get("footprint", ""))
    if kind in ("other", "button") and re.search(r"\b(?:key )?switch(?:es)?\b", words):
        return "key switch"
    return kind


def description(fields: Mapping[str, str]) -> str:
    """Part number, value and footprint, as far as they name anything."""
    names = ("part_number", "value", "footprint")
    stated = {n: fields.get(n, "").strip() for n in names}
    return " | ".join(
        _KILO.sub("k", v) if n == "value" else v
        for n, v in stated.items()
        if v and plain(v) not in _SAYS_NOTHING
    )


_SAYS_NOTHING: Final = frozenset(
    ("any", "n a", "na", "none", "tbd", "tht", "smd", "smt", "th", "generic", "val", "value", "")
)
"""Words in the place of a part number, value or footprint that name no part."""

_MILLI_OR_MEGA: Final = re.compile(r"(?<=\d)\s?[mM](?!(?i:hz))")


def one_spelling(named: str) -> str:
    """Give a description in one spelling: only of m and M after a number the case counts."""
    kept = {m.end() - 1 for m in _MILLI_OR_MEGA.finditer(named)}
    letters = "".join(c if k in kept else c.casefold() for k, c in enumerate(named))
    return re.sub(r"\s+", "", letters)


_SPECIAL: Final = re.compile(r"\b(?:tvs|esd|schottky|zener|suppress\w*|surge|power|varistor)\b")
"""Words of parts that are not the usual ones of their kind."""


def is_special(place: Place) -> bool:
    """Whether words of a place name another part than what is usual of its kind."""
    names = ("part_number", "footprint")
    return any(_SPECIAL.search(plain(r.fields.get(n, ""))) for r in place.records for n in names)


def stated_value(place: Place) -> str:
    """Value the files state for a place; empty when it only repeats the reference or the kind."""
    for record in place.records:
        value = record.fields.get("value", "")
        if value and plain(value) not in (plain(record.ref), plain(stem(record.ref)), place.kind):
            return _KILO.sub("k", value)
    return ""
