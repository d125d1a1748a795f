"""The order file as the page changes it, what the page offers to choose, and what it says is wrong.

It is read and judged as by the command, and edited in its text.  The page never sends paths of the
machine: an order file may only name what lies in its own folder.  What is offered comes from the
order file, the sheets, and what a run found out.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import fields
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from fabkit.base.errors import FabkitError, SheetError, UsageError, explain
from fabkit.base.streams import clean
from fabkit.base.tables import Record
from fabkit.board.model import size_words
from fabkit.checks.catalogue import refuse_unknown
from fabkit.desk.store import ORDER_FILE, SHEETS, OrderFolder
from fabkit.mending.model import load_corrections
from fabkit.outputs.model import OrderContents
from fabkit.package.model import RoleKind
from fabkit.package.words import STATED_ROLES
from fabkit.parts.book import NOTHING, PartsBook, PartsFile, book_from, load_parts, parts_template
from fabkit.sheets.house import House, HouseFile, house_from, house_template, load_house
from fabkit.sheets.order import BoardUse, Order, OrderFile, named_paths, order_from, refuse_missing
from fabkit.sheets.settings import fill_order
from fabkit.sheets.toml_text import (
    LINE_CHARACTERS,
    KeyPath,
    SheetText,
    dotted,
    parse_sheet,
    read_sheet_bytes,
)

MOST_CHANGES: Final = 100
"""More than a page changes at once."""
_PART: Final = re.compile(r'\.?(?:"((?:[^"\\]|\\["\\])*)"|([^."]+))')
"""One key of a dotted path; in quotes it may hold dots."""


# Read


def read_order(data: bytes, folder: Path) -> Order:
    """Read an order file, its paths relative to its folder, with what the user's settings add.

    Raises
    ------
    FabkitError
        As for ``fabkit order``; or a path leads out of the folder.
    """
    text = read_sheet_bytes(data, file=ORDER_FILE)
    order = order_from(text, base=Path())
    for key, path in named_paths(order):
        if not _is_inside(folder / path, folder):
            raise text.error(
                key, f"{path} is not in the folder of this order", expected="a file of this order"
            )
    refuse_missing(order, text, base=folder)
    refuse_unknown(silence.rule for silence in order.silenced)
    return fill_order(order)[0]


def _is_inside(path: Path, folder: Path) -> bool:
    try:
        found = path.resolve()
    except (OSError, RuntimeError, ValueError):
        return False
    return found != folder.resolve() and folder.resolve() in found.parents


# Sheets


def kind_of_sheet(text: SheetText) -> str:
    """Tell which of our files a text is: ``order``, ``house`` or ``parts``.

    Raises
    ------
    UsageError
        It is none of them.
    """
    kinds: Mapping[str, type] = {"order": OrderFile, "house": HouseFile, "parts": PartsFile}
    shared = {"format", "name", "invented"}
    told = {
        kind: len((set(text.data) - shared) & {field.name for field in fields(made)})
        for kind, made in kinds.items()
    }
    best = max(told, key=lambda kind: told[kind])
    if not told[best]:
        raise UsageError(
            f"{text.file} is neither a package nor a sheet",
            hint="give a zip or folder of exported files, a house sheet or a parts book",
        )
    return best


def judge_sheet(text: SheetText, kind: str) -> House | PartsBook:
    """Read a house sheet or parts book; raises as the commands do."""
    return house_from(text) if kind == "house" else book_from(text)


def sheet_path(order: Order | None, kind: str) -> Path | None:
    """Path of the sheet in use; None for the bundled one."""
    if order is None:
        return None
    return next(iter(order.houses), None) if kind == "house" else order.parts


def sheet_text(folder: OrderFolder, order: Order | None, kind: str) -> str:
    """Give the text of the sheet in use; where it is the bundled one, a template to begin with."""
    path = sheet_path(order, kind)
    if path is not None:
        return (folder.path / path).read_text(encoding="utf-8-sig")
    return house_template() if kind == "house" else parts_template()


@lru_cache(maxsize=16)
def read_house(data: bytes, name: str) -> House:
    """Read a house sheet of bytes, once for each text."""
    return house_from(read_sheet_bytes(data, file=name))


def house_in_use(folder: OrderFolder, order: Order | None) -> House:
    """Read the house sheet that is ordered by."""
    path = sheet_path(order, "house")
    return (
        load_house() if path is None else read_house((folder.path / path).read_bytes(), str(path))
    )


def book_in_use(folder: OrderFolder, order: Order | None) -> PartsBook:
    """Read the parts book in use."""
    path = sheet_path(order, "parts")
    return load_parts(None if path is None else folder.path / path)


def new_sheet_path(folder: OrderFolder, order: Order | None, kind: str) -> str:
    """Where a sheet of this kind is written: over the one in use if it is the order's own."""
    path = sheet_path(order, kind)
    own = path is not None and _is_inside(folder.path / path, folder.path)
    return path.as_posix() if own and path is not None else f"{SHEETS}/{kind}.toml"


