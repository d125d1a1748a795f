"""How rules of this room are declared: each id once, all from one document."""

from __future__ import annotations

from typing import Final

from fabkit.base.findings import Consequence, Rule, Severity, Source

DOCUMENT: Final = "Gerber Layer Format Specification 2021.02"

RULES: dict[str, Rule] = {}
"""Every rule of the room by id, in order of declaration."""


def declare(
    name: str,
    severity: Severity,
    section: str,
    title: str,
    why: str,
    advice: str,
    *,
    at_most: Consequence = Consequence.STOP,
) -> Rule:
    """Make the rule ``gerber/name`` and enter it in :data:`RULES`."""
    rule = Rule(
        id=f"gerber/{name}",
        title=title,
        why=why,
        source=Source(DOCUMENT, f"section {section}"),
        severity=severity,
        advice=advice,
        at_most=at_most,
    )
    if rule.id in RULES:
        raise ValueError(f"rule {rule.id} is declared twice")
    RULES[rule.id] = rule
    return rule
