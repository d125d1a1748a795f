"""Arguments and options that several commands share, said the same way everywhere."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import completing
from fabkit.cli.words import BOARD_USE, words

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.base.limits import Limits
    from fabkit.checks.model import CheckOptions
    from fabkit.sheets.order import BoardUse, Silence

F = TypeVar("F", bound=Callable[..., Any])
COUNT = click.IntRange(min=1, max=100_000)
"""Boards or keyboards, as an order file takes them."""

FILE = click.Path(path_type=Path)


def several(*made: Callable[[F], F]) -> Callable[[F], F]:
    """Several options as one decorator, listed in this order."""

    def add(function: F) -> F:
        for option in reversed(made):
            function = option(function)
        return function

    return add


def read_length(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Read a positive length in mm; its unit may follow (``1.6``, ``1.6mm``)."""
    if value is None:
        return None
    try:
        length = float(value.strip().lower().removesuffix("mm"))
    except ValueError:
        length = -1.0
    if not 0 < length < 1000:
        raise click.BadParameter(f"{value!r} is not a length in mm, such as 1.6", ctx, param)
    return length


PACKAGE = click.argument("package", type=FILE, metavar="PACKAGE")

HOUSE = click.option(
    "--house",
    "house_files",
    type=FILE,
    multiple=True,
    metavar="FILE",
    help="Sheet of your board house.  Repeatable, to compare houses.",
)

BOARD = click.option(
    "--board",
    "use",
    type=BOARD_USE,
    help="One board is reversible, left, right, both, whole, plate or none.",
)

COLOUR = click.option(
    "--colour",
    metavar="NAME",
    shell_complete=completing.COLOURS,
    help="Colour of the solder mask, such as black.",
)
FINISH = click.option(
    "--finish",
    metavar="NAME",
    shell_complete=completing.FINISHES,
    help="Surface finish, such as enig.",
)

THICKNESS = click.option(
    "--thickness",
    "thickness_mm",
    callback=read_length,
    metavar="MM",
    help="Finished thickness, such as 1.2.",
)


def named(value: str, split: tuple[str, str, str], how: str) -> tuple[str, str]:
    """Both sides of ``NAME=TEXT``; neither may be empty."""
    name, _, text = (part.strip() for part in split)
    if not name or not text:
        raise click.BadParameter(f"{value!r}: write {how}")
    return name, text


