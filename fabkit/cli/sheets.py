"""Files of the user's own: ``fabkit house``, ``parts new``, ``settings`` and ``schema``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from fabkit.cli import options, printing
from fabkit.cli.model import argument, command, flag, valued


@dataclass(frozen=True, kw_only=True)
class House:
    """What the command was given."""

    sheet: Path | None = argument("[FILE]", required=False, type=options.FILE)
    as_json: bool = options.as_json()


@command("house", House)
def show_house(asked: House) -> None:
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
class NewHouse:
    """What the command was given."""

    out: Path = options.out("FILE.toml", "Where to write the sheet.")
    name: str = options.called(default="Our board house", show_default=True)
    replace: bool = options.replace()


@command("house new", NewHouse)
def write_house(asked: NewHouse) -> None:
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


@dataclass(frozen=True, kw_only=True)
class NewBook:
    """What the command was given."""

    out: Path = options.out("FILE.toml", "Where to write the parts book.")
    name: str = options.called(default="Our parts book", show_default=True)
    replace: bool = options.replace()


@command("parts new", NewBook)
def write_book(asked: NewBook) -> None:
    """Write a parts book of your own to fill in.

    Rules that recognise parts, counts, packs and prices have a comment and invented values:
    put in what you buy and what your shops ask, then set `invented = false`.

    \b
    Example:
      fabkit parts new --out my-parts.toml --name "The drawer"
    """
    from fabkit.parts.book import parts_template

    then = f"fill it in, then use it with --parts {asked.out}"
    printing.write_sheet(asked.out, parts_template(asked.name), then, replace=asked.replace)


@dataclass(frozen=True, kw_only=True)
class Defaults:
    """What the command was given."""

    as_json: bool = options.as_json()


@command("settings", Defaults)
def show_settings(asked: Defaults) -> None:
    """Show your defaults, and where each comes from.

    Options come before environment variables (FABKIT_HOUSE and so on), these before an order
    file, that before the settings file, which is named first and may hold:

    \b
      format = 1
      house = "my-house.toml"
      parts = "my-parts.toml"
      keyboards = 2
      colour = "black"
      finish = "enig"
      country = "..."
      currency = "EUR"
      [tax]                 as in an order file

    \b
    Example:
      fabkit settings
    """
    from fabkit.base.tables import Table, columns_of
    from fabkit.outputs import terminal
    from fabkit.sheets.settings import TEXTS, load_settings, settings_file, tax_words

    file, made = settings_file(), load_settings()
    rows = []
    for name in (*TEXTS, "tax"):
        setting = made.get(name)
        value = None if setting is None else setting.value
        shown = value if value is None or name != "tax" else tax_words(value)
        rows.append(
            {
                "name": name,
                "value": None if shown is None else str(shown),
                "source": setting.source if setting else None,
                "variable": f"FABKIT_{name.upper()}" if name in TEXTS else None,
            }
        )
    if asked.as_json:
        record = {"file": file.as_posix(), "exists": file.is_file(), "settings": rows}
        printing.print_json("settings", record)
        return
    console = terminal.Terminal()
    found = "" if file.is_file() else " (not there; fabkit settings --help shows what it holds)"
    console.print(f"settings file: {file.as_posix()}{found}", unbroken=True)
    shown_rows = tuple((r["name"], r["value"] or "not set", r["source"] or "") for r in rows)
    console.table(Table(columns_of("setting", "value", "from"), shown_rows))


@dataclass(frozen=True, kw_only=True)
class Schema:
    """What the command was given."""

    name: str | None = argument("[NAME]", required=False)


@command("schema", Schema)
def show_schema(asked: Schema) -> None:
    """Print the JSON schema of an output or of a file you write.

    Without NAME the names are listed: `check`, `quote` ... are what --json prints; `order-file`,
    `house-file` and `parts-file` are the TOML files, for editors that complete by a schema.

    \b
    Examples:
      fabkit schema
      fabkit schema order-file > order.schema.json
    """
    from fabkit.outputs.formats import to_json
    from fabkit.schemas import load_schema, schema_names

    if asked.name is None:
        click.echo("\n".join(schema_names()))
    else:
        printing.print_data(to_json(load_schema(asked.name)))
