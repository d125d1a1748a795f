"""What carries over between revisions, as plain dictionaries and as rows."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fabkit.costs.model import CostSheet
from fabkit.outputs.money_records import plan_record
from fabkit.outputs.tables import to_csv
from fabkit.parts.carry import CarryOver

Record = dict[str, Any]

COLUMNS = (
    "part",
    "lasting",
    "in old boards",
    "lost",
    "stays there",
    "in the drawer",
    "needed",
    "with spares",
    "moves over",
    "from the drawer",
    "buy",
    "left in the drawer",
)


def carry_record(parts: CarryOver, with_it: CostSheet, without: CostSheet) -> Record:
    """Parts that move, are bought and stay, and the new revision's cost both ways."""
    return {
        "old": parts.old,
        "new": parts.new,
        "kept_keyboards": parts.kept,
        "currency": with_it.currency.code,
        "notices": list(dict.fromkeys((*with_it.notices, *parts.bill.notices))),
        "lines": [
            {
                "key": a.key,
                "part": a.title,
                "lasting": a.lasting.value,
                "built_in": a.built_in,
                "lost": a.lost,
                "stays": a.stays,
                "drawer": a.drawer,
                "needed": a.needed,
                "wanted": a.wanted,
                "moves": a.moves,
                "from_drawer": a.from_drawer,
                "buy": a.buy,
                "left": a.left,
            }
            for a in parts.lines
        ],
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


def carry_rows(record: Record) -> list[tuple[object, ...]]:
    """Rows of :data:`COLUMNS`."""
    return [
        (
            a["part"],
            a["lasting"].replace("_", " "),
            a["built_in"],
            a["lost"],
            a["stays"],
            a["drawer"],
            a["needed"],
            a["wanted"],
            a["moves"],
            a["from_drawer"],
            a["buy"],
            a["left"],
        )
        for a in record["lines"]
    ]


def carry_csv(record: Record) -> str:
    """The table as CSV, with the notices that every output repeats as last rows."""
    blank = ("",) * (len(COLUMNS) - 1)
    notes: list[tuple[object, ...]] = [(f"Note: {n}", *blank) for n in record["notices"]]
    return to_csv(COLUMNS, carry_rows(record) + notes)
