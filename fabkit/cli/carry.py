"""``fabkit carry``."""

from __future__ import annotations

from dataclasses import replace as with_fields
from pathlib import Path
from typing import Any

import click

from fabkit.cli import options, ordering


@click.command("carry")
@click.argument("old", type=click.Path(path_type=Path), metavar="OLD")
@click.argument("new", type=click.Path(path_type=Path), metavar="NEW")
@ordering.choices
@click.option(
    "--old-keyboards",
    type=click.IntRange(min=1),
    metavar="N",
    help="Keyboards of the old revision that were built; as many as new ones without it.",
)
@click.option(
    "--keep",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    metavar="N",
    help="Old keyboards that are not taken apart.",
)
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
@options.LIMIT
@options.AS_JSON
def command(
    old: Path,
    new: Path,
    old_keyboards: int | None,
    keep: int,
    as_csv: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Tell what moves from an old revision to a new one, and what that saves.

    OLD and NEW are packages or order files.  Parts that carry over come off the old boards, what
    was bought too many comes out of the drawer, and the rest is bought; the new revision is
    priced with and without.

    \b
    Example:
      fabkit carry rev-a.zip rev-b.zip --keyboards 2 --keep 1
    """
    from fabkit import api
    from fabkit.outputs import terminal
    from fabkit.outputs.carry_records import carry_csv, carry_record

    if as_csv and as_json:
        raise click.UsageError("choose one of --csv and --json")
    before = ordering.read_order(old, **given)
    if old_keyboards is not None:
        before = with_fields(before, keyboards=old_keyboards, builders=())
    after = ordering.read_order(new, **given)
    with terminal.progress() as tell:
        boards = [(ordering.read_boards(order, tell), order) for order in (before, after)]
        tell("pricing both ways")
        house = api.load_house(after.houses[0]) if after.houses else None
        found = api.carry_over(*boards, house=house, keep=keep)
    record = carry_record(found.parts, found.with_it, found.without)
    if as_json:
        options.print_json("carry", record)
    elif as_csv:
        options.print_data(carry_csv(record))
    else:
        from fabkit.outputs.terminal_carry import print_carry

        print_carry(terminal.make_console(), record)
