"""The user's table of pins: names for pads that the files leave nameless, as CSV or TOML."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fabkit.base.errors import SheetError, UnreadableInput, UsageError
from fabkit.sheets.reading import Count, Line, read_as
from fabkit.sheets.toml_text import SheetText, read_sheet, read_text
from fabkit.wiring.model import Wiring

COLUMNS: Final = ("name", "ref", "pad", "x_mm", "y_mm")

EXPECTED: Final = "name, and x_mm with y_mm, or pad (and ref where several parts have that pad)"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPin:
    """One row: a name, and the pad that has it, by number or by place."""

    name: str
    ref: str
    pad: str
    at_mm: tuple[float, float] | None
    line: int


def pin_form(found: Wiring) -> str:
    """Make a pin table to fill in, as CSV: every hole a controller may sit in, without names.

    Parameters
    ----------
    found
        As :func:`fabkit.list_wiring` gives it.

    Raises
    ------
    UsageError
        There is no such hole, or the files name the pins already.
    """
    holes = [hole for number in sorted(found.headers) for hole in found.headers[number]]
    if not holes:
        raise UsageError(
            "no row of holes for a controller that the files leave nameless",
            hint=f"pins were read from {found.source}",
        )
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for hole in holes:
        writer.writerow(("", hole.row, hole.number, f"{hole.x_mm + 0:.3f}", f"{hole.y_mm + 0:.3f}"))
    return text.getvalue()


def load_pins(path: Path) -> tuple[NamedPin, ...]:
    """Load a pin table; its ending shows whether it is TOML or CSV.

    Raises
    ------
    UnreadableInput
        It cannot be read.
    SheetError
        A row is wrong; names file, line and what was expected.
    """
    rows = _toml(read_sheet(path)) if path.suffix.lower() == ".toml" else _csv(path)
    if not rows:
        raise UnreadableInput(f"{path}: no pins in this table", hint=f"a row has {EXPECTED}")
    seen: dict[object, NamedPin] = {}
    for row in rows:
        key = row.at_mm or (row.ref, row.pad)
        if key in seen:
            raise _error(path, row.line, f"the same pad as in line {seen[key].line}")
        seen[key] = row
    return rows


def _error(path: Path | str, line: int, message: str) -> SheetError:
    return SheetError(message, file=str(path), line=line, key="(row)", expected=EXPECTED)


def _csv(path: Path) -> tuple[NamedPin, ...]:
    text = read_text(path, what="pin table")
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    reader = csv.DictReader(io.StringIO(text), delimiter=mark)
    heads = [(h or "").strip().lower() for h in reader.fieldnames or ()]
    unknown = [h for h in heads if h not in COLUMNS]
    if unknown or "name" not in heads:
        wrong = f"'{unknown[0]}' is no column" if unknown else "there is no column 'name'"
        raise SheetError(
            wrong,
            file=str(path),
            line=1,
            key="(heads)",
            expected="columns out of " + ", ".join(COLUMNS),
        )
    reader.fieldnames = heads
    rows = []
    try:
        for row in reader:
            cells = {k: (v or "").strip() for k, v in row.items() if k and isinstance(v, str)}
            # A hole of a table to fill in that was left without a name is no pin.
            unfilled = not cells.get("name") and all(map(cells.get, COLUMNS[1:]))
            if any(cells.values()) and not unfilled:
                rows.append(_row(path, reader.line_num, cells))
    except csv.Error as error:
        raise _error(path, reader.line_num, f"not a table: {error}") from error
    return tuple(rows)


def _row(path: Path | str, line: int, cells: dict[str, str]) -> NamedPin:
    at = None
    if cells.get("x_mm") or cells.get("y_mm"):
        try:
            at = (float(cells.get("x_mm", "")), float(cells.get("y_mm", "")))
        except ValueError:
            raise _error(path, line, "x_mm and y_mm are not two numbers") from None
        if not all(abs(v) < 1e5 for v in at):
            raise _error(path, line, "x_mm or y_mm is out of range")
    if not cells.get("name"):
        raise _error(path, line, "a pin without a name")
    if at is None and not cells.get("pad"):
        raise _error(path, line, "give a place or a pad number")
    return NamedPin(
        name=cells["name"],
        ref=cells.get("ref", ""),
        pad=cells.get("pad", ""),
        at_mm=at,
        line=line,
    )


@dataclass(frozen=True, kw_only=True)
class _PinTable:
    """One ``[[pin]]``."""

    name: str
    ref: str = ""
    pad: str = ""
    at_mm: tuple[float, float] | None = None
    line: Line


@dataclass(frozen=True, kw_only=True)
class _PinFile:
    format: Count
    pin: tuple[_PinTable, ...]


def _toml(text: SheetText) -> tuple[NamedPin, ...]:
    rows = []
    for pin in read_as(_PinFile, text, what="the pin table").pin:
        x, y = map(str, pin.at_mm) if pin.at_mm is not None else ("", "")
        cells = {"name": pin.name, "ref": pin.ref, "pad": pin.pad, "x_mm": x, "y_mm": y}
        rows.append(_row(text.file, pin.line or 1, cells))
    return tuple(rows)


@dataclass(frozen=True, kw_only=True)
class _KeyOrder:
    """The order of keys by hand."""

    format: Count
    keys: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    right: tuple[str, ...] = ()


def load_key_order(path: Path) -> dict[str, tuple[str, ...]]:
    """Load the order of keys by hand: ``left``, ``right``, or ``keys`` for every half.

    Raises
    ------
    UnreadableInput
        It cannot be read.
    SheetError
        A key is wrong, or a reference is there twice.
    """
    text = read_sheet(path)
    order = read_as(_KeyOrder, text, what="the order of keys")
    found = {"keys": order.keys, "left": order.left, "right": order.right}
    for name, refs in found.items():
        twice = next((r for r in refs if refs.count(r) > 1), None)
        if twice is not None:
            raise text.error((name,), f"'{twice}' is there twice", expected="each reference once")
    if not any(found.values()):
        raise text.error((), "no keys", expected='keys = ["SW1", "SW2"], or left and right')
    return {name: refs for name, refs in found.items() if refs}
