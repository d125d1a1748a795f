"""What can be looked up: ``fabkit checks``, ``settings`` and ``schema``."""

from __future__ import annotations

from dataclasses import dataclass

import click

from fabkit.cli import completing, options, printing
from fabkit.cli.commands import argument, command


@dataclass(frozen=True, kw_only=True)
class Rules:
    """What the command was given."""

    entry: str | None = argument("[ID]", required=False, shell_complete=completing.IDS)
    as_json: bool = options.as_json()


@command("checks", Rules)
def show_rules(asked: Rules) -> None:
    """List everything that can be found, or explain one entry.

    ID is the word in brackets behind a finding; a group with a slash lists that group.

    \b
    Examples:
      fabkit checks
      fabkit checks hole/
      fabkit checks package/missing-profile
    """
    from fabkit.checks.catalogue import find_rules
    from fabkit.outputs import records, terminal

    rules = [records.rule_record(rule) for rule in find_rules(asked.entry)]
    printing.say(
        "checks",
        {"rules": rules},
        lambda console: terminal.print_rules(console, rules),
        as_json=asked.as_json,
    )


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
