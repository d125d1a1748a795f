"""Reads placement (centroid, pick-and-place) tables: where each part sits and how it is turned."""

from __future__ import annotations

import re
from typing import Final, Literal

from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.sidecars import rules
from fabkit.formats.sidecars.model import PlacedPart, Placement
from fabkit.formats.sidecars.tables import (
    Row,
    Table,
    decode,
    find_table,
    find_unit,
    line_offsets,
    parse_number,
)

REF_WORDS: Final = (
    "designator",
    "refdes",
    "referencedesignator",
    "reference",
    "ref",
    "designation",
    "part",
    "name",
    "component",
    "item",
)
VALUE_WORDS: Final = ("value", "val", "comment", "partvalue", "description", "component", "name")
FOOTPRINT_WORDS: Final = ("footprint", "package", "pattern", "landpattern", "case", "packagetype")
FITTED_WORDS: Final = ("fitted", "populate", "populated", "mounted", "fit")
ABSENT_WORDS: Final = ("dnp", "dnf", "dni", "donotpopulate", "donotplace", "donotfit", "notes")
_KNOWN: Final = {
    "ref": REF_WORDS,
    "value": VALUE_WORDS,
    "footprint": FOOTPRINT_WORDS,
    "x": (
        *("midx", "centerx", "centrex", "centroidx", "posx", "x", "xpos", "xposition"),
        *("positionx", "xcoord", "xcoordinate", "xcenter", "xcentre", "xlocation", "locationx"),
        "refx",
    ),
    "y": (
        *("midy", "centery", "centrey", "centroidy", "posy", "y", "ypos", "yposition"),
        *("positiony", "ycoord", "ycoordinate", "ycenter", "ycentre", "ylocation", "locationy"),
        "refy",
    ),
    "rotation": ("rotation", "rot", "angle", "orientation", "rotationdeg", "theta"),
    "side": ("side", "layer", "tb", "boardside", "mountside", "face", "mountingside"),
    "fitted": FITTED_WORDS,
    "absent": ABSENT_WORDS,
}
_TOP: Final = frozenset(
    ("top", "t", "front", "f", "toplayer", "topside", "primary", "componentside", "comp")
)
_BOTTOM: Final = frozenset(
    ("bottom", "bot", "b", "back", "bottomlayer", "bottomside", "secondary", "solderside", "solder")
)
_ABSENT_VALUES: Final = ("dnp", "dnf", "dni", "yes", "y", "true", "1", "x")
_UNFITTED_VALUES: Final = ("no", "n", "false", "0", "dnp", "dnf", "dni")

Side = Literal["top", "bottom"]


def _accepts(fields: frozenset[str]) -> bool:
    return {"ref", "x", "y"} <= fields and bool(fields & {"rotation", "side"})


def looks_like_placement(data: bytes) -> bool:
    """Check whether a heading line with designator, X, Y and rotation or side is found."""
    if b"\x00" in data[:64] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return False
    return find_table(decode(data[:65536]), _KNOWN, _accepts) is not None


def is_fitted(row: Row) -> bool:
    """Whether a row's part is to be fitted, from its yes/no columns."""
    if row.cells.get("absent", "").strip().lower() in _ABSENT_VALUES:
        return False
    return row.cells.get("fitted", "").strip().lower() not in _UNFITTED_VALUES


