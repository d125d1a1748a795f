"""``fabkit check``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import options


@click.command("check")
@options.PACKAGE
@options.HOUSES
@options.THICKNESS
@options.FINE
@click.option(
    "--only", multiple=True, metavar="ID", help="Run only this check, or group with a slash: hole/"
)
@click.option(
    "--without", multiple=True, metavar="ID", help="Leave out this check or rule, or group/"
)
@options.FAIL_ON
@click.option("--files", is_flag=True, help="Also show which file was taken for what, and why.")
@click.option(
    "--thicknesses", is_flag=True, help="Also judge every thickness the house offers, in a table."
)
@click.option("--all", "full", is_flag=True, help="Show every finding, not one of each kind.")
@click.option(
    "--silence",
    multiple=True,
    metavar="ID=REASON",
    help="Set this rule aside; the reason is repeated with the verdict.  Repeatable.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "markdown", "sarif", "annotations", "junit"]),
    default="text",
    show_default=True,
    help="How the verdict is printed: sarif for editors and code hosts, annotations and junit for"
    " continuous integration (docs/ci.md).",
)
@click.option(
    "--right",
    type=click.Path(path_type=Path),
    metavar="PACKAGE",
    help="The right half, where PACKAGE is a left half of another design: also say whether the"
    " two belong together.",
)
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(
    package: Path,
    house_files: tuple[Path, ...],
    thickness_mm: float | None,
    fine: bool,
    only: tuple[str, ...],
    without: tuple[str, ...],
    fail_on: str,
    files: bool,
    thicknesses: bool,
    full: bool,
    silence: tuple[str, ...],
    form: str,
    right: Path | None,
    as_json: bool,
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
    from fabkit import api
    from fabkit.checks.model import CheckOptions
    from fabkit.cli.reading import read_board
    from fabkit.house.order import Silence
    from fabkit.outputs import records, terminal
    from fabkit.outputs.verdict import render_verdict

    form = options.one_form(form, as_json=as_json)
    chosen = CheckOptions(
        thickness_mm=thickness_mm,
        limit_class="fine" if fine else "standard",
        only=only,
        without=without,
        silenced=tuple(
            Silence(rule=rule, reason=reason)
            for rule, reason in options.read_reasons(silence, "--silence").items()
        ),
    )
    house, *others = [api.load_house(file) for file in house_files or (None,)]
    with terminal.progress() as tell:
        board = read_board(package, tell, roles=options.stated_roles())
        other = read_board(right, tell, roles={}) if right else None
        tell("checking")
        result = api.check(board, house, options=chosen, other_half=other)
        table = api.judge_thicknesses(board, house) if thicknesses else ()
        houses = api.compare_houses(board, (house, *others), options=chosen) if others else ()
    record = records.check_record(board, result, house, thicknesses=table, houses=houses)
    if form == "text":
        terminal.print_check(terminal.make_console(), record, files=files, full=full)
    else:
        options.print_data(render_verdict(record, form, fail_on=options.severity(fail_on)))
    click.get_current_context().exit(result.exit_status(options.severity(fail_on)))
