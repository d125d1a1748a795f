"""The wiring: JSON, CSV, text, and through a template of the user's own."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.base.errors import UsageError
from fabkit.base.streams import clean
from fabkit.base.tables import Cell, Column, Record, Table, columns_of
from fabkit.base.units import counted
from fabkit.outputs.formats import to_csv, to_document, to_xlsx
from fabkit.outputs.records import finding_record, keyboard_record
from fabkit.outputs.terminal import Terminal, print_boards, print_findings
from fabkit.package.model import face_word
from fabkit.sheets.toml_text import read_text
from fabkit.wiring.model import HalfWiring, KeyWire, Line, Pin, Wiring
from fabkit.wiring.pins import NOTHING

if TYPE_CHECKING:
    from jinja2.sandbox import ImmutableSandboxedEnvironment


def wiring_record(wiring: Wiring) -> Record:
    """Record the wiring; keys are listed in the order of their numbers."""
    return {
        "name": wiring.name,
        "boards": [keyboard_record(said) for said in wiring.boards],
        "source": wiring.source,
        "rule": list(wiring.rule),
        "first": wiring.first,
        "halves": [_half(half) for half in wiring.halves],
        "findings": [finding_record(f) for f in wiring.problems],
    }


def _half(half: HalfWiring) -> Record:
    width, height = half.size_mm
    return {
        "hand": half.hand,
        "face_up": half.face_up,
        "scan": half.scan,
        "common": half.common,
        "controllers": list(half.controllers),
        "rows": [line.node for line in half.rows],
        "columns": [line.node for line in half.columns],
        "row_lines": [_line(line, half) for line in half.rows],
        "column_lines": [_line(line, half) for line in half.columns],
        "pitch_mm": round(half.pitch_mm, 3),
        "width_mm": round(width, 3),
        "height_mm": round(height, 3),
        "assumed": list(half.assumed),
        "keys": [_key(key, half) for key in half.keys],
    }


def _key(key: KeyWire, half: HalfWiring) -> Record:
    diodes = [d for line in key.lines for d in line.diodes]
    left = min(k.seen_x_mm for k in half.keys)
    top = max(k.seen_y_mm for k in half.keys)
    # A keyboard of one key has no pitch.  Units count from the corner of the first key, whose
    # middle lies half a unit away.
    pitch = half.pitch_mm or 1.0
    return {
        "index": key.index,
        "half": half.hand,
        "ref": key.ref,
        "instead_of": list(key.also),
        "row": key.row,
        "column": key.column,
        "matrix_row": _position(key.row_line, half.rows),
        "matrix_column": _position(key.column_line, half.columns),
        "x_mm": round(key.x_mm, 4),
        "y_mm": round(key.y_mm, 4),
        "seen_x_mm": round(key.seen_x_mm, 4),
        "seen_y_mm": round(key.seen_y_mm, 4),
        "down_mm": round(half.size_mm[1] - key.seen_y_mm, 4),
        "x_u": round((key.seen_x_mm - left) / pitch + 0.5, 3),
        "y_u": round((top - key.seen_y_mm) / pitch + 0.5, 3),
        "angle_deg": key.angle_deg,
        "nets": list(key.nodes),
        "line": _line(key.line, half),
        "row_line": _line(key.row_line, half),
        "column_line": _line(key.column_line, half),
        "diodes": [d.ref for d in diodes],
        "current": key.current,
        "cathode_assumed": any(d.assumed for d in diodes),
    }


def _position(line: Line | None, lines: Sequence[Line]) -> int | None:
    """Which of the rows or columns of the half a line is, from 0."""
    if line is None:
        return None
    return next((k for k, other in enumerate(lines) if other.node == line.node), None)


def _line(line: Line | None, half: HalfWiring) -> Record | None:
    """Record a line: ``pin`` is what people call it, ``position`` its place on the header."""
    if line is None:
        return None
    pins = [
        {"ref": p.ref, "pin": p.pin, "name": p.name, "function": p.function, "position": _where(p)}
        for p in line.pins
    ]
    return {
        "net": line.node,
        "pin": half.pin_words(line),
        "position": " = ".join(dict.fromkeys(map(_where, line.pins))),
        "pins": pins,
        "through": list(line.through),
    }


def _where(pin: Pin) -> str:
    """Write reference and number: ``J1.3``."""
    return f"{pin.ref}.{pin.pin}" if pin.pin else pin.ref


def wiring_files(wiring: Wiring) -> dict[str, bytes]:
    """``wiring.csv`` and ``wiring.json``."""
    return {
        "wiring.csv": to_csv(wiring.table()).encode(),
        "wiring.json": to_document("wiring", wiring_record(wiring)).encode(),
    }


def render_wiring(wiring: Wiring, form: str) -> str | bytes:
    """Write the wiring as ``csv``, ``json`` or ``xlsx``."""
    if form == "xlsx":
        return to_xlsx({"Wiring": wiring.table()})
    return wiring_files(wiring)[f"wiring.{form}"].decode()


SCANS = {
    "direct": "one pin a key",
    "matrix": "rows and columns",
    "other": "neither one pin a key nor rows and columns",
    "unknown": "not known",
}


def print_wiring(console: Terminal, record: Record) -> None:
    """Print one table a half, with what was assumed, then the findings."""
    print_boards(console, record["boards"])
    read = record["source"]
    said = ": no file names its pins" if read == NOTHING else f", read from {read}"
    console.print(f"Wiring of {record['name']}{said}")
    for sentence in record["rule"]:
        console.print(f"  {sentence}")
    for half in record["halves"]:
        console.print()
        console.print(_head(half))
        for sentence in half["assumed"]:
            console.print(f"  {sentence}")
        console.table(half_table(half))
    print_findings(console, record["findings"])


def _head(half: Record) -> str:
    hand = {"left": "Left half", "right": "Right half", "whole": "Keyboard"}[half["hand"]]
    keys = counted(len(half["keys"]), "key")
    text = f"{hand}, {face_word(half['face_up'])} up: {keys}, {SCANS[half['scan']]}"
    if half["common"]:
        text += f" against {half['common']}"
    ways = {k["current"] for k in half["keys"]}
    if len(ways) == 1 and any(ways):
        text += f", current from {ways.pop().replace(' to ', ' into ')}"
    if half["controllers"]:
        text += f"; controller pins on {', '.join(half['controllers'])}"
    return text


def half_table(half: Record) -> Table:
    """Keys of a half by number, with the columns that its kind of wiring has."""
    matrix = half["scan"] in ("matrix", "other")
    tail = ("row", "row pin", "column", "column pin", "diode") if matrix else ("net", "pin")
    numbers = ("row", "column", "x_mm", "y_mm", "angle")
    rows: list[tuple[Cell, ...]] = []
    # Where no controller is known, a line without a pin may have one.
    none = "-" if half["controllers"] else "not known"
    mixed = len({k["current"] for k in half["keys"]}) > 1
    for k in half["keys"]:
        lines = [k["row_line"], k["column_line"]] if matrix else [k["line"]]
        cells: list[Cell] = []
        for line in lines:
            cells += ["", none] if line is None else [line["net"], _pin_text(line, none)]
        if not matrix and k["line"] is None:
            cells[0] = ", ".join(k["nets"])
        if matrix:
            cells.append(" ".join(k["diodes"]) + (f", {k['current']}" if mixed else ""))
        name = k["ref"] + (f" (or {', '.join(k['instead_of'])})" if k["instead_of"] else "")
        place = (f"{k['seen_x_mm']:.2f}", f"{k['seen_y_mm']:.2f}", f"{k['angle_deg']:g}")
        rows.append((k["index"], name, k["row"], k["column"], *place, *cells))
    columns = (
        Column("no.", number=True),
        Column("key"),
        *columns_of("row", "column", "x_mm", "y_mm", "angle", numbers=numbers),
        *columns_of(*tail),
    )
    return Table(columns, tuple(rows))


def _pin_text(line: Record, none: str) -> str:
    """Pin with reference and number, or what stands for none, and the parts on the way."""
    named = [
        f"{p['function']} ({p['position']})" if p["function"] else p["position"]
        for p in line["pins"]
    ]
    way = f" through {', '.join(line['through'])}" if line["through"] else ""
    return (", ".join(named) or none) + way


TEMPLATE_BYTES = 2**20
"""Larger than any template written by a person."""

RENDERED_CHARACTERS = 5_000_000
"""A loop that writes more than this is a mistake."""


def load_template(path: Path) -> str:
    """Load a template and check that it is in order.

    Raises
    ------
    UnreadableInput
        It is missing, too large or not text.
    UsageError
        As for :func:`check_template`.
    """
    text = read_text(path, what="template", most=TEMPLATE_BYTES)
    check_template(text, name=path.name)
    return text


KNOWN = frozenset({"name", "source", "rule", "first", "halves", "findings", "keys"})
"""Names a template knows."""


def check_template(text: str, *, name: str = "template") -> None:
    """Refuse a template that is wrong, before there is anything to fill it with.

    Raises
    ------
    UsageError
        Its syntax is wrong, or it asks for a name that there is not; names the line.
    """
    from jinja2 import TemplateError, meta

    try:
        tree = _room().parse(text)
        unknown = sorted(meta.find_undeclared_variables(tree) - KNOWN)
    except TemplateError as error:
        raise _wrong(error, name) from error
    if unknown:
        line = next((k for k, t in enumerate(text.splitlines(), 1) if unknown[0] in t), 1)
        near = get_close_matches(unknown[0], KNOWN, n=1)
        raise UsageError(
            f"{name}, line {line}: '{unknown[0]}' is undefined",
            hint=f"did you mean '{near[0]}'?" if near else HINT,
        )


_FAULTS = (ArithmeticError, LookupError, TypeError, ValueError, RecursionError)
"""What a template's own expressions may run into."""

