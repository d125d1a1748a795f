"""Checks of plugins: found by entry point, kept apart from ours, never silently absent."""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from types import ModuleType
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Check

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
