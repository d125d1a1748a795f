"""Everything that can be found, in one list: an import list, not a search."""

from __future__ import annotations

from types import ModuleType

from fabkit.board import rules as board_rules
from fabkit.checks.catalogue import CHECKS
from fabkit.costs import rules as cost_rules
from fabkit.drill import problems as drill_problems
from fabkit.findings import Rule
from fabkit.gerber import problems as gerber_problems
from fabkit.package import rules as package_rules
from fabkit.parts import rules as parts_rules
from fabkit.sidecars import rules as sidecar_rules

TABLES: tuple[ModuleType, ...] = (
    gerber_problems,
    drill_problems,
    sidecar_rules,
    package_rules,
    board_rules,
    parts_rules,
    cost_rules,
)
"""Modules that declare what readers, parts list and quote can meet."""


def all_rules() -> tuple[Rule, ...]:
    """Every rule once: readers first, then checks.

    Raises
    ------
    ValueError
        Two different rules carry one id.
    """
    rules: dict[str, Rule] = {}
    told = [v for table in TABLES for v in vars(table).values() if isinstance(v, Rule)]
    for rule in (*told, *(r for check in CHECKS for r in check.rules)):
        if rules.setdefault(rule.id, rule) is not rule:
            raise ValueError(f"rule {rule.id} is declared twice")
    return tuple(rules.values())
