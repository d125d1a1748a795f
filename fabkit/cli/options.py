"""Arguments and options that several commands share, declared once so that they mean the same.

Words that are not known are answered with the nearest one that is.  A shell may complete ids,
layers, nets, colours and finishes, too; a completion never fails: where the package cannot be read,
nothing is offered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from click.shell_completion import CompletionItem

from fabkit.base.errors import FabkitError
from fabkit.cli.model import TYPED, Declared, argument, flag, option, valued

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.board.model import Board
    from fabkit.sheets.order import Silence


# What a shell completes


Completer = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def offered(find: Callable[[click.Context], Iterable[str]]) -> Completer:
    """Offer those of the words found that begin like what is typed, upper or lower case."""

    def complete(
        ctx: click.Context, _param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        try:
            found = sorted(find(ctx))
        except FabkitError:
            return []
        typed = incomplete.casefold()
        return [CompletionItem(word) for word in found if word.casefold().startswith(typed)]

    return complete


def _ids(_ctx: click.Context) -> set[str]:
    from fabkit.checks.catalogue import CHECKS
    from fabkit.rules import load_rules

    ids = {rule.id for rule in load_rules()} | {check.id for check in CHECKS}
    return ids | {f"{name.partition('/')[0]}/" for name in ids}


def _rules(_ctx: click.Context) -> set[str]:
    from fabkit.rules import load_rules

    return {f"{rule.id}=" for rule in load_rules()}


def _colours(_ctx: click.Context) -> list[str]:
    from fabkit.pictures.looks import MaskColour

    return [colour.value for colour in MaskColour]


def _finishes(_ctx: click.Context) -> list[str]:
    from fabkit.sheets.house import load_house

    return list(load_house().options.finishes)


def _layers(ctx: click.Context) -> set[str]:
    board = _board(ctx)
    return {layer.name for layer in board.layers} if board else set()


def _nets(ctx: click.Context) -> set[str]:
    board = _board(ctx)
    if board is None:
        return set()
    return {net for part in board.components for _, net in part.pins if net}


def _board(ctx: click.Context) -> Board | None:
    """Build the board of the package on the line; None when none is."""
    import fabkit

    # A line that ends with an option without its value is parsed into nothing at all.
    typed: list[str] = ctx.meta.get(TYPED, [])
    package = next((word for word in typed if Path(word).exists()), None)
    return None if package is None else fabkit.build_board(fabkit.open_package(package))


IDS, RULES = offered(_ids), offered(_rules)
COLOURS, FINISHES = offered(_colours), offered(_finishes)
LAYERS, NETS = offered(_layers), offered(_nets)


# Words


def nearest(word: str, known: Iterable[str]) -> str:
    """``; did you mean 'x'?`` for the known word nearest to this one, or nothing.

    A word that begins or ends like another, or holds it, is near to it: ``warn`` to ``warning``.
    """
    lowered = {name.lower(): name for name in known}
    asked = word.lower()
    near = get_close_matches(asked, lowered, n=1)
    near += [name for name in lowered if asked and (name.startswith(asked) or asked in name)]
    return f"; did you mean '{lowered[near[0]]}'?" if near else ""


LONGEST = 15
"""Characters of a list of words that still stands beside the option's name."""