# Edit


def parse_path(path: str) -> KeyPath:
    """Read a dotted path of the page; items of lists by number from 0.

    >>> parse_path('board.0.roles."2.gbr"'), parse_path("want.keyboards")
    (('board', 0, 'roles', '2.gbr'), ('want', 'keyboards'))

    Raises
    ------
    UsageError
        It is not a path.
    """
    keys: list[str | int] = []
    at = 0
    while at < len(path):
        found = _PART.match(path, at)
        if found is None or (at == 0) == path.startswith(".", at):
            break
        quoted, plain = found.groups()
        if quoted is not None:
            keys.append(re.sub(r"\\(.)", r"\1", quoted))
        else:
            keys.append(int(plain) if re.fullmatch(r"[0-9]{1,6}", plain) else plain)
        at = found.end()
    if at != len(path) or not keys or not isinstance(keys[0], str):
        raise UsageError(f"'{path[:80]}' is no key of the order file")
    return tuple(keys)


def changed(data: bytes, values: Mapping[str, Any]) -> bytes:
    """Change values in the text of an order file; comments and all else stay.

    Parameters
    ----------
    values
        By dotted path: the new value; None takes the key out.

    Raises
    ------
    UsageError
        A path leads nowhere, or more is to be changed than a page asks for at once.
    """
    text = data.decode("utf-8-sig")
    # Each change parses the whole text, and a list takes time with the square of its length.
    if len(values) > MOST_CHANGES:
        raise UsageError(f"more than {MOST_CHANGES} changes at once", hint="send fewer")
    for path, value in values.items():
        if not isinstance(value, dict) and len(json.dumps(value)) > LINE_CHARACTERS:
            raise UsageError(
                f"{path[:60]}: a value of more than {LINE_CHARACTERS} characters",
                hint="write less, or edit the text of the order",
            )
        keys = parse_path(path)
        text = _with(_uncommented(text, keys, value), keys, value)
    return text.encode()


def _with(text: str, keys: KeyPath, value: object) -> str:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        _put(document, keys, value)
        made = tomlkit.dumps(document)
    except (TOMLKitError, TypeError, ValueError, KeyError, IndexError, AttributeError) as error:
        raise UsageError(f"{dotted(keys)} cannot be set here") from error
    # The library may fail to write what it was given; the text must say what was meant.
    wanted = parse_sheet(text, file=ORDER_FILE).data
    _put(wanted, keys, value)
    if _plain(parse_sheet(made, file=ORDER_FILE).data) != _plain(wanted):
        raise UsageError(f"{dotted(keys)} cannot be set here", hint="edit the text of the order")
    return made


def _put(table: Any, keys: KeyPath, value: object) -> None:
    """Set or remove a value in nested tables and lists; tables on the way are made."""
    for key, following in pairwise(keys):
        if isinstance(key, int):
            table = table[key]
        else:
            if key not in table:
                if value is None:
                    return
                table[key] = [] if isinstance(following, int) else {}
            table = table[key]
    last = keys[-1]
    if value is None:
        if isinstance(last, int) or last in table:
            del table[last]
    elif isinstance(last, int) and last == len(table):
        table.append(value)
    else:
        table[last] = value


