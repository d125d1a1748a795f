"""``fabkit schema``."""

from __future__ import annotations

from dataclasses import dataclass

import click

from fabkit.cli import printing
from fabkit.cli.bundles import argument, command


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    name: str | None = argument("[NAME]", required=False)


@command("schema", Asked)
def run(asked: Asked) -> None:
    """Print the JSON schema of an output or of a file you write.

    Without NAME the names are listed: `check`, `quote` ... are what --json prints; `order-file`,
    `house-file` and `parts-file` are the TOML files, for editors that complete by a schema.

    \b
    Examples:
      fabkit schema
      fabkit schema order-file > order.schema.json
    """
    from fabkit.outputs.json import to_json
    from fabkit.schemas import load_schema, schema_names

    if asked.name is None:
        click.echo("\n".join(schema_names()))
    else:
        printing.print_data(to_json(load_schema(asked.name)))
