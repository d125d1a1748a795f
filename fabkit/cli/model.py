"""A command takes one object: a frozen dataclass whose fields are its arguments and options.

So a command is a translation from that object into a call, every value has a type, and options
that go together are declared once, as a bundle that other bundles hold or extend::

    @dataclass(frozen=True, kw_only=True)
    class Asked:
        package: Path = argument("PACKAGE", type=FILE)
        fine: bool = option("--fine", is_flag=True, help="Judge by the fine class.")
        choice: Choice = bundle(Choice)

    @command("check", Asked)
    def run(asked: Asked) -> None: ...

Only click is imported here, so that a module with a command loads fast.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import Field, field, fields
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from fabkit.sheets.order import Order
    from fabkit.sheets.settings import Setting

T = TypeVar("T")
Declared = Any
"""A field that is declared here: it takes the type that it stands by."""

_DECLARED = "declared"
"""Key of a field's metadata: what makes its parameter, or the bundle it holds."""


def option(*names: str, **about: Any) -> Declared:
    """Declare a field that is an option; ``names`` and ``about`` as for :class:`click.Option`."""
    return field(metadata={_DECLARED: lambda name: click.Option([*names, name], **about)})


def flag(name: str, words: str, **about: Any) -> Declared:
    """Declare an option that is given or not."""
    return option(name, is_flag=True, help=words, **about)


def valued(name: str, metavar: str, words: str, **about: Any) -> Declared:
    """Declare an option that has a value."""
    return option(name, metavar=metavar, help=words, **about)


def argument(metavar: str, **about: Any) -> Declared:
    """Declare a field that is an argument; ``about`` as for :class:`click.Argument`."""
    return field(
        metadata={_DECLARED: lambda name: click.Argument([name], metavar=metavar, **about)}
    )


def bundle(held: type[T], **instead: Declared) -> T:
    """Declare a field that holds a bundle; ``instead`` stand in for fields of it."""
    made: T = field(metadata={_DECLARED: held, **instead})
    return made


MADE: dict[str, click.Command] = {}
"""Every command whose module is loaded, by its name."""


def command(name: str, asked: type[T]) -> Callable[[Callable[[T], None]], Callable[[T], None]]:
    """Make a command of a function that takes one bundle; its docstring is the help."""

    def made(function: Callable[[T], None]) -> Callable[[T], None]:
        @wraps(function)
        def call(**values: object) -> None:
            function(_filled(asked, values))

        params = list(_parameters(asked, {}))
        MADE[name] = click.command(name, cls=Command, params=params)(call)
        return function

    return made


Fields = Mapping[str, object]
"""Fields of a held bundle, by name, that stand in for its own."""


def _declarations(asked: type, instead: Fields) -> Iterator[tuple[str, Declared, Fields]]:
    """Fields of a bundle: name, what was declared, and what stands in for fields of a held one."""
    for one in fields(asked):
        declared = instead.get(one.name, one)
        assert isinstance(declared, Field)  # noqa: S101 -- narrows for the type checker
        rest = dict(declared.metadata)
        yield one.name, rest.pop(_DECLARED), rest


def _parameters(asked: type, instead: Fields) -> Iterator[click.Parameter]:
    for name, declared, rest in _declarations(asked, instead):
        if isinstance(declared, type):
            yield from _parameters(declared, rest)
        else:
            yield declared(name)


def _filled(asked: type[T], values: Mapping[str, object]) -> T:
    made = {
        name: _filled(declared, values) if isinstance(declared, type) else values[name]
        for name, declared, _ in _declarations(asked, {})
    }
    return asked(**made)


# Help in groups: what the options of a command are about, in few lines.

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


