"""``fabkit pack``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import options


@click.command("pack")
@options.PACKAGE
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE.zip",
    help="Name of the zip to write.",
)
@options.HOUSE
@options.THICKNESS
@click.option("--colour", metavar="NAME", help="Mask colour, for the readme in the zip.")
@click.option("--finish", metavar="NAME", help="Surface finish, for the readme in the zip.")
@click.option("--quantity", type=click.IntRange(min=1), help="Boards, for the readme in the zip.")
@click.option("--netlist", is_flag=True, help="Also pack the netlist, for electrical testing.")
@options.DESPITE
@options.REPLACE
@options.AS_JSON
def command(
    package: Path,
    out: Path,
    house_file: Path | None,
    thickness_mm: float | None,
    colour: str | None,
    finish: str | None,
    quantity: int | None,
    netlist: bool,
    despite: tuple[str, ...],
    replace: bool,
    as_json: bool,
) -> None:
    """Write the zip that a board house needs.

    Only what is needed to make the board goes in, with a readme that says what you chose.  The
    same files give the same zip, byte for byte.  It is read back and compared before it gets its
    name.  With errors in the package nothing is written, unless you say why with --despite.

    \b
    Example:
      fabkit pack gerbers/ --out upload.zip --thickness 1.2 --quantity 5
    """
    from fabkit import api
    from fabkit.checks.model import CheckOptions
    from fabkit.cli.reading import read_board
    from fabkit.outputs import records, terminal
    from fabkit.outputs.atomic import refuse_existing
    from fabkit.outputs.json import to_json
    from fabkit.outputs.options import PackOptions

    chosen = PackOptions(
        thickness_mm=thickness_mm,
        colour=colour,
        finish=finish,
        quantity=quantity,
        despite=options.read_reasons(despite, "--despite"),
        with_netlist=netlist,
    )
    refuse_existing(out, replace=replace)
    house = api.load_house(house_file)
    with terminal.progress() as tell:
        board = read_board(package, tell)
        tell("checking")
        judged = CheckOptions(thickness_mm=thickness_mm, colour=colour, finish=finish)
        result = api.check(board, house, options=judged)
        tell(f"packing {out}")
        packed = api.pack(board, out, result=result, options=chosen, replace=replace)
    record = records.packed_record(packed)
    if as_json:
        click.echo(to_json(record), nl=False)
    else:
        terminal.print_packed(terminal.make_console(), record)
