"""``fabkit carry``."""

from __future__ import annotations

from dataclasses import replace as with_fields
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from fabkit.cli import grouping, options, ordering, printing


@click.command("carry", cls=grouping.Command)
@click.argument("old", type=options.FILE, metavar="OLD")
@click.argument("new", type=options.FILE, metavar="NEW")
@ordering.CHOICES
@options.SILENCE
@click.option(
    "--old-keyboards",
    type=options.COUNT,
    metavar="N",
    help="Old keyboards you built.  Default: as many as new ones.",
)
@click.option(
    "--keep",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    metavar="N",
    help="Old keyboards you do not take apart.",
)
@options.TODAY
@options.TEXT_OUT
@options.printed("csv")
@options.REPLACE
@options.ROLE
@options.LIMIT
def command(
    old: Path,
    new: Path,
    old_keyboards: int | None,
    keep: int,
    today: datetime | None,
    out: Path | None,
    form: str | None,
    as_json: bool,
    replace: bool,
    **given: Any,
) -> None:
    """List parts you can reuse from the old revision, and what that saves.

    OLD and NEW are packages or order files.  Parts that carry over come off the old boards, what
    was bought too many comes out of the drawer, and the rest is bought; the new revision is
    priced with and without.

    \b
    Example:
      fabkit carry rev-a.zip rev-b.zip --keyboards 2 --keep 1
    """
    import fabkit
    from fabkit.outputs import terminal
    from fabkit.outputs.json import to_document
    from fabkit.outputs.money import carry_csv, carry_record

    chosen = options.form_of(form, as_json=as_json)
    printing.refuse(out, replace=replace)
    before = ordering.read_order(old, **given)
    if old_keyboards is not None:
        before = with_fields(before, keyboards=old_keyboards, builders=())
    after = ordering.read_order(new, **given)
    with terminal.progress() as tell:
        boards = [(ordering.read_boards(order, tell), order) for order in (before, after)]
        tell("pricing both ways")
        house = fabkit.load_house(after.houses[0]) if after.houses else None
        found = fabkit.carry_over(*boards, house=house, keep=keep, today=options.read_day(today))
    record = carry_record(found.parts, found.with_it, found.without)
    if chosen == "text":
        from fabkit.outputs.money import print_carry

        printing.show(
            lambda console: print_carry(console, found.parts, record), out=out, replace=replace
        )
    else:
        text = (
            to_document("carry", record)
            if chosen == "json"
            else carry_csv(found.parts, found.with_it)
        )
        printing.show(text, out=out, replace=replace)
