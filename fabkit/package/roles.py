"""Gives each file its role: evidence first file by file, then over the whole set.

Evidence, best first: standard attribute, job file, words and extension of the name, content.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from fabkit.drill.model import DrillFile
from fabkit.findings import Finding, Place
from fabkit.gerber.model import GerberFile
from fabkit.package import rules
from fabkit.package.content import Look, guess_role, guess_side, is_same_image
from fabkit.package.functions import read_function
from fabkit.package.model import Content, Role, RoleKind
from fabkit.package.words import NameSays, read_name, shared_words
from fabkit.sidecars.model import JobFile, Netlist, PartsTable, Placement

_SURE: Final = 0.6
"""Below this a role is asked of the content too, and reported as doubtful."""
_CLEARLY: Final = 0.1
"""A claim wins clearly when it is better by more than this."""
_SIDED: Final = (RoleKind.MASK, RoleKind.LEGEND, RoleKind.PASTE)
_ONE_EACH: Final = (*_SIDED, RoleKind.PROFILE, RoleKind.COPPER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A role with its confidence and reason; ``number`` is a layer number told by the name."""

    role: Role
    confidence: float
    reason: str
    number: int | None = None
    counts_all: bool = False


NO_CLAIM: Final = Claim(
    role=Role(kind=RoleKind.UNKNOWN), confidence=0.0, reason="nothing says what it is"
)
NOTHING_STATED: Final[Mapping[int, Role]] = {}
_SIDECARS: Final[tuple[tuple[type[Content], RoleKind, str], ...]] = (
    (JobFile, RoleKind.JOB, "its JSON has the members of a job file"),
    (Netlist, RoleKind.NETLIST, "its records are those of a bare-board netlist"),
    (Placement, RoleKind.PLACEMENT, "its headings are those of a placement table"),
    (PartsTable, RoleKind.PARTS, "its headings are those of a parts table"),
)


def assign_roles(
    names: Sequence[str], contents: Sequence[Content], stated: Mapping[int, Role] = NOTHING_STATED
) -> tuple[list[Claim], list[Finding]]:
    """Assign a role to every file of a set.

    Parameters
    ----------
    names, contents
        Member names and what was read from them; drill data in Gerber form are still Gerber
        files here.
    stated
        Roles the user states, by index; they win over all evidence.

    Returns
    -------
    One claim per file, in order, and what was found doubtful or doubled.
    """
    shared = shared_words(
        [n for n, c in zip(names, contents, strict=True) if isinstance(c, GerberFile | DrillFile)]
    )
    jobs = [content for content in contents if isinstance(content, JobFile)]
    functions = {
        entry.path.rsplit("/", 1)[-1].lower(): entry.function for job in jobs for entry in job.files
    }
    findings: list[Finding] = []
    claims = [
        _claim(name, content, read_name(name, shared), functions, findings)
        if i not in stated
        else _as_stated(stated[i], content)
        for i, (name, content) in enumerate(zip(names, contents, strict=True))
    ]
    _ask_contents(claims, contents)
    _fill_sides(claims)
    findings += _number_copper(names, claims)
    findings += _settle_doubles(names, contents, claims)
    findings += _report_doubts(names, claims)
    return claims, findings


def _as_stated(role: Role, content: Content) -> Claim:
    if isinstance(content, DrillFile) and role.kind is RoleKind.DRILL and role.plated is None:
        role = replace(role, plated=content.plated)
    return Claim(role=role, confidence=1.0, reason="you say so")


