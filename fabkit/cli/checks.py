"""``fabkit checks``."""

from __future__ import annotations

from dataclasses import dataclass

from fabkit.cli import completing, options, printing
from fabkit.cli.bundles import argument, command


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    entry: str | None = argument("[ID]", required=False, shell_complete=completing.IDS)
    as_json: bool = options.as_json()


@command("checks", Asked)
def run(asked: Asked) -> None:
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

    rules = [records.rule_record(rule) for rule in find_rules(asked.entry)]
    if asked.as_json:
        printing.print_json("checks", {"rules": rules})
        return
    console = terminal.Terminal()
    if len(rules) == 1:
        terminal.print_rule(console, rules[0])
    else:
        terminal.print_rules(console, rules)
