"""``fabkit quote``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from fabkit.cli import grouping, options, ordering, printing


@click.command("quote", cls=grouping.Command)
@ordering.WANTED
@ordering.CHOICES
@ordering.QUANTITY
@options.SILENCE
@click.option("--why", is_flag=True, help="Show the rule and the numbers behind every line.")
@options.TODAY
@options.TEXT_OUT
@options.printed("csv", "markdown")
@options.REPLACE
@options.ROLE
@options.EDGE
@options.LIMIT
def command(
    wanted: Path,
    why: bool,
    today: datetime | None,
    out: Path | None,
    form: str | None,
    as_json: bool,
    replace: bool,
    **given: Any,
) -> None:
    """Price one half over several order quantities.

    Boards, options, shipping, tax and parts; minimum order and step of the house; what is left
    over.  Five boards of a reversible design make two and a half keyboards.

    \b
    Example:
      fabkit quote gerbers.zip --keyboards 2 --house my-house.toml --why
    """
    import fabkit
    from fabkit.outputs import terminal
    from fabkit.outputs.money import print_costs, render_costs

    chosen = options.form_of(form, as_json=as_json)
    printing.refuse(out, replace=replace)
    order = ordering.read_order(wanted, **given)
    house, *others = [fabkit.load_house(path) for path in order.houses or (None,)]
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("pricing")
        costs = fabkit.quote(
            boards,
            order,
            bill=fabkit.list_parts(boards, order),
            house=house,
            others=others,
            today=options.read_day(today),
        )
    if chosen == "text":
        printing.show(
            lambda console: print_costs(console, costs, why=why),
            out=out,
            replace=replace,
        )
    else:
        printing.show(render_costs(costs, chosen), out=out, replace=replace)