class Word(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """One of several words, upper or lower case; the words are asked for when they are needed."""

    name = "word"

    def __init__(
        self, words: Callable[[], Iterable[str]], *, former: Mapping[str, str] | None = None
    ) -> None:
        self.words = words
        self.former = former or {}

    @property
    def choices(self) -> tuple[str, ...]:
        """The words, in order."""
        return tuple(self.words())

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:  # noqa: ARG002
        """Join the words with bars; where they are many, their help lists them."""
        bars = "|".join(self.choices)
        return bars if len(bars) <= LONGEST else "WORD"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Give the word as we write it."""
        found = next((word for word in self.choices if word.lower() == value.lower()), None)
        if found is None and value in self.former:
            raise click.BadParameter(f"'{value}' is now {self.former[value]}", ctx, param)
        if found is None:
            message = f"'{value}' is none of {', '.join(self.choices)}"
            raise click.BadParameter(message + nearest(value, self.choices), ctx, param)
        return found

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002 -- click's signature
        param: click.Parameter,  # noqa: ARG002
        incomplete: str,
    ) -> list[CompletionItem]:
        """Words that begin like this."""
        return [CompletionItem(w) for w in self.choices if w.startswith(incomplete.lower())]


def words(*known: str, former: Mapping[str, str] | None = None) -> Word:
    """Make a parameter that is one of these words; ``former`` ones are refused with the new one."""
    return Word(lambda: known, former=former)


def _board_uses() -> Iterable[str]:
    from fabkit.sheets.order import BOARD_USES

    return BOARD_USES


BOARD_USE = Word(_board_uses, former={"either": "'reversible'"})


class Whole(click.IntRange):
    """A whole number within bounds."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse another value in words for people."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            bounds = (
                f"of at least {self.min}" if self.max is None else f"from {self.min} to {self.max}"
            )
            self.fail(f"'{value}' is not a whole number {bounds}", param, ctx)


class Number(click.types.FloatParamType):
    """A number."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse another value in words for people."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"'{value}' is not a number, such as 20 or 0.5", param, ctx)


COUNT: Final = Whole(min=1, max=100_000)
"""Boards or keyboards, as an order file takes them."""

FROM_ZERO: Final = Whole(min=0)


class FileName(click.Path):
    """A file or folder on this machine."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse what a path would silently take for another one."""
        if value == "":  # of a variable that is not set; as a path it is the folder one is in
            self.fail("the name is empty", param, ctx)
        if isinstance(value, str) and "://" in value:
            self.fail(f"{value} is an address; download it, and name the file", param, ctx)
        return super().convert(value, param, ctx)


FILE: Final = FileName(path_type=Path)


def file(name: str, metavar: str, words: str, *, multiple: bool = False) -> Declared:
    """Declare an option that names a file or folder."""
    return valued(name, metavar, words, type=FILE, multiple=multiple)


def word(name: str, known: tuple[str, ...], meaning: str, **about: object) -> Declared:
    """Declare an option that is one of a few words; the first is the default."""
    about |= {"type": words(*known), "default": known[0], "show_default": True, "help": meaning}
    return option(name, **about)


# Each call declares one option anew: a field belongs to one bundle.
package = partial(argument, "PACKAGE", type=FILE)
"""The package that a command reads."""

packages = partial(argument, "PACKAGE...", type=FILE, nargs=-1, required=True)
"""The packages that a command reads together."""

house = partial(
    file,
    "--house",
    "FILE",
    "Sheet of your board house.  Repeatable, to compare houses.",
    multiple=True,
)
"""Sheets; the first is the one ordered from."""

board = partial(
    option,
    "--board",
    type=BOARD_USE,
    help="One board is reversible, left, right, both, whole, plate or none.",
)
right = partial(
    file, "--right", "PACKAGE", "Package of the right half, where it is a separate design."
)
corrections = partial(
    valued, "--with", "ID", "Also make this correction of fabkit mend.", multiple=True
)
quantities = partial(
    valued,
    "--quantity",
    "N",
    "Boards to price.  Default: quantities near what you need.",
    type=COUNT,
    multiple=True,
)
currency = partial(valued, "--currency", "CODE", "Currency to count in, such as EUR.")
limit_class = partial(
    flag,
    "--fine",
    "Judge by the house's fine class, which may cost more.",
    callback=lambda _ctx, _param, given: "fine" if given else "standard",
)
called = partial(option, "--name", help="What you call it.")
report = partial(
    file,
    "--report",
    "FILE",
    "Write a page with a slider between the old board and the new one.",
)
full = partial(flag, "--all", "Show every finding and place.")
as_json = partial(flag, "--json", "Print JSON, for programs.")
replace = partial(flag, "--replace", "Overwrite files that exist.")
show = partial(flag, "--open", "Open the result when it is written.")


def out(metavar: str, words: str, **about: object) -> Declared:
    """Declare ``--out``: where a command writes; required, unless it has a default."""
    about.setdefault("required", "default" not in about)
    return option("--out", type=FILE, metavar=metavar, help=words, **about)


def _read_day(_ctx: click.Context, _param: click.Parameter, given: str | None) -> date:
    if given is None:
        return date.today()  # noqa: DTZ011
    try:
        return datetime.strptime(given, "%Y-%m-%d").date()  # noqa: DTZ007
    except ValueError:
        raise click.BadParameter(f"'{given}' is not a day, such as 2025-01-31") from None


today = partial(
    valued,
    "--date",
    "YYYY-MM-DD",
    "Day to judge the age of prices by.  Default: today.",
    callback=_read_day,
)
"""A day, by default today by the user's own calendar."""


def _read_severity(_ctx: click.Context, _param: click.Parameter, word: str) -> Severity | None:
    from fabkit.base.findings import Severity

    return None if word == "never" else Severity[word.upper()]


fail_on = partial(
    word,
    "--fail-on",
    ("error", "warning", "note", "never"),
    "Status 1 from an error, warning or note; or never.",
    callback=_read_severity,
)
"""Least severity that ends with status 1; None for never."""


def _read_silences(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> tuple[Silence, ...]:
    if not values:
        return ()
    from fabkit.sheets.order import Silence

    how = "the id and your reason, as in hole/outside-board='cut away on purpose'"
    pairs = dict(named(value, value.partition("="), how) for value in values)
    return tuple(Silence(rule=rule, reason=reason) for rule, reason in pairs.items())


silenced = partial(
    valued,
    "--silence",
    "ID=REASON",
    "Set a rule aside; the reason is reported with it.",
    multiple=True,
    callback=_read_silences,
    shell_complete=RULES,
)


def named(value: str, split: tuple[str, str, str], how: str) -> tuple[str, str]:
    """Both sides of ``NAME=TEXT``; neither may be empty."""
    name, _, text = (part.strip() for part in split)
    if not name or not text:
        raise click.BadParameter(f"{value!r}: write {how}")
    return name, text


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


def read_point(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> tuple[float, float] | None:
    """Read ``X,Y`` in mm."""
    if value is None:
        return None
    try:
        x, y = (float(part) for part in value.split(","))
    except ValueError:
        message = f"{value!r} is not a point in mm, such as 12.5,30"
        raise click.BadParameter(message, ctx, param) from None
    return x, y


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What is chosen of the house's sheet; None where nothing is."""

    thickness_mm: float | None = valued(
        "--thickness", "MM", "Finished thickness, such as 1.2.", callback=read_length
    )
    colour: str | None = valued(
        "--colour",
        "NAME",
        "Colour of the solder mask, such as black.",
        shell_complete=COLOURS,
    )
    finish: str | None = valued(
        "--finish", "NAME", "Surface finish, such as enig.", shell_complete=FINISHES
    )


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Which checks are run, and what is set aside."""

    only: tuple[str, ...] = valued(
        "--only",
        "ID",
        "Run only this check, or a group: hole/",
        multiple=True,
        shell_complete=IDS,
    )
    without: tuple[str, ...] = valued(
        "--without",
        "ID",
        "Leave out this check, rule or group.",
        multiple=True,
        shell_complete=IDS,
    )
    silenced: tuple[Silence, ...] = silenced()
