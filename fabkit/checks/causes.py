"""One cause, not its echoes: which findings follow from another of the same run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fabkit.base.findings import Consequence, Finding
from fabkit.package.model import Package, Side

Sides = Mapping[str, Side | None]
"""Face of each file, by its name."""


def fold(findings: Sequence[Finding], package: Package) -> tuple[Finding, ...]:
    """Say of each stop and decision which other finding it follows from, if any.

    A rule lists in the rulebook what it explains.  A finding follows from another when that
    one's rule explains its own and both are about the same files: a layer moved on the top face
    explains nothing of the bottom.  The cause weighs as much as the worst that follows from it.

    Parameters
    ----------
    findings
        In any order; where several explain one, the first of the heaviest does.
    package
        The files that the findings name.

    Returns
    -------
    tuple of Finding
        In the same order; what follows from another has its id in ``follows``.
    """
    sides = {file.name: file.role.side for file in package.files}
    causes = sorted(
        (k for k, finding in enumerate(findings) if finding.rule.explains),
        key=lambda k: -findings[k].consequence,
    )
    direct = {
        k: cause
        for k, finding in enumerate(findings)
        if finding.consequence >= Consequence.DECIDE
        and (cause := _cause(finding, findings, causes, sides)) is not None
    }
    out = list(findings)
    for k in direct:
        root, passed = k, {k}
        while root in direct and direct[root] not in passed:
            root = direct[root]
            passed.add(root)
        out[k] = replace(out[k], follows=findings[root].id)
        worst = max(out[root].severity, findings[k].severity)
        out[root] = replace(out[root], severity=worst)
    return tuple(out)


def _cause(
    finding: Finding,
    findings: Sequence[Finding],
    causes: Sequence[int],
    sides: Sides,
) -> int | None:
    for k in causes:
        cause = findings[k]
        if cause.id != finding.id and _explains(cause, finding.id) and _meet(cause, finding, sides):
            return k
    return None


def _explains(cause: Finding, name: str) -> bool:
    return any(name == e or (e.endswith("/") and name.startswith(e)) for e in cause.rule.explains)


def _meet(cause: Finding, finding: Finding, sides: Sides) -> bool:
    """Whether what was found may come from the cause's files."""
    files = {place.file for place in cause.places if place.file}
    faces = {sides.get(file) for file in files} - {None}
    own = {place.file for place in finding.places if place.file}
    seen = {place.side or sides.get(place.file or "") for place in finding.places} - {None}
    # Nets run over all layers, whichever is broken.
    if not files or files & own or finding.id.startswith("net/"):
        return True
    return not seen or bool(seen & faces) if faces else True
