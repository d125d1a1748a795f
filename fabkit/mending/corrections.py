"""The catalogue of corrections: what each does, why it is safe, how it is proved, what it heals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fabkit.base.errors import UsageError
from fabkit.base.units import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One kind of correction.

    Parameters
    ----------
    id
        ``kebab-case``; a promise, never changed once released.
    title, does, safe, proof
        In words: what it is, what it does, why it is safe, and how it is proved.
    heals
        Rules, or groups with a trailing slash, whose findings it may end.
    asked
        Whether it is made only when asked for.
    """

    id: str
    title: str
    does: str
    safe: str
    proof: str
    heals: tuple[str, ...] = ()
    asked: bool = False


def can_mend(rule: str) -> bool:
    """Whether a correction that needs no asking ends findings of a rule that is named to it."""
    return any(rule in c.heals for c in load_corrections().values() if not c.asked)


def find_offer(rules: Sequence[str], *, call: str = "fabkit mend PACKAGE --out mended.zip") -> str:
    """Say how many causes, by their rules, can be mended and how; empty where none can."""
    by_itself = sum(map(can_mend, rules))
    rest = [rule for rule in rules if not can_mend(rule)]
    names = [
        name
        for name, c in load_corrections().items()
        if c.asked and not set(rest).isdisjoint(c.heals)
    ]
    known = load_corrections()
    count = by_itself + sum(any(rule in known[name].heals for name in names) for rule in rest)
    if not count:
        return ""
    asked = "".join(f" --with {name}" for name in names)
    return f"{count} of {counted(len(rules), 'cause')} can be mended in the files: {call}{asked}"


@cache
def load_corrections() -> Mapping[str, Correction]:
    """Give every correction by its id."""
    import tomllib

    text = files(__package__).joinpath("corrections.toml").read_text(encoding="utf-8")
    return {
        name: Correction(id=name, **entry | {"heals": tuple(entry["heals"])})
        for name, entry in tomllib.loads(text).items()
    }


def choose(asked: Iterable[str], without: Iterable[str]) -> tuple[str, ...]:
    """Ids of the corrections to make: all but those on request, those asked for, less some.

    Raises
    ------
    UsageError
        There is no such correction.
    """
    known = load_corrections()
    asked, without = set(asked), set(without)
    for name in sorted(asked | without):
        if name not in known:
            raise UsageError(
                f"there is no correction {name!r}",
                hint=f"Corrections: {', '.join(known)}.",
            )
    return tuple(
        name for name, c in known.items() if (not c.asked or name in asked) and name not in without
    )
