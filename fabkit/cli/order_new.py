"""``fabkit order new``."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from fabkit.cli import options, printing
from fabkit.cli.bundles import bundle, command, option
from fabkit.cli.ordering import Choices
from fabkit.cli.reading import Reading


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    package: Path = options.package()
    out: Path = options.out(
        "FILE.toml", "Where to write the order file.", default=Path("order.toml"), show_default=True
    )
    right: Path | None = options.right()
    name: str | None = option("--name", help="What you call it.")
    spare_halves: int | None = option(
        "--spare-halves",
        type=options.FROM_ZERO,
        metavar="N",
        help="Halves besides whole keyboards.",
    )
    quantities: tuple[int, ...] = options.quantities()
    currency: str | None = options.currency()
    choices: Choices = bundle(Choices)
    ask: bool = option("--ask", is_flag=True, help="Prompt for missing values.")
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


@command("order new", Asked)
def run(asked: Asked) -> None:
    """Write an order file to fill in.

    It names PACKAGE, states what each board was found to be and why, and holds every other choice
    as a comment; `fabkit order` then does the whole job from it, as often as you export.  A folder
    with several packages (both halves, plates) becomes an order of several boards.

    \b
    Examples:
      fabkit order new gerbers/ --keyboards 2 --out order.toml
      fabkit order new wheatear/ --out wheatear.toml
      fabkit order new left/ --right right/ --thickness 1.2 --colour black
    """
    import fabkit
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.parts.suggesting import suggest_names
    from fabkit.sheets.order_template import order_template

    if (use := asked.choices.use) and (asked.right or use in ("left", "right")):
        raise click.UsageError(f"--board {use}: left and right are given as LEFT --right RIGHT")
    refuse_existing(asked.out, replace=asked.replace)
    with asked.reading.progress() as tell:
        proposal = fabkit.propose_order(
            asked.package,
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
    write_file(asked.out, text.encode(), replace=asked.replace)
    for one in proposal.boards:
        click.echo(f"{'' if one.chosen else 'left out: '}{one.package}: {one.reasons[0]}", err=True)
    printing.say_next(
        asked.out, f"{asked.out}: look it through, then run: fabkit order {asked.out} --out FOLDER"
    )
