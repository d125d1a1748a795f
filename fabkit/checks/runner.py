"""Runs checks, and puts what they and the readers found into one result: causes, not echoes."""

from __future__ import annotations

import traceback
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from functools import partial
from itertools import chain, groupby
from typing import Final

from fabkit.base.copies import side_by_side
from fabkit.base.errors import TooHeavy, UsageError
from fabkit.base.findings import Consequence, Finding, Severity
from fabkit.base.steps import step
from fabkit.base.units import counted
from fabkit.board.profile import find_drawn_outline
from fabkit.checks.declare import EVIDENCE, NEEDS
from fabkit.checks.model import Case, Check, CheckOptions, CheckResult, NotJudged, Outcome, State
from fabkit.keyboard.build import describe
from fabkit.package.model import Package, Role, RoleKind, Side
from fabkit.package.words import read_name
from fabkit.rules import current_id, load_rule

Roles = Mapping[str, Role]
"""What each file is, by its name; of one that was left out, what its name says."""

_ADDED: Final = frozenset((RoleKind.LEGEND, RoleKind.PASTE, RoleKind.GLUE, RoleKind.DRAWING))
_NOT_FROM: Final[Mapping[str, frozenset[RoleKind]]] = {
    "net/": _ADDED | {RoleKind.MASK},
    "copper/": _ADDED | {RoleKind.MASK},
    "hole/": _ADDED,
    "profile/": _ADDED | {RoleKind.MASK},
}
"""Files from whose faults no finding of the group follows: a lost legend joins no nets."""


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
    roles = {item.name: read_name(item.name).role for item in package.left_out}
    roles |= {file.name: file.role for file in package.files}
    causes = sorted(
        (k for k, finding in enumerate(findings) if finding.rule.explains),
        key=lambda k: -findings[k].consequence,
    )
    direct = {
        k: cause
        for k, finding in enumerate(findings)
        if finding.consequence >= Consequence.DECIDE
        and (cause := _cause(finding, findings, causes, roles)) is not None
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
    roles: Roles,
) -> int | None:
    for k in causes:
        cause = findings[k]
        if (
            cause.id != finding.id
            and any_matches(cause.rule.explains, finding.id)
            and _meet(cause, finding, roles)
        ):
            return k
    return None


def _meet(cause: Finding, finding: Finding, roles: Roles) -> bool:
    """Whether what was found may come from the cause's files."""
    files = {place.file for place in cause.places if place.file}
    known = [roles[file] for file in files if file in roles]
    faces = {role.side for role in known} - {None}
    own = {place.file for place in finding.places if place.file}
    if not files or files & own:
        return True
    group = finding.id.partition("/")[0] + "/"
    if known and all(role.kind in _NOT_FROM.get(group, ()) for role in known):
        return False
    # Nets run over all layers, whichever is broken.
    if group == "net/":
        return True
    sides = (place.side or _side(place.file, roles) for place in finding.places)
    seen = {side for side in sides if side is not None}
    return not seen or bool(seen & faces) if faces else True


def _side(file: str | None, roles: Roles) -> Side | None:
    role = roles.get(file or "")
    return role.side if role is not None else None


TOO_HEAVY: Final = load_rule("package/too-heavy")


def run_check(check: Check, case: Case) -> Outcome:
    """Judge one case by one check; an exception in the check makes it broken, nothing else."""
    try:
        missing = [n for n in check.needs if not NEEDS[n][1](case)]
        if missing:
            # What a board does not have need not be judged; what its files do not show is a blind
            # spot.
            absent = [n for n in missing if n not in EVIDENCE]
            state = State.APART if absent else State.NOT_JUDGED
            words = NEEDS[(absent or missing)[0]][0]
            return Outcome(check=check, state=state, reason=f"needs {words}")
        # A check that stops half way has still found what it yielded before.
        findings: list[Finding] = []
        try:
            with step(f"check {check.id} of {case.board.name}"):
                findings.extend(check.function(case))
        except (NotJudged, TooHeavy) as error:
            heavy = isinstance(error, TooHeavy)
            return Outcome(
                check=check,
                state=State.NOT_JUDGED,
                findings=tuple(findings),
                reason=str(error).partition("\n")[0] if heavy else str(error),
                heavy=heavy,
            )
        declared = {rule.id for rule in check.rules}
        if strange := {f.id for f in findings} - declared:
            raise ValueError(f"{check.id} applied rules it does not declare: {sorted(strange)}")
    except Exception as error:  # noqa: BLE001 -- one broken check must not lose the others
        return Outcome(
            check=check,
            state=State.BROKEN,
            reason=f"{type(error).__name__}: {error}",
            trace=traceback.format_exc(),
        )
    state = State.FOUND if findings else State.PASSED
    return Outcome(check=check, state=state, findings=tuple(findings))


def run_checks(checks: Sequence[Check], case: Case) -> tuple[Outcome, ...]:
    """Outcomes of all checks that the options select, in the order given.

    Parameters
    ----------
    checks
        The catalogue.
    case
        What is judged.

    Raises
    ------
    UsageError
        The options name a check or group that does not exist.
    """
    chosen = select(checks, case.options)
    # Checks of one module ask for the same facts, which each process finds for itself.
    modules = [tuple(some) for _, some in groupby(chosen, key=lambda c: c.function.__module__)]
    works = [partial(_run_some, some, case) for some in modules]
    # Those on copper, mask and legend take longest, and stand last in reports.
    outcomes = side_by_side(works[::-1], "groups of checks")[::-1]
    return tuple(chain.from_iterable(outcomes))