HINT = "a template knows the names that --json prints"


def _room() -> ImmutableSandboxedEnvironment:
    from jinja2 import StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    class Room(ImmutableSandboxedEnvironment):
        """Names of the record come before those of Python: ``half.keys`` are its keys."""

        def getattr(self, obj: object, attribute: str) -> object:
            if isinstance(obj, dict) and attribute in obj:
                return obj[attribute]
            return super().getattr(obj, attribute)

    return Room(
        undefined=StrictUndefined,
        autoescape=False,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render_template(text: str, record: Record, *, name: str = "template") -> str:
    """Fill a jinja2 template with a wiring record.

    It knows ``name``, ``source``, ``rule``, ``first``, ``halves``, ``findings`` as the JSON has
    them, and ``keys``: all keys in the order of their numbers.  It runs in a sandbox, reads no
    other file, and a name it does not know is an error.

    Raises
    ------
    UsageError
        The template is wrong; names the line.
    """
    from jinja2 import TemplateError

    check_template(text, name=name)
    clean_record: Record = {key: _cleaned(value) for key, value in record.items()}
    room = _room()
    keys = [k for half in clean_record["halves"] for k in half["keys"]]
    keys.sort(key=lambda k: k["index"])
    pieces: list[str] = []
    written = 0
    try:
        for piece in room.from_string(text).generate(**{**clean_record, "keys": keys}):
            pieces.append(piece)
            written += len(piece)
            if written > RENDERED_CHARACTERS:
                raise UsageError(
                    f"{name}: it writes more than {RENDERED_CHARACTERS} characters",
                    hint="check whether one of its loops is meant to be that long",
                )
    except (TemplateError, *_FAULTS) as error:
        raise _wrong(error, name) from error
    return "".join(pieces)


def _wrong(error: Exception, name: str) -> UsageError:
    """Say what is wrong in a template, and in which line."""
    what = getattr(error, "message", str(error)) or type(error).__name__
    return UsageError(f"{name}{_line_of(error)}: {what}", hint=HINT)


def _line_of(error: Exception) -> str:
    """Line of the template, from the error or from where it was raised."""
    line = getattr(error, "lineno", None)
    step = error.__traceback__
    while line is None and step is not None:
        if step.tb_frame.f_code.co_filename == "<template>":
            line = step.tb_lineno
        step = step.tb_next
    return "" if line is None else f", line {line}"


def _cleaned(value: object) -> object:
    """Take control characters out of a record: its names come from files others wrote."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict):
        return {k: _cleaned(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_cleaned(v) for v in value]
    return value
