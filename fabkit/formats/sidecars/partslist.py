"""Reads parts tables (bills of material) that lie beside the layers."""

from __future__ import annotations

import re
from typing import Final

from fabkit.base.findings import ProblemLog
from fabkit.formats.sidecars import rules
from fabkit.formats.sidecars.model import ListedPart, PartsTable
from fabkit.formats.sidecars.placement import (
    ABSENT_WORDS,
    FITTED_WORDS,
    FOOTPRINT_WORDS,
    REF_WORDS,
    VALUE_WORDS,
    is_fitted,
)
from fabkit.formats.sidecars.tables import Row, decode, find_table, line_offsets

_KNOWN: Final = {
    "ref": (
        *("designator", "designators", "refdes", "references", "reference", "refs", "ref"),
        *("referencedesignator", "referencedesignators", "parts", *REF_WORDS[6:]),
    ),
    "value": VALUE_WORDS,
    "footprint": FOOTPRINT_WORDS,
    "quantity": ("quantity", "qty", "count", "amount", "pcs", "number", "quantityperpcb"),
    "part_number": (
        *("mpn", "manufacturerpartnumber", "manufacturerpart", "mfrpartnumber", "mfrpart"),
        *("mfgpartnumber", "mfgpart", "mfgpn", "mfrpn", "partnumber", "partno", "pn"),
    ),
    "manufacturer": ("manufacturer", "mfr", "mfg", "maker", "manufacturername", "brand"),
    "fitted": FITTED_WORDS,
    "absent": ABSENT_WORDS,
}
_RANGE: Final = re.compile(r"^([A-Za-z_]+)(\d{1,5})\s*[-–]\s*\1?(\d{1,5})$")
_LONGEST_RANGE: Final = 1000


def _accepts(fields: frozenset[str]) -> bool:
    described = fields & {"value", "footprint", "part_number"}
    return "ref" in fields and (("quantity" in fields and bool(described)) or len(described) >= 2)


def looks_like_parts(data: bytes) -> bool:
    """Check whether a heading line with designators and values or quantities is found."""
    if b"\x00" in data[:64] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return False
    return find_table(decode(data[:65536]), _KNOWN, _accepts) is not None


def read_parts(data: bytes, *, name: str) -> PartsTable:
    """Read a parts table; never raises on content."""
    log = ProblemLog(name)
    table = find_table(decode(data), _KNOWN, _accepts)
    if table is None:
        log.add(rules.PARTS_NO_TABLE, "no heading with designators and values")
        return PartsTable(name=name, rows=(), problems=log.freeze(data))
    offsets = line_offsets(data)
    table.report(rules.PARTS_CELLS, log, offsets)
    rows = []
    seen: set[str] = set()
    for row in table.rows:
        at = offsets[row.line - 1] if row.line <= len(offsets) else None
        listed = _read_row(row, log, at)
        if listed is None:
            continue
        for ref in listed.refs:
            if ref in seen:
                log.add(rules.PARTS_DOUBLE, f"{ref} is listed more than once", offset=at)
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
        log.add(rules.PARTS_ROW, "row without designators or quantity", offset=offset)
        return None
    for ref in refs:
        if _RANGE.match(ref):
            log.add(
                rules.PARTS_QUANTITY,
                f"{ref} is no range of designators",
                offset=offset,
                assumed="counted as one part",
            )
    if count is not None and refs and count != len(refs):
        log.add(
            rules.PARTS_QUANTITY,
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
        fitted=is_fitted(row),
        line=row.line,
    )
