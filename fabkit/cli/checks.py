"""``fabkit checks``."""

from __future__ import annotations

import click

from fabkit.cli import completing, grouping, options


@click.command("checks", cls=grouping.Command)
@click.argument("entry", required=False, metavar="[ID]", shell_complete=completing.IDS)
@options.AS_JSON
def command(entry: str | None, as_json: bool) -> None:
    """List everything that can be found, or explain one entry.

    ID is the word in brackets behind a finding; a group with a slash lists that group.

    \b
    Examples:
      fabkit checks
      fabkit checks hole/
      fabkit checks package/missing-profile
    """
    from fabkit.checks.rulebook import find_rules
    from fabkit.outputs import records, terminal

    rules = [records.rule_record(rule) for rule in find_rules(entry)]
    if as_json:
        options.print_json("checks", {"rules": rules})
        return
    console = terminal.Terminal()
    if len(rules) == 1:
        terminal.print_rule(console, rules[0])
    else:
        terminal.print_rules(console, rules)
