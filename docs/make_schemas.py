"""Writes the JSON schemas of the files users write: order-file, house-file and parts-file.

Run it after changing what a loader reads::

    python docs/make_schemas.py

The loaders themselves are asked: they read complete sample files through a table that notes every
question (key, type, choices, bounds, default).  A test compares the schemas with what this makes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from fabkit.parts import book
from fabkit.sheets import house, order
from fabkit.sheets.house import LIMIT_KINDS
from fabkit.sheets.money import CURRENCY_DIGITS
from fabkit.sheets.table import REQUIRED, Table, parse_sheet

HERE = Path(__file__).parent
SCHEMAS = HERE.parent / "fabkit" / "schemas"
DRAFT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

NUMBER_NAME = r"^\d+(\.\d+)?$"
CURRENCIES = {"enum": [*sorted(CURRENCY_DIGITS), "cu"]}


def empty() -> Schema:
    """Schema of a table without keys."""
    return {"type": "object", "properties": {}, "required": [], "additionalProperties": False}


class Noting(Table):
    """A table that notes in ``node`` what it is asked for."""

    node: Schema

    @classmethod
    def around(cls, table: Table, node: Schema) -> Noting:
        """The same table, noting."""
        made = cls(table.data, file=table.file, lines=table.lines, path=table.path)
        made.node = node
        return made

    def _note(self, key: str, default: object, **schema: Any) -> None:
        keys, needed = self.node["properties"], self.node["required"]
        known = keys.get(key)
        if isinstance(default, str | int | float | bool) and default != "":
            schema["default"] = default
        if known is None:
            keys[key] = schema
            needed += [key] if default is REQUIRED else []
            return
        if default is not REQUIRED and key in needed:
            needed.remove(key)
        if known.get("default") != schema.get("default"):
            # It depends on something else: no default to show.
            known.pop("default", None)
            schema.pop("default", None)
        if known != schema and schema not in known.get("anyOf", ()):
            keys[key] = {"anyOf": [*known.get("anyOf", [known]), schema]}

    def text(self, key: str, default: Any = REQUIRED, *, choices: Any = None) -> Any:
        """A string, out of the choices."""
        names = {"enum": [str(c) for c in choices]} if choices is not None else {}
        self._note(key, default, type="string", **names)
        return super().text(key, default, choices=choices)

    def flag(self, key: str, default: Any = REQUIRED) -> Any:
        """A boolean."""
        self._note(key, default, type="boolean")
        return super().flag(key, default)

    def decimal(self, key: str, default: Any = REQUIRED, **bounds: Any) -> Any:
        """A number."""
        shown = default if default is REQUIRED or default is None else float(default)
        self._note(key, shown, type="number", **_bounds(bounds))
        return super().decimal(key, default, **bounds)

    def integer(self, key: str, default: Any = REQUIRED, **bounds: Any) -> Any:
        """A whole number."""
        self._note(key, default, type="integer", **_bounds(bounds))
        return super().integer(key, default, **bounds)

    def date(self, key: str, default: Any = REQUIRED) -> Any:
        """A date of TOML, which editors take for a string."""
        self._note(key, default, type="string", format="date")
        return super().date(key, default)

    def decimals(self, key: str, default: Any = REQUIRED, **bounds: Any) -> Any:
        """A list of numbers."""
        items = {"type": "number", **_bounds(bounds)}
        self._note(key, default, type="array", items=items)
        return super().decimals(key, default, **bounds)

    def integers(self, key: str, default: Any = REQUIRED, **bounds: Any) -> Any:
        """A list of whole numbers."""
        items = {"type": "integer", **_bounds(bounds)}
        self._note(key, default, type="array", items=items)
        return self._quiet().integers(key, default, **bounds)

    def texts(self, key: str, default: Any = REQUIRED, *, choices: Any = None) -> Any:
        """A list of strings."""
        names = {"enum": [str(c) for c in choices]} if choices is not None else {}
        self._note(key, default, type="array", items={"type": "string", **names})
        return super().texts(key, default, choices=choices)

    def decimals_by_name(self, **bounds: Any) -> Any:
        """Numbers under names of the user's own."""
        self.node |= {"additionalProperties": {"type": "number", **_bounds(bounds)}}
        return self._quiet().decimals_by_name(**bounds)

    def texts_by_name(self) -> Any:
        """Strings under names of the user's own."""
        self.node |= {"additionalProperties": {"type": "string"}}
        return self._quiet().texts_by_name()

    def table(self, key: str, default: Any = REQUIRED) -> Table:
        """A table below."""
        below = self._below_node(key, default)
        return Noting.around(super().table(key, default), below)

    def tables(self, key: str, default: Any = REQUIRED) -> tuple[Table, ...]:
        """A list of tables, which share one schema."""
        known = self.node["properties"].get(key)
        if known is None:
            self._note(key, default, type="array", items=empty())
        items = self.node["properties"][key]["items"]
        return tuple(Noting.around(row, items) for row in super().tables(key, default))

    def named(self, key: str, default: Any = REQUIRED) -> dict[str, Table]:
        """Tables under names of the user's own, which share one schema."""
        around = self._below_node(key, default)
        if around["additionalProperties"] is False:
            around["additionalProperties"] = empty()
        row = around["additionalProperties"]
        rows = self._quiet().named(key, default)
        return {name: Noting.around(table, row) for name, table in rows.items()}

    def done(self) -> None:
        """Refuse what was not asked for, unless names are the user's own."""
        if self.node["additionalProperties"] is False:
            super().done()

    def _quiet(self) -> Table:
        """The same table, not noting."""
        table = Table(self.data, file=self.file, lines=self.lines, path=self.path)
        table._asked = self._asked  # noqa: SLF001 -- two faces of one table
        return table

    def _below_node(self, key: str, default: object) -> Schema:
        known = self.node["properties"].get(key)
        options = [known, *known.get("anyOf", [])] if known else []
        for one in options:
            if one.get("type") == "object":
                return one
        made = empty()
        if known is None:
            self._note(key, default, **made)
            made = self.node["properties"][key]
        else:
            self.node["properties"][key] = {"anyOf": [*known.get("anyOf", [known]), made]}
        return made


