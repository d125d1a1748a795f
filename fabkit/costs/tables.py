"""The comparisons of a cost sheet as tables: ways, revisions, shares, houses, effects."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from fabkit.costs.model import CostSheet
from fabkit.sheets.money import unit_price

Cell = str | int | Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class CostTable:
    """A titled table."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def cost_tables(sheet: CostSheet) -> tuple[CostTable, ...]:
    """All comparisons that have rows."""
    tables = (_ways(sheet), _revisions(sheet), _shares(sheet), _houses(sheet), _effects(sheet))
    return tuple(t for t in tables if t.rows)


def _four(value: Decimal | None) -> Decimal | str:
    return "" if value is None else unit_price(value)


def _ways(sheet: CostSheet) -> CostTable:
    def rows() -> Iterator[tuple[Cell, ...]]:
        for way in sheet.ways:
            mark = "as ordered" if way.ordered else ""
            if way.offer is None:
                yield way.title, "", "", "", "", f"not possible: {way.reason}"
            else:
                yield (
                    way.title,
                    way.offer.quantity,
                    way.offer.total,
                    _four(way.offer.per_half_used),
                    _four(way.offer.per_half),
                    mark,
                )

    return CostTable(
        title="Ways to make the pair",
        head=("way", "pieces", "total", "per half, bare", "per half", "remark"),
        rows=tuple(rows()),
    )


def _revisions(sheet: CostSheet) -> CostTable:
    found = sheet.revisions
    rows: tuple[tuple[Cell, ...], ...] = ()
    if found is not None:
        even = "never within 50" if found.break_even is None else found.break_even
        rows = (
            ("first build", _four(found.first)),
            ("  of it used up", _four(found.used_up)),
            ("  of it carried over", _four(found.carried_over)),
            ("each next revision", _four(found.next)),
            (f"average over {found.planned}", _four(found.average)),
            ("average when nothing is carried over", _four(found.all_new_average)),
            ("carrying over pays from revision", even),
        )
    return CostTable(title="Revisions, per half", head=("what", "cost"), rows=rows)


def _shares(sheet: CostSheet) -> CostTable:
    return CostTable(
        title="Who pays what",
        head=("builder", "keyboards", "pays"),
        rows=tuple((s.name, s.keyboards, s.amount) for s in sheet.shares),
    )


def _houses(sheet: CostSheet) -> CostTable:
    return CostTable(
        title="Houses compared",
        head=("house", "pieces", "total", "per half", "remark"),
        rows=tuple(
            (
                row.name,
                row.offer.quantity if row.offer else "",
                row.offer.total if row.offer else "",
                _four(row.offer.per_half) if row.offer else "",
                row.reason or ("invented" if row.invented else ""),
            )
            for row in sheet.houses
        ),
    )


def _effects(sheet: CostSheet) -> CostTable:
    return CostTable(
        title="What moves the half most",
        head=("input", "change", "per half", "difference"),
        rows=tuple(
            (e.title, e.change, _four(e.per_half), _four(e.difference)) for e in sheet.effects
        ),
    )
