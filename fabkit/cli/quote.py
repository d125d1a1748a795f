"""``fabkit quote``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options, ordering, printing
from fabkit.cli.bundles import bundle, command, option
from fabkit.cli.reading import EdgeReading

if TYPE_CHECKING:
    from fabkit.sheets.order import Silence


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = ordering.wanted()
    choices: ordering.Choices = bundle(ordering.Choices)
    quantities: tuple[int, ...] = options.quantities()
    silenced: tuple[Silence, ...] = options.silenced()
    why: bool = option(
        "--why", is_flag=True, help="Show the rule and the numbers behind every line."
    )
    today: date = options.today()
    printed: printing.Printed = printing.printed("csv", "markdown")
    reading: EdgeReading = bundle(EdgeReading)


@command("quote", Asked)
def run(asked: Asked) -> None:
    """Price one half over several order quantities.

    Boards, options, shipping, tax and parts; minimum order and step of the house; what is left
    over.  Five boards of a reversible design make two and a half keyboards.

    \b
    Example:
      fabkit quote gerbers.zip --keyboards 2 --house my-house.toml --why
    """
    import fabkit
    from fabkit.outputs.money import print_costs, render_costs

    form = asked.printed.settle()
    order = asked.choices.order(
        asked.wanted, asked.reading, quantities=asked.quantities, silenced=asked.silenced
    )
    house, *others = [fabkit.load_house(path) for path in order.houses or (None,)]
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("pricing")
        costs = fabkit.quote(
            boards,
            order,
            bill=fabkit.list_parts(boards, order),
            house=house,
            others=others,
            today=asked.today,
        )
    if form == "text":
        asked.printed.show(lambda console: print_costs(console, costs, why=asked.why))
    else:
        asked.printed.show(render_costs(costs, form))
    if not costs.offers:
        # As for any order that cannot be carried out as it is written.
        click.get_current_context().exit(2)
