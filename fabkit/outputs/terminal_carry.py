"""What carries over between revisions, at a terminal."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from fabkit.base.streams import clean
from fabkit.base.tables import Column, Record, Table, columns_of
from fabkit.outputs.terminal import BUY_SHOWN, print_notices, print_table
from fabkit.parts.carry import CarryOver

if TYPE_CHECKING:
    from rich.console import Console

SHOWN = (
    "part",
    "built_in",
    "lost",
    "drawer",
    "wanted",
    "moves",
    "from_drawer",
    "buy",
    "left",
)
"""Columns that fit a terminal; CSV and JSON have the rest."""


def print_carry(console: Console, parts: CarryOver, record: Record) -> None:
    """Print the parts, what is still bought, and the cost both ways."""
    money = record["currency"]
    console.print(f"From {clean(parts.old)} to {clean(parts.new)}")
    if parts.kept:
        console.print(f"  {parts.kept} old keyboards stay as they are")
    print_table(console, parts.table().only(*SHOWN))
    if parts.plan.purchases:
        bought = parts.plan.table().only(*BUY_SHOWN)
        print_table(console, replace(bought, title=f"still to buy, in {money}"))
    console.print(f"parts still to buy: {parts.plan.total} {money}")
    costs = _cost_table(record)
    if costs.rows:
        print_table(console, costs)
        console.print(f"saved by carrying over: {record['cost']['saved_per_half']} {money} a half")
    else:
        console.print("no quantity covers the need: `fabkit quote` of the new revision says why")
    print_notices(console, record)


def _cost_table(record: Record) -> Table:
    numbers = ("boards", "board_total", "parts_total", "total", "per_half")
    return Table(
        (
            Column("way", "cost of the new revision"),
            Column("boards", number=True),
            Column("board_total", "boards cost", number=True),
            Column("parts_total", "parts cost", number=True),
            *columns_of("total", "per_half", numbers=numbers),
        ),
        tuple(
            (way, *(cost[key] for key in numbers))
            for way, cost in (
                ("with carry-over", record["cost"]["with"]),
                ("all bought anew", record["cost"]["without"]),
            )
            if cost is not None
        ),
        title=f"in {record['currency']}",
    )
