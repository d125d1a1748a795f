"""``fabkit order``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options, ordering, printing, rerunning
from fabkit.cli.bundles import bundle, command, option
from fabkit.cli.reading import Reading

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.sheets.order import Order, Silence


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = ordering.wanted()
    out: Path = options.out("FOLDER", "Folder for everything; replaces an older order.")
    choices: ordering.Choices = bundle(ordering.Choices)
    quantities: tuple[int, ...] = options.quantities()
    silenced: tuple[Silence, ...] = options.silenced()
    fail_on: Severity | None = options.fail_on()
    replace: bool = options.replace()
    mend: bool = option(
        "--mend", is_flag=True, help="Mend the files first (fabkit mend), and order those."
    )
    corrections: tuple[str, ...] = options.corrections()
    watch: bool = option("--watch", is_flag=True, help="Run again whenever the files change.")
    old: Path | None = options.file(
        "--old", "PACKAGE", "Package of the old revision; the report then shows what changed."
    )
    today: date = options.today()
    reading: Reading = bundle(Reading)
    as_json: bool = options.as_json()


@command("order", Asked)
def run(asked: Asked) -> None:
    """Do all of it, into one folder.

    A report to open in a browser, findings as text, JSON and SARIF, pictures of both faces, parts
    list, shopping list and costs as CSV, Markdown and JSON, the zip for the board house, and a
    manifest.  The folder is replaced only when the new one is whole; files you put there are kept.
    A package with errors is not packed, unless each is silenced with a reason.

    \b
    Examples:
      fabkit order order.toml --out build/mine
      fabkit order order.toml --out build/mine --watch
      fabkit order order.toml --out build/mine --mend --with mask-margin
    """
    import fabkit
    from fabkit.base.streams import clean
    from fabkit.outputs import terminal

    def read() -> Order:
        order = asked.choices.order(
            asked.wanted, asked.reading, quantities=asked.quantities, silenced=asked.silenced
        )
        wanted = tuple(dict.fromkeys((*order.mend_with, *asked.corrections)))
        return replace(order, mend=order.mend or asked.mend or bool(wanted), mend_with=wanted)

    def do(order: Order) -> int:
        with asked.reading.progress() as tell:
            done = fabkit.order(
                order,
                asked.out,
                replace=asked.replace,
                today=asked.today,
                limits=asked.reading.limits,
                old=asked.old,
                tell=tell,
                note=lambda text: click.echo(f"note: {clean(text)}", err=True),
            )
        if asked.as_json:
            printing.print_json("order", done.manifest)
        else:
            console = terminal.Terminal()
            terminal.print_order(console, done.manifest, done.costs.answer(), folder=asked.out)
        return done.exit_status(asked.fail_on)

    status = rerunning.keep_running(asked.out, read, do) if asked.watch else do(read())
    click.get_current_context().exit(status)
