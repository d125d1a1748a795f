"""What speaks of one file's role: attribute, job file, comments, an exporter's list, its name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from fabkit.base.findings import Finding, Place
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.sidecars.model import JobFile, Netlist, PartsTable, Placement
from fabkit.package import rules
from fabkit.package.byproducts import ByProduct
from fabkit.package.functions import read_function
from fabkit.package.model import Content, Role, RoleKind
from fabkit.package.words import NameSays, read_text

SURE: Final = 0.6
"""Below this a role is asked of the content too, and reported as doubtful."""
CLEARLY: Final = 0.1
"""A claim wins clearly when it is better by more than this."""


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
_SIDECARS: Final[tuple[tuple[type[Content], RoleKind, str], ...]] = (
    (JobFile, RoleKind.JOB, "its JSON has the members of a job file"),
    (Netlist, RoleKind.NETLIST, "its records are those of a bare-board netlist"),
    (Placement, RoleKind.PLACEMENT, "its headings are those of a placement table"),
    (PartsTable, RoleKind.PARTS, "its headings are those of a parts table"),
)


def listed(name: str, byproducts: Sequence[ByProduct], skip: Mapping[str, int]) -> NameSays | None:
    """What an exporter's list of layers says of a file, by its name or its extension."""
    last = name.rsplit("/", 1)[-1].lower()
    for text in byproducts:
        told = text.layers.get(last) or text.layers.get(f".{last.rpartition('.')[2]}")
        if told:
            says = read_text(told, f"{text.name} calls it", skip)
            if says.kind is not None and says.confidence >= SURE:
                return says
    return None


def stated_claim(role: Role, content: Content) -> Claim:
    if isinstance(content, DrillFile) and role.kind is RoleKind.DRILL and role.plated is None:
        role = replace(role, plated=content.plated)
    return Claim(role=role, confidence=1.0, reason="you say so")


def make_claim(
    name: str,
    content: Content,
    said: NameSays,
    beside: NameSays | None,
    functions: dict[str, tuple[str, ...]],
    byproducts: Sequence[ByProduct],
    findings: list[Finding],
) -> Claim:
    for kind_of, kind, why in _SIDECARS:
        if isinstance(content, kind_of):
            return Claim(role=Role(kind=kind), confidence=1.0, reason=why)
    by_job = read_function(functions.get(name.rsplit("/", 1)[-1].lower(), ()))
    if isinstance(content, DrillFile):
        return _claim_drill(name, content, by_job, said, byproducts, findings)
    if not isinstance(content, GerberFile):
        return NO_CLAIM
    by_attribute = read_function(content.function)
    if by_attribute is not None:
        function = ",".join(content.function)
        _compare(name, by_attribute, f"its file function says {by_attribute}", said, findings)
        return Claim(role=by_attribute, confidence=1.0, reason=f"its file function is {function}")
    if by_job is not None:
        _compare(name, by_job, f"the job file says {by_job}", said, findings)
        return Claim(role=by_job, confidence=0.95, reason="the job file lists it so")
    if beside is not None:
        said = _weigh(name, said, beside, findings)
    if content.function and said.confidence <= 0.5:
        return Claim(
            role=Role(kind=RoleKind.DRAWING),
            confidence=SURE,
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


def _weigh(name: str, said: NameSays, beside: NameSays, findings: list[Finding]) -> NameSays:
    """A name and what a comment or list says of the same file; the latter is trusted more."""
    if said.kind is None:
        return beside
    same_kind = said.kind is beside.kind or beside.is_side_alone
    same_side = None in (said.side, beside.side) or said.side == beside.side
    if same_kind and same_side:
        return replace(
            said,
            side=said.side or beside.side,
            number=beside.number if said.number is None else said.number,
            counts_all=beside.counts_all if said.number is None else said.counts_all,
            confidence=min(max(said.confidence, beside.confidence) + CLEARLY, 0.9),
            reason=f"{said.reason} and {beside.reason}",
        )
    if said.is_side_alone and same_side:
        return beside
    weak = said.confidence < SURE or said.kind is RoleKind.DRAWING
    if not weak:
        role = Role(kind=beside.kind or RoleKind.UNKNOWN, side=beside.side)
        _compare(name, role, f"{beside.reason} says {role}", said, findings)
    elif beside.kind is RoleKind.COPPER and said.kind is RoleKind.DRAWING:
        return said
    return beside


def _claim_drill(
    name: str,
    content: DrillFile,
    by_job: Role | None,
    said: NameSays,
    byproducts: Sequence[ByProduct],
    findings: list[Finding],
) -> Claim:
    by_attribute = read_function(content.function)
    reason = "its commands are those of a drill file"
    plated = content.plated
    last = name.rsplit("/", 1)[-1].lower()
    listed = next((text for text in byproducts if last in text.plated), None)
    source = ""
    if by_attribute is not None:
        reason = source = f"its file function is {','.join(content.function)}"
        plated = by_attribute.plated if plated is None else plated
    elif plated is None and by_job is not None and by_job.plated is not None:
        plated, source = by_job.plated, "the job file"
        reason += "; plating as the job file lists it"
    elif plated is None and listed is not None and _plating_is_open(content):
        plated, source = listed.plated[last], listed.name
        reason += f"; plating as {listed.name} states it"
    elif plated is None and said.plated is not None and _plating_is_open(content):
        plated = said.plated
        reason += "; plating from its name"
    elif content.plating_evidence in ("attributes", "comments"):
        source = f"its {content.plating_evidence}"
    if source and None not in (said.plated, plated) and said.plated != plated:
        words = ("non-plated", "plated")
        findings.append(
            Finding.of(
                rules.NAME_DISAGREES,
                f"its name says {words[bool(said.plated)]} holes, {source.removesuffix(' is')}"
                f" {words[bool(plated)]}",
                Place(file=name),
                assumed=f"used as {words[bool(plated)]} drill",
            )
        )
    return Claim(role=Role(kind=RoleKind.DRILL, plated=plated), confidence=0.95, reason=reason)


def _plating_is_open(content: DrillFile) -> bool:
    return all(tool.plated is None for tool in content.tools)


def _compare(name: str, role: Role, told: str, said: NameSays, findings: list[Finding]) -> None:
    """Report a name that speaks clearly against a better source."""
    if said.kind is None or said.confidence < 0.8 or RoleKind.DRAWING in (said.kind, role.kind):
        return
    other_kind = said.kind is not role.kind
    other_side = said.side is not None and role.side is not None and said.side != role.side
    if other_kind or other_side:
        named = Role(kind=said.kind, side=said.side)
        findings.append(
            Finding.of(
                rules.NAME_DISAGREES,
                f"{told}, {said.reason} say {named}",
                Place(file=name),
                assumed=f"used as {role}",
            )
        )
