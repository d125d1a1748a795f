"""The ``fabkit`` command: finds sub-commands by name and turns errors into messages.

Only click is imported here and in every command module; all else is loaded when a command runs,
so that ``fabkit --help`` answers at once.
"""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any, NoReturn

import click

from fabkit import __version__
from fabkit.cli.options import print_json
from fabkit.cli.streams import run_guarded
from fabkit.errors import FabkitError, SheetError

COMMANDS = {
    "check": "Say whether a package is fit to order, and what to do if not.",
    "preview": "Draw the finished board, front and back.",
    "sheet": "Draw one sheet about the board: drill map, a layer, a net, findings.",
    "paper": "Write a paper template at full size, to lay a hand on.",
    "wiring": "Tell which controller pin each key is on, on both halves.",
    "parts": "List the parts to buy, per half and per keyboard.",
    "parts new": "Write a parts book of your own to fill in.",
    "carry": "Tell what moves from an old revision to a new one, and what that saves.",
    "quote": "Price one half over several order quantities.",
    "pack": "Write the zip that a board house needs.",
    "order": "Do all of it, into one folder.",
    "order new": "Write an order file to fill in.",
    "compare": "Say what changed between two revisions of a board.",
    "house": "Show a board house's sheet.",
    "house new": "Write a sheet of your own board house to fill in.",
    "checks": "List everything that can be found, or explain one entry.",
    "schema": "Print the JSON schema of an output or of a file you write.",
}
"""Commands in the order of a working day, each with its one line of help.

A command of two words has its module name written with an underscore.
"""

EPILOG = """\b
First time? This writes everything about the bundled demo into build/wheatear:
  fabkit order fixtures/wheatear/order.toml --out build/wheatear

\b
Exit status: 0 done; 1 findings at or above --fail-on; 2 wrong usage, unusable
input or an output that cannot be written; 3 fabkit itself broke.
"""


class LazyGroup(click.Group):
    """Imports a sub-command when it is called, and speaks for every error."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 -- click's signature
        """Names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the module of a command."""
        if cmd_name not in COMMANDS:
            return None
        command = import_module(f"fabkit.cli.{cmd_name.replace(' ', '_')}").command
        assert isinstance(command, click.Command)  # noqa: S101 -- narrows for the type checker
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find commands of two words; suggest the nearest when a name is not known."""
        if len(args) > 1 and f"{args[0]} {args[1]}" in COMMANDS:
            args = [f"{args[0]} {args[1]}", *args[2:]]
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            if near and args[0] not in COMMANDS:
                message = f"There is no command '{args[0]}'. Did you mean '{near[0]}'?"
                raise click.UsageError(message, ctx=ctx) from error
            raise

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Note whether JSON is asked for, so that errors are JSON, too."""
        pairs = zip(args, [*args[1:], ""], strict=True)
        ctx.meta[_JSON] = any(
            one in ("--json", "--format=json") or (one, other) == ("--format", "json")
            for one, other in pairs
        )
        return super().parse_args(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; errors become messages with the exit status they carry."""
        try:
            return super().invoke(ctx)
        except (click.exceptions.Exit, click.Abort):
            raise
        except click.ClickException as error:
            if not ctx.meta[_JSON]:
                raise
            ctx.exit(_explain(error, as_json=True))
        except KeyboardInterrupt:
            click.echo("stopped; nothing was half-written", err=True)
            ctx.exit(130)
        except Exception as error:
            if os.environ.get("FABKIT_DEBUG"):
                raise
            ctx.exit(_explain(error, as_json=ctx.meta[_JSON]))


_JSON = "fabkit.json"


def _explain(error: Exception, *, as_json: bool) -> int:
    """Tell an error: message and hint on standard error, or JSON on standard output.

    Returns the exit status.
    """
    if isinstance(error, FabkitError):
        message, hint, status = error.message, error.hint, error.exit_code
    elif isinstance(error, click.ClickException):
        message, hint, status = error.format_message(), "", error.exit_code
    else:
        message = f"fabkit itself broke: {type(error).__name__}: {error}"
        hint = "run again with FABKIT_DEBUG=1 in the environment, and report what it prints"
        status = 3
    if as_json:
        keys = ("file", "line", "key", "expected", "nearest")
        where = {key: getattr(error, key) for key in keys if isinstance(error, SheetError)}
        record = {"status": status, "message": message, "hint": hint, "where": where or None}
        print_json("error", record)
        return status
    click.echo(f"error: {message}", err=True)
    if hint:
        click.echo(f"  hint: {hint}", err=True)
    return status


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=EPILOG,
)
@click.version_option(__version__, "-V", "--version", prog_name="fabkit")
def cli() -> None:
    """Check, draw, price and pack exported circuit-board files before paying.

    PACKAGE is a folder or a zip of exported Gerber and drill files.
    """


def main() -> NoReturn:
    """Entry point of the console script."""
    raise SystemExit(run_guarded(lambda: cli(prog_name="fabkit")))
