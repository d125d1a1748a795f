"""``fabkit house``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fabkit.cli import options, printing
from fabkit.cli.bundles import argument, command


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    sheet: Path | None = argument("[FILE]", required=False, type=options.FILE)
    as_json: bool = options.as_json()


@command("house", Asked)
def run(asked: Asked) -> None:
    """Show a board house's sheet.

    The sheet states what the house can make and offers; `check` and `quote` judge by it.  Without
    FILE the bundled one is shown, which is invented.

    \b
    Example:
      fabkit house my-house.toml
    """
    import fabkit
    from fabkit.outputs import records, terminal

    record = records.house_sheet_record(fabkit.load_house(asked.sheet))
    if asked.as_json:
        printing.print_json("house", record)
    else:
        terminal.print_house(terminal.Terminal(), record)
