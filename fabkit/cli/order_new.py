"""``fabkit order new``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import grouping, options, order_keys, ordering

if TYPE_CHECKING:
    from fabkit.house.order import BoardUse


@click.command("order new", cls=grouping.Command)
@options.PACKAGE
@click.option(
    "--out",
    type=options.FILE,
    default=Path("order.toml"),
    show_default=True,
    metavar="FILE.toml",
    help="Where to write the order file.",
)
@options.RIGHT
@click.option("--name", help="What you call it.")
@click.option(
    "--spare-halves",
    type=click.IntRange(min=0),
    metavar="N",
    help="Halves to build besides whole keyboards.",
)
@ordering.QUANTITY
@click.option("--currency", metavar="CODE", help="Currency to count in, such as EUR.")
@ordering.CHOICES
@click.option("--ask", is_flag=True, help="Prompt for missing values.")
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

    use: BoardUse | None = given.pop("use")
    if use and (right or use in ("left", "right")):
        raise click.UsageError(f"--board {use}: left and right are given as LEFT --right RIGHT")
    boards: list[tuple[str, BoardUse]] = [
        (beside(package), "left" if right else use or "reversible")
    ]
    if right:
        boards.append((beside(right), "right"))
    text = order_template(
        name=title,
        boards=boards,
        keyboards=given.pop("keyboards") or 1,
        roles=roles,
        chosen=order_keys.file_keys(given, beside),
    )
    write_file(out, text.encode(), replace=replace)
    options.say_next(out, f"{out}: look it through, then run: fabkit order {out} --out FOLDER")