def _run_some(checks: Sequence[Check], case: Case) -> tuple[Outcome, ...]:
    return tuple(run_check(check, case) for check in checks)


def select(checks: Sequence[Check], options: CheckOptions) -> tuple[Check, ...]:
    """Give the checks named by ``only`` and not by ``without``; by exact id or by ``group/``."""
    for name in options.only:
        if not any(matches(name, c.id) for c in checks):
            raise UsageError(
                f"no check is called '{name}'",
                hint=near_id(name, [c.id for c in checks])
                or "`fabkit checks` lists them; a group is written with a slash, as in 'hole/'",
            )
    return tuple(
        c
        for c in checks
        if (not options.only or any_matches(options.only, c.id))
        and not any_matches(options.without, c.id)
    )


def near_id(name: str, known: Sequence[str]) -> str:
    """``did you mean 'x'?`` for the id nearest to a name, first by its group; else nothing.

    >>> near_id("hole/spacng", ["hole/pad-missing", "hole/spacing", "copper/spacing"])
    "did you mean 'hole/spacing'?"
    """
    group, _, last = name.partition("/")
    ends = {i.partition("/")[2]: i for i in known if i.partition("/")[0] == group}
    near = [ends[end] for end in get_close_matches(last, ends, n=1, cutoff=0.7)]
    near += get_close_matches(name, known, n=1)
    return f"did you mean '{near[0]}'?" if near else ""


def matches(name: str, rule_or_check_id: str) -> bool:
    """Whether ``name`` means this id: the id itself, or its group with a trailing slash.

    >>> matches("hole/", "hole/too-small"), matches("hole", "hole/too-small")
    (True, False)
    """
    if name.endswith("/"):
        return rule_or_check_id.startswith(name)
    return rule_or_check_id == name


def any_matches(names: Iterable[str], rule_or_check_id: str) -> bool:
    """Whether any of some names means this id."""
    return any(matches(name, rule_or_check_id) for name in names)


def join_alike(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Join findings that say the same of several files, at the first of them.

    Places of every file are kept in order, and counts are added.
    """
    joined: dict[tuple[object, ...], Finding] = {}
    for finding in findings:
        key = (
            *(finding.id, finding.severity, finding.message, finding.assumed, finding.advice),
            *(finding.measured, finding.limit, finding.unit),
        )
        known = joined.get(key)
        joined[key] = (
            finding
            if known is None
            else replace(
                known, places=known.places + finding.places, count=known.count + finding.count
            )
        )
    return tuple(joined.values())


_OF_READERS: Final = ("gerber/", "drill/")


def _weighed(problems: tuple[Finding, ...], package: Package) -> tuple[Finding, ...]:
    """Weigh problems of reading by what the file is for and by what was found elsewhere."""
    kinds = {file.name: file.role.kind for file in package.files}
    inferred = find_drawn_outline(problems, package) is not None
    out = []
    for problem in problems:
        most = problem.severity
        kind = kinds.get(problem.places[0].file or "") if problem.places else None
        if kind is RoleKind.DRAWING and problem.id.startswith(_OF_READERS):
            # Nothing is made from a drawing.
            most = Severity.NOTE
        elif kind is RoleKind.PROFILE and problem.id == "gerber/aperture-twice":
            # The middle of a line is the board's edge, however wide it is.
            most = Severity.NOTE
        elif problem.id == "package/missing-profile" and inferred:
            # The outline is there, though in another layer: the house must be told where.
            most = Severity.WARNING
        out.append(replace(problem, severity=min(problem.severity, most)))
    return tuple(out)


def _too_heavy(outcomes: Sequence[Outcome]) -> Iterator[Finding]:
    """Find that checks asked for more than this machine can do: a blind spot is no pass."""
    heavy = [o for o in outcomes if o.heavy]
    if heavy:
        said = f"{counted(len(heavy), 'check')} not judged: {heavy[0].reason}"
        yield Finding.of(TOO_HEAVY, said)


def gather(case: Case, outcomes: tuple[Outcome, ...]) -> CheckResult:
    """Put readers' problems and outcomes into one result, worst first.

    Among equals, what others follow from stands first; then the order is that of the files and of
    the catalogue.
    """
    problems = _weighed((*case.board.package.problems, *case.board.problems), case.board.package)
    only = [current_id(name) for name in case.options.only]
    without = [current_id(name) for name in case.options.without]
    if only:
        problems = tuple(p for p in problems if any_matches(only, p.id))
    found = (*problems, *_too_heavy(outcomes), *(f for o in outcomes for f in o.findings))
    every = [f for f in join_alike(found) if not any_matches(without, f.id)]
    # A reader says how badly a file breaks its format; of the order, only what follows counts.
    every = [replace(f, severity=f.consequence.severity) for f in every]
    reasons = {current_id(silence.rule): silence.reason for silence in case.options.silenced}
    kept = fold([f for f in every if f.id not in reasons], case.board.package)
    roots = {f.follows for f in kept}
    return CheckResult(
        tuple(sorted(kept, key=lambda f: (-f.severity, f.id not in roots, bool(f.follows)))),
        outcomes,
        tuple((f, reasons[f.id]) for f in every if f.id in reasons),
        describe(case.board, case.options.use),
    )
