"""``fabkit sheet``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from fabkit.cli import completing, drawn, grouping, looks, options
from fabkit.cli.words import words

if TYPE_CHECKING:
    from fabkit.outputs.drawings import SheetKind
    from fabkit.sheets.order import BoardUse

KINDS = ("halves", "drills", "layer", "net", "islands", "findings", "measures")


def read_point(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> tuple[float, float] | None:
    """Read ``X,Y`` in mm."""
    if value is None:
        return None
    try:
        x, y = (float(part) for part in value.split(","))
    except ValueError:
        raise click.BadParameter(
            f"{value!r} is not a point in mm, such as 12.5,30", ctx, param
        ) from None
    return x, y


@click.command("sheet", cls=grouping.Command)
@click.argument("kind", type=words(*KINDS), metavar="KIND")
@options.PACKAGE
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FILE",
    help="What to write: .png, .svg or .pdf.",
)
@click.option(
    "--layer",
    metavar="NAME",
    shell_complete=completing.LAYERS,
    help="For `layer`, and `net` --at: which, such as 'top copper'.",
)
@click.option(
    "--net",
    metavar="NAME",
    shell_complete=completing.NETS,
    help="For `net`: which, such as GND.",
)
@click.option(
    "--at",
    "at_mm",
    callback=read_point,
    metavar="X,Y",
    help="For `net`: a point on its copper, mm, as findings give it.",
)
@options.BOARD
@options.HOUSE
@options.FINE
@options.CHOSEN_CHECKS
@looks.LOOKS
@looks.OPEN
@options.REPLACE
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(
    kind: str,
    package: Path,
    out: Path,
    layer: str | None,
    net: str | None,
    at_mm: tuple[float, float] | None,
    use: BoardUse | None,
    house_files: tuple[Path, ...],
    fine: bool,
    only: tuple[str, ...],
    without: tuple[str, ...],
    silence: tuple[str, ...],
    show: bool,
    replace: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Draw one sheet about the board: drill map, a layer, a net, findings.

    \b
    KIND is one of
      halves    left and right half of a reversible board, as used
      drills    drill map: a symbol for each tool, with a table
      layer     one layer alone (--layer)
      net       one net (--net), or the copper at a point (--at), lit up on both faces
      islands   every separate piece of copper in a tone of its own
      findings  what `check` finds, numbered on the board, with the list beside it
      measures  both faces with width, height and a grid of 10 mm

    \b
    Examples:
      fabkit sheet drills gerbers.zip --out drills.pdf
      fabkit sheet net gerbers.zip --net GND --out ground.png
    """
    import fabkit
    from fabkit.cli.reading import read_board
    from fabkit.outputs import terminal
    from fabkit.outputs.drawings import SheetChoice

    chosen = looks.read_looks(**given)
    judged = options.judged_as(
        use=use,
        fine=fine,
        only=only,
        without=without,
        silence=silence,
        thickness_mm=given["thickness_mm"],
    )
    wanted = SheetChoice(kind=cast("SheetKind", kind), layer=layer, net=net, at_mm=at_mm, use=use)
    with terminal.progress() as tell:
        board = read_board(package, tell, roles=options.stated_roles())
        result = None
        if kind == "findings":
            tell("checking")
            house = fabkit.load_house(next(iter(house_files), None))
            result = fabkit.check(board, house, options=judged)
        tell("drawing")
        path = fabkit.draw_sheet(board, out, wanted, options=chosen, result=result, replace=replace)
    drawn.say([path], [(board, use, board.name)], as_json=as_json)
    if show:
        looks.open_files([path])
