"""Plants in placement tables and parts lists: rows that fit another state of the board."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from yardstick.gerber_text import Unfit
from yardstick.kind import Plant, first, kind, pick
from yardstick.parcel import Parcel

PLACED = ("placement/", "board/")
LISTED = ("partslist/",)
NAMES = "ref|desig|part"
Row = list[str]


@dataclass(frozen=True)
class Sheet:
    """A table with commas: what stands above its rows, its rows, and its columns by their words."""

    parcel: Parcel
    name: str
    head: list[Row]
    rows: list[Row]

    def column(self, words: str) -> int:
        """Number of the first column whose heading has one of the words."""
        found = [n for n, w in enumerate(self.head[-1]) if re.search(words, w, re.IGNORECASE)]
        return first(found, f"column of {words}")

    def made(self, rows: list[Row]) -> Plant:
        """The package with other rows."""
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows([*self.head, *rows])
        return Plant(self.parcel.with_text(self.name, text.getvalue()), None, (self.name,))

    def changed(self, row: Row, column: int, value: str) -> Plant:
        """The package with one cell written anew."""
        new = [*row[:column], value, *row[column + 1 :]]
        return self.made([new if other is row else other for other in self.rows])


def _sheet(parcel: Parcel, names: list[str], words: str) -> Sheet:
    name = first(names, "table")
    rows = [r for r in csv.reader(parcel.text(name).splitlines()) if r]
    at = first(
        [n for n, r in enumerate(rows) if re.search(words, ",".join(r), re.IGNORECASE)], "heading"
    )
    if len(rows[at]) < 3:
        raise Unfit("no table with commas")
    return Sheet(parcel, name, rows[: at + 1], rows[at + 1 :])


def _placed(parcel: Parcel) -> Sheet:
    return _sheet(parcel, parcel.placements, "rot")


def _listed(parcel: Parcel) -> Sheet:
    names = [n for n in sorted(parcel.files) if n.lower().endswith(".csv")]
    return _sheet(parcel, [n for n in names if n not in parcel.placements], NAMES)


def _added(cell: str, change: Callable[[float], float]) -> str:
    return re.sub(r"-?\d+(\.\d*)?", lambda m: f"{change(float(m[0])):.3f}", cell, count=1)


def _surface(parcel: Parcel, sheet: Sheet, least: int = 5) -> list[Row]:
    """Rows of parts that have pads on one face alone, and fellows of their letters."""
    ref = sheet.column(NAMES)
    faces: dict[str, set[str]] = {}
    for pad in parcel.pads:
        faces.setdefault(pad.mark.part, set()).add(pad.side)
    mine = [r for r in sheet.rows if len(faces.get(r[ref], ())) == 1]
    letters = [re.sub(r"\d.*", "", r[ref]) for r in mine]
    return [r for r, word in zip(mine, letters, strict=True) if letters.count(word) >= least]


@kind("tables/face-mirrored", "Mirrors the places of all parts on the bottom.", *PLACED)
def face_mirrored(parcel: Parcel, _: Random) -> Plant:
    sheet = _placed(parcel)
    left, _b, right, _t = parcel.edge
    x, side = sheet.column(r"x\b"), sheet.column("side|layer")
    rows = [
        [*r[:x], _added(r[x], lambda v: left + right - v), *r[x + 1 :]]
        if r[side].lower().startswith("b")
        else r
        for r in sheet.rows
    ]
    if sum(r[side].lower().startswith("b") for r in rows) < 4:
        raise Unfit("fewer than four parts on the bottom")
    return sheet.made(rows)


@kind("tables/side-exchanged", "States the other face for one surface part.", *PLACED)
def side_exchanged(parcel: Parcel, rng: Random) -> Plant:
    sheet = _placed(parcel)
    row, side = pick(rng, _surface(parcel, sheet, 1), "surface part"), sheet.column("side|layer")
    return sheet.changed(row, side, "Top" if row[side].lower().startswith("b") else "Bottom")


@kind("tables/part-moved", "Moves one placed part of several alike by 5 mm.", *PLACED)
def part_moved(parcel: Parcel, rng: Random) -> Plant:
    sheet = _placed(parcel)
    row, x = pick(rng, _surface(parcel, sheet), "surface part"), sheet.column(r"x\b")
    return sheet.changed(row, x, _added(row[x], lambda v: v + 5))


@kind("tables/part-turned", "Turns one placed part of several alike by 180 degrees.", *PLACED)
def part_turned(parcel: Parcel, rng: Random) -> Plant:
    sheet = _placed(parcel)
    row, turn = pick(rng, _surface(parcel, sheet), "surface part"), sheet.column("rot")
    return sheet.changed(row, turn, _added(row[turn], lambda v: (v + 180) % 360))


@kind("tables/row-lost", "Leaves one part of several alike out of the placement table.", *PLACED)
def row_lost(parcel: Parcel, rng: Random) -> Plant:
    sheet = _placed(parcel)
    row = pick(rng, _surface(parcel, sheet), "surface part")
    return sheet.made([other for other in sheet.rows if other is not row])


@kind("tables/stranger", "Adds a part that the board does not have to the table.", *PLACED)
def stranger(parcel: Parcel, rng: Random) -> Plant:
    sheet = _placed(parcel)
    row, ref = pick(rng, _surface(parcel, sheet), "surface part"), sheet.column(NAMES)
    return sheet.made([*sheet.rows, [*row[:ref], re.sub(r"\d+", "99", row[ref]), *row[ref + 1 :]]])


@kind("tables/reference-lost", "Leaves one reference out of a row of the parts list.", *LISTED)
def reference_lost(parcel: Parcel, rng: Random) -> Plant:
    sheet = _listed(parcel)
    ref, number = sheet.column(NAMES), sheet.column("quant|qty")
    row = pick(rng, [r for r in sheet.rows if len(r[ref].split()) > 5], "row of several parts")
    rest = row[ref].split()[:-1]
    new = [*row]
    new[ref], new[number] = " ".join(rest), str(len(rest))
    return sheet.made([new if other is row else other for other in sheet.rows])


@kind(
    "tables/value-lost", "Empties the value of one row of the parts list.", *LISTED, weight="know"
)
def value_lost(parcel: Parcel, rng: Random) -> Plant:
    sheet = _listed(parcel)
    return sheet.changed(pick(rng, sheet.rows, "row"), sheet.column("value"), "")
