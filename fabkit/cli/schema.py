"""``fabkit schema``."""

from __future__ import annotations

import click

from fabkit.cli import grouping, options


@click.command("schema", cls=grouping.Command)
@click.argument("name", required=False, metavar="[NAME]")
def command(name: str | None) -> None:
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

    if name is None:
        click.echo("\n".join(schema_names()))
    else:
        options.print_data(to_json(load_schema(name)))
