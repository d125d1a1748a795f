"""JSON that reads the same every time: stable order, plain numbers, no NaN."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from decimal import Decimal
from enum import Enum
from typing import Final, TypeAlias

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"
"""What JSON knows (RFC 8259)."""


def plain(value: object) -> Json:
    """Turn results into what JSON knows: Decimal to text, NaN to null, enums to their values."""
    if isinstance(value, Enum):
        named: Json = value.value
        return named
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float):
        # Nanometres are far below anything a board house can distinguish.
        return round(value, 6) if math.isfinite(value) else None
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    raise TypeError(f"cannot write {type(value).__name__} as JSON")


FORMATS: Final = {
    "carry": 1,
    "check": 1,
    "checks": 1,
    "compare": 1,
    "error": 1,
    "files": 1,
    "house": 1,
    "judged": 1,
    "mend": 1,
    "order": 1,
    "pack": 1,
    "panel": 1,
    "parts": 1,
    "quote": 1,
    "settings": 1,
    "wiring": 1,
}
"""Every kind of JSON document of our own, with its version; ``fabkit/schemas`` describes each.

A version is raised when a key goes or changes its meaning; new keys are no new version.
"""


def to_document(kind: str, record: Mapping[str, object]) -> str:
    """Write a record as a JSON document that first states what it is: ``fabkit/check/1``."""
    return to_json({"format": f"fabkit/{kind}/{FORMATS[kind]}", **record})


def to_json(record: object) -> str:
    """Write a record as JSON text, two spaces a level, with a last line end."""
    return json.dumps(plain(record), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
