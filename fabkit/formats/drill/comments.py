"""Comments that mean something: attributes, and hints that fill gaps but never overrule."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from fabkit.formats.drill.numbers import Unit, Zeros

_ATTRIBUTE: Final = re.compile(r"\s*#@!\s*(T[FAOD])(.*)\Z", re.DOTALL)
_ESCAPE: Final = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})")

_FORMAT_BRACES: Final = re.compile(r"FORMAT\s*=?\s*\{([^}]*)\}", re.IGNORECASE)
_FILE_FORMAT: Final = re.compile(
    r"(?:FILE_)?FORMAT\s*[=:]\s*(\d)\s*[:.]\s*(\d)\s*\Z", re.IGNORECASE
)
_DIGITS: Final = re.compile(r"\s*(\d)\s*[:.]\s*(\d)")
_TYPE: Final = re.compile(r"TYPE\s*=\s*(NON[-_ ]?PLATED|PLATED)\b", re.IGNORECASE)
_RANGE: Final = re.compile(
    r"\b(NON[-_ ]?PLATED|UNPLATED|PLATED)\b[^0-9]*?\bSTARTS? AT T(\d+)", re.IGNORECASE
)
_SIZE: Final = re.compile(
    r"(?:T(\d+)\s+)?HOLE\s*SIZE\s*(\d+)\s*\.?\s*=\s*(\d*\.?\d+)(.*)\Z", re.IGNORECASE
)
_UNIT_WORD: Final = re.compile(
    r"\b(MILS?|MM|MILLIMET\w+|METRIC|INCH\w*|IN|UM|MICRONS?)\b", re.IGNORECASE
)
_PLATED_WORD: Final = re.compile(r"\b(NON[-_ ]?PLATED|UNPLATED|PLATED)\b", re.IGNORECASE)
_QUANTITY: Final = re.compile(r"QUANTITY\s*=\s*(\d+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class AttributeCommand:
    """``TF``, ``TA``, ``TO`` or ``TD`` with its name (``.N``) and fields."""

    verb: Literal["TF", "TA", "TO", "TD"]
    name: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatHint:
    """What a comment states about the numbers; None where it states nothing."""

    unit: Unit | None = None
    zeros: Zeros | None = None
    digits: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatingHint:
    """Tools defined from here on are plated, or not; or those numbered from ``from_tool`` on."""

    plated: bool
    from_tool: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeHint:
    """A row of a tool table written as comments."""

    index: int
    tool: int | None
    diameter: float
    unit_mm: float | None
    """Millimetres of the unit named in the row; None when it names none."""
    plated: bool | None
    quantity: int | None


Meaning = AttributeCommand | FormatHint | PlatingHint | SizeHint

_UNITS_MM: Final = {"mil": 0.0254, "mm": 1.0, "met": 1.0, "in": 25.4, "um": 0.001, "mic": 0.001}


def meaning_of(comment: str) -> Meaning | None:
    """Give what the text behind the semicolon states, if anything."""
    found = _ATTRIBUTE.match(comment)
    if found:
        return _attribute(found.group(1), found.group(2))
    text = comment.strip().rstrip("*%").strip()
    braces = _FORMAT_BRACES.search(text)
    if braces:
        return _format_hint(braces.group(1))
    if found := _FILE_FORMAT.match(text):
        return FormatHint(digits=(int(found.group(1)), int(found.group(2))))
    if found := _TYPE.match(text):
        return PlatingHint(plated=_is_plated(found.group(1)))
    if found := _RANGE.search(text.replace("(", "").replace(")", "")):
        return PlatingHint(plated=_is_plated(found.group(1)), from_tool=int(found.group(2)))
    if found := _SIZE.match(text):
        return _size_hint(found)
    return None


def _attribute(verb: str, rest: str) -> AttributeCommand:
    body = rest.strip().rstrip("*%").strip()
    name, *values = (_unescape(part.strip()) for part in body.split(","))
    return AttributeCommand(verb, name, tuple(values))  # type: ignore[arg-type]


def _unescape(text: str) -> str:
    def character(found: re.Match[str]) -> str:
        code = int(found.group(1) or found.group(2), 16)
        return chr(code) if code <= 0x10FFFF else "�"

    return _ESCAPE.sub(character, text)


def _format_hint(text: str) -> FormatHint:
    words = text.lower()
    digits = _DIGITS.match(text)
    unit: Unit | None = None
    if "inch" in words or "english" in words:
        unit = "inch"
    elif "metric" in words or "mm" in words:
        unit = "mm"
    zeros: Zeros | None = None
    # The words name what is left out, the other way round than LZ and TZ.
    if "suppress leading" in words:
        zeros = "trailing"
    elif "suppress trailing" in words:
        zeros = "leading"
    elif "decimal" in words:
        zeros = "point"
    return FormatHint(
        unit=unit,
        zeros=zeros,
        digits=(int(digits.group(1)), int(digits.group(2))) if digits else None,
    )


def _is_plated(word: str) -> bool:
    return not word.upper().startswith(("NON", "UN"))


def _size_hint(found: re.Match[str]) -> SizeHint:
    rest = found.group(4).replace("_PLATED", "-PLATED")
    unit = _UNIT_WORD.search(rest)
    plated = _PLATED_WORD.search(rest)
    quantity = _QUANTITY.search(rest)
    unit_mm = None
    if unit:
        word = unit.group(1).lower()
        unit_mm = next(mm for start, mm in _UNITS_MM.items() if word.startswith(start))
    return SizeHint(
        index=int(found.group(2)),
        tool=int(found.group(1)) if found.group(1) else None,
        diameter=float(found.group(3)),
        unit_mm=unit_mm,
        plated=_is_plated(plated.group(1)) if plated else None,
        quantity=int(quantity.group(1)) if quantity else None,
    )
