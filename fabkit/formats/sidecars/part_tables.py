"""Reads tables of parts that lie beside the layers.

Placement (centroid, pick-and-place) tables state where each part sits and how it is turned, parts
tables (bills of material) what it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from fabkit.base.findings import ProblemLog, Rule, Severity
from fabkit.formats.sidecars.model import ListedPart, PartsTable, PlacedPart, Placement, Side
from fabkit.formats.sidecars.tables import (
    Row,
    Table,
    decode,
    find_table,
    find_unit,
    line_offsets,
    parse_number,
)
from fabkit.rules import load_rule

PLACEMENT_NO_TABLE: Final = load_rule("placement/no-table")
PLACEMENT_ROW: Final = load_rule("placement/bad-row")
PLACEMENT_CELLS: Final = load_rule("placement/cells")
PLACEMENT_DOUBLE: Final = load_rule("placement/double-designator")
PLACEMENT_UNIT: Final = load_rule("placement/unit-assumed")
PLACEMENT_SIDE: Final = load_rule("placement/side-assumed")
PARTS_NO_TABLE: Final = load_rule("partslist/no-table")
PARTS_ROW: Final = load_rule("partslist/bad-row")
PARTS_CELLS: Final = load_rule("partslist/cells")
PARTS_QUANTITY: Final = load_rule("partslist/quantity")
PARTS_DOUBLE: Final = load_rule("partslist/double-designator")

_REF: Final = (
    *("designator", "refdes", "referencedesignator", "reference", "ref", "designation"),
    *("part", "name", "component", "item"),
)
_SHARED: Final = {
    "value": ("value", "val", "comment", "partvalue", "description", "component", "name"),
    "footprint": ("footprint", "package", "pattern", "landpattern", "case", "packagetype"),
    "fitted": ("fitted", "populate", "populated", "mounted", "fit"),
    "absent": ("dnp", "dnf", "dni", "donotpopulate", "donotplace", "donotfit", "notes"),
}
_AXIS: Final = (
    *("mid?", "center?", "centre?", "centroid?", "pos?", "?", "?pos", "?position", "position?"),
    *("?coord", "?coordinate", "?center", "?centre", "?location", "location?", "ref?"),
)
_PLACED: Final = {
    "ref": _REF,
    **_SHARED,
    "x": tuple(word.replace("?", "x") for word in _AXIS),
    "y": tuple(word.replace("?", "y") for word in _AXIS),
    "rotation": ("rotation", "rot", "angle", "orientation", "rotationdeg", "theta"),
    "side": ("side", "layer", "tb", "boardside", "mountside", "face", "mountingside"),
}
_LISTED: Final = {
    "ref": (
        *("designator", "designators", "refdes", "references", "reference", "refs", "ref"),
        *("referencedesignator", "referencedesignators", "parts", *_REF[6:]),
    ),
    **_SHARED,
    "quantity": ("quantity", "qty", "count", "amount", "pcs", "number", "quantityperpcb"),
    "part_number": (
        *("mpn", "manufacturerpartnumber", "manufacturerpart", "mfrpartnumber", "mfrpart"),
        *("mfgpartnumber", "mfgpart", "mfgpn", "mfrpn", "partnumber", "partno", "pn"),
    ),
    "manufacturer": ("manufacturer", "mfr", "mfg", "maker", "manufacturername", "brand"),
}
_TOP: Final = frozenset(
    ("top", "t", "front", "f", "toplayer", "topside", "primary", "componentside", "comp")
)
_BOTTOM: Final = frozenset(
    ("bottom", "bot", "b", "back", "bottomlayer", "bottomside", "secondary", "solderside", "solder")
)
_ABSENT_VALUES: Final = ("dnp", "dnf", "dni", "yes", "y", "true", "1", "x")
_UNFITTED_VALUES: Final = ("no", "n", "false", "0", "dnp", "dnf", "dni")


def _is_placement(fields: frozenset[str]) -> bool:
    return {"ref", "x", "y"} <= fields and bool(fields & {"rotation", "side"})


def _is_parts(fields: frozenset[str]) -> bool:
    described = fields & {"value", "footprint", "part_number"}
    return "ref" in fields and (("quantity" in fields and bool(described)) or len(described) >= 2)


def looks_like_placement(data: bytes) -> bool:
    """Check whether a heading line with designator, X, Y and rotation or side is found."""
    return _is_text(data) and find_table(decode(data[:65536]), _PLACED, _is_placement) is not None


def looks_like_parts(data: bytes) -> bool:
    """Check whether a heading line with designators and values or quantities is found."""
    return _is_text(data) and find_table(decode(data[:65536]), _LISTED, _is_parts) is not None


def _is_text(data: bytes) -> bool:
    return b"\x00" not in data[:64] or data.startswith((b"\xff\xfe", b"\xfe\xff"))


def _rows(
    table: Table, data: bytes, rule: Rule, log: ProblemLog
) -> Iterator[tuple[Row, int | None]]:
    """Rows with the byte at which each begins, once what of them is a guess was reported."""
    offsets = line_offsets(data)
    table.report(rule, log, offsets)
    for row in table.rows:
        yield row, offsets[row.line - 1] if row.line <= len(offsets) else None


def _is_fitted(row: Row) -> bool:
    """Whether a row's part is to be fitted, from its yes/no columns."""
    if row.cells.get("absent", "").strip().lower() in _ABSENT_VALUES:
        return False
    return row.cells.get("fitted", "").strip().lower() not in _UNFITTED_VALUES


