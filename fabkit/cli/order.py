"""``fabkit order``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import options, ordering, rerunning

if TYPE_CHECKING:
    from fabkit.house.order import Order


@click.command("order")
@ordering.WANTED
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FOLDER",
    help="Folder for everything; an older order folder there is replaced.",
)
@ordering.choices
@options.DESPITE
@options.FAIL_ON
@click.option("--replace", is_flag=True, help="Overwrite outputs you changed by hand, too.")
@click.option(
    "--watch", is_flag=True, help="Run again whenever the files change, and tell what changed."
)
@click.option(
    "--compare-with",
    "compare_with",
    type=click.Path(path_type=Path),
    metavar="OLD",
    help="Package of the revision before; the report then shows what changed.",
)
@ordering.TODAY
@options.ROLE
@options.LIMIT
@options.AS_JSON
def command(
    wanted: Path,
    out: Path,
    despite: tuple[str, ...],
    fail_on: str,
    replace: bool,
    watch: bool,
    compare_with: Path | None,
    today: datetime | None,
    as_json: bool,
    **given: Any,
) -> None:
    """Do all of it, into one folder.

    A report to open in a browser, findings as text, JSON and SARIF, pictures of both faces, parts
    list, shopping list and costs as CSV, Markdown and JSON, the zip for the board house, and a
    manifest.  The folder is replaced only when the new one is whole; files you put there are kept.
    A package with errors is not packed.

    \b
    Examples:
      fabkit order order.toml --out build/mine
      fabkit order order.toml --out build/mine --watch
    """
    from fabkit import api
    from fabkit.outputs import terminal

    accepted = options.read_reasons(despite, "--despite")

    def read() -> Order:
        return ordering.read_order(wanted, **given)

    def run(order: Order) -> int:
        with terminal.progress() as tell:
            manifest = api.order(
                order,
                out,
                despite=accepted,
                replace=replace,
                today=ordering.read_day(today),
                limits=options.stated_limits(),
                compare_with=compare_with,
                tell=tell,
            )
        if as_json:
            options.print_json("order", manifest)
        else:
            terminal.print_order(terminal.make_console(), manifest, folder=out.as_posix())
        return options.order_status(manifest, fail_on)

    status = rerunning.keep_running(out, read, run) if watch else run(read())
    click.get_current_context().exit(status)
