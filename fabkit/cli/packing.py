"""What is made for the board house: ``fabkit pack``, ``mend`` and ``panel``, a zip each."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options, printing
from fabkit.cli.model import argument, bundle, command, flag, valued
from fabkit.cli.reading import EdgeReading, Reading, first_house, is_order, read_wanted

if TYPE_CHECKING:
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import BoardUse, PanelOptions, Silence


@dataclass(frozen=True, kw_only=True)
class Inside:
    """What goes into the zip, and how it is named there."""

    quantity: int | None = valued(
        "--count", "N", "How many boards you order, for the readme in the zip.", type=options.COUNT
    )
    with_netlist: bool = flag("--netlist", "Also pack the netlist, for electrical testing.")
    rename: bool = flag("--rename", "Name files by what they are, such as board-top-copper.gbr.")
    with_job: bool = flag("--job", "Complete the job file with your choices, or write one.")


@dataclass(frozen=True, kw_only=True)
class Pack:
    """What the command was given."""

    packages: tuple[Path, ...] = argument("PACKAGE...", type=options.FILE, nargs=-1, required=True)
    out: Path = options.out("FILE.zip|FOLDER", "Zip to write; for several packages a folder.")
    use: BoardUse | None = options.board()
    house_files: tuple[Path, ...] = options.house()
    choice: options.Choice = bundle(options.Choice)
    inside: Inside = bundle(Inside)
    limit_class: LimitClass = options.limit_class()
    silenced: tuple[Silence, ...] = options.silenced()
    replace: bool = options.replace()
    reading: Reading = bundle(Reading)
    as_json: bool = options.as_json()


@command("pack", Pack)
def pack(asked: Pack) -> None:
    """Write the zip that a board house needs.

    Only what is needed to make the board goes in, with a readme that lists what you chose.  The
    same files give the same zip, byte for byte.  It is read back and compared before it gets its
    name.  With errors in a package nothing is written, unless you silence each with a reason.

    \b
    Examples:
      fabkit pack gerbers/ --out upload.zip --thickness 1.2 --count 5
      fabkit pack left/ right/ --out uploads --rename --job
    """
    import fabkit
    from fabkit.outputs import records, terminal
    from fabkit.outputs.atomic import refuse_existing
    from fabkit.outputs.pack import pack_all

    if len(asked.packages) == 1:
        refuse_existing(asked.out, replace=asked.replace)
    judged = fabkit.CheckOptions(
        use=asked.use,
        limit_class=asked.limit_class,
        silenced=asked.silenced,
        **vars(asked.choice),
    )
    with asked.reading.progress() as tell:
        made = pack_all(
            [asked.reading.board(package, tell) for package in asked.packages],
            asked.out,
            house=first_house(asked.house_files),
            judged=judged,
            options=fabkit.PackOptions(**vars(asked.inside), **vars(asked.choice)),
            replace=asked.replace,
            tell=tell,
        )
    zips = [records.packed_record(packed) for _, packed in made]
    said = [records.keyboard_record(result.board) for result, _ in made if result.board]

    def show(console: terminal.Terminal) -> None:
        terminal.print_boards(console, said)
        for record, (result, _) in zip(zips, made, strict=True):
            terminal.print_packed(console, record, result.verdict)

    record = {"boards": said, "zips": zips}
    printing.say("pack", record, show, as_json=asked.as_json, out=asked.out)


@dataclass(frozen=True, kw_only=True)
class Mend:
    """What the command was given."""

    package: Path = argument("PACKAGE", type=options.FILE)
    out: Path = options.out("FILE.zip", "Zip to write the mended files into.")
    asked: tuple[str, ...] = options.corrections()
    house_files: tuple[Path, ...] = options.house()
    page: Path | None = options.report()
    replace: bool = options.replace()
    reading: Reading = bundle(Reading)
    as_json: bool = options.as_json()


@command("mend", Mend)
def mend(asked: Mend) -> None:
    """Correct in the files what has one right answer, with proof.

    Every layer and drill file is written anew in the present form, laid on the others where it was
    off.  Gaps and doubled lines of the profile, holes given twice, marks outside the board and
    legend on bare pads are mended; with --with also what follows your house's limits.  The zip is
    read back and compared with what you gave: a correction that cannot be proved is not made.
    Your files stay as they are.

    \b
    Examples:
      fabkit mend gerbers.zip --out mended.zip
      fabkit mend gerbers.zip --out mended.zip --report mended.html
      fabkit mend gerbers.zip --out mended.zip --with legend-width --with mask-margin
    """
    import fabkit
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.mended import (
        mended_record,
        print_mended,
        render_mended_page,
        write_mended,
    )

    for target in (asked.out, *([asked.page] if asked.page else [])):
        refuse_existing(target, replace=asked.replace)
    with asked.reading.progress() as tell:
        mended = fabkit.mend(
            asked.reading.board(asked.package, tell),
            first_house(asked.house_files),
            options=fabkit.MendOptions(asked=asked.asked),
            tell=tell,
        )
        tell(f"writing {asked.out}")
        write_mended(mended, asked.out, replace=asked.replace)
        if asked.page is not None:
            tell("drawing")
            write_file(asked.page, render_mended_page(mended).encode(), replace=asked.replace)
    record = mended_record(mended)
    printing.say(
        "mend",
        record,
        lambda console: print_mended(console, record),
        as_json=asked.as_json,
        out=asked.out,
    )


@dataclass(frozen=True, kw_only=True)
class Made:
    """How the panel is made; overrides the order file."""

    copies: int | None = valued(
        "--copies", "N", "How many of each board; keyboards of an order.", type=options.COUNT
    )
    gap_mm: float | None = valued(
        "--gap",
        "MM",
        "Routed gap between boards.  Default: the least your house routes.",
        callback=options.read_length,
    )
    rails: bool = flag("--rails", "Add rails with tooling holes and fiducials.")
    score: bool = flag(
        "--score", "Lay boards with straight edges edge to edge, parted by score lines."
    )

    def over(self, stated: PanelOptions | None) -> PanelOptions:
        """Take what is given, and what the order file states of all else."""
        from dataclasses import replace

        from fabkit.sheets.order import PanelOptions

        given = {name: value for name, value in vars(self).items() if value}
        return replace(stated or PanelOptions(), **given, line=None)


@dataclass(frozen=True, kw_only=True)
class Panel:
    """What the command was given."""

    given: tuple[Path, ...] = argument(
        "PACKAGE...|ORDER.toml", type=options.FILE, nargs=-1, required=True
    )
    out: Path = options.out("FILE.zip", "Zip to write; .json and .png are written beside it.")
    made: Made = bundle(Made)
    house_files: tuple[Path, ...] = options.house()
    limit_class: LimitClass = options.limit_class()
    silenced: tuple[Silence, ...] = options.silenced()
    replace: bool = options.replace()
    reading: EdgeReading = bundle(EdgeReading)
    as_json: bool = options.as_json()


@command("panel", Panel)
def panel(asked: Panel) -> None:
    """Write several boards as one panel: both halves, or several copies.

    Boards are turned and laid beside each other by their outlines, so that halves interlock, and
    held by break-off tabs with perforations.  One package is taken twice, several once each, and of
    an order the boards of one keyboard.  Boards with straight edges may lie edge to edge, parted by
    score lines (--score).  The panel is read back, cut apart and checked before it
    gets its name; what cannot be on one panel is refused, and nothing is written.

    Breaking and filing edges makes glass dust: work wet or with extraction, and wear a mask.

    \b
    Examples:
      fabkit panel gerbers.zip --out panel.zip
      fabkit panel left.zip right.zip --out panel.zip --rails
      fabkit panel order.toml --out panel.zip
    """
    import fabkit
    from fabkit.outputs.panel import panel_record, print_panel

    order = read_wanted(asked.given[0], asked.reading) if is_order(asked.given) else None
    houses = asked.house_files or (order.houses if order is not None else ())
    house = first_house(houses)
    silenced = order.silenced if order is not None else ()
    with asked.reading.progress() as tell:
        done = fabkit.panel(
            [asked.reading.board(package, tell) for package in asked.given]
            if order is None
            else asked.reading.boards(order, tell),
            asked.out,
            order=order,
            house=house,
            options=asked.made.over(order.panel if order is not None else None),
            judged=fabkit.CheckOptions(
                limit_class=asked.limit_class, silenced=(*silenced, *asked.silenced)
            ),
            replace=asked.replace,
            tell=tell,
        )
    record = panel_record(done)
    printing.say(
        "panel", record, lambda console: print_panel(console, record), as_json=asked.as_json
    )
    if house.notice and not asked.as_json:
        click.echo(f"note: {house.notice}", err=True)
