"""``fabkit parts``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fabkit.cli import options, ordering


@click.command("parts")
@ordering.WANTED
@ordering.choices
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(wanted: Path, as_json: bool, **given: Any) -> None:
    """List the parts to buy, per half and per keyboard.

    Parts are read from component attributes, else from a placement or parts table, else told by
    their hole patterns; the parts book says what they cost and what is carried over to the next
    revision.

    \b
    Example:
      fabkit parts gerbers.zip --keyboards 2 --parts my-parts.toml
    """
    from fabkit import api
    from fabkit.outputs import money_records, terminal

    order = ordering.read_order(wanted, **given)
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("listing the parts")
        bill = api.list_parts(boards, order)
    record = money_records.bill_record(bill)
    if as_json:
        options.print_json("parts", record)
    else:
        terminal.print_bill(terminal.make_console(), record)
