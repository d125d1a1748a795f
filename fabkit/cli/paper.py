"""``fabkit paper``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import drawn, grouping, looks, options, ordering
from fabkit.cli.words import words

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse


@click.command("paper", cls=grouping.Command)
@ordering.WANTED
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FILE.pdf",
    help="PDF to write.",
)
@click.option(
    "--size",
    type=words("a4", "letter"),
    default="a4",
    show_default=True,
    help="Paper in your printer.",
)
@options.BOARD
@looks.OPEN
@options.REPLACE
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(
    wanted: Path,
    out: Path,
    size: str,
    use: BoardUse | None,
    show: bool,
    replace: bool,
    as_json: bool,
) -> None:
    """Print a full-size template to try under your hand.

    Left and right half with outline, holes and key positions, spread over several pages with
    marks to glue by where one is too small.  Print at 100 %, check both bars with a ruler, cut,
    and push switches through.

    \b
    Example:
      fabkit paper gerbers.zip --out paper.pdf
    """
    import fabkit
    from fabkit.outputs import terminal
    from fabkit.outputs.drawings import paper_halves, paper_notes

    order = ordering.read_wanted(wanted, use=use)
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("drawing")
        path = fabkit.draw_paper(boards, out, order=order, paper=size, replace=replace)
    notes = paper_notes(paper_halves(boards, order))
    shown = [(b, one.stated, one.name) for b, one in zip(boards, order.boards, strict=True)]
    drawn.say([path], shown, as_json=as_json, notes=notes)
    if show:
        looks.open_files([path])
