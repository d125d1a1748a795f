"""The wiring as plain dictionaries, and as rows of a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fabkit.outputs.json import to_document
from fabkit.outputs.records import finding_record, keyboard_record
from fabkit.outputs.tables import to_csv
from fabkit.wiring.model import HalfWiring, KeyWire, Line, Pin, Wiring

Record = dict[str, Any]


def wiring_record(wiring: Wiring) -> Record:
    """Everything about the wiring; keys are listed in the order of their numbers."""
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
    # A keyboard of one key has no pitch.
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
    """A line; ``pin`` is what people call it, ``position`` where it is on the header."""
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
    """Reference and number: ``J1.3``."""
    return f"{pin.ref}.{pin.pin}" if pin.pin else pin.ref


def wiring_csv(wiring: Wiring) -> str:
    """The table as CSV."""
    return to_csv(wiring.table())


def wiring_files(wiring: Wiring) -> dict[str, bytes]:
    """``wiring.csv`` and ``wiring.json``."""
    return {
        "wiring.csv": wiring_csv(wiring).encode(),
        "wiring.json": to_document("wiring", wiring_record(wiring)).encode(),
    }
