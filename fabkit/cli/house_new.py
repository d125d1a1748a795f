"""``fabkit house new``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import grouping, options


@click.command("house new", cls=grouping.Command)
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FILE.toml",
    help="Where to write the sheet.",
)
@click.option("--name", default="Our board house", show_default=True, help="What you call it.")
@options.REPLACE
def command(out: Path, name: str, replace: bool) -> None:
    """Write a sheet of your own board house to fill in.

    Every limit, option and price is there with a comment and an invented value: put in what your
    house publishes, then set `invented = false`.

    \b
    Example:
      fabkit house new --out my-house.toml --name "The house around the corner"
    """
    from fabkit.outputs.atomic import write_file
    from fabkit.sheets.house import house_template

    write_file(out, house_template(name).encode(), replace=replace)
    options.say_next(out, f"{out}: fill it in, then use it with --house {out}")
