"""``fabkit preview``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fabkit.cli import drawn, grouping, looks, options
from fabkit.cli.words import words


@click.command("preview", cls=grouping.Command)
@options.PACKAGE
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FOLDER",
    help="Folder for front.png and back.png.",
)
@looks.LOOKS
@click.option(
    "--as",
    "formats",
    type=words("png", "svg", "pdf"),
    multiple=True,
    default=["png"],
    help="Kind of picture.  Default: png.",
)
@looks.OPEN
@options.REPLACE
@options.ROLE
@options.EDGE
@options.LIMIT
@options.AS_JSON
def command(
    package: Path,
    out: Path,
    formats: tuple[str, ...],
    show: bool,
    replace: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Draw the finished board, front and back.

    Copper under mask, bare copper in its finish, legend, holes cut through, trimmed to the
    profile.  The back is drawn as you see it after turning the board over sideways.

    \b
    Example:
      fabkit preview gerbers.zip --out pictures --colour black
    """
    import fabkit
    from fabkit.cli.reading import read_board
    from fabkit.outputs import terminal

    chosen = looks.read_looks(**given)
    with terminal.progress() as tell:
        board = read_board(package, tell, roles=options.stated_roles())
        tell("drawing")
        written = fabkit.draw(board, out, options=chosen, formats=formats, replace=replace)
    drawn.say(written, [(board, None, board.name)], as_json=as_json)
    if show:
        looks.open_files(list(written))