def _claim(
    name: str,
    content: Content,
    said: NameSays,
    functions: dict[str, tuple[str, ...]],
    findings: list[Finding],
) -> Claim:
    for kind_of, kind, why in _SIDECARS:
        if isinstance(content, kind_of):
            return Claim(role=Role(kind=kind), confidence=1.0, reason=why)
    by_job = read_function(functions.get(name.rsplit("/", 1)[-1].lower(), ()))
    if isinstance(content, DrillFile):
        return _claim_drill(content, by_job, said)
    if not isinstance(content, GerberFile):
        return NO_CLAIM
    by_attribute = read_function(content.function)
    if by_attribute is not None:
        _compare_with_name(name, by_attribute, said, findings)
        function = ",".join(content.function)
        return Claim(role=by_attribute, confidence=1.0, reason=f"its file function is {function}")
    if by_job is not None:
        return Claim(role=by_job, confidence=0.95, reason="the job file lists it so")
    if content.function and said.confidence <= 0.5:
        return Claim(
            role=Role(kind=RoleKind.DRAWING),
            confidence=_SURE,
            reason=f"its file function is {','.join(content.function)}: no production layer",
        )
    if said.kind is None:
        return NO_CLAIM
    return Claim(
        role=Role(
            kind=said.kind,
            side=said.side if said.kind is not RoleKind.PROFILE else None,
            inner=said.inner,
            plated=said.plated,
        ),
        confidence=said.confidence,
        reason=said.reason,
        number=said.number,
        counts_all=said.counts_all,
    )


def _claim_drill(content: DrillFile, by_job: Role | None, said: NameSays) -> Claim:
    by_attribute = read_function(content.function)
    reason = "its commands are those of a drill file"
    plated = content.plated
    if by_attribute is not None:
        reason = f"its file function is {','.join(content.function)}"
        plated = by_attribute.plated if plated is None else plated
    elif plated is None and by_job is not None and by_job.plated is not None:
        plated = by_job.plated
        reason += "; plating as the job file lists it"
    elif plated is None and said.plated is not None and _plating_is_open(content):
        plated = said.plated
        reason += "; plating from its name"
    return Claim(role=Role(kind=RoleKind.DRILL, plated=plated), confidence=0.95, reason=reason)


def _plating_is_open(content: DrillFile) -> bool:
    return all(tool.plated is None for tool in content.tools)


def _compare_with_name(name: str, role: Role, said: NameSays, findings: list[Finding]) -> None:
    if said.kind is None or said.confidence < 0.8 or RoleKind.DRAWING in (said.kind, role.kind):
        return
    other_kind = said.kind is not role.kind
    other_side = said.side is not None and role.side is not None and said.side != role.side
    if other_kind or other_side:
        named = Role(kind=said.kind, side=said.side)
        findings.append(
            Finding.of(
                rules.NAME_DISAGREES,
                f"its file function says {role}, {said.reason} say {named}",
                Place(file=name),
                assumed=f"used as {role}",
            )
        )


def _ask_contents(claims: list[Claim], contents: Sequence[Content]) -> None:
    """Let images speak where names are silent or weak."""
    looks = {i: Look(c) for i, c in enumerate(contents) if isinstance(c, GerberFile)}
    sides = [(c.role, looks[i]) for i, c in enumerate(claims) if i in looks]
    for i in looks:
        told = claims[i]
        if told.role.kind in (RoleKind.MASK, RoleKind.PASTE) and told.role.side is None:
            found = guess_side(looks[i], sides)
            if found is not None:
                claims[i] = replace(
                    told,
                    role=replace(told.role, side=found[0]),
                    confidence=min(told.confidence, 0.5),
                    reason=f"{told.reason}; {found[1]}",
                )
    has_drill = any(isinstance(content, DrillFile) for content in contents)
    weak = [i for i in looks if claims[i].confidence < _SURE]
    for i in weak:
        known = [
            (claims[j].role, look)
            for j, look in looks.items()
            if j != i and claims[j].confidence >= max(claims[i].confidence, 0.4)
        ]
        guess = guess_role(looks[i], known, needs_drill=not has_drill)
        if guess is None:
            continue
        role, confidence, reason = guess
        told = claims[i]
        if told.role.kind is role.kind:
            claims[i] = replace(
                told,
                role=replace(told.role, side=told.role.side or role.side),
                confidence=min(told.confidence + 0.2, 0.8),
                reason=f"{told.reason}; {reason}",
            )
        elif confidence > told.confidence:
            claims[i] = Claim(role=role, confidence=confidence, reason=reason)
    if has_drill or any(c.role.kind is RoleKind.DRILL for c in claims):
        return
    # A hole plan that is nothing but round flashes on pads is drill data under another name.
    for i, look in looks.items():
        if claims[i].role.kind is RoleKind.DRAWING and look.is_round_flashes_only:
            others = [(claims[j].role, seen) for j, seen in looks.items() if j != i]
            guess = guess_role(look, others, needs_drill=True)
            if guess is not None and guess[0].kind is RoleKind.DRILL:
                claims[i] = Claim(role=guess[0], confidence=guess[1], reason=guess[2])


