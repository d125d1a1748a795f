"""``fabkit pack``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import grouping, options

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse


@click.command("pack", cls=grouping.Command)
@click.argument("packages", type=options.FILE, metavar="PACKAGE...", nargs=-1, required=True)
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FILE.zip|FOLDER",
    help="Zip to write; for several packages a folder.",
)
@options.BOARD
@options.HOUSE
@options.THICKNESS
@options.COLOUR
@options.FINISH
@click.option(
    "--count",
    "quantity",
    type=options.COUNT,
    metavar="N",
    help="How many boards you order, for the readme in the zip.",
)
@click.option(
    "--netlist", "with_netlist", is_flag=True, help="Also pack the netlist, for electrical testing."
)
@click.option(
    "--rename", is_flag=True, help="Name files by what they are, such as board-top-copper.gbr."
)
@click.option(
    "--job",
    "with_job",
    is_flag=True,
    help="Complete the job file with your choices, or write one.",
)
@options.FINE
@options.SILENCE
@options.REPLACE
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(
    packages: tuple[Path, ...],
    out: Path,
    use: BoardUse | None,
    house_files: tuple[Path, ...],
    thickness_mm: float | None,
    colour: str | None,
    finish: str | None,
    fine: bool,
    silence: tuple[str, ...],
    replace: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Write the zip that a board house needs.

    Only what is needed to make the board goes in, with a readme that says what you chose.  The
    same files give the same zip, byte for byte.  It is read back and compared before it gets its
    name.  With errors in a package nothing is written, unless you silence each with a reason.

    \b
    Examples:
      fabkit pack gerbers/ --out upload.zip --thickness 1.2 --count 5
      fabkit pack left/ right/ --out uploads --rename --job
    """
    import fabkit
    from fabkit.cli.reading import read_board
    from fabkit.outputs import records, terminal
    from fabkit.outputs.atomic import refuse_existing
    from fabkit.outputs.options import PackOptions
    from fabkit.outputs.pack import refuse_errors, targets_of

    chosen = PackOptions(
        thickness_mm=thickness_mm,
        colour=colour,
        finish=finish,
        **given,
    )
    if len(packages) == 1:
        refuse_existing(out, replace=replace)
    house = fabkit.load_house(next(iter(house_files), None))
    judged = options.judged_as(
        use=use,
        fine=fine,
        silence=silence,
        thickness_mm=thickness_mm,
        colour=colour,
        finish=finish,
    )
    with terminal.progress() as tell:
        boards = [read_board(package, tell, roles=options.stated_roles()) for package in packages]
        targets = targets_of(out, boards)
        for target in targets:
            refuse_existing(target, replace=replace)
        tell("checking")
        results = [fabkit.check(board, house, options=judged) for board in boards]
        for result in results:
            refuse_errors(result)
        made = []
        for board, target, result in zip(boards, targets, results, strict=True):
            tell(f"packing {target}")
            made.append(fabkit.pack(board, target, result=result, options=chosen, replace=replace))
    zips = [records.packed_record(packed) for packed in made]
    said = [records.keyboard_record(r.board) for r in results if r.board]
    if as_json:
        document = {"boards": said, "zips": zips}
        options.print_json("pack", document, beside=out == STANDARD_STREAM)
        return
    console = terminal.Terminal(sys.stderr if out == STANDARD_STREAM else None)
    terminal.print_boards(console, said)
    for record in zips:
        terminal.print_packed(console, record)
