"""What was found on the old board and on the new one: new, gone, other numbers, the same."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from fabkit.base.findings import Finding, Severity

_NUMBERS: Final = re.compile(r"[-+]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChanges:
    """Findings of two boards, worst first.

    Parameters
    ----------
    changed
        Pairs of the same message with other numbers, or with another severity.
    same
        How many are the same word for word.
    """

    new: tuple[Finding, ...]
    gone: tuple[Finding, ...]
    changed: tuple[tuple[Finding, Finding], ...]
    same: int

    def status(self, fail_on: Severity | None) -> int:
        """1 when a finding that is new, or grew worse, is at least so severe."""
        if fail_on is None:
            return 0
        worse = [b for a, b in self.changed if b.severity > a.severity]
        return int(any(f.severity >= fail_on for f in (*self.new, *worse)))


def compare_findings(old: Iterable[Finding], new: Iterable[Finding]) -> FindingChanges:
    """Pair findings of the same message, then those that differ in numbers alone."""
    same, mine, theirs = _paired(list(old), list(new), _said)
    changed, gone, fresh = _paired(mine, theirs, _gist)
    return FindingChanges(
        new=_worst_first(fresh),
        gone=_worst_first(gone),
        changed=tuple(sorted(changed, key=lambda p: (-p[1].severity, p[1].id, p[1].message))),
        same=len(same),
    )


def _said(finding: Finding) -> tuple[object, ...]:
    return finding.id, finding.severity, finding.message, finding.count


def _gist(finding: Finding) -> tuple[object, ...]:
    return finding.id, _NUMBERS.sub("#", finding.message)


def _paired(
    old: Sequence[Finding],
    new: Sequence[Finding],
    key: Callable[[Finding], tuple[object, ...]],
) -> tuple[list[tuple[Finding, Finding]], list[Finding], list[Finding]]:
    """Pairs of one key in order, and what is left of each."""
    waiting: dict[object, list[Finding]] = {}
    for finding in sorted(old, key=lambda f: f.message):
        waiting.setdefault(key(finding), []).append(finding)
    pairs, fresh = [], []
    for finding in sorted(new, key=lambda f: f.message):
        found = waiting.get(key(finding))
        if found:
            pairs.append((found.pop(0), finding))
        else:
            fresh.append(finding)
    return pairs, [f for rest in waiting.values() for f in rest], fresh


def _worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=lambda f: (-f.severity, f.id, f.message)))