def _keep_roles(
    ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> tuple[str, ...]:
    how = "the file and its role, as in 1.gbr='top copper'"
    # A file's name may hold an equals sign; a role does not.
    ctx.meta[_ROLES] = dict(named(value, value.rpartition("="), how) for value in values)
    return values


def stated_roles() -> dict[str, str]:
    """What ``--role`` says of files, in the command that is running."""
    roles: dict[str, str] = click.get_current_context().meta.get(_ROLES, {})
    return roles


_ROLES = "fabkit.roles"
ROLE = click.option(
    "--role",
    multiple=True,
    expose_value=False,
    callback=_keep_roles,
    metavar="FILE=ROLE",
    help="Tell what a file is: 1.gbr='top copper', *.art=unused.",
)


def _keep_edge(ctx: click.Context, _param: click.Parameter, value: str | None) -> str | None:
    ctx.meta[_EDGE] = value
    return value


def stated_edge() -> str | None:
    """What ``--edge`` says, in the command that is running."""
    edge: str | None = click.get_current_context().meta.get(_EDGE)
    return edge


_EDGE = "fabkit.edge"
EDGE = click.option(
    "--edge",
    expose_value=False,
    callback=_keep_edge,
    metavar="panel|board|N",
    help="Take the panel, one board of it, or reading N.",
)

_LIMIT = re.compile(r"([a-z_]+)=([\d_]{1,18})(kib|mib|gib)?")
_BYTES = {"kib": 2**10, "mib": 2**20, "gib": 2**30}


def _keep_limits(
    ctx: click.Context, param: click.Parameter, values: tuple[str, ...]
) -> tuple[str, ...]:
    limits = {}
    for value in values:
        found = _LIMIT.fullmatch(value.replace(" ", "").lower())
        if found is None or not found[2].strip("_"):
            raise click.BadParameter(
                f"{value!r}: write the limit and its bound, as in members=5000 or file_bytes=1GiB",
                ctx,
                param,
            )
        bound = int(found[2].replace("_", ""))
        limits[found[1]] = bound * _BYTES.get(found[3], 1)
    ctx.meta[_LIMITS] = limits
    return values


def stated_limits() -> Limits:
    """The limits that ``--limit`` changes, in the command that is running."""
    from fabkit.base.limits import changed_limits

    return changed_limits(click.get_current_context().meta.get(_LIMITS, {}))


_LIMITS = "fabkit.base.limits"
LIMIT = click.option(
    "--limit",
    multiple=True,
    expose_value=False,
    callback=_keep_limits,
    metavar="NAME=NUMBER",
    help="Raise or lower a safety limit: file_bytes=1GiB.",
)

AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")


def printed(*forms: str) -> Callable[[F], F]:
    """``--json``, and ``--format`` with these forms besides text."""
    form = click.option(
        "--format",
        "form",
        type=words("text", *forms, former={"json": "--json"}),
        help=f"Print {', '.join(('text', *forms[:-1]))} or {forms[-1]}.",
    )
    return several(form, AS_JSON)


def form_of(form: str | None, *, as_json: bool) -> str:
    """What is printed: ``json``, or what ``--format`` names, or ``text``.

    Raises
    ------
    UsageError
        ``--json`` and ``--format`` are given together.
    """
    if as_json and form:
        raise click.UsageError(f"choose one of --json and --format {form}")
    return "json" if as_json else form or "text"


TEXT_OUT = click.option(
    "--out", type=FILE, metavar="FILE", help="Write what would be printed into a file."
)


def print_data(text: str, *, beside: bool = False) -> None:
    """Print what programs read: UTF-8, whatever the encoding of the terminal.

    ``beside``: on standard error, because standard output is the file asked for.
    """
    click.echo(text.encode("utf-8", "replace"), nl=False, err=beside)


def print_json(kind: str, record: Mapping[str, Any], *, beside: bool = False) -> None:
    """Print a JSON document of :data:`fabkit.outputs.json.FORMATS`, as :func:`print_data`."""
    from fabkit.outputs.json import to_document

    print_data(to_document(kind, record), beside=beside)


def print_files(paths: Sequence[Path], *, as_json: bool) -> None:
    """Tell which files were written."""
    names = [path.as_posix() for path in paths if as_json or path != STANDARD_STREAM]
    if as_json:
        print_json("files", {"files": names}, beside=STANDARD_STREAM in paths)
    elif names:
        click.echo("\n".join(names))


def say_next(out: Path, text: str) -> None:
    """Say what to do with a file that was written; beside it where it went to standard output."""
    click.echo(text, err=out == STANDARD_STREAM)


TODAY = click.option(
    "--date",
    "today",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Day to judge the age of prices by.  Default: today.",
)


def read_day(given: datetime | None) -> date:
    """Day given, else today by the user's own calendar."""
    return given.date() if given else date.today()  # noqa: DTZ011


REPLACE = click.option("--replace", is_flag=True, help="Overwrite files that exist.")

RIGHT = click.option(
    "--right",
    type=FILE,
    metavar="PACKAGE",
    help="Package of the right half, where it is a design of its own.",
)

ALL = click.option("--all", "full", is_flag=True, help="Show every finding and place.")

FAIL_ON = click.option(
    "--fail-on",
    type=words("error", "warning", "note", "never"),
    default="error",
    show_default=True,
    help="Status 1 from an error, warning or note; or never.",
)

FINE = click.option(
    "--fine", is_flag=True, help="Judge by the house's fine class, which may cost more."
)

SILENCE = click.option(
    "--silence",
    multiple=True,
    metavar="ID=REASON",
    shell_complete=completing.RULES,
    help="Set a rule aside; the reason is reported with it.",
)

CHOSEN_CHECKS = several(
    click.option(
        "--only",
        multiple=True,
        metavar="ID",
        shell_complete=completing.IDS,
        help="Run only this check, or a group: hole/",
    ),
    click.option(
        "--without",
        multiple=True,
        metavar="ID",
        shell_complete=completing.IDS,
        help="Leave out this check, rule or group.",
    ),
    SILENCE,
)


def read_silences(values: tuple[str, ...]) -> tuple[Silence, ...]:
    """What ``--silence`` sets aside."""
    from fabkit.sheets.order import Silence

    return tuple(
        Silence(rule=rule, reason=reason)
        for rule, reason in read_reasons(values, "--silence").items()
    )


def judged_as(
    *,
    only: tuple[str, ...] = (),
    without: tuple[str, ...] = (),
    silence: tuple[str, ...] = (),
    fine: bool = False,
    use: BoardUse | None = None,
    **chosen: Any,
) -> CheckOptions:
    """Options of a check from what was given; ``chosen`` are fields of their own names."""
    from fabkit.checks.model import CheckOptions

    return CheckOptions(
        only=only,
        without=without,
        silenced=read_silences(silence),
        limit_class="fine" if fine else "standard",
        use=use,
        **chosen,
    )


def read_reasons(values: tuple[str, ...], option: str) -> dict[str, str]:
    """Read ``ID=REASON`` pairs of an option; a reason must be given."""
    how = "the id and your reason, as in hole/outside-board='cut away on purpose'"
    try:
        return dict(named(value, value.partition("="), how) for value in values)
    except click.BadParameter as error:
        error.param_hint = option
        raise


def severity(word: str) -> Severity | None:
    """Severity meant by ``--fail-on``; None for ``never``."""
    from fabkit.base.findings import Severity

    return None if word == "never" else Severity[word.upper()]
