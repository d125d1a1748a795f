"""``fabkit order``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import grouping, options, ordering, rerunning

if TYPE_CHECKING:
    from fabkit.sheets.order import Order


@click.command("order", cls=grouping.Command)
@ordering.WANTED
@click.option(
    "--out",
    type=options.FILE,
    required=True,
    metavar="FOLDER",
    help="Folder for everything; replaces an older order.",
)
@ordering.CHOICES
@ordering.QUANTITY
@options.SILENCE
@options.FAIL_ON
@options.REPLACE
@click.option("--watch", is_flag=True, help="Run again whenever the files change.")
@click.option(
    "--old",
    type=options.FILE,
    metavar="PACKAGE",
    help="Package of the old revision; the report then shows what changed.",
)
@options.TODAY
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(
    wanted: Path,
    out: Path,
    fail_on: str,
    replace: bool,
    watch: bool,
    old: Path | None,
    today: datetime | None,
    as_json: bool,
    **given: Any,
) -> None:
    """Do all of it, into one folder.

    A report to open in a browser, findings as text, JSON and SARIF, pictures of both faces, parts
    list, shopping list and costs as CSV, Markdown and JSON, the zip for the board house, and a
    manifest.  The folder is replaced only when the new one is whole; files you put there are kept.
    A package with errors is not packed,
    unless each is silenced with a reason.

    \b
    Examples:
      fabkit order order.toml --out build/mine
      fabkit order order.toml --out build/mine --watch
    """
    import fabkit
    from fabkit.base.streams import clean
    from fabkit.outputs import terminal

    def read() -> Order:
        return ordering.read_order(wanted, **given)

    def run(order: Order) -> int:
        with terminal.progress() as tell:
            done = fabkit.order(
                order,
                out,
                replace=replace,
                today=options.read_day(today),
                limits=options.stated_limits(),
                old=old,
                tell=tell,
                note=lambda text: click.echo(f"note: {clean(text)}", err=True),
            )
        if as_json:
            options.print_json("order", done.manifest)
        else:
            terminal.print_order(terminal.Terminal(), done.manifest, folder=out.as_posix())
        return done.exit_status(options.severity(fail_on))

    status = rerunning.keep_running(out, read, run) if watch else run(read())
    click.get_current_context().exit(status)
