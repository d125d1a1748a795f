"""The ``fabkit`` command: finds sub-commands by name and turns errors into messages.

Only click is imported here and in every command module; all else is loaded when a command runs,
so that ``fabkit --help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click
from click.shell_completion import CompletionItem

from fabkit.base import VERSION
from fabkit.cli.model import MADE
from fabkit.cli.options import nearest
from fabkit.cli.printing import say_error
from fabkit.cli.process import STOPPED, run_guarded

COMMANDS = {
    "check": "Say whether a package is fit to order, and what to do if not.",
    "preview": "Draw the finished board, front and back.",
    "sheet": "Draw one sheet about the board: drill map, a layer, a net, findings.",
    "paper": "Print a full-size template to try under your hand.",
    "wiring": "List which controller pin each key is on, on both halves.",
    "parts": "List the parts to buy, per half and per keyboard.",
    "parts new": "Write a parts book of your own to fill in.",
    "carry": "List parts you can reuse from the old revision, and what that saves.",
    "quote": "Price one half over several order quantities.",
    "pack": "Write the zip that a board house needs.",
    "mend": "Correct in the files what has one right answer, with proof.",
    "panel": "Write several boards as one panel: both halves, or several copies.",
    "order": "Do all of it, into one folder.",
    "order new": "Write an order file to fill in.",
    "desk": "Open a page on this machine for the whole job.",
    "compare": "List what changed between two revisions of a board.",
    "house": "Show a board house's sheet.",
    "house new": "Write a sheet of your own board house to fill in.",
    "house learn": "Write a sheet of your board house from quotes you have.",
    "checks": "List everything that can be found, or explain one entry.",
    "settings": "Show your defaults, and where each comes from.",
    "schema": "Print the JSON schema of an output or of a file you write.",
}
"""Commands in the order of a working day, each with its one line of help."""

COMMAND_GROUPS = {
    "Check and draw": ("check", "preview", "sheet", "paper", "wiring"),
    "Buy and order": ("parts", "quote", "mend", "order", "pack", "panel", "desk"),
    "From revision to revision": ("compare", "carry"),
    "Your own files": ("order new", "house", "house new", "house learn", "parts new", "settings"),
    "Look up": ("checks", "schema"),
}
"""Commands by what they are for."""

MODULES = {
    "cli.check": ("check", "checks"),
    "cli.drawing": ("preview", "sheet", "paper"),
    "cli.wiring": ("wiring",),
    "cli.buying": ("parts", "carry", "quote"),
    "cli.packing": ("pack", "mend", "panel"),
    "cli.order": ("order", "order new"),
    "desk.command": ("desk",),
    "cli.compare": ("compare",),
    "cli.sheets": ("house", "house new", "house learn", "parts new", "settings", "schema"),
}
"""Commands by the module that makes them."""

EPILOG = """\b
First time? This writes everything about the bundled demo into the folder wheatear:
  fabkit order demo --out wheatear

\b
Exit status: 0 done; 1 findings at or above --fail-on; 2 wrong usage, unusable
input or an output that cannot be written; 3 fabkit itself broke.
"""


class Stopped(Exception):
    """Ctrl-C, under a name for which click prints no empty line."""


class LazyGroup(click.Group):
    """Imports a sub-command when it is called, and speaks for every error."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 -- click's signature
        """Names in the order of the table."""
        return list(COMMANDS)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Commands that begin like this, without importing them, and our own options."""
        if incomplete.startswith("-"):
            return super().shell_complete(ctx, incomplete)
        return [
            CompletionItem(name, help=words)
            for name, words in COMMANDS.items()
            if name.startswith(incomplete) and " " not in name
        ]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the module of a command."""
        if cmd_name not in COMMANDS:
            return None
        home = next(module for module, names in MODULES.items() if cmd_name in names)
        import_module(f"fabkit.{home}")
        return MADE[cmd_name]

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find commands of two words; suggest the nearest when a name is not known."""
        if len(args) > 1 and f"{args[0]} {args[1]}" in COMMANDS:
            args = [f"{args[0]} {args[1]}", *args[2:]]
        if args[0] not in COMMANDS:
            message = f"there is no command '{args[0]}'{nearest(args[0], COMMANDS)}"
            raise click.UsageError(message, ctx=ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing them."""
        for title, names in COMMAND_GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(name, COMMANDS[name]) for name in names])

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was named."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise Stopped from None

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: object,
    ) -> Any:
        """Run a command; errors become messages, with the exit status they carry."""
        try:
            status = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        except (Stopped, KeyboardInterrupt, click.Abort):
            click.echo("stopped; nothing was half-written", err=True)
            status = STOPPED
        except Exception as error:
            if os.environ.get("FABKIT_DEBUG"):
                raise
            status = say_error(error, as_json="--json" in (sys.argv[1:] if args is None else args))
        if standalone_mode:
            sys.exit(status)
        return status


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=EPILOG,
)
@click.version_option(VERSION, "-V", "--version", prog_name="fabkit")
def cli() -> None:
    """Check, draw, price and pack exported circuit-board files before paying.

    PACKAGE is a folder or a zip of exported Gerber and drill files.
    """


def main() -> int:
    """Run the command line with guarded streams; give the exit status."""
    try:
        return run_guarded(lambda: cli(prog_name="fabkit"))
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
        return STOPPED
