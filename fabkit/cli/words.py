"""Words that a user gives: which are known, and which are near to one that is not."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches

import click
from click.shell_completion import CompletionItem


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