def _fill_sides(claims: list[Claim]) -> None:
    for kind in _SIDED:
        rows = [i for i, c in enumerate(claims) if c.role.kind is kind and c.role.side is None]
        numbers = sorted({n for i in rows if (n := claims[i].number) is not None})
        taken = {c.role.side for c in claims if c.role.kind is kind and c.role.side}
        for i in rows:
            claim = claims[i]
            if claim.number is not None and not taken and 1 in numbers and len(numbers) <= 2:
                side = "top" if claim.number == 1 else "bottom"
                why = f"layer number {claim.number} of {numbers[-1]}"
            elif len(rows) == 1 and len(taken) == 1:
                side = "bottom" if "top" in taken else "top"
                why = f"the {side} is the side not taken"
            else:
                continue
            claims[i] = replace(
                claim,
                role=replace(claim.role, side=side),  # type: ignore[arg-type]
                reason=f"{claim.reason}; {why}",
            )


def _number_copper(names: Sequence[str], claims: list[Claim]) -> Iterator[Finding]:
    rows = [i for i, c in enumerate(claims) if c.role.kind is RoleKind.COPPER]
    sides = {claims[i].role.side for i in rows}
    loose = [i for i in rows if claims[i].role.side is None and not claims[i].role.inner]
    numbers = [n for i in loose if (n := claims[i].number) is not None]
    for i in loose:
        claim = claims[i]
        side = None
        if claim.number is not None and (claim.counts_all or 1 in numbers):
            if claim.number == 1 and "top" not in sides:
                side = "top"
            elif claim.number == max(numbers) and claim.number > 1 and "bottom" not in sides:
                side = "bottom"
        elif claim.number is None and len(loose) == 1 and len({"top", "bottom"} & sides) == 1:
            side = "bottom" if "top" in sides else "top"
            claim = replace(claim, confidence=min(claim.confidence, 0.5))
        if side is not None:
            why = f"{claim.reason}; outermost on the {side}"
            claims[i] = replace(
                claim,
                role=replace(claim.role, side=side),  # type: ignore[arg-type]
                reason=why,
            )
        elif claim.number is not None:
            claims[i] = replace(claim, role=replace(claim.role, inner=True))
    inner = [i for i in rows if claims[i].role.inner]
    ordered = sorted(inner, key=lambda i: (claims[i].role.layer or claims[i].number or 0, i))
    unnumbered = [i for i in ordered if not (claims[i].role.layer or claims[i].number)]
    if len(unnumbered) > 1:  # one inner layer has only one place to be
        yield Finding.of(
            rules.COPPER_ORDER,
            f"{len(unnumbered)} inner copper layers carry no layer number",
            *(Place(file=names[i]) for i in unnumbered),
            assumed=f"from the top: {', '.join(names[i] for i in ordered)}",
        )
    layer = 1
    for i in ordered:
        role = claims[i].role
        stated = role.layer or (claims[i].number if claims[i].counts_all else None)
        layer = max(layer + 1, stated or 0)
        claims[i] = replace(claims[i], role=replace(role, layer=layer))
    for i in rows:
        role = claims[i].role
        if role.layer is None and role.side is not None:
            number = 1 if role.side == "top" else layer + 1
            claims[i] = replace(claims[i], role=replace(role, layer=number))


