"""``fabkit compare``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import options

BOARD = click.Path(path_type=Path)


@click.command("compare")
@click.argument("old", type=BOARD, metavar="OLD")
@click.argument("new", type=BOARD, metavar="NEW")
@click.option(
    "--expect",
    "expected",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Changes that are meant; anything else, and what of them is not there, is an error.",
)
@click.option(
    "--write-expect",
    "to_write",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write all changes into a file to edit and give to --expect.",
)
@click.option(
    "--order",
    "order_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Order that prices are compared for; without it one keyboard with usual options.",
)
@options.HOUSE
@click.option(
    "--pictures",
    "folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Draw what is new and what is gone on either face, as PNG and SVG.",
)
@click.option(
    "--report",
    "page",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a page with a slider between the old board and the new one.",
)
@click.option("--no-findings", is_flag=True, help="Do not check the boards, nor price them.")
@click.option("--no-costs", is_flag=True, help="Do not price the boards.")
@options.FAIL_ON
@click.option("--all", "full", is_flag=True, help="Show every place, not the largest ones.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "markdown"]),
    default="text",
    show_default=True,
    help="How the comparison is printed.",
)
@options.ROLE
@options.LIMIT
@options.AS_JSON
@options.REPLACE
def command(
    old: Path,
    new: Path,
    expected: Path | None,
    to_write: Path | None,
    order_file: Path | None,
    house_file: Path | None,
    folder: Path | None,
    page: Path | None,
    no_findings: bool,
    no_costs: bool,
    fail_on: str,
    full: bool,
    form: str,
    as_json: bool,
    replace: bool,
) -> None:
    """Say what changed between two revisions of a board.

    OLD and NEW are packages: folders or zips of exported files.  The boards are laid on each
    other, then layers, holes, keys, parts, nets, options, findings and price are compared.  Where
    files name no nets, it is told which pads copper joins now and did not before, and which it no
    longer joins.  Other units, dialects or orders of files are no differences.  A --role holds
    for both.

    Ends with status 0 when nothing differs, or all of it was expected; with 1 when something
    does, or when a new finding is at or above --fail-on.

    \b
    Examples:
      fabkit compare rev-a.zip rev-b.zip
      fabkit compare rev-a.zip rev-b.zip --write-expect meant.toml
      fabkit compare rev-a.zip rev-b.zip --expect meant.toml
    """
    from fabkit import api
    from fabkit.cli.reading import read_board
    from fabkit.compare.expecting import expectation_text
    from fabkit.outputs import compare_records, terminal
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.compare_page import render_comparison
    from fabkit.outputs.compare_text import print_comparison

    form = options.one_form(form, as_json=as_json)
    pictures = []
    if folder is not None:
        from fabkit.outputs.compare_pictures import change_files, picture_names

        pictures = [folder / name for name in picture_names()]
    for target in (to_write, page, *pictures):
        if target is not None:
            refuse_existing(target, replace=replace)
    order = None if order_file is None else api.load_order(order_file)
    houses = () if order is None else order.houses
    house = api.load_house(house_file or (houses[0] if houses else None))
    with terminal.progress() as tell:
        boards = [read_board(path, tell, roles=options.stated_roles()) for path in (old, new)]
        comparison = api.compare_boards(boards[0], boards[1], tell=tell)
        judgement = None if expected is None else api.judge_changes(comparison, expected)
        asked = not no_findings and not comparison.same_files
        weighed = api.weigh_changes(
            comparison,
            order=order,
            house=house,
            findings=asked,
            costs=asked and not no_costs,
            tell=tell,
        )
        record = compare_records.compare_record(
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
    if form == "text":
        print_comparison(terminal.make_console(), record, full=full)
    else:
        options.print_data(render_comparison(record, form))
    different = not comparison.equal if judgement is None else bool(judgement.findings)
    worse = weighed.findings.status(options.severity(fail_on)) if weighed.findings else 0
    click.get_current_context().exit(int(different) or worse)
