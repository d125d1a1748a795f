"""``fabkit house``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import grouping, options


@click.command("house", cls=grouping.Command)
@click.argument("sheet", required=False, type=options.FILE, metavar="[FILE]")
@options.AS_JSON
def command(sheet: Path | None, as_json: bool) -> None:
    """Show a board house's sheet.

    The sheet says what the house can make and offers; `check` and `quote` judge by it.  Without
    FILE the bundled one is shown, which is invented.

    \b
    Example:
      fabkit house my-house.toml
    """
    import fabkit
    from fabkit.outputs import records, terminal

    record = records.house_sheet_record(fabkit.load_house(sheet))
    if as_json:
        options.print_json("house", record)
    else:
        terminal.print_house(terminal.Terminal(), record)
