"""``fabkit quote``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from fabkit.cli import options, ordering


@click.command("quote")
@ordering.WANTED
@ordering.choices
@click.option(
    "--quantity",
    "quantities",
    type=click.IntRange(min=1),
    multiple=True,
    metavar="N",
    help="Boards of each design to price; around your need without it.  Repeatable.",
)
@click.option("--why", is_flag=True, help="Show the rule and the numbers behind every line.")
@ordering.TODAY
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(wanted: Path, why: bool, today: datetime | None, as_json: bool, **given: Any) -> None:
    """Price one half over several order quantities.

    Boards, options, shipping, tax and parts; minimum order and step of the house; what is left
    over.  Five boards of a reversible design make two and a half keyboards.

    \b
    Example:
      fabkit quote gerbers.zip --keyboards 2 --house my-house.toml --why
    """
    from fabkit import api
    from fabkit.outputs import money_records, terminal

    order = ordering.read_order(wanted, **given)
    house, *others = [api.load_house(path) for path in order.houses or (None,)]
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("pricing")
        costs = api.quote(
            boards,
            order,
            bill=api.list_parts(boards, order),
            house=house,
            others=others,
            today=ordering.read_day(today),
        )
    record = money_records.cost_record(costs)
    if as_json:
        options.print_json("quote", record)
    else:
        terminal.print_costs(terminal.make_console(), record, why=why)
