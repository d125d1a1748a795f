"""The order file as the page changes it: read and judged as by the command, edited in its text.

The page never sends paths of the machine: an order file may only name what lies in its own folder.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import fields
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from fabkit.base.errors import UsageError
from fabkit.checks.rulebook import refuse_unknown
from fabkit.desk.store import ORDER_FILE, SHEETS, OrderFolder
from fabkit.parts.book import PartsBook, PartsFile, book_from, load_parts, parts_template
from fabkit.sheets.house import House, HouseFile, house_from, house_template, load_house
from fabkit.sheets.order import Order, OrderFile, named_paths, order_from, refuse_missing
from fabkit.sheets.settings import fill_order
from fabkit.sheets.toml_text import KeyPath, SheetText, dotted, parse_sheet, read_sheet_bytes

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


SHEET_KEYS: Final = {"house": "sheets.houses.0", "parts": "sheets.parts"}
"""By kind of sheet: the key of the order file that names the one in use."""


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
        A path leads nowhere.
    """
    text = data.decode("utf-8-sig")
    for path, value in values.items():
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
