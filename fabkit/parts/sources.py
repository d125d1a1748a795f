"""What each source says is on a board: attributes, placement table, parts table, hole patterns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fabkit.board.model import Board
from fabkit.keyboard.patterns import Pattern
from fabkit.keyboard.sites import Site, find_sites
from fabkit.package.model import RoleKind, Side
from fabkit.sidecars.model import PartsTable, Placement

ATTRIBUTES = "component attributes"
PLACEMENT = "placement table"
TABLE = "parts table"
HOLES = "hole pattern"
FIXED = "fixed count"
ORDER = (ATTRIBUTES, PLACEMENT, TABLE, HOLES, FIXED)
"""The first source that knows a part counts it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One reference as merged from the sources that name it; the first source's fields win."""

    ref: str
    fields: Mapping[str, str]
    side: Side | None
    x_mm: float | None
    y_mm: float | None
    sources: tuple[str, ...]
    fitted: bool = True
    named: bool = True
    """False for a row of a table without references: ``ref`` only tells its pieces apart."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Seen:
    """Everything the sources of one board say."""

    board: Board
    records: tuple[Record, ...]
    sites: tuple[Site, ...]
    present: tuple[str, ...]
    """Sources that exist at all."""


def read_sources(board: Board, patterns: Sequence[Pattern]) -> Seen:
    """Gather and merge the sources of a board; records by reference in natural order."""
    found: dict[str, list[Record]] = {}
    present = []
    for name, records in (
        (ATTRIBUTES, list(_from_components(board, ATTRIBUTES))),
        (PLACEMENT, [*_from_placements(board)] or list(_from_components(board, PLACEMENT))),
        (TABLE, list(_from_tables(board))),
    ):
        if records:
            present.append(name)
        for record in records:
            found.setdefault(record.ref, []).append(record)
    merged = [_merge(group) for group in found.values()]
    merged.sort(key=lambda r: _natural(r.ref))
    sites = find_sites(board.holes, patterns, slots=board.slots)
    if sites:
        present.append(HOLES)
    return Seen(board=board, records=tuple(merged), sites=sites, present=tuple(present))


def _natural(ref: str) -> tuple[str, int, str]:
    """Sort key under which C2 comes before C10; numbers are compared by length, then by digits."""
    stem = ref.rstrip("0123456789")
    digits = ref[len(stem) :].lstrip("0")
    return stem, len(digits), ref


def _merge(group: Sequence[Record]) -> Record:
    first = group[0]
    fields: dict[str, str] = {}
    for record in group:
        for name, value in record.fields.items():
            if value and not fields.get(name):
                fields[name] = value
    placed = next((r for r in group if r.x_mm is not None), None)
    return Record(
        ref=first.ref,
        fields=fields,
        side=next((r.side for r in group if r.side), None),
        x_mm=placed.x_mm if placed else None,
        y_mm=placed.y_mm if placed else None,
        sources=tuple(dict.fromkeys(s for r in group for s in r.sources)),
        fitted=all(r.fitted for r in group),
        named=first.named,
    )


def _from_components(board: Board, origin: str) -> Iterable[Record]:
    for part in board.components:
        placed = part.origin == PLACEMENT
        if placed is (origin == PLACEMENT):
            yield Record(
                ref=part.ref,
                fields={
                    "ref": part.ref,
                    "value": part.value,
                    "footprint": part.footprint,
                    "part_number": part.part_number,
                    "manufacturer": part.manufacturer,
                    "mount": part.mount,
                    "pins": str(len(part.pins)) if part.pins else "",
                },
                side=part.side,
                x_mm=part.x_mm,
                y_mm=part.y_mm,
                sources=(origin,),
            )


def _from_placements(board: Board) -> Iterable[Record]:
    for file in board.package.of(RoleKind.PLACEMENT):
        if isinstance(file.content, Placement):
            for row in file.content.parts:
                yield Record(
                    ref=row.ref,
                    fields={"ref": row.ref, "value": row.value, "footprint": row.footprint},
                    side=row.side,
                    x_mm=row.x_mm,
                    y_mm=row.y_mm,
                    sources=(PLACEMENT,),
                    fitted=row.fitted,
                )


def _from_tables(board: Board) -> Iterable[Record]:
    for file in board.package.of(RoleKind.PARTS):
        if isinstance(file.content, PartsTable):
            for row in file.content.rows:
                names = row.refs or tuple(
                    f"{row.value or row.footprint or 'row'} #{i}"
                    for i in range(1, row.quantity + 1)
                )
                for ref in names:
                    yield Record(
                        ref=ref,
                        fields={
                            "ref": ref,
                            "value": row.value,
                            "footprint": row.footprint,
                            "part_number": row.part_number,
                            "manufacturer": row.manufacturer,
                        },
                        side=None,
                        x_mm=None,
                        y_mm=None,
                        sources=(TABLE,),
                        fitted=row.fitted,
                        named=bool(row.refs),
                    )
