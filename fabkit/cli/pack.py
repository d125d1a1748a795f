"""``fabkit pack``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.cli import options, printing
from fabkit.cli.commands import argument, bundle, command, flag, valued
from fabkit.cli.reading import Reading

if TYPE_CHECKING:
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import BoardUse, Silence


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
class Asked:
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


@command("pack", Asked)
def run(asked: Asked) -> None:
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
            house=fabkit.load_house(next(iter(asked.house_files), None)),
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
