"""``fabkit preview``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fabkit.cli import options
from fabkit.cli.bundles import bundle, command, option
from fabkit.cli.drawn import Drawn
from fabkit.cli.looks import Looks
from fabkit.cli.reading import EdgeReading
from fabkit.cli.words import words


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    package: Path = options.package()
    out: Path = options.out("FOLDER", "Folder for front.png and back.png.")
    looks: Looks = bundle(Looks)
    formats: tuple[str, ...] = option(
        "--as",
        type=words("png", "svg", "pdf"),
        multiple=True,
        default=["png"],
        help="Kind of picture.  Default: png.",
    )
    drawn: Drawn = bundle(Drawn)
    reading: EdgeReading = bundle(EdgeReading)


@command("preview", Asked)
def run(asked: Asked) -> None:
    """Draw the finished board, front and back.

    Copper under mask, bare copper in its finish, legend, holes cut through, trimmed to the
    profile.  The back is drawn as you see it after turning the board over sideways.

    \b
    Example:
      fabkit preview gerbers.zip --out pictures --colour black
    """
    import fabkit

    look = asked.looks.options()
    with asked.reading.progress() as tell:
        board = asked.reading.board(asked.package, tell)
        tell("drawing")
        written = fabkit.draw(
            board, asked.out, options=look, formats=asked.formats, replace=asked.drawn.replace
        )
    asked.drawn.say(written, [(board, None, board.name)])
