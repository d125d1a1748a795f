"""What the files say in words about each reference: attributes, placement table, parts table."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fabkit.base.natural import natural
from fabkit.board.model import Board
from fabkit.formats.sidecars.model import PartsTable, Placement
from fabkit.package.model import RoleKind, Side

ATTRIBUTES = "component attributes"
PLACEMENT = "placement table"
TABLE = "parts table"
HOLES = "hole pattern"
LANDS = "pads"
FIXED = "fixed count"
ORDER = (ATTRIBUTES, PLACEMENT, TABLE, HOLES, LANDS, FIXED)
"""Sources, the most telling first."""

_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})|\\([0-9A-Fa-f]{4})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One reference as merged from the sources that name it; the first source's fields win."""

    ref: str
    fields: Mapping[str, str]
    side: Side | None
    sources: tuple[str, ...]
    fitted: bool = True
    pieces: int = 1
    """More than one, or none of a reference, for a row of a table without references."""
    named: bool = True


def decoded(text: str) -> str:
    r"""A text with its escapes decoded (Gerber Layer Format 2021.02, section 3.4.3).

    >>> decoded(r"G\002A\002A")
    'G**'
    """
    return _ESCAPE.sub(lambda m: chr(int(m[1] or m[2] or m[3], 16)), text)


def read_records(board: Board) -> tuple[Record, ...]:
    """What the sources of a board say, merged by reference, in natural order."""
    found: dict[str, list[Record]] = {}
    loose: list[Record] = []
    for record in (*_from_components(board), *_from_placements(board), *_from_tables(board)):
        if record.named:
            found.setdefault(record.ref, []).append(record)
        else:
            loose.append(record)
    merged = [_merge(group) for group in found.values()]
    return (*sorted(merged, key=lambda r: natural(r.ref)), *loose)


def _merge(group: Sequence[Record]) -> Record:
    fields: dict[str, str] = {}
    for record in group:
        for name, value in record.fields.items():
            if value and not fields.get(name):
                fields[name] = value
    return Record(
        ref=group[0].ref,
        fields=fields,
        side=next((r.side for r in group if r.side), None),
        sources=tuple(s for s in ORDER if any(s in r.sources for r in group)),
        fitted=all(r.fitted for r in group),
    )


def _from_components(board: Board) -> Iterable[Record]:
    for part in board.components:
        yield Record(
            ref=part.ref,
            fields={
                "ref": decoded(part.ref),
                "value": decoded(part.value),
                "footprint": decoded(part.footprint),
                "part_number": decoded(part.part_number),
                "manufacturer": decoded(part.manufacturer),
                "mount": part.mount,
                "pins": str(len(part.pins)) if part.pins else "",
            },
            side=part.side,
            sources=(PLACEMENT if part.origin == PLACEMENT else ATTRIBUTES,),
        )


def _from_placements(board: Board) -> Iterable[Record]:
    for file in board.package.of(RoleKind.PLACEMENT):
        if isinstance(file.content, Placement):
            for row in file.content.parts:
                yield Record(
                    ref=row.ref,
                    fields={"ref": row.ref, "value": row.value, "footprint": row.footprint},
                    side=row.side,
                    sources=(PLACEMENT,),
                    fitted=row.fitted,
                )


def _from_tables(board: Board) -> Iterable[Record]:
    for file in board.package.of(RoleKind.PARTS):
        if isinstance(file.content, PartsTable):
            for row in file.content.rows:
                fields = {
                    "value": row.value,
                    "footprint": row.footprint,
                    "part_number": row.part_number,
                    "manufacturer": row.manufacturer,
                }
                for ref in row.refs:
                    yield Record(
                        ref=ref,
                        fields={"ref": ref, **fields},
                        side=None,
                        sources=(TABLE,),
                        fitted=row.fitted,
                    )
                if not row.refs:
                    yield Record(
                        ref=row.value or row.footprint or "row",
                        fields=fields,
                        side=None,
                        sources=(TABLE,),
                        fitted=row.fitted,
                        pieces=row.quantity,
                        named=False,
                    )
