"""Words of the trade, each with its meaning; found in the texts of rules and findings."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fabkit.base.findings import Rule


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
    text = files("fabkit.outputs").joinpath("glossary.toml").read_text(encoding="utf-8")
    return tuple(
        Term(
            term=row["term"],
            words=(row["term"], *row.get("words", ())),
            meaning=row["meaning"],
            caption=row["caption"],
        )
        for row in tomllib.loads(text)["term"]
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