TYPED = "fabkit.typed"
"""Key of the words of the line in ``Context.meta``."""


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
            ctx.meta[TYPED] = list(args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run with the user's defaults for what was not given."""
        fill_defaults(ctx)
        refuse_inputs(ctx)
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


WRITTEN = frozenset(("--out", "--report", "--draw", "--write-expect", "--new-pins"))
"""Options that name what is written; all other files are read."""


def refuse_inputs(ctx: click.Context) -> None:
    """Refuse to write over a file that is read: ``--replace`` is for older results.

    Raises
    ------
    UsageError
        One file is named for both.
    """
    written: list[tuple[str, Path]] = []
    read: list[Path] = []
    for one in ctx.command.params:
        value = ctx.params.get(one.name or "")
        given = value if isinstance(value, tuple) else (value,)
        paths = [path for path in given if isinstance(path, Path)]
        if WRITTEN & set(one.opts):
            written += [(one.opts[0], path) for path in paths]
        else:
            read += paths
    for name, target in written:
        if any(_is_one_file(target, source) or _is_member(target, source) for source in read):
            from fabkit.base.errors import UsageError

            raise UsageError(
                f"{target} is read by this command, and was left as it is",
                hint=f"choose another name with {name}",
            )


def _is_one_file(one: Path, other: Path) -> bool:
    with suppress(OSError, ValueError):  # not there, or a name that no file has
        return one.is_file() and one.samefile(other)
    return False


def _is_member(target: Path, folder: Path) -> bool:
    """Whether a file lies in a folder that is read, and is no older result but a board's."""
    with suppress(OSError, ValueError):
        if target.is_file() and folder.is_dir() and folder.resolve() in target.resolve().parents:
            from fabkit.package.build import holds_content

            return holds_content(target.name, target.read_bytes())
    return False


# The user's defaults for options that were not given, each named when it is used


PARAMETERS = {
    "house": "house_files",
    "parts": "parts_file",
    "keyboards": "keyboards",
    "colour": "colour",
    "finish": "finish",
    "currency": "currency",
}
"""By setting: the parameter it fills."""

_TOLD = "fabkit.defaults"


def fill_defaults(ctx: click.Context) -> None:
    """Give every option that was not given what the settings say, and name where it is from.

    Options come before the environment, the environment before an order file, an order file
    before the settings file.
    """
    wanted = {name: key for name, key in PARAMETERS.items() if key in ctx.params}
    if not wanted:
        return
    from fabkit.sheets.settings import load_settings

    settings = load_settings()
    for name, key in wanted.items():
        setting = settings.get(name)
        if setting is None or ctx.params[key] or (not setting.variable and _stated(ctx, name)):
            continue
        ctx.params[key] = (setting.value,) if name == "house" else setting.value
        _tell_default(name, setting)


def fill_order(order: Order) -> Order:
    """Currency and tax of the settings, where neither an option nor the order file states them."""
    from fabkit.sheets import settings

    order, used = settings.fill_order(order, ("currency", "tax"))
    country = settings.load_settings().get("country")
    for name, setting in used.items():
        words = f" of {country.value}" if name == "tax" and country else ""
        _tell_default(f"{name}{words}", setting)
    return order


def _tell_default(name: str, setting: Setting) -> None:
    """Name a default that is used."""
    from fabkit.sheets.order import Tax
    from fabkit.sheets.settings import tax_words

    value: Any = setting.value
    shown = tax_words(value) if isinstance(value, Tax) else value
    told: set[str] = click.get_current_context().meta.setdefault(_TOLD, set())
    if name not in told:
        click.echo(f"note: {name} {shown}, from {setting.source}", err=True)
    told.add(name)


def stated_keys(path: Path) -> set[str]:
    """Tables and keys that an order file states, dotted; nothing for a package."""
    if path.suffix.lower() != ".toml":
        return set()
    from fabkit.sheets import settings
    from fabkit.sheets.toml_text import read_sheet

    return settings.stated_keys(read_sheet(path).data)


def _stated(ctx: click.Context, name: str) -> bool:
    """Whether an order file given to the command states this itself."""
    from fabkit.sheets.settings import ORDER_KEYS

    files = [ctx.params.get(k) for k in ("wanted", "old", "new", "order_file")]
    return any(ORDER_KEYS[name] in stated_keys(file) for file in files if isinstance(file, Path))
