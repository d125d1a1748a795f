"""The rulebook: what can be found, why it matters, where it is written and what to do about it.

Each group of rules is a TOML file here, read when the first of its rules is asked for; the part
of an id before the slash is the name of the file.  Code names a rule once, beside the code that
finds it::

    WEB: Final = load_rule("mask/web-narrow")
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from fabkit.base.findings import Consequence, Rule, Severity, Source


def load_rule(name: str) -> Rule:
    """Give the rule of an id.

    Raises
    ------
    KeyError
        No rule has this id: a programmer's mistake, raised at import.
    """
    return _group(name.partition("/")[0])[name]


def load_rules() -> tuple[Rule, ...]:
    """Give every rule of the rulebook, group by group in the order of their names."""
    return tuple(rule for name in _groups() for rule in _group(name).values())


def _groups() -> list[str]:
    names = (entry.name for entry in files(__package__).iterdir())
    return sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml"))


@cache
def _group(name: str) -> dict[str, Rule]:
    """Rules of one file by id, in the order of the file."""
    return {f"{name}/{key}": _made(f"{name}/{key}", **e) for key, e in _entries(name).items()}


def _entries(name: str) -> dict[str, dict[str, str]]:
    import tomllib

    text = files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8")
    entries: dict[str, dict[str, str]] = tomllib.loads(text)
    return entries


def _made(
    name: str,
    *,
    severity: str,
    title: str,
    why: str,
    advice: str,
    source: str,
    at_most: str = Consequence.STOP.word,
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
    )
