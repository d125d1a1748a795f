"""The rulebook: what can be found, why it matters, where it is written and what to do about it.

Each group of rules is a TOML file here, read when the first of its rules is asked for; the part
of an id before the slash is the name of the file.  Code names a rule once, beside the code that
finds it::

    WEB: Final = load_rule("mask/web-narrow")

Words of the trade that the texts use are explained in ``glossary.toml``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

from fabkit.base.findings import Consequence, Rule, Severity, Source

_RETIRED: Final = "retired"
"""No group, but ids that are gone, each with the one that took its place."""
_GLOSSARY: Final = "glossary"
"""No group, either: words of the trade."""


def load_rule(name: str) -> Rule:
    """Give the rule of an id.

    Raises
    ------
    KeyError
        No rule has this id: a programmer's mistake, raised at import.
    """
    return _group(name.partition("/")[0])[name]


def current_id(name: str) -> str:
    """Give the id of a rule, or of the one that took its place."""
    return _retired().get(name, name)


def retired_ids(name: str) -> tuple[str, ...]:
    """Ids of rules that are gone and whose place this one took."""
    return tuple(old for old, new in _retired().items() if new == name)


def load_rules() -> tuple[Rule, ...]:
    """Give every rule of the rulebook, group by group in the order of their names."""
    return tuple(rule for name in _groups() for rule in _group(name).values())


@cache
def _retired() -> dict[str, str]:
    return {old: str(new) for old, new in _table(_RETIRED).items()}


def _groups() -> list[str]:
    names = (entry.name for entry in files(__package__).iterdir())
    found = (name.removesuffix(".toml") for name in names if name.endswith(".toml"))
    return sorted(set(found) - {_RETIRED, _GLOSSARY})


@cache
def _group(name: str) -> dict[str, Rule]:
    """Rules of one file by id, in the order of the file."""
    return {f"{name}/{key}": _made(f"{name}/{key}", **e) for key, e in _table(name).items()}


def _table(name: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8"))


def _made(
    name: str,
    *,
    severity: str,
    title: str,
    why: str,
    advice: str,
    source: str,
    at_most: str = Consequence.STOP.word,
    explains: Iterable[str] = (),
) -> Rule:
    document, _, section = source.partition(", ")
    return Rule(
        id=name,
        title=title,
        why=why,
        source=Source(document, section),
        severity=Severity[severity.upper()],
        advice=advice,
        at_most=Consequence[at_most.upper()],
        explains=tuple(explains),
    )


# Words of the trade


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """A word of the trade.

    ``words`` are the forms it takes in texts, ``caption`` states what its picture shows.
    """

    term: str
    words: tuple[str, ...]
    meaning: str
    caption: str

    @property
    def slug(self) -> str:
        """Its anchor in docs/glossary.md, and the stem of its picture."""
        return self.term.replace(" ", "-")


@cache
def glossary() -> tuple[Term, ...]:
    """Every term, in the order of the alphabet."""
    return tuple(
        Term(
            term=row["term"],
            words=(row["term"], *row.get("words", ())),
            meaning=row["meaning"],
            caption=row["caption"],
        )
        for row in _table(_GLOSSARY)["term"]
    )


@cache
def _matcher() -> tuple[re.Pattern[str], dict[str, Term]]:
    terms = {word: term for term in glossary() for word in term.words}
    longest_first = sorted(terms, key=lambda word: (-len(word), word))
    return re.compile(rf"(?<![\w-])({'|'.join(map(re.escape, longest_first))})(?![\w-])"), terms


def terms_of(rule: Rule) -> tuple[Term, ...]:
    """Terms that a rule is about: by its id, title, reason and advice."""
    about = re.sub("[-/]", " ", rule.id)
    return terms_in(f"{about}. {rule.title}. {rule.why} {rule.advice}")


@cache
def terms_in(text: str) -> tuple[Term, ...]:
    """Terms that a text uses, each once, in the order of the alphabet.

    >>> [t.term for t in terms_in("annular ring of a via is too small")]
    ['annular ring', 'via']
    """
    pattern, terms = _matcher()
    found = {terms[word].term for word in pattern.findall(text.lower())}
    return tuple(term for term in glossary() if term.term in found)
