"""Writes the JSON schemas of the files users write: order-file, house-file and parts-file.

Run it after changing what a loader reads::

    python docs/make_schemas.py

They are made of the dataclasses that the reader fills: keys, types, choices, bounds, defaults.  A
test compares the schemas with what this makes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from fabkit.parts.book import PartsFile
from fabkit.sheets.house import LIMIT_KINDS, HouseFile
from fabkit.sheets.order import OrderFile
from fabkit.sheets.reading import Filled, Form, slots_of

HERE = Path(__file__).parent
SCHEMAS = HERE.parent / "fabkit" / "schemas"
DRAFT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

NUMBER_NAME = r"^\d+(\.\d+)?$"


def _table(cls: Callable[..., object]) -> Schema:
    """Make the schema of a table from what a dataclass declares."""
    made: Schema = {"type": "object", "properties": {}, "required": []}
    for slot in slots_of(cls):
        if slot.filled is Filled.REST and slot.form.words is not None:
            for name in slot.form.words.names:
                made["properties"][name] = _form(slot.form.parts[0])
        if slot.filled is not None:
            continue
        one = _form(slot.form)
        default = slot.default
        if isinstance(default, str | int | float | Decimal) and default != "":
            one["default"] = float(default) if isinstance(default, Decimal) else default
        made["properties"][slot.key] = one
        made["required"] += [slot.key] if slot.required else []
    return {**made, "additionalProperties": False}


def _form(form: Form) -> Schema:
    """Make the schema of what may stand at a key."""
    match form.kind:
        case "table" if form.made is not None:
            return _table(form.made)
        case "names" if form.words is not None:
            one = _form(form.parts[0])
            names = dict.fromkeys(form.words.names, one)
            return {"type": "object", "properties": names, "additionalProperties": False}
        case "names":
            names = {"propertyNames": {"pattern": NUMBER_NAME}} if form.numbered else {}
            return {"type": "object", "additionalProperties": _form(form.parts[0]), **names}
        case "list":
            length = {} if form.length is None else dict.fromkeys(_LENGTHS, form.length)
            return {"type": "array", "items": _form(form.parts[0]), **length}
        case "either":
            return {"anyOf": [_form(one) for one in form.parts]}
        case "text":
            return {"type": "string", **({"enum": [*form.words.names]} if form.words else {})}
        case "flag":
            return {"type": "boolean"}
        case "date":
            return {"type": "string", "format": "date"}
    span = form.span
    bounds = {"minimum": span.least, "maximum": span.most, "exclusiveMinimum": span.above}
    stated = {word: bound for word, bound in bounds.items() if bound is not None}
    return {"type": "integer" if form.kind == "whole" else "number", **stated}


_LENGTHS = ("minItems", "maxItems")


def order_schema() -> Schema:
    """Make the schema of order.toml."""
    made = _table(OrderFile)
    made["properties"]["board"]["minItems"] = 1
    # Left out, the thickness is what the files state.
    del made["properties"]["options"]["properties"]["thickness_mm"]["default"]
    made["properties"]["silence"]["items"]["properties"]["reason"]["pattern"] = r"\S"
    made["properties"]["tax"]["allOf"] = [
        {
            "if": {"required": [rate], "properties": {rate: {"exclusiveMinimum": 0}}},
            "then": {"required": ["date"]},
        }
        for rate in ("vat_rate", "duty_rate")
    ]
    return made


def house_schema() -> Schema:
    """Make the schema of house.toml."""
    made = _table(HouseFile)
    for cls in made["properties"]["limits"]["properties"].values():
        for key, kind in LIMIT_KINDS.items():
            cls["properties"][key]["description"] = f"at {kind.sense}: {kind.title}"
    rates = made["properties"]["rates"]["properties"]
    for key in ("thickness", "small_drill", "fine_track"):
        # Below or above, never both.
        rates[key]["items"]["oneOf"] = [{"required": ["below_mm"]}, {"required": ["above_mm"]}]
    bands = rates["shipping"]["properties"]["band"]
    for rows in (rates["base"], rates["area"]["properties"]["rate"], bands):
        rows["minItems"] = 1
    return made


def parts_schema() -> Schema:
    """Make the schema of parts.toml."""
    made = _table(PartsFile)
    part = made["properties"]["part"]["items"]["properties"]
    part["match"]["items"]["minProperties"] = 1
    part["price"]["items"]["properties"]["breaks"]["minItems"] = 1
    return made


PAGES: Mapping[str, tuple[str, Callable[[], Schema]]] = {
    "order-file": ("Order file: what is wanted, how many, on what terms", order_schema),
    "house-file": ("House sheet: what a board house makes and charges", house_schema),
    "parts-file": ("Parts book: which part is which and what it costs", parts_schema),
}


def rendered(name: str) -> str:
    """Text of one schema file."""
    title, make = PAGES[name]
    made = make()
    made["properties"]["format"] = {"const": 1}
    whole = {"$schema": DRAFT, "$id": f"{name}.json", "title": title, **_tidy(made)}
    return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"


def _tidy(part: Any) -> Any:
    """Without empty lists; whole bounds as whole numbers."""
    if isinstance(part, dict):
        return {k: _tidy(v) for k, v in part.items() if not (k == "required" and v == [])}
    if isinstance(part, list):
        return [_tidy(v) for v in part]
    return int(part) if isinstance(part, float) and part == int(part) else part


if __name__ == "__main__":
    for name in PAGES:
        (SCHEMAS / f"{name}.json").write_text(rendered(name), encoding="utf-8")
        print(SCHEMAS / f"{name}.json")  # noqa: T201 -- says what it wrote
