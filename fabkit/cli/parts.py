"""``fabkit parts``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fabkit.cli import ordering, printing
from fabkit.cli.bundles import bundle, command, option
from fabkit.cli.reading import Reading


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = ordering.wanted()
    choices: ordering.Choices = bundle(ordering.Choices)
    printed: printing.Printed = printing.printed("csv", "markdown")
    explain: str | None = option(
        "--explain",
        metavar="REF|KIND",
        help="Show what a reference or a kind (diode, controller ...) is known by.",
    )
    reading: Reading = bundle(Reading)


@command("parts", Asked)
def run(asked: Asked) -> None:
    """List the parts to buy, per half and per keyboard.

    Parts are read from component attributes, or from a placement or parts table; otherwise they
    are recognised by their hole patterns.  The parts book states what they cost and what is carried
    over to the next revision.

    \b
    Example:
      fabkit parts gerbers.zip --keyboards 2 --parts my-parts.toml
      fabkit parts gerbers.zip --explain controller
    """
    import fabkit
    from fabkit.outputs import money

    form = asked.printed.settle()
    order = asked.choices.order(asked.wanted, asked.reading)
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("listing the parts")
        bill = fabkit.list_parts(boards, order)
    if asked.explain is not None:
        places = money.explained(money.bill_record(bill), asked.explain)
        asked.printed.show(lambda console: money.print_explained(console, places))
    elif form == "text":
        asked.printed.show(lambda console: money.print_bill(console, bill))
    else:
        asked.printed.show(money.render_parts(bill, form))