def _bounds(bounds: Mapping[str, Any]) -> Schema:
    words = {"least": "minimum", "most": "maximum", "above": "exclusiveMinimum"}
    return {words[k]: float(v) for k, v in bounds.items() if v is not None}


def whole_house() -> str:
    """Every limit with its source, and every rate."""
    limits = "".join(
        f'{key} = {{ value = {kind.standard}, source = "handbook" }}\n'
        for key, kind in LIMIT_KINDS.items()
    )
    return f'format = 1\nname = "All limits"\n[limits.standard]\n{limits}[limits.fine]\n{limits}'


ORDER = """
format = 1
name = "Everything"
[[board]]
package = "left"
is = "left"
[board.roles]
"1.gbr" = "top copper"
[[board]]
package = "right"
is = "right"
[want]
[[want.builder]]
name = "One"
keyboards = 1
[money]
[[money.exchange]]
from = "EUR"
rate = 1.1
[spares.switch]
least = 1
[[silence]]
rule = "legend/off-board"
reason = "trimmed by the house"
"""


def noted(load: Callable[[Table], object], *texts: str) -> Schema:
    """What a loader asks for while it reads the texts."""
    root = empty()
    for text in texts:
        load(Noting.around(parse_sheet(text, file="sample.toml"), root))
    return root


def order_schema() -> Schema:
    """Schema of order.toml."""
    made = noted(lambda table: order.order_from(table, base=Path()), ORDER)
    made["properties"]["board"]["minItems"] = 1
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
    """Schema of house.toml."""
    made = noted(house.house_from, house.house_template(), whole_house())
    for cls in made["properties"]["limits"]["properties"].values():
        for key, kind in LIMIT_KINDS.items():
            cls["properties"][key]["description"] = f"at {kind.sense}: {kind.title}"
    rates = made["properties"]["rates"]["properties"]
    rates["currency"] |= CURRENCIES
    for key in ("layer_factor", "copper_factor"):
        rates[key]["propertyNames"] = {"pattern": NUMBER_NAME}
    for key in ("thickness", "small_drill", "fine_track"):
        # Below or above, never both.
        rates[key]["items"]["oneOf"] = [{"required": ["below_mm"]}, {"required": ["above_mm"]}]
    rates["base"]["items"]["properties"]["up_to_mm"] |= {"minItems": 2, "maxItems": 2}
    bands = rates["shipping"]["properties"]["band"]
    for rows in (rates["base"], rates["area"]["properties"]["rate"], bands):
        rows["minItems"] = 1
    return made


def parts_schema() -> Schema:
    """Schema of parts.toml."""
    made = noted(book.book_from, book.parts_template())
    made["properties"]["currency"] |= CURRENCIES
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
