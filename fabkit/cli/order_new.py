"""``fabkit order new``."""

from __future__ import annotations

import os
from pathlib import Path

import click

from fabkit.cli import options


@click.command("order new")
@options.PACKAGE
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("order.toml"),
    show_default=True,
    metavar="FILE.toml",
    help="Where to write the order file.",
)
@click.option("--name", help="Name of the order; without it that of the package.")
@click.option(
    "--keyboards", type=click.IntRange(min=1), default=1, show_default=True, help="How many."
)
@options.REPLACE
def command(package: Path, out: Path, name: str | None, keyboards: int, replace: bool) -> None:
    """Write an order file to fill in.

    It names PACKAGE and carries every other choice as a comment; `fabkit order` then does the
    whole job from it, as often as you export.

    \b
    Example:
      fabkit order new gerbers/ --keyboards 2 --out order.toml
    """
    from fabkit import api
    from fabkit.house.order_template import order_template
    from fabkit.outputs.atomic import write_file

    title = name or api.open_package(package).name
    # Paths in an order file are relative to it, with / on every system.
    inside = Path(os.path.relpath(package, out.parent)).as_posix()
    text = order_template(name=title, package=inside, keyboards=keyboards)
    write_file(out, text.encode(), replace=replace)
    click.echo(f"{out}: look it through, then run: fabkit order {out} --out FOLDER")
