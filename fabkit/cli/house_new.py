"""``fabkit house new``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fabkit.cli import options, printing
from fabkit.cli.bundles import command, option


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    out: Path = options.out("FILE.toml", "Where to write the sheet.")
    name: str = option(
        "--name", default="Our board house", show_default=True, help="What you call it."
    )
    replace: bool = options.replace()


@command("house new", Asked)
def run(asked: Asked) -> None:
    """Write a sheet of your own board house to fill in.

    Every limit, option and price is there with a comment and an invented value: put in what your
    house publishes, then set `invented = false`.

    \b
    Example:
      fabkit house new --out my-house.toml --name "The house around the corner"
    """
    from fabkit.outputs.atomic import write_file
    from fabkit.sheets.house import house_template

    write_file(asked.out, house_template(asked.name).encode(), replace=asked.replace)
    printing.say_next(asked.out, f"{asked.out}: fill it in, then use it with --house {asked.out}")
