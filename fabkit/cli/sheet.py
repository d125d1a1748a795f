"""``fabkit sheet``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.cli import completing, options
from fabkit.cli.bundles import argument, bundle, command, option
from fabkit.cli.drawn import Drawn
from fabkit.cli.looks import Looks
from fabkit.cli.reading import Reading
from fabkit.cli.words import words

if TYPE_CHECKING:
    from fabkit.outputs.drawings import SheetKind
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import BoardUse

KINDS = ("halves", "drills", "layer", "net", "islands", "findings", "measures")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """Which sheet."""

    layer: str | None = option(
        "--layer",
        metavar="NAME",
        shell_complete=completing.LAYERS,
        help="For `layer`, and `net` --at: which, such as 'top copper'.",
    )
    net: str | None = option(
        "--net",
        metavar="NAME",
        shell_complete=completing.NETS,
        help="For `net`: which, such as GND.",
    )
    at_mm: tuple[float, float] | None = option(
        "--at",
        callback=options.read_point,
        metavar="X,Y",
        help="For `net`: a point on its copper, mm, as findings give it.",
    )
    use: BoardUse | None = options.board()


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    kind: SheetKind = argument("KIND", type=words(*KINDS))
    package: Path = options.package()
    out: Path = options.out("FILE", "What to write: .png, .svg or .pdf.")
    shown: Shown = bundle(Shown)
    house_files: tuple[Path, ...] = options.house()
    limit_class: LimitClass = options.limit_class()
    judged: options.Judged = bundle(options.Judged)
    looks: Looks = bundle(Looks)
    drawn: Drawn = bundle(Drawn)
    reading: Reading = bundle(Reading)


@command("sheet", Asked)
def run(asked: Asked) -> None:
    """Draw one sheet about the board: drill map, a layer, a net, findings.

    \b
    KIND is one of
      halves    left and right half of a reversible board, as used
      drills    drill map: a symbol for each tool, with a table
      layer     one layer alone (--layer)
      net       one net (--net), or the copper at a point (--at), lit up on both faces
      islands   every separate piece of copper in its own tone
      findings  what `check` finds, numbered on the board, with the list beside it
      measures  both faces with width, height and a grid of 10 mm

    \b
    Examples:
      fabkit sheet drills gerbers.zip --out drills.pdf
      fabkit sheet net gerbers.zip --net GND --out ground.png
    """
    import fabkit

    look, use = asked.looks.options(), asked.shown.use
    wanted = fabkit.SheetChoice(kind=asked.kind, **vars(asked.shown))
    with asked.reading.progress() as tell:
        board = asked.reading.board(asked.package, tell)
        result = None
        if asked.kind == "findings":
            tell("checking")
            house = fabkit.load_house(next(iter(asked.house_files), None))
            judged = fabkit.CheckOptions(
                use=use,
                limit_class=asked.limit_class,
                thickness_mm=look.thickness_mm,
                **vars(asked.judged),
            )
            result = fabkit.check(board, house, options=judged)
        tell("drawing")
        path = fabkit.draw_sheet(
            board, asked.out, wanted, options=look, result=result, replace=asked.drawn.replace
        )
    asked.drawn.say([path], [(board, use, board.name)])
