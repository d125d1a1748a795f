"""What carries over between revisions, as plain dictionaries and as rows."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fabkit.costs.model import CostSheet
from fabkit.outputs.money_records import plan_record
from fabkit.outputs.tables import to_csv
from fabkit.parts.carry import CarryOver

Record = dict[str, Any]


def carry_record(parts: CarryOver, with_it: CostSheet, without: CostSheet) -> Record:
    """Parts that move, are bought and stay, and the new revision's cost both ways."""
    return {
        "old": parts.old,
        "new": parts.new,
        "kept_keyboards": parts.kept,
        "currency": with_it.currency.code,
        "notices": _notices(parts, with_it),
        "lines": parts.table().records(),
        "plan": plan_record(parts.plan),
        "cost": {
            "with": _cost(with_it),
            "without": _cost(without),
            "saved_per_half": _saved(with_it, without),
        },
    }


def _cost(sheet: CostSheet) -> Record | None:
    """The cheapest offer that covers the need; None when there is none."""
    best = sheet.best
    if best is None:
        return None
    money = sheet.currency
    half = best.per_half
    return {
        "boards": best.boards,
        "board_total": best.board_total,
        "parts_total": best.parts_total,
        "total": best.total,
        "per_half": None if half is None else money.round(half),
    }


def _saved(with_it: CostSheet, without: CostSheet) -> Decimal | None:
    """Difference of the two costs per half, rounded once."""
    a, b = without.best, with_it.best
    if a is None or b is None or a.per_half is None or b.per_half is None:
        return None
    return with_it.currency.round(a.per_half - b.per_half)


def _notices(parts: CarryOver, with_it: CostSheet) -> list[str]:
    """What every output must repeat, each once."""
    return list(dict.fromkeys((*with_it.notices, *parts.bill.notices)))


def carry_csv(parts: CarryOver, with_it: CostSheet) -> str:
    """The table as CSV, with the notices that every output repeats as last rows."""
    table = parts.table()
    keys = [column.key for column in table.columns if column.key != "key"]
    return to_csv(table.only(*keys), notes=_notices(parts, with_it))