def _plain(value: object) -> object:
    """Numbers as text, so that 1.20 of a page equals 1.20 of a file."""
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items() if one not in ({}, [])}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(one) for one in value]
    return f"{float(value):.9g}" if _is_number(value) else value  # type: ignore[arg-type]


def _is_number(value: object) -> bool:
    from decimal import Decimal

    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _uncommented(text: str, keys: KeyPath, value: object) -> str:
    """Put a key where its default stands as a comment, so that it is not added somewhere below."""
    if value is None or len(keys) not in (1, 2) or not all(isinstance(k, str) for k in keys):
        return text
    *table, key = keys
    lines = text.split("\n")
    inside = not table
    name = re.escape(str(key))
    for n, line in enumerate(lines):
        header = re.match(r"\s*\[\[?\s*([\w-]+)\s*\]", line)
        if header:
            inside = header[1] == (table[0] if table else None)
        elif inside and re.match(rf"\s*{name}\s*=", line):
            return text
        elif inside and (found := re.match(rf"# {name} = .*?(?P<why> +#.*)?$", line)):
            # Any value of its kind: the next step writes the right one.
            kind = {bool: "true", str: '""', list: "[]"}.get(type(value), "0")
            lines[n] = f"{key} = {kind}{found['why'] or ''}"
            return "\n".join(lines)
    return text


# Offered


MOST_COPPER: Final = 16
"""Copper layers of which each can be chosen on the page; more are stated in the order file."""
BESIDE_LAYERS: Final = (RoleKind.JOB, RoleKind.NETLIST, RoleKind.PLACEMENT, RoleKind.PARTS)
"""Files that are no layers; what they are is not in doubt."""
MOST_ASSIGNED: Final = 600
"""References offered to be assigned; a page with more is of no use."""

USES: Final[dict[BoardUse, str]] = {
    "reversible": "one design for either half",
    "left": "left half",
    "right": "right half",
    "both": "both halves on one board",
    "whole": "a keyboard that is not split",
    "plate": "plate without copper",
    "none": "no keyboard",
}


def known_record(contents: OrderContents) -> Record:
    """Record what a run found out about boards, findings and parts."""
    findings: dict[str, Record] = {}
    for judged in contents.boards:
        for found in judged.result:
            findings.setdefault(
                found.rule.id,
                {
                    "id": found.rule.id,
                    "title": found.rule.title,
                    "consequence": found.consequence.word,
                    "message": found.message,
                },
            )
    choice = contents.order.choice
    return {
        "boards": {
            judged.ordered.package.as_posix(): {
                "use": judged.ordered.use,
                "edges": [
                    f"{size_words(reading.profile)}: {reading.name}"
                    for reading in judged.board.edge.readings
                ],
                "panel": judged.board.panel is not None,
                "files": [
                    {"name": file.name, "role": str(file.role)}
                    for file in judged.board.package.files
                    if file.role.kind not in BESIDE_LAYERS
                ][:MOST_ASSIGNED],
            }
            for judged in contents.boards
        },
        "findings": list(findings.values()),
        "thickness": {"value": f"{choice.thickness_mm:f}", "from": choice.thickness_from},
        "assign": [
            {"ref": ref, "as": "; ".join(one.taken_for) or one.place.kind}
            for one in contents.bill.found
            for ref in one.place.refs
        ][:MOST_ASSIGNED],
    }


