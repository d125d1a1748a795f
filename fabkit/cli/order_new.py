"""``fabkit order new``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import grouping, options, order_keys, ordering

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse


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

    It names PACKAGE, says what each board was found to be and why, and carries every other choice
    as a comment; `fabkit order` then does the whole job from it, as often as you export.  A folder
    with several packages (both halves, plates) becomes an order of several boards.

    \b
    Examples:
      fabkit order new gerbers/ --keyboards 2 --out order.toml
      fabkit order new wheatear/ --out wheatear.toml
      fabkit order new left/ --right right/ --thickness 1.2 --colour black
    """
    import fabkit
    from fabkit.outputs import terminal
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.sheets.order_template import order_template

    use: BoardUse | None = given.pop("use")
    if use and (right or use in ("left", "right")):
        raise click.UsageError(f"--board {use}: left and right are given as LEFT --right RIGHT")
    refuse_existing(out, replace=replace)

    def beside(path: Path) -> str:
        # Paths in an order file are relative to it, with / on every system.
        return Path(os.path.relpath(path, out.parent)).as_posix()

    with terminal.progress() as tell:
        proposal = fabkit.propose_order(
            package,
            right=right,
            name=name,
            use=use,
            path_of=beside,
            roles=options.stated_roles(),
            limits=options.stated_limits(),
            tell=tell,
        )
    title = proposal.name
    if given.pop("ask"):
        title = click.prompt("Name of the order", default=title)
        given = order_keys.ask(given)
    text = order_template(
        name=title,
        boards=proposal.boards,
        keyboards=given.pop("keyboards") or 1,
        chosen=order_keys.file_keys(given, beside),
    )
    write_file(out, text.encode(), replace=replace)
    for one in proposal.boards:
        click.echo(f"{'' if one.chosen else 'left out: '}{one.package}: {one.reasons[0]}", err=True)
    options.say_next(out, f"{out}: look it through, then run: fabkit order {out} --out FOLDER")
