"""The catalogue: every check, ours and those of plugins, and every rule.

Ours are an import list, not a search.  To add a check, write it in a rule module and name the
module in ``MODULES``.  A module that does not import, an id used twice or a rule declared in two
ways fails at once, loudly.  Plugins are found by entry point, and never silently absent.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from types import ModuleType
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.base.findings import Rule
from fabkit.checks import (
    choices,
    copper_edge,
    copper_objects,
    copper_width,
    data_set,
    half,
    hole,
    hole_ring,
    hole_spacing,
    legend,
    mask,
    net,
    paste,
    placed,
    profile,
    register,
)
from fabkit.checks.model import Check
from fabkit.checks.runner import matches, near_id
from fabkit.rules import current_id, load_rules

MODULES: tuple[ModuleType, ...] = (
    data_set,
    register,
    profile,
    choices,
    hole,
    hole_ring,
    hole_spacing,
    copper_width,
    copper_edge,
    copper_objects,
    net,
    half,
    mask,
    paste,
    legend,
    placed,
)
"""Rule modules, in the order in which reports list them."""


def _collect(modules: tuple[ModuleType, ...]) -> tuple[Check, ...]:
    checks: dict[str, Check] = {}
    rules: dict[str, Rule] = {}
    for module in modules:
        for value in vars(module).values():
            if not isinstance(value, Check) or value.function.__module__ != module.__name__:
                continue
            if value.id in checks:
                raise ValueError(f"check {value.id} is declared twice")
            checks[value.id] = value
            for rule in value.rules:
                if rules.setdefault(rule.id, rule) is not rule:
                    raise ValueError(f"rule {rule.id} is declared twice")
    return tuple(checks.values())


CHECKS: tuple[Check, ...] = _collect(MODULES)
"""Every check, in the order in which they run and are reported."""


GROUP: Final = "fabkit.checks"
"""Entry point group: each entry names a check, a module with checks, or a list of them."""

SWITCH: Final = "FABKIT_PLUGINS"
"""Set to ``off`` in the environment, only our own checks run."""


@cache
def plugin_checks() -> tuple[Check, ...]:
    """Give the checks that installed packages add, in the order of their entry points' names.

    Raises
    ------
    UsageError
        An entry does not load, is no check, or uses an id that is taken.
    """
    if os.environ.get(SWITCH, "").casefold() == "off":
        return ()
    taken = {check.id: "fabkit" for check in CHECKS}
    rules = {rule.id: rule for check in CHECKS for rule in check.rules}
    found = []
    for entry in sorted(entry_points(group=GROUP), key=lambda e: (e.name, e.value)):
        for check in _load(entry):
            if check.id in taken:
                raise _refused(entry, f"its check '{check.id}' is one of {taken[check.id]} already")
            for rule in check.rules:
                if rules.setdefault(rule.id, rule) is not rule:
                    raise _refused(entry, f"its rule '{rule.id}' is declared already")
            taken[check.id] = f"plugin '{entry.name}'"
            found.append(check)
    return tuple(found)


def all_checks() -> tuple[Check, ...]:
    """Our checks, then those of plugins."""
    return (*CHECKS, *plugin_checks())


def _load(entry: EntryPoint) -> Iterator[Check]:
    try:
        value = entry.load()
    except Exception as error:
        raise _refused(entry, f"{type(error).__name__}: {error}") from error
    if isinstance(value, Check):
        values: list[object] = [value]
    elif isinstance(value, ModuleType):
        values = [v for v in vars(value).values() if isinstance(v, Check)]
    else:
        values = list(value) if isinstance(value, list | tuple) else []
    if not values or not all(isinstance(v, Check) for v in values):
        raise _refused(entry, f"{entry.value} is no check and holds none")
    for check in values:
        assert isinstance(check, Check)  # noqa: S101 -- narrows for the type checker
        yield check


def _refused(entry: EntryPoint, why: str) -> UsageError:
    package = entry.dist.name if entry.dist is not None else "an unknown package"
    return UsageError(
        f"the checks '{entry.name}' of {package} cannot be used: {why}",
        hint=f"mend or uninstall {package}, or set {SWITCH}=off in the environment",
    )


def all_rules(checks: Sequence[Check] = ()) -> tuple[Rule, ...]:
    """Every rule once, group by group.

    Parameters
    ----------
    checks
        With :func:`fabkit.checks.catalogue.all_checks`, the rules of plugins are there too.

    Raises
    ------
    ValueError
        Two different rules carry one id.
    """
    rules = {rule.id: rule for rule in load_rules()}
    for rule in (rule for check in checks for rule in check.rules):
        if rules.setdefault(rule.id, rule) is not rule:
            raise ValueError(f"rule {rule.id} is declared twice")
    return tuple(rules.values())


def find_rules(name: str | None = None) -> tuple[Rule, ...]:
    """Entries of the catalogue of everything that can be found.

    Parameters
    ----------
    name
        Id of a rule or of a check, a group with a trailing slash, or None for all.

    Raises
    ------
    UsageError
        Nothing is called so.
    """
    checks = all_checks()
    rules = all_rules(checks)
    if name is None:
        return rules
    name = current_id(name)
    own = {rule.id for one in checks if one.id == name for rule in one.rules}
    found = tuple(rule for rule in rules if matches(name, rule.id) or rule.id in own)
    if not found:
        groups = {rule.id.split("/")[0] + "/" for rule in rules}
        known = [*sorted(groups), *(one.id for one in checks), *(rule.id for rule in rules)]
        raise UsageError(
            f"nothing in the catalogue is called '{name}'",
            hint=near_id(name, known) or "`fabkit checks` lists everything",
        )
    return found


def refuse_unknown(ids: Iterable[str]) -> None:
    """Refuse ids that no rule has: what is set aside or accepted must exist.

    Raises
    ------
    UsageError
        Names the first that is not known, and the nearest that is.
    """
    known = [rule.id for rule in all_rules(all_checks())]
    for name in ids:
        if current_id(name) not in known:
            raise UsageError(
                f"no rule is called '{name}'",
                hint=near_id(name, known) or "`fabkit checks` lists every rule",
            )