def read_placement(data: bytes, *, name: str) -> Placement:
    """Read a placement table; never raises on content.

    Parameters
    ----------
    data
        The file.
    name
        Its member name, for messages and, when no column states it, for the side.
    """
    log = ProblemLog(name)
    table = find_table(decode(data), _KNOWN, _accepts)
    if table is None:
        log.add(rules.PLACEMENT_NO_TABLE, "no heading with designator, X, Y and rotation or side")
        return Placement(name=name, parts=(), problems=log.freeze(data))
    offsets = line_offsets(data)
    general = find_unit(table.preamble)
    reader = _Rows(table, log, general, _side_of_file(name, table))
    table.report(rules.PLACEMENT_CELLS, log, offsets)
    parts = []
    seen: set[str] = set()
    for row in table.rows:
        at = offsets[row.line - 1] if row.line <= len(offsets) else None
        part = reader.read(row, at)
        if part is None:
            continue
        if part.ref in seen:
            log.add(
                rules.PLACEMENT_DOUBLE,
                f"{part.ref} is placed more than once",
                offset=at,
                # What has neither value nor footprint is lettering or a mark, not a part.
                severity=None if part.value or part.footprint else Severity.NOTE,
            )
        seen.add(part.ref)
        parts.append(part)
    if parts and not reader.unit_stated:
        log.add(rules.PLACEMENT_UNIT, "no unit stated", assumed="read as millimetres")
    if reader.guessed_sides:
        log.add(
            rules.PLACEMENT_SIDE,
            "the side is not given in words",
            assumed=reader.guessed_sides,
        )
    return Placement(
        name=name,
        parts=tuple(parts),
        unit_stated=reader.unit_stated,
        problems=log.freeze(data),
        nameless=reader.nameless,
    )


def _side_of_file(name: str, table: Table) -> Side | None:
    for line in table.preamble:
        found = re.search(r"(?i)\bside\s*[:=]\s*(top|bottom|front|back)", line)
        if found:
            return "top" if found[1].lower() in _TOP else "bottom"
    words = set(re.findall(r"[a-z]+", name.lower()))
    top, bottom = bool(words & {"top", "front"}), bool(words & {"bottom", "bot", "back"})
    return None if top == bottom else "top" if top else "bottom"


class _Rows:
    """Reads rows of one table, remembering what had to be assumed."""

    def __init__(
        self, table: Table, log: ProblemLog, general: float | None, file_side: Side | None
    ) -> None:
        self._table = table
        self._log = log
        self._general = general
        self._file_side = file_side
        self.unit_stated = general is not None
        self.guessed_sides = ""
        self.nameless = 0

    def read(self, row: Row, offset: int | None) -> PlacedPart | None:
        ref = row.cells.get("ref", "")
        x, y = self._length(row, "x"), self._length(row, "y")
        if not ref or x is None or y is None:
            placed = x is not None and y is not None
            self.nameless += placed and bool(row.cells.get("value") or row.cells.get("footprint"))
            if row.cells.get("x") or row.cells.get("y"):
                self._log.add(
                    rules.PLACEMENT_ROW, "row without designator or position", offset=offset
                )
            else:
                # A closing word, a rule, or a part that was never placed.
                self._log.add(
                    rules.PLACEMENT_ROW,
                    "row without a position",
                    offset=offset,
                    severity=Severity.NOTE,
                )
            return None
        turn = parse_number(
            row.cells.get("rotation", "") or "0", decimal_comma=self._table.decimal_comma
        )
        if turn is None:
            self._log.add(
                rules.PLACEMENT_ROW, "rotation is not a number", offset=offset, assumed="read as 0"
            )
        return PlacedPart(
            ref=ref,
            value=row.cells.get("value", ""),
            footprint=row.cells.get("footprint", ""),
            x_mm=x,
            y_mm=y,
            rotation_deg=turn[0] if turn else 0.0,
            side=self._side(row),
            fitted=is_fitted(row),
            line=row.line,
        )

    def _length(self, row: Row, field: str) -> float | None:
        number = parse_number(row.cells.get(field, ""), decimal_comma=self._table.decimal_comma)
        if number is None:
            return None
        unit = number[1] or self._table.unit_of(field)
        if unit is not None:
            self.unit_stated = True
        return number[0] * (unit or self._general or 1.0)

    def _side(self, row: Row) -> Side:
        word = re.sub(r"[^a-z0-9]", "", row.cells.get("side", "").lower())
        if word in _TOP or word.startswith(("top", "front")):
            return "top"
        if word in _BOTTOM or word.startswith(("bot", "back")):
            return "bottom"
        if self._file_side is not None:
            return self._file_side
        if word in ("0", "1"):
            self.guessed_sides = "0 read as top, 1 as bottom"
            return "bottom" if word == "1" else "top"
        self.guessed_sides = "read as top"
        return "top"
