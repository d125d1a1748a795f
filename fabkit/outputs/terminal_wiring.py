"""The wiring at a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fabkit.base.streams import clean
from fabkit.base.tables import Cell, Column, Record, Table, columns_of
from fabkit.base.units import counted
from fabkit.outputs.terminal import print_boards, print_findings, print_table

if TYPE_CHECKING:
    from rich.console import Console

SCANS = {
    "direct": "one pin a key",
    "matrix": "rows and columns",
    "other": "neither one pin a key nor rows and columns",
    "unknown": "not known",
}

FACES = {"top": "front", "bottom": "back"}
"""Faces are called as the pictures call them."""


def print_wiring(console: Console, record: Record) -> None:
    """Print one table a half, with what was taken for granted, then the findings."""
    print_boards(console, record["boards"])
    console.print(f"Wiring of {clean(record['name'])}, read from {clean(record['source'])}")
    for sentence in record["rule"]:
        console.print(f"  {clean(sentence)}")
    for half in record["halves"]:
        console.print()
        console.print(_head(half))
        for sentence in half["assumed"]:
            console.print(f"  {clean(sentence)}")
        print_table(console, _table(half))
    print_findings(console, record)


def _head(half: Record) -> str:
    hand = {"left": "Left half", "right": "Right half", "whole": "Keyboard"}[half["hand"]]
    keys = counted(len(half["keys"]), "key")
    text = f"{hand}, {FACES[half['face_up']]} up: {keys}, {SCANS[half['scan']]}"
    if half["common"]:
        text += f" against {clean(half['common'])}"
    ways = {k["current"] for k in half["keys"]}
    if len(ways) == 1 and any(ways):
        text += f", current from {ways.pop().replace(' to ', ' into ')}"
    if half["controllers"]:
        text += f"; controller pins on {', '.join(clean(r) for r in half['controllers'])}"
    return text


def _table(half: Record) -> Table:
    """Columns that this kind of wiring has."""
    matrix = half["scan"] in ("matrix", "other")
    tail = ("row", "row pin", "column", "column pin", "diode") if matrix else ("net", "pin")
    numbers = ("row", "column", "x_mm", "y_mm", "angle")
    rows: list[tuple[Cell, ...]] = []
    mixed = len({k["current"] for k in half["keys"]}) > 1
    for k in half["keys"]:
        lines = [k["row_line"], k["column_line"]] if matrix else [k["line"]]
        cells: list[Cell] = []
        for line in lines:
            cells += ["", ""] if line is None else [line["net"], _pin_text(line)]
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


def _pin_text(line: Record) -> str:
    """Pin with reference and number, and the parts on the way."""
    ends = [f"{p['ref']}.{p['pin']}" if p["pin"] else p["ref"] for p in line["pins"]]
    named = [
        f"{p['function']} ({end})" if p["function"] else end
        for p, end in zip(line["pins"], ends, strict=True)
    ]
    way = f" through {', '.join(line['through'])}" if line["through"] else ""
    return (", ".join(named) or "-") + way
