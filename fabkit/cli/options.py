"""Arguments and options that several commands share, said the same way everywhere."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from fabkit.findings import Severity
    from fabkit.limits import Limits


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


PACKAGE = click.argument("package", type=click.Path(path_type=Path), metavar="PACKAGE")

HOUSE = click.option(
    "--house",
    "house_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Sheet of the board house (see `fabkit house`).  Without it a bundled, invented one.",
)

HOUSES = click.option(
    "--house",
    "house_files",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="Sheet of the board house; without it a bundled, invented one.  Repeatable: the first"
    " gives the verdict, all are compared.",
)

THICKNESS = click.option(
    "--thickness",
    "thickness_mm",
    callback=read_length,
    metavar="MM",
    help="Finished thickness you want to order, such as 1.2.",
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
    help="Say what a file is that does not say it itself: 1.gbr='top copper', *.art=unused."
    "  Repeatable.",
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
    from fabkit.limits import changed_limits

    return changed_limits(click.get_current_context().meta.get(_LIMITS, {}))


_LIMITS = "fabkit.limits"
LIMIT = click.option(
    "--limit",
    multiple=True,
    expose_value=False,
    callback=_keep_limits,
    metavar="NAME=NUMBER",
    help="Let an input ask for more (or less) than docs/limits.md allows: members=5000,"
    " file_bytes=1GiB.  Repeatable.",
)

AS_JSON = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON instead of text for people."
)


def one_form(form: str, *, as_json: bool) -> str:
    """What ``--format`` asks for; ``--json`` beside another form is refused."""
    if as_json and form not in ("text", "json"):
        raise click.UsageError(f"choose one of --json and --format {form}")
    return "json" if as_json else form


def print_data(text: str) -> None:
    """Print what programs read: UTF-8, whatever the encoding of the terminal."""
    click.echo(text.encode("utf-8", "replace"), nl=False)


def print_json(kind: str, record: Mapping[str, Any]) -> None:
    """Print a JSON document of :data:`fabkit.outputs.json.FORMATS`."""
    from fabkit.outputs.json import to_document

    print_data(to_document(kind, record))


def print_files(paths: Sequence[Path], *, as_json: bool) -> None:
    """Tell which files were written."""
    names = [path.as_posix() for path in paths]
    if as_json:
        print_json("files", {"files": names})
    else:
        click.echo("\n".join(names))


REPLACE = click.option("--replace", is_flag=True, help="Overwrite outputs that exist already.")

FAIL_ON = click.option(
    "--fail-on",
    type=click.Choice(["error", "warning", "note", "never"]),
    default="error",
    show_default=True,
    help="End with status 1 when a finding is at least this severe.",
)

FINE = click.option(
    "--fine", is_flag=True, help="Judge by the house's fine class, which may cost a surcharge."
)

DESPITE = click.option(
    "--despite",
    multiple=True,
    metavar="ID=REASON",
    help="Pack although this error was found; the reason is written into the zip.  Repeatable.",
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
    from fabkit.findings import Severity

    return None if word == "never" else Severity[word.upper()]


def order_status(manifest: dict[str, Any], fail_on: str) -> int:
    """Exit status of an order: the worst of its boards, and 1 when a zip was refused."""
    levels = ("error", "warning", "note")
    asked = () if fail_on == "never" else levels[: levels.index(fail_on) + 1]
    status = 0
    for board in manifest["boards"]:
        counts = board["counts"]
        if counts["broken"]:
            return 3
        found = any(counts[word] for word in asked)
        status = max(status, int(found or board["zip"] is None))
    return status