def choices_record(folder: OrderFolder, order: Order) -> Record:
    """Give what the controls of the page are filled with."""
    known = folder.record("known")
    choice = order.choice
    made: Record = {
        "keyboards": order.keyboards,
        "spare_halves": order.spare_halves,
        "halves": order.halves_wanted,
        "quantities": list(order.quantities),
        "mend": order.mend,
        "mend_with": _offered(list(order.mend_with), _also_mended(order, known)),
        "boards": [
            _board_record(n, one.package.as_posix(), order, known)
            for n, one in enumerate(order.boards)
        ],
        "silenced": [{"id": s.rule, "reason": s.reason} for s in order.silenced],
        "findings": known.get("findings", []),
        "role_offers": [*STATED_ROLES, *(f"inner copper {n}" for n in range(2, MOST_COPPER))],
        "mapping": dict(order.mapping),
        "assign": known.get("assign", []),
    }
    try:
        house = house_in_use(folder, order)
    except FabkitError as error:
        return {**made, "house": {"name": None, "error": error.message}}
    options = house.options
    settled = known.get("thickness", {}) if not choice.thickness_from else {}
    made |= {
        "house": {"name": house.name, **_sheet_record(order, "house", house.invented)},
        "thickness": _offered(
            settled.get("value", f"{choice.thickness_mm:f}"),
            [(f"{mm:g}", f"{mm:g} mm") for mm in options.thickness_mm],
        )
        | {"from": settled.get("from", choice.thickness_from)},
        "copper": _offered(
            f"{choice.copper_oz:f}", [(f"{oz:g}", f"{oz:g} oz/ft²") for oz in options.copper_oz]
        ),
        "colour": _offered(choice.colour, [(key, key) for key in options.colours]),
        "finish": _offered(
            choice.finish, [(key, one.title or key) for key, one in options.finishes.items()]
        ),
        "lead_time": _offered(
            choice.lead_time, [(k, k) for k in (house.rates.lead_time if house.rates else ())]
        ),
        "extras": _offered(
            list(choice.extras), [(k, k) for k in (house.rates.extras if house.rates else ())]
        ),
    }
    try:
        book = book_in_use(folder, order)
    except FabkitError as error:
        return {**made, "parts": {"name": None, "error": error.message}, "assign_offers": []}
    made["parts"] = {"name": book.name, **_sheet_record(order, "parts", book.invented)}
    parts = [(part.key, part.title) for part in book.parts]
    made["assign_offers"] = _offers([*parts, (NOTHING, "nothing: no part to buy")])
    return made


def _also_mended(order: Order, known: Record) -> list[tuple[str, str]]:
    """Corrections on request: those made already, and those that would end what was found."""
    found = {finding["id"] for finding in known.get("findings", [])}
    return [
        (name, one.title)
        for name, one in load_corrections().items()
        if one.asked and (name in order.mend_with or not found.isdisjoint(one.heals))
    ]


def _board_record(number: int, package: str, order: Order, known: Record) -> Record:
    one = order.boards[number]
    found = known.get("boards", {}).get(package, {})
    edges = [(str(n), text) for n, text in enumerate(found.get("edges", []), 1)]
    if found.get("panel"):
        edges = [("panel", "the panel as it is"), ("board", "one board of it"), *edges]
    return {
        "name": one.name,
        "package": package,
        "reading": one.stated,
        "found": found.get("use"),
        "readings": _offers(list(USES.items())),
        "edge": one.edge,
        "edges": _offers(edges) if len(edges) > 1 else [],
        "roles": dict(one.roles),
        "files": found.get("files", []),
        "per_keyboard": one.per_keyboard if one.counted else None,
    }


def _sheet_record(order: Order, kind: str, invented: bool) -> Record:
    path = sheet_path(order, kind)
    return {"file": None if path is None else path.as_posix(), "invented": invented}


def _offered(value: object, offers: list[tuple[str, str]]) -> Record:
    return {"value": value, "offers": _offers(offers)}


def _offers(pairs: list[tuple[Any, str]]) -> list[Record]:
    return [{"value": value, "title": title} for value, title in pairs]


# Errors as the page shows them


def error_record(error: Exception) -> Record:
    """Record an error: what is wrong, what to do, and in which line and key of a sheet."""
    message, hint, _ = explain(error)
    if isinstance(error, SheetError):
        return said(message, hint, line=error.line, key=error.key)
    return said(message, hint)


def said(message: str, hint: str, *, line: int | None = None, key: str | None = None) -> Record:
    """Record what the page says: a message, and what to do."""
    return {"message": clean(message), "hint": clean(hint), "line": line, "key": key}
