"""``fabkit house``, ``fabkit house new`` and ``fabkit house learn``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from fabkit.cli import options, printing
from fabkit.cli.commands import argument, command, flag, valued


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What the command was given."""

    sheet: Path | None = argument("[FILE]", required=False, type=options.FILE)
    as_json: bool = options.as_json()


@command("house", Shown)
def show(asked: Shown) -> None:
    """Show a board house's sheet.

    The sheet states what the house can make and offers; `check` and `quote` judge by it.  Without
    FILE the bundled one is shown, which is invented.

    \b
    Example:
      fabkit house my-house.toml
    """
    import fabkit
    from fabkit.outputs import records, terminal

    record = records.house_sheet_record(fabkit.load_house(asked.sheet))
    printing.say(
        "house",
        record,
        lambda console: terminal.print_house(console, record),
        as_json=asked.as_json,
    )


@dataclass(frozen=True, kw_only=True)
class New:
    """What the command was given."""

    out: Path = options.out("FILE.toml", "Where to write the sheet.")
    name: str = options.called(default="Our board house", show_default=True)
    replace: bool = options.replace()


@command("house new", New)
def write_new(asked: New) -> None:
    """Write a sheet of your own board house to fill in.

    Every limit, option and price is there with a comment and an invented value: put in what your
    house publishes, then set `invented = false`.

    \b
    Example:
      fabkit house new --out my-house.toml --name "The house around the corner"
    """
    from fabkit.sheets.house import house_template

    then = f"fill it in, then use it with --house {asked.out}"
    printing.write_sheet(asked.out, house_template(asked.name), then, replace=asked.replace)


@dataclass(frozen=True, kw_only=True)
class Learnt:
    """What the command was given."""

    quotes: Path | None = argument("[QUOTES.csv]", required=False, type=options.FILE)
    out: Path | None = options.out("FILE.toml", "Where to write the sheet.", required=False)
    name: str = options.called(default="Our board house", show_default=True)
    currency: str | None = options.currency()
    country: str | None = valued(
        "--country", "NAME", "Whose shipping to learn.  Default: the commonest."
    )
    example: bool = flag("--example", "Print an invented table to fill in.")
    replace: bool = options.replace()


@command("house learn", Learnt)
def learn(asked: Learnt) -> None:
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
    from fabkit.outputs.atomic import refuse_existing
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
        then = f"use it with --house {asked.out}"
        printing.write_sheet(asked.out, learned.sheet, then, replace=asked.replace)
