"""``fabkit check``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options, printing
from fabkit.cli.bundles import bundle, command, option
from fabkit.cli.reading import EdgeReading

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import BoardUse


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    package: Path = options.package()
    use: BoardUse | None = options.board()
    house_files: tuple[Path, ...] = options.house()
    choice: options.Choice = bundle(options.Choice)
    limit_class: LimitClass = options.limit_class()
    judged: options.Judged = bundle(options.Judged)
    fail_on: Severity | None = options.fail_on()
    right: Path | None = options.right()
    files: bool = option(
        "--files", is_flag=True, help="Show what each file was taken for, and why."
    )
    thicknesses: bool = option(
        "--thicknesses", is_flag=True, help="Judge every thickness the house offers."
    )
    full: bool = options.full()
    printed: printing.Printed = printing.printed("markdown", "sarif", "annotations", "junit")
    reading: EdgeReading = bundle(EdgeReading)


@command("check", Asked)
def run(asked: Asked) -> None:
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
    from fabkit.outputs import records
    from fabkit.outputs.verdict import print_check, render_verdict

    form = asked.printed.settle()
    chosen = fabkit.CheckOptions(
        use=asked.use,
        limit_class=asked.limit_class,
        **vars(asked.judged),
        **vars(asked.choice),
    )
    house, *others = [fabkit.load_house(file) for file in asked.house_files or (None,)]
    with asked.reading.progress() as tell:
        board = asked.reading.board(asked.package, tell)
        right = asked.reading.board(asked.right, tell, roles={}) if asked.right else None
        tell("checking")
        result = fabkit.check(board, house, options=chosen, other_half=right)
        table = fabkit.judge_thicknesses(board, house) if asked.thicknesses else ()
        asked_too = (house, *others) if others else ()
        houses = fabkit.compare_houses(board, asked_too, options=chosen)
    record = records.check_record(board, result, house, thicknesses=table, houses=houses)
    if form == "text":
        asked.printed.show(
            lambda console: print_check(console, record, files=asked.files, full=asked.full)
        )
    else:
        asked.printed.show(render_verdict(record, form, fail_on=asked.fail_on))
    click.get_current_context().exit(result.exit_status(asked.fail_on))
