"""``fabkit order new``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from fabkit.cli import options, order_keys, ordering


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
@click.option(
    "--right",
    type=click.Path(path_type=Path),
    metavar="PACKAGE",
    help="The right half, when it is another design; the first PACKAGE is then the left one.",
)
@click.option("--name", help="Name of the order; without it that of the package.")
@click.option("--spare-halves", type=click.IntRange(min=0), metavar="N", help="Halves on top.")
@click.option(
    "--quantity",
    "quantities",
    type=click.IntRange(min=1),
    multiple=True,
    metavar="N",
    help="Boards of each design to price.  Repeatable.",
)
@click.option("--currency", metavar="CODE", help="Currency to count in, such as EUR.")
@ordering.choices
@click.option("--ask", is_flag=True, help="Ask for what is not given.")
@options.ROLE
@options.LIMIT
@options.REPLACE
def command(
    package: Path, out: Path, right: Path | None, name: str | None, replace: bool, **given: Any
) -> None:
    """Write an order file to fill in.

    It names PACKAGE, says what you gave, and carries every other choice as a comment; `fabkit
    order` then does the whole job from it, as often as you export.

    \b
    Examples:
      fabkit order new gerbers/ --keyboards 2 --out order.toml
      fabkit order new left/ --right right/ --thickness 1.2 --colour black
    """
    from fabkit import api
    from fabkit.house.order_template import order_template
    from fabkit.outputs.atomic import write_file

    roles = options.stated_roles()
    title = name or api.open_package(package, limits=options.stated_limits(), roles=roles).name
    if given.pop("ask"):
        title = click.prompt("Name of the order", default=title)
        given = order_keys.ask(given)

    def beside(path: Path) -> str:
        # Paths in an order file are relative to it, with / on every system.
        return Path(os.path.relpath(path, out.parent)).as_posix()

    sides = [(package, "left"), (right, "right")] if right else [(package, "either")]
    text = order_template(
        name=title,
        boards=[(beside(path), side) for path, side in sides],
        keyboards=given.pop("keyboards") or 1,
        roles=roles,
        chosen=order_keys.file_keys(given, beside),
    )
    write_file(out, text.encode(), replace=replace)
    click.echo(f"{out}: look it through, then run: fabkit order {out} --out FOLDER")