def _settle_doubles(
    names: Sequence[str], contents: Sequence[Content], claims: list[Claim]
) -> list[Finding]:
    groups: dict[tuple[object, ...], list[int]] = {}
    for i, claim in enumerate(claims):
        role = claim.role
        if role.kind in _ONE_EACH and not _is_numbered_mask(contents[i]):
            layer = role.layer if role.side is None else None
            groups.setdefault((role.kind, role.side, layer), []).append(i)
    findings: list[Finding] = []
    for key, rows in groups.items():
        if len(rows) < 2 or (key[1] is None and key[0] is not RoleKind.PROFILE and key[2] is None):
            continue
        order = sorted(
            rows, key=lambda i: (-_rank(claims[i], contents[i]), len(names[i]), names[i])
        )
        winner = order[0]
        findings += [_settle(winner, loser, names, contents, claims) for loser in order[1:]]
    return findings


def _is_numbered_mask(content: Content) -> bool:
    """A second mask or legend on one side, stated by an index in its file function."""
    return (
        isinstance(content, GerberFile)
        and content.function[2:3] not in ((), ("1",))
        and (content.function[0].lower() in ("soldermask", "legend"))
    )


def _rank(claim: Claim, content: Content) -> float:
    """Confidence, with an empty image behind any other of about the same confidence."""
    empty = isinstance(content, GerberFile) and not len(content.objects)
    return claim.confidence - (1.5 * _CLEARLY if empty else 0.0)


def _settle(
    winner: int,
    loser: int,
    names: Sequence[str],
    contents: Sequence[Content],
    claims: list[Claim],
) -> Finding:
    role = claims[winner].role
    lost = claims[loser]
    first, second = contents[winner], contents[loser]
    places = (Place(file=names[winner]), Place(file=names[loser]))
    told = (
        f"{names[winner]} ({claims[winner].reason}) and {names[loser]} ({lost.reason}) "
        f"both claim {role}"
    )
    claims[loser] = replace(
        lost,
        role=Role(kind=RoleKind.UNKNOWN),
        reason=f"{names[winner]} is the {role}, with the better reason; this: {lost.reason}",
    )
    assumed = f"{names[winner]} is used"
    if isinstance(first, GerberFile) and isinstance(second, GerberFile):
        if is_same_image(first, second):
            return Finding.of(rules.DOUBLED_SAME, told, *places, assumed=assumed)
        if not len(second.objects):
            told += ", the latter without an image"
            return Finding.of(
                rules.DOUBLED, told, *places, assumed=assumed, severity=rules.UNKNOWN.severity
            )
    return Finding.of(rules.DOUBLED, told, *places, assumed=assumed)


def _report_doubts(names: Sequence[str], claims: list[Claim]) -> list[Finding]:
    findings = []
    for i, claim in enumerate(claims):
        kind = claim.role.kind
        sideless = kind in _SIDED and claim.role.side is None
        homeless = kind is RoleKind.COPPER and claim.role.layer is None
        if sideless or homeless:
            claims[i] = replace(
                claim,
                role=Role(kind=RoleKind.UNKNOWN),
                reason=f"{claim.reason}, but nothing tells the side",
            )
            findings.append(
                Finding.of(
                    rules.UNKNOWN,
                    f"{claim.role} by {claim.reason}, but nothing tells its side",
                    Place(file=names[i]),
                    assumed="not used",
                )
            )
        elif kind is RoleKind.UNKNOWN and claim.confidence == 0.0:
            findings.append(
                Finding.of(rules.UNKNOWN, claim.reason, Place(file=names[i]), assumed="not used")
            )
        elif 0.0 < claim.confidence < _SURE and kind not in (RoleKind.UNKNOWN, RoleKind.DRAWING):
            findings.append(
                Finding.of(
                    rules.LOW_CONFIDENCE,
                    f"taken for {claim.role}: {claim.reason}",
                    Place(file=names[i]),
                    assumed=f"used as {claim.role}",
                )
            )
    return findings
