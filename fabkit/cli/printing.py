"""What a command prints: on the terminal, or into the file that ``--out`` names.

Every error is the same two lines: what is wrong, and what to do about it.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base import errors
from fabkit.base.streams import STANDARD_STREAM, clean
from fabkit.cli import options
from fabkit.cli.model import bundle, option
from fabkit.cli.options import nearest, words

if TYPE_CHECKING:
    from fabkit.outputs.terminal import Terminal


@dataclass(frozen=True, kw_only=True)
class Printed:
    """In which form a result is printed, and where."""

    out: Path | None = options.out(
        "FILE", "Write what would be printed into a file.", required=False
    )
    form: str | None = option("--format")
    as_json: bool = options.as_json()
    replace: bool = options.replace()

    @property
    def chosen(self) -> str:
        """What is printed: ``json``, or what ``--format`` names, or ``text``.

        Raises
        ------
        UsageError
            ``--json`` and ``--format`` are given together, or a workbook has no file.
        """
        if self.as_json and self.form:
            raise click.UsageError(f"choose one of --json and --format {self.form}")
        if self.form == "xlsx" and self.out is None:
            raise click.UsageError("--format xlsx is no text: name its file with --out FILE.xlsx")
        return "json" if self.as_json else self.form or "text"

    def settle(self, *others: Path | None) -> str:
        """Settle the form, and that nothing is in the way of what will be written.

        Raises
        ------
        UsageError
            ``--json`` and ``--format`` are given together.
        OutputRefused
            The file, or one of the others that are written, exists and may not be overwritten.
        """
        chosen, targets = self.chosen, [p for p in (self.out, *others) if p is not None]
        if targets:
            from fabkit.outputs.atomic import refuse_existing

            for target in targets:
                refuse_existing(target, replace=self.replace)
        return chosen

    def show(self, made: str | bytes | Callable[[Terminal], None]) -> None:
        """Print a text, or what a function prints on a console; or write it into the file.

        Raises
        ------
        OutputRefused
            The file exists, or cannot be written.
        """
        if self.out is not None:
            self.write(self.out, plain(made) if callable(made) else made)
            print_files([self.out])
        elif callable(made):
            from fabkit.outputs.terminal import Terminal

            made(Terminal())
        else:
            print_data(made)

    def give(
        self, text: Callable[[Terminal], None], rendered: Callable[[str], str | bytes]
    ) -> None:
        """Print a result in the form that was asked for.

        Parameters
        ----------
        text
            Prints it on a console, for people.
        rendered
            Writes it in another form.

        Raises
        ------
        OutputRefused
            The file exists, or cannot be written.
        """
        form = self.chosen
        self.show(text if form == "text" else rendered(form))

    def write(self, target: Path, data: str | bytes) -> None:
        """Write another file under the same leave to overwrite."""
        from fabkit.outputs.atomic import write_file

        write_file(target, data.encode() if isinstance(data, str) else data, replace=self.replace)


def printed(*forms: str) -> Printed:
    """Declare what is printed: text, JSON and these forms."""
    form = option(
        "--format",
        type=words("text", *forms, former={"json": "--json"}),
        help=f"Print {', '.join(('text', *forms[:-1]))} or {forms[-1]}.",
    )
    return bundle(Printed, form=form)


def plain(made: Callable[[Terminal], None]) -> str:
    """Give what a function prints as text without colours."""
    import io

    from fabkit.outputs.terminal import Terminal

    text = io.StringIO()
    made(Terminal(text))
    return text.getvalue()


def print_data(data: str | bytes, *, beside: bool = False) -> None:
    """Print what programs read: UTF-8, whatever the encoding of the terminal.

    ``beside``: on standard error, because standard output is the file asked for.
    """
    given = data.encode("utf-8", "replace") if isinstance(data, str) else data
    click.echo(given, nl=False, err=beside)


def print_json(kind: str, record: Mapping[str, object], *, beside: bool = False) -> None:
    """Print a JSON document of :data:`fabkit.outputs.formats.FORMATS`, as :func:`print_data`."""
    from fabkit.outputs.formats import to_document

    print_data(to_document(kind, record), beside=beside)


def say(
    kind: str,
    record: Mapping[str, object],
    text: Callable[[Terminal], None],
    *,
    as_json: bool,
    out: Path | None = None,
) -> None:
    """Print a record as JSON, or what ``text`` prints of it on a console.

    On standard error where the file asked for, ``out``, goes to standard output.
    """
    from fabkit.outputs.terminal import Terminal

    beside = out == STANDARD_STREAM
    if as_json:
        print_json(kind, record, beside=beside)
    else:
        text(Terminal(sys.stderr if beside else None))


def print_files(paths: Sequence[Path]) -> None:
    """Name the files that were written."""
    names = [path.as_posix() for path in paths if path != STANDARD_STREAM]
    if names:
        click.echo("\n".join(names))


def write_sheet(out: Path, text: str, then: str, *, replace: bool) -> None:
    """Write a sheet of the user's own, and say what to do with it then.

    Raises
    ------
    OutputRefused
        The file exists, or cannot be written.
    UsageError
        A name in it is no UTF-8, which TOML does not allow.
    """
    from fabkit.base.errors import UsageError
    from fabkit.outputs.atomic import write_file

    try:
        data = text.encode()
    except UnicodeEncodeError:
        raise UsageError(
            f"{out} cannot be written: it would name a file or folder whose name is not UTF-8",
            hint="rename the package, or the folder it lies in",
        ) from None
    write_file(out, data, replace=replace)
    click.echo(f"{out}: {then}", err=out == STANDARD_STREAM)


# Errors


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
        message = error.format_message().rstrip(".")
        if found := re.fullmatch(r"Got unexpected extra arguments? \((.*)\)", message, re.DOTALL):
            message = f"too many names: {found[1][:80]}"
        return message, _usage(error), error.exit_code
    if isinstance(error, click.ClickException):
        return error.format_message(), "", error.exit_code
    return errors.explain(error)


def say_error(error: Exception, *, as_json: bool) -> int:
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
