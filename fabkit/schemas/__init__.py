"""JSON schemas (draft 2020-12) of every JSON document that fabkit writes and every TOML it reads.

``check.json``, ``quote.json`` ... describe the output of ``--json``; ``order-file.json``,
``house-file.json`` and ``parts-file.json`` the files that users write.
"""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from fabkit.base.errors import UsageError

SHARED = "shared"
"""Definitions that the other schemas refer to."""


def schema_names() -> list[str]:
    """Names that :func:`load_schema` knows."""
    found = (entry.name for entry in files(__name__).iterdir())
    return sorted(n.removesuffix(".json") for n in found if n.endswith(".json") and SHARED not in n)


def load_schema(name: str) -> dict[str, Any]:
    """Load a schema that stands alone: what it refers to is within it.

    Raises
    ------
    UsageError
        There is none of this name.
    """
    if name not in schema_names():
        raise UsageError(
            f"there is no schema called '{name}'", hint="one of " + ", ".join(schema_names())
        )
    schema: dict[str, Any] = _read(name)
    shared = _read(SHARED)["$defs"]
    wanted = sorted(_named(schema))
    used: dict[str, Any] = {}
    while wanted:
        one = wanted.pop()
        if one not in used:
            used[one] = shared[one]
            wanted += sorted(_named(shared[one]))
    if used:
        schema["$defs"] = {one: _inside(used[one]) for one in sorted(used)}
    return {key: value if key == "$defs" else _inside(value) for key, value in schema.items()}


_FROM_SHARED = f"{SHARED}.json#/$defs/"


def _read(name: str) -> dict[str, Any]:
    text = files(__name__).joinpath(f"{name}.json").read_text(encoding="utf-8")
    made: dict[str, Any] = json.loads(text)
    return made


def _named(part: Any) -> set[str]:
    """Shared definitions that a part of a schema refers to."""
    if isinstance(part, dict):
        here = part.get("$ref", "")
        below = {name for value in part.values() for name in _named(value)}
        own = isinstance(here, str) and here.startswith(_FROM_SHARED)
        return below | ({here.removeprefix(_FROM_SHARED)} if own else set())
    if isinstance(part, list):
        return {name for value in part for name in _named(value)}
    return set()


def _inside(part: Any) -> Any:
    """Give the same with references to its own definitions."""
    if isinstance(part, dict):
        return {key: _inside(value) for key, value in part.items()}
    if isinstance(part, list):
        return [_inside(value) for value in part]
    if isinstance(part, str) and part.startswith(_FROM_SHARED):
        return "#/$defs/" + part.removeprefix(_FROM_SHARED)
    return part
