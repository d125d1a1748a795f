"""Everything that can be found, in one list: the rulebook and the rules of plugins."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from fabkit.base.errors import UsageError
from fabkit.base.findings import Rule
from fabkit.checks.model import Check
from fabkit.checks.plugins import all_checks
from fabkit.checks.runner import matches, near_id
from fabkit.rules import current_id, load_rules


def all_rules(checks: Sequence[Check] = ()) -> tuple[Rule, ...]:
    """Every rule once, group by group.

    Parameters
    ----------
    checks
        With :func:`fabkit.checks.plugins.all_checks`, the rules of plugins are there too.

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
