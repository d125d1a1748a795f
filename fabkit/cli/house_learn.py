"""``fabkit house learn``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from fabkit.cli import options, printing
from fabkit.cli.bundles import argument, command, option


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    quotes: Path | None = argument("[QUOTES.csv]", required=False, type=options.FILE)
    out: Path | None = options.out("FILE.toml", "Where to write the sheet.", required=False)
    name: str = option(
        "--name", default="Our board house", show_default=True, help="What you call it."
    )
    currency: str | None = options.currency()
    country: str | None = option(
        "--country",
        metavar="NAME",
        help="Whose shipping to learn.  Default: the commonest.",
    )
    example: bool = option("--example", is_flag=True, help="Print an invented table to fill in.")
    replace: bool = options.replace()


@command("house learn", Asked)
def run(asked: Asked) -> None:
    """Write a sheet of your board house from quotes you have.

    QUOTES.csv holds quotes and past invoices, one row each: size, quantity, options, price of the
    boards, shipping.  The simplest rules that give these prices are written as a house sheet, with
    how sure each is.  Without --out the rules are shown alone.

    \b
    Examples:
      fabkit house learn --example > quotes.csv
      fabkit house learn quotes.csv --out learned.toml
    """
    from fabkit.costs.learning import learn_house
    from fabkit.outputs import terminal
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.money import print_learned
    from fabkit.sheets.quotes import EXAMPLE_QUOTES, load_quotes

    if asked.example:
        printing.print_data(EXAMPLE_QUOTES)
        return
    if asked.quotes is None:
        raise click.UsageError("name the table of quotes; --example prints one to fill in")
    if asked.out is not None:
        refuse_existing(asked.out, replace=asked.replace)
    with terminal.progress() as tell:
        tell("looking for the rules")
        learned = learn_house(
            load_quotes(asked.quotes),
            name=asked.name,
            currency=asked.currency,
            country=asked.country,
            file=str(asked.quotes),
        )
    print_learned(terminal.Terminal(), learned)
    if asked.out is not None:
        write_file(asked.out, learned.sheet.encode(), replace=asked.replace)
        printing.say_next(asked.out, f"{asked.out}: use it with --house {asked.out}")
