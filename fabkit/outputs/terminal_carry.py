"""What carries over between revisions, at a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fabkit.base.streams import clean
from fabkit.outputs.carry_records import COLUMNS, carry_rows
from fabkit.outputs.sheets import BUY_COLUMNS, buy_rows
from fabkit.outputs.terminal import print_notices, print_table

if TYPE_CHECKING:
    from rich.console import Console

Record = dict[str, Any]

_SHOWN = (0, 2, 3, 5, 7, 8, 9, 10, 11)
"""Columns that fit a terminal; CSV and JSON have the rest."""


def print_carry(console: Console, record: Record) -> None:
    """Print the parts, what is still bought, and the cost both ways."""
    money = record["currency"]
    console.print(f"From {clean(record['old'])} to {clean(record['new'])}")
    if record["kept_keyboards"]:
        console.print(f"  {record['kept_keyboards']} old keyboards stay as they are")
    rows = [[row[k] for k in _SHOWN] for row in carry_rows(record)]
    print_table(console, [COLUMNS[k] for k in _SHOWN], rows, right=range(1, len(_SHOWN)))
    if record["plan"]["purchases"]:
        title = f"still to buy, in {money}"
        bought = [row[:-1] for row in buy_rows(record)]
        print_table(console, BUY_COLUMNS[:-1], bought, right=range(2, 7), title=title)
    console.print(f"parts still to buy: {record['plan']['total']} {money}")
    cost = record["cost"]
    heads = ("cost of the new revision", "boards", "boards cost", "parts cost", "total", "per half")
    costs = [
        (
            words,
            c["boards"],
            c["board_total"],
            c["parts_total"],
            c["total"],
            c["per_half"],
        )
        for words, c in (("with carry-over", cost["with"]), ("all bought anew", cost["without"]))
        if c is not None
    ]
    if costs:
        print_table(console, heads, costs, right=range(1, 6), title=f"in {money}")
        console.print(f"saved by carrying over: {cost['saved_per_half']} {money} a half")
    else:
        console.print("no quantity covers the need: `fabkit quote` of the new revision says why")
    print_notices(console, record)
