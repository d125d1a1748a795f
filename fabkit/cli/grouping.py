"""Help in groups: what a command and its options are about, in few lines."""

from __future__ import annotations

import re

import click

from fabkit.cli import completing, defaults

COMMAND_GROUPS = {
    "Check and draw": ("check", "preview", "sheet", "paper", "wiring"),
    "Buy and order": ("parts", "quote", "mend", "order", "pack", "panel", "desk"),
    "From revision to revision": ("compare", "carry"),
    "Your own files": ("order new", "house", "house new", "house learn", "parts new", "settings"),
    "Look up": ("checks", "schema"),
}
"""Commands by what they are for; those of no group come last."""

OPTION_GROUPS = {
    "What is made": (
        *("--board", "--right", "--thickness", "--colour", "--finish", "--keyboards"),
        *("--spare-halves", "--quantity", "--count", "--old-keyboards", "--keep"),
    ),
    "Files of yours": ("--house", "--parts", "--order", "--old", "--pins", "--key-order"),
    "What is judged": (
        *("--only", "--mend", "--with", "--without", "--silence", "--fine", "--thicknesses"),
        *("--date", "--expect", "--no-findings", "--no-costs", "--fail-on"),
    ),
    "What is read": ("--role", "--limit"),
    "The page": ("--port", "--folder", "--browser", "--phone"),
    "Several packages": ("--jobs", "--cluster", "--seconds", "--jsonl", "--resume"),
    "What is written": (
        *("--out", "--format", "--json", "--template", "--draw", "--report", "--write-expect"),
        *("--as", "--files", "--all", "--why", "--replace", "--open", "--quiet"),
    ),
}
"""Options by what they are about, in the order of the help; a command's own come first."""


class Command(click.Command):
    """A command whose options are listed in groups and may have defaults in the settings."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the options under the heading of their group."""
        grouped: dict[str, list[tuple[str, str]]] = {"Options": []}
        grouped.update({title: [] for title in OPTION_GROUPS})
        for parameter in self.get_params(ctx):
            row = parameter.get_help_record(ctx)
            if row is not None and isinstance(parameter, click.Option):
                name = f"{row[0]} ..." if parameter.multiple else row[0]
                grouped[group_of(parameter)].append((name, _without_range(row[1])))
        widest = max(len(name) for rows in grouped.values() for name, _ in rows)
        for title, rows in grouped.items():
            if rows:
                aligned = [(name.ljust(widest), words) for name, words in rows]
                with formatter.section(title):
                    formatter.write_dl(aligned, col_max=widest + 2)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keep the words of the line for completion."""
        if ctx.resilient_parsing:
            ctx.meta[completing.TYPED] = list(args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run with the user's defaults for what was not given."""
        defaults.fill(ctx)
        return super().invoke(ctx)


def _without_range(words: str) -> str:
    """Drop click's ``[x>=1]`` from a help line: the error for a number below it is enough."""
    return re.sub(r" *\[x>=\d+\]|(?<=\[default: ).*?; x>=\d+(?=\])", _default_alone, words)


def _default_alone(found: re.Match[str]) -> str:
    return found[0].partition(";")[0] if ";" in found[0] else ""


def group_of(parameter: click.Parameter) -> str:
    """Title of the group that an option belongs to."""
    names = set(parameter.opts)
    return next((t for t, members in OPTION_GROUPS.items() if names & set(members)), "Options")


def command_rows(commands: dict[str, str]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Commands with their line of help, by group."""
    rest = dict(commands)
    made = []
    for title, names in COMMAND_GROUPS.items():
        rows = [(name, rest.pop(name)) for name in names if name in rest]
        made.append((title, rows))
    return [*made, *([("Other", list(rest.items()))] if rest else [])]
