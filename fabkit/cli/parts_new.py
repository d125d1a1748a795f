"""``fabkit parts new``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import grouping, options


@click.command("parts new", cls=grouping.Command)
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FILE.toml",
    help="Where to write the parts book.",
)
@click.option("--name", default="Our parts book", show_default=True, help="What you call it.")
@options.REPLACE
def command(out: Path, name: str, replace: bool) -> None:
    """Write a parts book of your own to fill in.

    Rules that tell parts, counts, packs and prices are there with a comment and invented values:
    put in what you buy and what your shops ask, then set `invented = false`.

    \b
    Example:
      fabkit parts new --out my-parts.toml --name "The drawer"
    """
    from fabkit.outputs.atomic import write_file
    from fabkit.parts.book import parts_template

    write_file(out, parts_template(name).encode(), replace=replace)
    options.say_next(out, f"{out}: fill it in, then use it with --parts {out}")
