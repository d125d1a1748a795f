"""``fabkit parts``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fabkit.cli import grouping, options, ordering, printing


@click.command("parts", cls=grouping.Command)
@ordering.WANTED
@ordering.CHOICES
@options.TEXT_OUT
@options.printed("csv", "markdown")
@options.REPLACE
@click.option(
    "--explain",
    metavar="REF|KIND",
    help="Show what a reference or a kind (diode, controller ...) is known by.",
)
@options.ROLE
@options.LIMIT
def command(
    wanted: Path,
    explain: str | None,
    out: Path | None,
    form: str | None,
    as_json: bool,
    replace: bool,
    **given: Any,
) -> None:
    """List the parts to buy, per half and per keyboard.

    Parts are read from component attributes, else from a placement or parts table; otherwise they
    are recognised by their hole patterns.  The parts book says what they cost and what is carried
    over to the next revision.

    \b
    Example:
      fabkit parts gerbers.zip --keyboards 2 --parts my-parts.toml
      fabkit parts gerbers.zip --explain controller
    """
    import fabkit
    from fabkit.outputs import terminal
    from fabkit.outputs.money import (
        bill_record,
        explained,
        print_bill,
        print_explained,
        render_parts,
    )

    chosen = options.form_of(form, as_json=as_json)
    printing.refuse(out, replace=replace)
    order = ordering.read_order(wanted, **given)
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("listing the parts")
        bill = fabkit.list_parts(boards, order)
    if explain is not None:
        asked = explained(bill_record(bill), explain)
        printing.show(lambda console: print_explained(console, asked), out=out, replace=replace)
    elif chosen == "text":
        printing.show(lambda console: print_bill(console, bill), out=out, replace=replace)
    else:
        printing.show(render_parts(bill, chosen), out=out, replace=replace)
