"""``fabkit compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import grouping, options, printing

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse


@click.command("compare", cls=grouping.Command)
@click.argument("old", type=options.FILE, metavar="OLD")
@click.argument("new", type=options.FILE, metavar="NEW")
@click.option(
    "--expect",
    "expected",
    type=options.FILE,
    metavar="FILE",
    help="Changes you meant; others, or missing ones, are errors.",
)
@click.option(
    "--write-expect",
    "to_write",
    type=options.FILE,
    metavar="FILE",
    help="Write all changes into a file to edit and give to --expect.",
)
@click.option(
    "--order",
    "order_file",
    type=options.FILE,
    metavar="FILE",
    help="Order file to compare prices for.  Default: one keyboard.",
)
@options.BOARD
@options.HOUSE
@click.option(
    "--draw",
    "folder",
    type=options.FILE,
    metavar="FOLDER",
    help="Also draw it, into this folder.",
)
@click.option(
    "--report",
    "page",
    type=options.FILE,
    metavar="FILE",
    help="Write a page with a slider between the old board and the new one.",
)
@click.option("--no-findings", is_flag=True, help="Neither check nor price the boards.")
@click.option("--no-costs", is_flag=True, help="Do not price the boards.")
@options.FAIL_ON
@options.CHOSEN_CHECKS
@options.ALL
@options.TEXT_OUT
@options.printed("markdown")
@options.REPLACE
@options.ROLE
@options.LIMIT
def command(
    old: Path,
    new: Path,
    expected: Path | None,
    to_write: Path | None,
    order_file: Path | None,
    use: BoardUse | None,
    house_files: tuple[Path, ...],
    folder: Path | None,
    page: Path | None,
    no_findings: bool,
    no_costs: bool,
    fail_on: str,
    full: bool,
    out: Path | None,
    form: str | None,
    as_json: bool,
    replace: bool,
    **judged: Any,
) -> None:
    """List what changed between two revisions of a board.

    OLD and NEW are packages: folders or zips of exported files.  The boards are laid on each
    other, then layers, holes, keys, parts, nets, options, findings and price are compared.  Where
    files name no nets, newly connected or disconnected pads are listed.  Other units, dialects or
    orders of files are no differences.  --role applies to both packages.

    Ends with status 0 when nothing differs, or all of it was expected; with 1 when something
    does, or when a new finding is at or above --fail-on.

    \b
    Examples:
      fabkit compare rev-a.zip rev-b.zip
      fabkit compare rev-a.zip rev-b.zip --write-expect meant.toml
      fabkit compare rev-a.zip rev-b.zip --expect meant.toml
    """
    import fabkit
    from fabkit.cli.reading import read_board
    from fabkit.compare.expecting import expectation_text
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.comparison import compare_record, print_comparison, render_comparison
    from fabkit.outputs.terminal import progress

    pictures = []
    if folder is not None:
        from fabkit.outputs.drawings import change_files, change_names

        pictures = [folder / name for name in change_names()]
    printed = options.form_of(form, as_json=as_json)
    for target in (out, to_write, page, *pictures):
        if target is not None:
            refuse_existing(target, replace=replace)
    order = None if order_file is None else fabkit.load_order(order_file)
    houses = () if order is None else order.houses
    house = fabkit.load_house(next(iter((*house_files, *houses)), None))
    with progress() as tell:
        boards = [read_board(path, tell, roles=options.stated_roles()) for path in (old, new)]
        comparison = fabkit.compare_boards(boards[0], boards[1], tell=tell)
        judgement = None if expected is None else fabkit.judge_changes(comparison, expected)
        asked = not no_findings and not comparison.same_files
        weighed = fabkit.weigh_changes(
            comparison,
            order=order,
            house=house,
            options=options.judged_as(use=use, **judged),
            findings=asked,
            costs=asked and not no_costs,
            tell=tell,
        )
        record = compare_record(
            comparison, findings=weighed.findings, costs=weighed.costs, judgement=judgement
        )
        tell("drawing")
        if to_write is not None:
            write_file(to_write, expectation_text(comparison).encode(), replace=replace)
        if folder is not None:
            for name, data in change_files(comparison).items():
                write_file(folder / name, data, replace=replace)
        if page is not None:
            from fabkit.outputs.report.compare_view import render_comparison_page

            html = render_comparison_page(comparison, record)
            write_file(page, html.encode(), replace=replace)
    if printed == "text":
        printing.show(
            lambda console: print_comparison(console, record, full=full), out=out, replace=replace
        )
    else:
        printing.show(render_comparison(record, printed), out=out, replace=replace)
    different = not comparison.equal if judgement is None else bool(judgement.findings)
    worse = weighed.findings.status(options.severity(fail_on)) if weighed.findings else 0
    click.get_current_context().exit(int(different) or worse)
