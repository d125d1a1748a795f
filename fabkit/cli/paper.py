"""``fabkit paper``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.cli import options, ordering
from fabkit.cli.bundles import bundle, command
from fabkit.cli.drawn import Drawn
from fabkit.cli.reading import Reading

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = ordering.wanted()
    out: Path = options.out("FILE.pdf", "PDF to write.")
    size: str = options.word("--size", ("a4", "letter"), "Paper in your printer.")
    use: BoardUse | None = options.board()
    drawn: Drawn = bundle(Drawn)
    reading: Reading = bundle(Reading)


@command("paper", Asked)
def run(asked: Asked) -> None:
    """Print a full-size template to try under your hand.

    Left and right half with outline, holes and key positions, spread over several pages with
    marks to glue by where one is too small.  Print at 100 %, check both bars with a ruler, cut,
    and push switches through.

    \b
    Example:
      fabkit paper gerbers.zip --out paper.pdf
    """
    import fabkit
    from fabkit.outputs.drawings import paper_halves, paper_notes

    order = ordering.read_wanted(asked.wanted, asked.reading, use=asked.use)
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("drawing")
        path = fabkit.draw_paper(
            boards, asked.out, order=order, paper=asked.size, replace=asked.drawn.replace
        )
    shown = [(b, one.stated, one.name) for b, one in zip(boards, order.boards, strict=True)]
    asked.drawn.say([path], shown, notes=paper_notes(paper_halves(boards, order)))
