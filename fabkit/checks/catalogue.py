"""The catalogue of checks: an import list, not a search.

To add a check, write it in a rule module and name the module in ``MODULES``.  A module that does
not import, an id used twice or a rule declared in two ways fails at once, loudly.
"""

from __future__ import annotations

from types import ModuleType

from fabkit.base.findings import Rule
from fabkit.checks import (
    choices,
    copper_current,
    copper_edge,
    copper_islands,
    copper_width,
    data_set,
    half,
    hole,
    hole_missing,
    hole_ring,
    hole_spacing,
    job_file,
    legend,
    mask,
    misplaced,
    net,
    pad_size,
    painted,
    profile,
    register,
    thickness,
)
from fabkit.checks.model import Check

MODULES: tuple[ModuleType, ...] = (
    data_set,
    job_file,
    register,
    misplaced,
    profile,
    choices,
    thickness,
    hole,
    hole_missing,
    hole_ring,
    hole_spacing,
    copper_width,
    copper_edge,
    copper_islands,
    copper_current,
    pad_size,
    painted,
    net,
    half,
    mask,
    legend,
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
