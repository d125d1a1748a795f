"""``fabkit order`` and ``fabkit order new``."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import options, printing
from fabkit.cli.model import bundle, command, flag, valued
from fabkit.cli.reading import Choices, Reading, package_or_order

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.sheets.order import Order, Silence


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = package_or_order()
    out: Path = options.out("FOLDER", "Folder for everything; replaces an older order.")
    choices: Choices = bundle(Choices)
    quantities: tuple[int, ...] = options.quantities()
    silenced: tuple[Silence, ...] = options.silenced()
    fail_on: Severity | None = options.fail_on()
    replace: bool = options.replace()
    mend: bool = flag("--mend", "Mend the files first (fabkit mend), and order those.")
    corrections: tuple[str, ...] = options.corrections()
    watch: bool = flag("--watch", "Run again whenever the files change.")
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
    A package with a stop is not packed, unless each stop is set aside by --silence with a reason.

    \b
    Examples:
      fabkit order order.toml --out build/mine
      fabkit order order.toml --out build/mine --watch
      fabkit order order.toml --out build/mine --mend --with mask-margin
    """
    import fabkit
    from fabkit.base.streams import clean
    from fabkit.outputs.terminal import print_order

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
        printing.say(
            "order",
            done.manifest,
            lambda console: print_order(
                console, done.manifest, done.costs.answer(), folder=asked.out
            ),
            as_json=asked.as_json,
        )
        return done.exit_status(asked.fail_on)

    status = keep_running(asked.out, read, do) if asked.watch else do(read())
    click.get_current_context().exit(status)


def keep_running(out: Path, read: Callable[[], Order], run: Callable[[Order], int]) -> int:
    """Run now, and again after each change of the inputs, until stopped; the last exit status.

    Parameters
    ----------
    out
        The order folder; what changed in it is printed after each run.
    read
        Gives the order as it is written now.
    run
        Does the order and gives its exit status.
    """
    from fabkit.base.errors import FabkitError
    from fabkit.base.streams import clean
    from fabkit.outputs.watching import (
        fingerprint,
        inputs_of,
        read_state,
        tell_changes,
        wait_for_change,
    )

    order = read()
    paths, before = inputs_of(order), read_state(out)
    seen = fingerprint(paths)
    status = 0
    try:
        while True:
            try:
                order = read()
                paths = inputs_of(order)
                seen = fingerprint(paths)
                status = run(order)
                after = read_state(out)
                if before.verdicts:
                    click.echo("\n".join(tell_changes(before, after)))
                before = after
            except FabkitError as error:
                # Files may be half exported just now, or the order file half edited.
                status = error.exit_code
                click.echo(f"error: {clean(error.message)}", err=True)
            click.echo("waiting for the files to change; stop with Ctrl-C", err=True)
            seen = wait_for_change(paths, seen)
    except KeyboardInterrupt:
        return status


@dataclass(frozen=True, kw_only=True)
class New:
    """What the command was given."""

    packages: tuple[Path, ...] = options.packages()
    out: Path = options.out(
        "FILE.toml", "Where to write the order file.", default=Path("order.toml"), show_default=True
    )
    right: Path | None = options.right()
    name: str | None = options.called()
    spare_halves: int | None = valued(
        "--spare-halves", "N", "Halves besides whole keyboards.", type=options.FROM_ZERO
    )
    quantities: tuple[int, ...] = options.quantities()
    currency: str | None = options.currency()
    choices: Choices = bundle(Choices)
    ask: bool = flag("--ask", "Prompt for missing values.")
    reading: Reading = bundle(Reading)
    replace: bool = options.replace()

    def beside(self, path: Path) -> str:
        """Give a path as it stands in the order file: relative to it, with / on every system."""
        return Path(os.path.relpath(path, self.out.parent)).as_posix()

    def keys(self) -> dict[str, Any]:
        """Keys of the order file for what was given."""
        given = self.choices
        keys = {
            "keyboards": given.keyboards,
            "houses": [self.beside(house) for house in given.house_files] or None,
            "parts": self.beside(given.parts_file) if given.parts_file else None,
            "quantities": list(self.quantities) or None,
            "spare_halves": self.spare_halves,
            "currency": self.currency,
            **vars(given.choice),
        }
        return {key: value for key, value in keys.items() if value is not None}


QUESTIONS = (
    ("keyboards", "Whole keyboards", 1),
    ("thickness_mm", "Finished thickness, mm", 1.6),
    ("colour", "Mask colour", "green"),
    ("finish", "Surface finish", "hasl-lead-free"),
)
"""Choices an order turns on: key, what is asked, and the usual answer."""


@command("order new", New)
def write_new(asked: New) -> None:
    """Write an order file to fill in.

    It names each PACKAGE, states what each board was found to be and why, and holds every other
    choice as a comment; `fabkit order` then does the whole job from it, as often as you export.
    Several packages (both halves, plates), or a folder of them, become one order.

    \b
    Examples:
      fabkit order new gerbers/ --keyboards 2 --out order.toml
      fabkit order new wheatear/ --out wheatear.toml
      fabkit order new left.zip right.zip plate.zip
      fabkit order new left/ --right right/ --thickness 1.2 --colour black
    """
    import fabkit
    from fabkit.outputs.atomic import refuse_existing
    from fabkit.parts.listing import suggest_names
    from fabkit.sheets.order_template import order_template

    if (use := asked.choices.use) and (asked.right or use in ("left", "right")):
        raise click.UsageError(f"--board {use}: left and right are given as LEFT --right RIGHT")
    refuse_existing(asked.out, replace=asked.replace)
    with asked.reading.progress() as tell:
        proposal = fabkit.propose_order(
            *asked.packages,
            right=asked.right,
            name=asked.name,
            use=use,
            path_of=asked.beside,
            roles=asked.reading.roles,
            limits=asked.reading.limits,
            tell=tell,
        )
    name, keys = proposal.name, asked.keys()
    if asked.ask:
        name = click.prompt("Name of the order", default=name)
        missing = [q for q in QUESTIONS if q[0] not in keys]
        keys |= {key: click.prompt(words, default=usual) for key, words, usual in missing}
    text = order_template(
        name=name,
        boards=proposal.boards,
        names=suggest_names(proposal.chosen),
        keyboards=keys.pop("keyboards", 1),
        chosen=keys,
    )
    for one in proposal.boards:
        click.echo(f"{'' if one.chosen else 'left out: '}{one.package}: {one.reasons[0]}", err=True)
    then = f"look it through, then run: fabkit order {asked.out} --out FOLDER"
    printing.write_sheet(asked.out, text, then, replace=asked.replace)
