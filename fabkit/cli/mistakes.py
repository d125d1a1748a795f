"""Every error as the same two lines: what is wrong, and what to do about it."""

from __future__ import annotations

import click

from fabkit.base import errors
from fabkit.base.streams import clean
from fabkit.cli.options import nearest
from fabkit.cli.printing import print_json

RENAMED = {
    "--mask": "--colour",
    "--despite": "--silence",
    "--hands": "--board",
    "--compare-with": "--old",
    "--csv": "--format csv",
    "--picture": "--draw",
    "--pictures": "--draw",
    "wiring --order": "--key-order",
    "pack --quantity": "--count",
}
"""Options that had another name, of one command or of all: the new one."""


def explain(error: Exception) -> tuple[str, str, int]:
    """Message, hint (may be empty) and exit status of an error."""
    if isinstance(error, click.NoSuchOption):
        return _no_such_option(error)
    if isinstance(error, click.MissingParameter):
        name = error.param.human_readable_name if error.param else "something"
        if isinstance(error.param, click.Option):
            name = error.param.opts[0]
        return f"{name} is missing", _usage(error), error.exit_code
    if isinstance(error, click.BadParameter):
        where = error.param_hint or (
            error.param.get_error_hint(error.ctx).strip("'") if error.param and error.ctx else ""
        )
        message = f"{where}: {error.message}" if where else error.message
        return message, _usage(error), error.exit_code
    if isinstance(error, click.UsageError):
        return error.format_message().rstrip("."), _usage(error), error.exit_code
    if isinstance(error, click.ClickException):
        return error.format_message(), "", error.exit_code
    return errors.explain(error)


def say(error: Exception, *, as_json: bool) -> int:
    """Print an error: on standard error, or as JSON on standard output; give its exit status."""
    message, hint, status = explain(error)
    if as_json:
        keys = ("file", "line", "key", "expected", "nearest")
        where = {key: getattr(error, key) for key in keys if isinstance(error, errors.SheetError)}
        record = {"status": status, "message": message, "hint": hint, "where": where or None}
        print_json("error", record)
        return status
    kind = "" if isinstance(error, errors.RunStopped) else "error: "
    click.echo(kind + clean(message), err=True)
    if hint:
        click.echo(f"  hint: {clean(hint)}", err=True)
    return status


def _no_such_option(error: click.NoSuchOption) -> tuple[str, str, int]:
    name, command = error.option_name, error.ctx.info_name if error.ctx else ""
    now = RENAMED.get(f"{command} {name}") or RENAMED.get(name)
    if now:
        return f"{name} is now called {now}", _usage(error), error.exit_code
    known = [
        spelling
        for parameter in (error.ctx.command.get_params(error.ctx) if error.ctx else ())
        for spelling in parameter.opts
        if spelling.startswith("--")
    ]
    message = f"there is no option {name}{nearest(name, known)}"
    return message, _usage(error), error.exit_code


def _usage(error: click.UsageError) -> str:
    path = error.ctx.command_path if error.ctx else "fabkit"
    return f"see {path} --help"
