"""``fabkit check``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fabkit.cli import grouping, options, printing


@click.command("check", cls=grouping.Command)
@options.PACKAGE
@options.BOARD
@options.HOUSE
@options.THICKNESS
@options.COLOUR
@options.FINISH
@options.FINE
@options.CHOSEN_CHECKS
@options.FAIL_ON
@options.RIGHT
@click.option("--files", is_flag=True, help="Show what each file was taken for, and why.")
@click.option("--thicknesses", is_flag=True, help="Judge every thickness the house offers.")
@options.ALL
@options.TEXT_OUT
@options.printed("markdown", "sarif", "annotations", "junit")
@options.REPLACE
@options.ROLE
@options.EDGE
@options.LIMIT
def command(
    package: Path,
    house_files: tuple[Path, ...],
    fail_on: str,
    right: Path | None,
    files: bool,
    thicknesses: bool,
    full: bool,
    out: Path | None,
    form: str | None,
    as_json: bool,
    replace: bool,
    **given: Any,
) -> None:
    """Say whether a package is fit to order, and what to do if not.

    Reads every exported file of PACKAGE (a folder or a zip), checks it against the published
    formats and against what a board house can make, and ends with a verdict.

    \b
    Examples:
      fabkit check gerbers.zip --thickness 1.2
      fabkit check gerbers.zip --house my-house.toml --house other-house.toml
      fabkit check gerbers.zip --silence legend/off-board="the house trims it"
      fabkit check left --right right
    """
    import fabkit
    from fabkit.cli.reading import read_board
    from fabkit.outputs import records, terminal
    from fabkit.outputs.verdict import print_check, render_verdict

    printed = options.form_of(form, as_json=as_json)
    printing.refuse(out, replace=replace)
    chosen = options.judged_as(**given)
    house, *others = [fabkit.load_house(file) for file in house_files or (None,)]
    with terminal.progress() as tell:
        board = read_board(package, tell, roles=options.stated_roles())
        other = read_board(right, tell, roles={}) if right else None
        tell("checking")
        result = fabkit.check(board, house, options=chosen, other_half=other)
        table = fabkit.judge_thicknesses(board, house) if thicknesses else ()
        houses = fabkit.compare_houses(board, (house, *others), options=chosen) if others else ()
    record = records.check_record(board, result, house, thicknesses=table, houses=houses)
    if printed == "text":
        printing.show(
            lambda console: print_check(console, record, files=files, full=full),
            out=out,
            replace=replace,
        )
    else:
        text = render_verdict(record, printed, fail_on=options.severity(fail_on))
        printing.show(text, out=out, replace=replace)
    click.get_current_context().exit(result.exit_status(options.severity(fail_on)))
