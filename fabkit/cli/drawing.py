"""What is drawn: ``fabkit preview``, ``sheet`` and ``paper``, and what all that draw print."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import options, printing
from fabkit.cli.model import argument, bundle, command, flag, option, valued
from fabkit.cli.options import Choice, nearest, word, words
from fabkit.cli.reading import EdgeReading, Reading, first_house, package_or_order, read_wanted

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.outputs.drawings import SheetKind
    from fabkit.pictures.looks import PreviewOptions
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import BoardUse


@dataclass(frozen=True, kw_only=True)
class Looks(Choice):
    """How the finished board looks."""

    legend: str = word(
        "--legend",
        ("auto", "white", "black", "yellow"),
        "Colour of the legend: auto, white, black or yellow.",
    )
    scale: float | None = valued(
        "--scale",
        "NUMBER",
        "Pixels per mm; default: 20, small boards more.",
        type=options.Number(),
    )
    width: int | None = valued(
        "--width", "PIXELS", "Width of a picture, instead of --scale.", type=options.Whole(min=1)
    )
    surroundings: str = word(
        "--surroundings",
        ("transparent", "light", "dark"),
        "Behind the board: transparent, light or dark.",
    )
    through: bool = flag("--through", "Draw the back as seen through the front.")

    def options(self) -> PreviewOptions:
        """Picture options from what was given; colours that hide the legend are reported.

        Raises
        ------
        BadParameter
            No picture can show such a colour or finish.
        """
        from fabkit.pictures.looks import (
            FINISH_WORDS,
            Finish,
            LegendColour,
            MaskColour,
            PreviewOptions,
            Surroundings,
        )

        mask = MaskColour.of(self.colour or "green")
        seen = Finish.of(self.finish or "hasl")
        if mask is None:
            raise _unknown(self.colour, [c.value for c in MaskColour], "--colour")
        if seen is None:
            raise _unknown(self.finish, list(FINISH_WORDS), "--finish")
        if self.legend == mask:
            click.echo(f"note: {self.legend} legend on {mask} mask can hardly be read", err=True)
        return PreviewOptions(
            mask=mask,
            legend=LegendColour(self.legend),
            finish=seen,
            thickness_mm=self.thickness_mm,
            px_per_mm=self.scale,
            width_px=self.width,
            surroundings=Surroundings(self.surroundings),
            through=self.through,
        )


def _unknown(given: str | None, known: Sequence[str], option: str) -> click.BadParameter:
    message = f"'{given}' is none of {', '.join(known)}{nearest(given or '', known)}"
    return click.BadParameter(message, param_hint=option)


def open_files(paths: Sequence[Path]) -> None:
    """Open what was written; say so where that cannot be done."""
    from fabkit.outputs.drawings import open_file

    for path in paths:
        if not open_file(path):
            click.echo(f"{path} is written, but nothing here can show it", err=True)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """What is done with pictures besides drawing them."""

    show: bool = options.show()
    replace: bool = options.replace()
    as_json: bool = options.as_json()

    def say(
        self,
        paths: Sequence[Path],
        boards: Sequence[tuple[Board, BoardUse | None, str]],
        *,
        notes: Sequence[str] = (),
    ) -> None:
        """Name the files that were written, say what was drawn, and show it where that is asked.

        Parameters
        ----------
        paths
            Files.
        boards
            Boards drawn, each with what it is by the user's word and its name.
        notes
            Remarks besides those on files that were laid back.
        """
        from fabkit.base.streams import clean
        from fabkit.keyboard.build import describe
        from fabkit.outputs import terminal
        from fabkit.outputs.records import keyboard_record

        said = [keyboard_record(describe(board, use, name=name)) for board, use, name in boards]
        every = [*notes, *(note for board, _, _ in boards for note in laid_back(board))]
        if self.as_json:
            names = [path.as_posix() for path in paths]
            document = {"boards": said, "files": names, "notes": every}
            printing.print_json("files", document, beside=STANDARD_STREAM in paths)
        else:
            terminal.print_boards(terminal.Terminal(sys.stderr), said)
            printing.print_files(paths)
            for note in every:
                click.echo(f"note: {clean(note)}", err=True)
        if self.show:
            open_files(paths)


def laid_back(board: Board) -> list[str]:
    """Files that were drawn elsewhere than they lie, one sentence each."""
    found = (p for p in board.package.problems if p.id in _LAID_BACK and p.assumed)
    return [f"{p.places[0].file if p.places else board.name}: {p.message}; drawn so" for p in found]


_LAID_BACK = ("register/shifted", "register/mirrored", "register/other-unit")


@dataclass(frozen=True, kw_only=True)
class Preview:
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


@command("preview", Preview)
def preview(asked: Preview) -> None:
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


KINDS = ("halves", "drills", "layer", "net", "islands", "findings", "measures")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """Which sheet."""

    layer: str | None = valued(
        "--layer",
        "NAME",
        "For `layer`, and `net` --at: which, such as 'top copper'.",
        shell_complete=options.LAYERS,
    )
    net: str | None = valued(
        "--net", "NAME", "For `net`: which, such as GND.", shell_complete=options.NETS
    )
    at_mm: tuple[float, float] | None = valued(
        "--at",
        "X,Y",
        "For `net`: a point on its copper, mm, as findings give it.",
        callback=options.read_point,
    )
    use: BoardUse | None = options.board()


@dataclass(frozen=True, kw_only=True)
class SheetOf:
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


@command("sheet", SheetOf)
def sheet(asked: SheetOf) -> None:
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
            house = first_house(asked.house_files)
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


@dataclass(frozen=True, kw_only=True)
class PaperOf:
    """What the command was given."""

    wanted: Path = package_or_order()
    out: Path = options.out("FILE.pdf", "PDF to write.")
    size: str = options.word("--size", ("a4", "letter"), "Paper in your printer.")
    use: BoardUse | None = options.board()
    drawn: Drawn = bundle(Drawn)
    reading: Reading = bundle(Reading)


@command("paper", PaperOf)
def paper(asked: PaperOf) -> None:
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

    order = read_wanted(asked.wanted, asked.reading, use=asked.use)
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("drawing")
        path = fabkit.draw_paper(
            boards, asked.out, order=order, paper=asked.size, replace=asked.drawn.replace
        )
    shown = [(b, one.stated, one.name) for b, one in zip(boards, order.boards, strict=True)]
    asked.drawn.say([path], shown, notes=paper_notes(paper_halves(boards, order)))