def read_placement(data: bytes, *, name: str) -> Placement:
    """Read a placement table; never raises on content.

    Parameters
    ----------
    name
        Its member name, for messages and, when no column states it, for the side.
    """
    log = ProblemLog(name)
    table = find_table(decode(data), _PLACED, _is_placement)
    if table is None:
        log.add(PLACEMENT_NO_TABLE, "no heading with designator, X, Y and rotation or side")
        return Placement(name=name, parts=(), problems=log.freeze(data))
    reader = _Placer(table, log, find_unit(table.preamble), _side_of_file(name, table))
    parts = []
    seen: set[str] = set()
    for row, at in _rows(table, data, PLACEMENT_CELLS, log):
        part = reader.read(row, at)
        if part is None:
            continue
        if part.ref in seen:
            log.add(
                PLACEMENT_DOUBLE,
                f"{part.ref} is placed more than once",
                offset=at,
                # What has neither value nor footprint is lettering or a mark, not a part.
                severity=None if part.value or part.footprint else Severity.NOTE,
            )
        seen.add(part.ref)
        parts.append(part)
    if parts and not reader.unit_stated:
        log.add(PLACEMENT_UNIT, "no unit stated", assumed="read as millimetres")
    if reader.guessed_sides:
        log.add(
            PLACEMENT_SIDE,
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


class _Placer:
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
            # Without either it is a closing word, a rule, or a part that was never placed.
            stated = row.cells.get("x") or row.cells.get("y")
            self._log.add(
                PLACEMENT_ROW,
                "row without designator or position" if stated else "row without a position",
                offset=offset,
                severity=None if stated else Severity.NOTE,
            )
            return None
        turn = parse_number(
            row.cells.get("rotation", "") or "0", decimal_comma=self._table.decimal_comma
        )
        if turn is None:
            self._log.add(
                PLACEMENT_ROW, "rotation is not a number", offset=offset, assumed="read as 0"
            )
        return PlacedPart(
            ref=ref,
            value=row.cells.get("value", ""),
            footprint=row.cells.get("footprint", ""),
            x_mm=x,
            y_mm=y,
            rotation_deg=turn[0] if turn else 0.0,
            side=self._side(row),
            fitted=_is_fitted(row),
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


_RANGE: Final = re.compile(r"^([A-Za-z_]+)(\d{1,5})\s*[-–]\s*\1?(\d{1,5})$")
_LONGEST_RANGE: Final = 1000


def read_parts(data: bytes, *, name: str) -> PartsTable:
    """Read a parts table; never raises on content."""
    log = ProblemLog(name)
    table = find_table(decode(data), _LISTED, _is_parts)
    if table is None:
        log.add(PARTS_NO_TABLE, "no heading with designators and values")
        return PartsTable(name=name, rows=(), problems=log.freeze(data))
    rows = []
    seen: set[str] = set()
    for row, at in _rows(table, data, PARTS_CELLS, log):
        listed = _read_row(row, log, at)
        if listed is None:
            continue
        for ref in listed.refs:
            if ref in seen:
                log.add(PARTS_DOUBLE, f"{ref} is listed more than once", offset=at)
            seen.add(ref)
        rows.append(listed)
    return PartsTable(name=name, rows=tuple(rows), problems=log.freeze(data))


_TO: Final = re.compile(
    r"\s*(?:[-\u2013\u2014~\u2026]|\.{2,3})\s*|\s+(?:to|through|thru)\s+", re.IGNORECASE
)
"""What stands between the first and the last of a range."""


def split_refs(text: str) -> tuple[str, ...]:
    """Designators of one cell; ranges are written out.

    >>> split_refs("R1, R3-R5 C2"), split_refs("C1..C3"), split_refs("D1 to D2")
    (('R1', 'R3', 'R4', 'R5', 'C2'), ('C1', 'C2', 'C3'), ('D1', 'D2'))
    """
    refs: list[str] = []
    for word in re.split(r"[,;\s]+", _TO.sub("-", text.strip())):
        found = _RANGE.match(word)
        if found and 0 <= int(found[3]) - int(found[2]) < _LONGEST_RANGE:
            refs += [f"{found[1]}{n}" for n in range(int(found[2]), int(found[3]) + 1)]
        elif word:
            refs.append(word)
    return tuple(refs)


def _read_row(row: Row, log: ProblemLog, offset: int | None) -> ListedPart | None:
    refs = split_refs(row.cells.get("ref", ""))
    said = row.cells.get("quantity", "")
    count = int(float(said)) if re.fullmatch(r"\d{1,6}(\.0*)?", said) else None
    if not refs and count is None:
        log.add(PARTS_ROW, "row without designators or quantity", offset=offset)
        return None
    for ref in refs:
        if _RANGE.match(ref):
            log.add(
                PARTS_QUANTITY,
                f"{ref} is no range of designators",
                offset=offset,
                assumed="counted as one part",
            )
    if count is not None and refs and count != len(refs):
        log.add(
            PARTS_QUANTITY,
            f"{', '.join(refs[:3])}: quantity {count}, {len(refs)} designators",
            offset=offset,
            assumed="the designators are counted",
        )
    return ListedPart(
        refs=refs,
        value=row.cells.get("value", ""),
        footprint=row.cells.get("footprint", ""),
        part_number=row.cells.get("part_number", ""),
        manufacturer=row.cells.get("manufacturer", ""),
        quantity=len(refs) or count or 0,
        fitted=_is_fitted(row),
        line=row.line,
    )
