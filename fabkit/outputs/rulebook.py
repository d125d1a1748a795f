"""Everything that can be found, in one list: an import list, not a search."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import ModuleType

from fabkit.base.errors import UsageError
from fabkit.base.findings import Rule
from fabkit.board import rules as board_rules
from fabkit.checks import pair as pair_rules
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Check
from fabkit.checks.plugins import all_checks
from fabkit.checks.runner import matches, near_id
from fabkit.compare import rules as compare_rules
from fabkit.costs import rules as cost_rules
from fabkit.formats.drill import problems as drill_problems
from fabkit.formats.gerber import problems as gerber_problems
from fabkit.formats.gerber import shape_problems as gerber_shape_problems
from fabkit.formats.sidecars import rules as sidecar_rules
from fabkit.package import rules as package_rules
from fabkit.parts import rules as parts_rules
from fabkit.wiring import rules as wiring_rules

TABLES: tuple[ModuleType, ...] = (
    gerber_problems,
    gerber_shape_problems,
    drill_problems,
    sidecar_rules,
    package_rules,
    board_rules,
    pair_rules,
    parts_rules,
    cost_rules,
    wiring_rules,
    compare_rules,
)
"""Modules that declare what readers, a pair of halves, parts list, quote, wiring and
comparison can meet."""


def all_rules(checks: Sequence[Check] = CHECKS) -> tuple[Rule, ...]:
    """Every rule once: readers first, then checks.

    Parameters
    ----------
    checks
        Ours; with :func:`fabkit.checks.plugins.all_checks` also those of plugins.

    Raises
    ------
    ValueError
        Two different rules carry one id.
    """
    rules: dict[str, Rule] = {}
    told = [v for table in TABLES for v in vars(table).values() if isinstance(v, Rule)]
    for rule in (*told, *(r for check in checks for r in check.rules)):
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
        if name not in known:
            raise UsageError(
                f"no rule is called '{name}'",
                hint=near_id(name, known) or "`fabkit checks` lists every rule",
            )
