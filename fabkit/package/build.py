"""Reads every file of an intake and makes a package of them.

And finds what the set of files lacks, and where it disagrees with its job file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import combinations
from pathlib import PurePosixPath
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.copies import side_by_side
from fabkit.base.errors import UnreadableInput, UsageError
from fabkit.base.findings import Finding, Place, Rule, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.steps import bound_seconds, step
from fabkit.base.units import and_words
from fabkit.formats.drill.from_gerber import drill_from_gerber
from fabkit.formats.drill.inference import Hint, read_with_board
from fabkit.formats.drill.model import DrillFile, NumberFormat
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.drill.reader import read as read_drill
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.formats.sidecars.jobfile import JOB_NOT_JSON, looks_like_job, read_job
from fabkit.formats.sidecars.jobfile import NONE as JOB_NONE
from fabkit.formats.sidecars.model import JobFile, Placement
from fabkit.formats.sidecars.netlist import NET_UNREAD, looks_like_netlist, read_netlist
from fabkit.formats.sidecars.netlist import NONE as NETLIST_NONE
from fabkit.formats.sidecars.tables import (
    PARTS_NO_TABLE,
    PLACEMENT_NO_TABLE,
    looks_like_parts,
    looks_like_placement,
    read_parts,
    read_placement,
)
from fabkit.formats.sidecars.workbooks import is_workbook, sheet_texts
from fabkit.geometry.segments import Box, join_boxes
from fabkit.package.content import (
    ARCHIVE,
    BINARY,
    NO_HINT,
    NO_LAYER,
    SPOILED,
    TEXT,
    WEB_PAGE,
    ByProduct,
    Look,
    is_same_image,
    kind_of_data,
    read_byproduct,
)
from fabkit.package.laying import hear_plating, lay, read_unitless
from fabkit.package.model import (
    Content,
    Intake,
    LeftOut,
    Member,
    Package,
    PackageFile,
    Role,
    RoleKind,
    Side,
    base_name,
)
from fabkit.package.naming import name_board
from fabkit.package.opening import choose_set
from fabkit.package.order_text import OrderNote, read_order_notes
from fabkit.package.registration import register
from fabkit.package.roles import UNKNOWN, Claim, assign_roles
from fabkit.package.words import (
    UNUSED,
    is_data_name,
    match_roles,
    read_beside,
    read_function,
    read_name,
)
from fabkit.rules import load_rule

NO_COPPER: Final = load_rule("package/no-copper")
MISSING_COPPER: Final = load_rule("package/missing-copper")
MISSING_MASK: Final = load_rule("package/missing-mask")
MISSING_LEGEND: Final = load_rule("package/missing-legend")
MISSING_PROFILE: Final = load_rule("package/missing-profile")
MISSING_DRILL: Final = load_rule("package/missing-drill")
SAME_IMAGE: Final = load_rule("package/same-image")
UNREADABLE: Final = load_rule("package/incomplete-file")
JOB_FILE_MISSING: Final = load_rule("job/file-missing")
JOB_FILE_UNLISTED: Final = load_rule("job/file-unlisted")
JOB_FUNCTION: Final = load_rule("job/function-differs")
JOB_POLARITY: Final = load_rule("job/polarity-differs")

_NEEDED: Final = {
    RoleKind.COPPER: Severity.ERROR,
    RoleKind.MASK: Severity.ERROR,
    RoleKind.PROFILE: Severity.ERROR,
    RoleKind.DRILL: Severity.ERROR,
    RoleKind.LEGEND: Severity.WARNING,
    RoleKind.PASTE: Severity.WARNING,
}
"""Kinds of files a board is made of, and how much the loss of one matters."""

NAME_SPEAKS: Final = 0.6
"""A name of less confidence may be a report's."""


def read_package(
    intake: Intake, *, limits: Limits = DEFAULT_LIMITS, roles: Mapping[str, str] | None = None
) -> Package:
    """Read a package: every file by its own reader, then all roles together.

    Parameters
    ----------
    roles
        What the user states of files, by name; see :mod:`fabkit.package.words`.

    Raises
    ------
    UnreadableInput
        There is no layer or drill file, or there are several packages.
    UsageError
        A role is stated that is not known, or for no file.
    """
    bound_seconds(limits.seconds_to_work(sum(len(member.data) for member in intake.members)))
    chosen = choose_set(intake, limits=limits)
    left_out = list(chosen.left_out)
    members: list[Member] = []
    contents: list[Content] = []
    said = match_roles([member.name for member in chosen.members], roles or {})
    stated: dict[int, Role] = {}
    beside: list[Member] = []
    read = _read_members([m for n, m in enumerate(chosen.members) if said.get(n) != UNUSED], limits)
    for number, member in enumerate(chosen.members):
        if said.get(number) == UNUSED:
            left_out.append(LeftOut(name=member.name, reason="stated to be unused"))
            continue
        content = next(read)
        if number in said:
            _refuse_impossible(member.name, said[number], content)
            stated[len(contents)] = said[number]
        if content is None:
            beside.append(member)
        else:
            members.append(member)
            contents.append(content)
    if not any(isinstance(content, GerberFile | DrillFile) for content in contents):
        raise UnreadableInput(
            f"{intake.source} holds no Gerber or drill file that can be read",
            hint="Name a folder or a zip of exported fabrication files.",
        )
    names = [member.name for member in members]
    byproducts = []
    spoiled: list[Finding] = []
    notes: list[OrderNote] = []
    for member in beside:
        what = kind_of_data(member.data)
        text = read_byproduct(member.data, member.name, names) if what == TEXT else None
        found = _find_unread(member, what)
        if text is None and found is None:
            found = _find_spoiled(member, what, names)
        if text is not None:
            byproducts.append(text)
        if text is not None and found is None:
            reason = text.reason
        elif found is not None or what in SPOILED:
            reason = what
        else:
            asked = read_order_notes(member.data, name=member.name) if what == TEXT else ()
            notes += asked
            reason = f"{what}, not needed to make the board"
            if asked:
                reason = (
                    f"a note on the order: {and_words(list(dict.fromkeys(a.what for a in asked)))}"
                )
        spoiled += [found] if found is not None else []
        left_out.append(LeftOut(name=member.name, reason=reason))
    read_unitless(members, contents, limits)
    looks = {i: Look(c) for i, c in enumerate(contents) if isinstance(c, GerberFile)}
    claims, findings = assign_roles(
        names, [member.data for member in members], contents, looks, stated, byproducts
    )
    findings += spoiled
    contents = _settle_drills(members, contents, claims, byproducts, looks, limits)
    roles_found = [claim.role for claim in claims]
    fits = register(roles_found, contents, looks)
    # Holes that are called plated and lie on no pads may be exchanged with the bare ones; they may
    # as well lie elsewhere, so this is asked only where nothing has to be moved.
    if not any(fit.moves for fit in fits.values()):
        exchanged = list(hear_plating(members, contents, roles_found, looks))
        named = {place.file for finding in exchanged for place in finding.places}
        fits = {i: fit for i, fit in fits.items() if names[i] not in named}
        findings += exchanged
    findings += lay(members, contents, roles_found, fits, limits)
    files = tuple(
        PackageFile(
            name=member.name,
            data=member.data,
            role=claim.role,
            confidence=claim.confidence,
            reason=claim.reason,
            content=content,
        )
        for member, content, claim in zip(members, contents, claims, strict=True)
    )
    return Package(
        name=name_board(chosen.name, files),
        source=chosen.source,
        files=files,
        left_out=tuple(sorted(left_out, key=lambda item: item.name)),
        remarks=(*chosen.problems, *findings, *find_gaps(files)),
        limits=limits,
        stated=tuple(members[i].name for i in stated),
        notes=tuple(notes),
    )


def _refuse_impossible(name: str, role: Role, content: Content | None) -> None:
    if isinstance(content, DrillFile) and role.kind not in (RoleKind.DRILL, RoleKind.DRAWING):
        raise UsageError(
            f"{name} is stated to be {role}, but holds drill commands",
            hint="state it as drill, plated drill, non-plated drill, drawing or unused",
        )
    if not isinstance(content, GerberFile | DrillFile):
        raise UsageError(
            f"{name} is stated to be {role}, but holds no layer or drill data",
            hint="state roles of Gerber and drill files only, or 'unused'",
        )


_SIDECAR_READERS: Final[tuple[tuple[Callable[[bytes], bool], Callable[..., Content]], ...]] = (
    (looks_like_job, read_job),
    (looks_like_netlist, read_netlist),
    (looks_like_placement, read_placement),
    (looks_like_parts, read_parts),
)


def _read_members(members: Sequence[Member], limits: Limits) -> Iterator[Content | None]:
    """Give what each file holds; they are read side by side, the largest first."""
    # With the largest last, one process would wait for the other to read it.
    order = sorted(range(len(members)), key=lambda n: -len(members[n].data))
    works = [partial(_read_noted, members[n], limits) for n in order]
    found = dict(zip(order, side_by_side(works, "files"), strict=True))
    return (found[n] for n in range(len(members)))


def _read_noted(member: Member, limits: Limits) -> Content | None:
    with step(f"reading {member.name}", optional=False):
        return _read_member(member, limits)


def _read_member(member: Member, limits: Limits) -> Content | None:
    data, name = member.data, member.name
    if not data.strip():
        return None
    as_gerber, as_drill = looks_like_gerber(data), looks_like_drill(data)
    if as_gerber > 0 and as_gerber >= as_drill:
        return read_gerber(data, name=name, limits=limits)
    if as_drill > 0:
        return read_drill(data, name=name, limits=limits)
    for text in sheet_texts(data) if is_workbook(data) else (data,):
        for looks_like, read in _SIDECAR_READERS:
            if looks_like(text):
                return read(text, name=name)
    return None


def holds_content(name: str, data: bytes) -> bool:
    """Whether a file is a layer, a drill file or a table of a package, by its content."""
    return _read_member(Member(name=name, data=data), DEFAULT_LIMITS) is not None


def _find_spoiled(member: Member, what: str, read: Sequence[str]) -> Finding | None:
    """Find a file that its name calls a layer or drill file and that is neither.

    Parameters
    ----------
    what
        Its :func:`kind_of_data`.
    read
        Names of the files that were read.
    """
    path = PurePosixPath(member.name)
    said = read_name(path.name)
    kind = said.kind if said.confidence >= NAME_SPEAKS else None
    # Reports and pictures of a layer bear its name, too, but not the ending of a layer.
    if what not in SPOILED and not is_data_name(path.name):
        return None
    if kind not in _NEEDED and (kind is not None or what in SPOILED):
        return None
    # Some exporters write a drill program twice: as text, and in the code of paper tapes.
    if what == BINARY and any(PurePosixPath(n).with_suffix(path.suffix) == path for n in read):
        return None
    return Finding.of(
        UNREADABLE,
        f"the file is {NO_LAYER if what == TEXT else what}, and its name says {kind or 'layer'}",
        Place(file=member.name),
        assumed="left out",
        severity=Severity.WARNING if kind is None else _NEEDED[kind],
    )


_BESIDE: Final = {
    RoleKind.JOB: (JOB_NOT_JSON, JOB_NONE),
    RoleKind.NETLIST: (NET_UNREAD, NETLIST_NONE),
    RoleKind.PLACEMENT: (
        PLACEMENT_NO_TABLE,
        "left out: places of parts are not compared with the pads",
    ),
    RoleKind.PARTS: (PARTS_NO_TABLE, "left out: parts are listed without it"),
}
"""The rule on a file that no reader takes, and what its loss costs."""


def _find_unread(member: Member, what: str) -> Finding | None:
    """Find a file that its name calls a job file, netlist or table and that is none.

    Parameters
    ----------
    what
        Its :func:`kind_of_data`.
    """
    kind = read_beside(member.name)
    if kind is None or what == WEB_PAGE:
        return None
    rule, cost = _BESIDE[kind]
    return Finding.of(
        rule,
        f"the name says {kind}, but the file is {_NOT_READ.get(what, what)}",
        Place(file=member.name),
        assumed=cost,
    )


_NOT_READ: Final = {
    TEXT: "a text that cannot be read as one",
    ARCHIVE: "a document that cannot be read as one",
}


def _settle_drills(
    members: Sequence[Member],
    contents: Sequence[Content],
    claims: Sequence[Claim],
    byproducts: Sequence[ByProduct],
    looks: Mapping[int, Look],
    limits: Limits,
) -> list[Content]:
    """Drill images become drill files; number formats are settled by the board.

    Where the board does not decide, a text beside the files does, or another drill file.
    """
    hint = next(((t.drills, t.name) for t in byproducts if t.drills != NO_HINT), None)
    settled = list(contents)
    drills = [i for i, c in enumerate(claims) if c.role.kind is RoleKind.DRILL]
    before = {i: c for i in drills if isinstance(c := contents[i], DrillFile)}
    pads, box = _pads(claims, looks), _box(contents, claims)

    def read(i: int, *, hint: Hint = None, sibling: NumberFormat | None = None) -> DrillFile:
        return read_with_board(
            members[i].data,
            name=members[i].name,
            pads=pads,
            box=box,
            limits=limits,
            hint=hint,
            sibling=sibling,
            before=before[i],
        )

    for i in drills:
        content = contents[i]
        if isinstance(content, GerberFile):
            drill = drill_from_gerber(content)
            if drill.plated is None and claims[i].role.plated is not None:
                drill = replace(drill, plated=claims[i].role.plated)
            settled[i] = drill
        elif i in before:
            settled[i] = read(i, hint=hint)
    # One export writes all its drill files alike: one that shows its format speaks for the others.
    known = [d.format for i in drills if isinstance(d := settled[i], DrillFile) and _is_known(d)]
    for i in before:
        left = settled[i]
        if known and isinstance(left, DrillFile) and left.needs_format:
            settled[i] = read(i, sibling=known[0])
    return settled


def _is_known(drill: DrillFile) -> bool:
    return not drill.needs_format and drill.format.evidence != "default" and len(drill.hits) > 0


def _pads(claims: Sequence[Claim], looks: Mapping[int, Look]) -> Floats:
    """Middles of flashes and of small regions of copper and mask, mm."""
    kinds = RoleKind.COPPER, RoleKind.MASK
    found = [looks[i].spots for i, c in enumerate(claims) if i in looks and c.role.kind in kinds]
    return np.unique(np.concatenate([np.empty((0, 2)), *found]), axis=0)


def _box(contents: Sequence[Content], claims: Sequence[Claim]) -> Box | None:
    """Box of the profile, else of copper, mm."""
    for kinds in ((RoleKind.PROFILE,), (RoleKind.COPPER,), (RoleKind.MASK, RoleKind.LEGEND)):
        box = join_boxes(
            [
                content.bounds
                for content, claim in zip(contents, claims, strict=True)
                if isinstance(content, GerberFile) and claim.role.kind in kinds
            ]
        )
        if box is not None:
            return box
    return None


_SIDES: Final[tuple[Side, Side]] = ("top", "bottom")


def find_gaps(files: Sequence[PackageFile]) -> Iterator[Finding]:
    """Find missing layers and drills, unfinished files and job file contradictions."""
    yield from _find_missing(files)
    yield from _find_copies(files)
    for file in files:
        if isinstance(file.content, GerberFile | DrillFile) and not file.content.complete:
            yield Finding.of(
                UNREADABLE, "the file could not be read to its end", Place(file=file.name)
            )
    for file in files:
        if isinstance(file.content, JobFile):
            yield from _compare_job(file, file.content, files)


def _find_missing(files: Sequence[PackageFile]) -> Iterator[Finding]:
    copper = [f for f in files if f.role.kind is RoleKind.COPPER]
    drawn = [f for f in copper if f.gerber is not None and len(f.gerber.objects)]
    if not copper:
        # Where no file is in doubt a plate is meant; else the copper may be among those.
        doubtful = any(f.role.kind is RoleKind.UNKNOWN and f.gerber is not None for f in files)
        yield _lacking(NO_COPPER, "no file is a copper layer", certain=not doubtful)
    sides = {f.role.side for f in copper}
    for side in _SIDES:
        opposite = _SIDES[side == "top"]
        if side not in sides and copper:
            used = any(
                f.role.side == side and f.role.kind in (RoleKind.MASK, RoleKind.PASTE)
                for f in files
            )
            if not used and _states_one_layer(files, copper):
                continue
            yield _lacking(
                MISSING_COPPER,
                f"no {side} copper, but {opposite} copper"
                + (f" and other {side} layers" if used else ""),
                certain=used or any(f.role.inner for f in copper),
            )
    layers = sorted({f.role.layer for f in copper if f.role.layer is not None})
    gaps = [n for n in range(1, (layers or [0])[-1] + 1) if n not in layers]
    # Outer layers that are missing were reported by their side.
    gaps = [n for n in gaps if n not in (1, layers[-1])]
    if gaps:
        listed = ", ".join(str(n) for n in gaps)
        yield Finding.of(
            MISSING_COPPER,
            f"copper layers up to {layers[-1]}, but none numbered {listed}",
            advice="Export all copper layers again.",
        )
    elif len(layers) > 2 and len(layers) % 2:
        # Boards are pressed in pairs about their middle, or they warp (common practice).
        yield Finding.of(
            MISSING_COPPER,
            f"{len(layers)} copper layers, and boards have an even number: one is missing, or a "
            "file that is no layer was taken for one",
            advice="Export all copper layers again, or state what the other file is (--role).",
            severity=UNKNOWN.severity,
        )
    for side in _SIDES:
        has_mask = any(f.role.kind is RoleKind.MASK and f.role.side == side for f in files)
        if not has_mask and any(f.role.side == side for f in drawn):
            yield Finding.of(MISSING_MASK, f"no {side} solder mask")
    yield from _find_unpaired(files)
    if not any(f.role.kind is RoleKind.PROFILE for f in files):
        yield Finding.of(MISSING_PROFILE, "no file is the profile")
    drills = [f for f in files if f.role.kind is RoleKind.DRILL]
    if drills and all(f.role.plated is False for f in drills) and len(drawn) > 1:
        yield _lacking(
            MISSING_DRILL,
            f"no file holds plated holes, though {len(drawn)} copper layers have to be connected",
            *(Place(file=f.name) for f in drills),
            certain=any(_has_through_pads(f) for f in drawn),
        )
    if not drills:
        yield _lacking(MISSING_DRILL, "no file holds drill data", certain=bool(drawn))


def _states_one_layer(files: Sequence[PackageFile], copper: Sequence[PackageFile]) -> bool:
    """Whether a job file counts one copper layer, or no drill file plates anything, as stated."""
    if len(copper) != 1:
        return False
    jobs = [f.content.layers for f in files if isinstance(f.content, JobFile)]
    drills = [f.role.plated for f in files if f.role.kind is RoleKind.DRILL]
    return 1 in jobs or (bool(drills) and set(drills) == {False})


def _lacking(rule: Rule, message: str, *places: Place, certain: bool) -> Finding:
    """Make a finding that, where it is not certain, weighs as much as an unknown role."""
    severity = rule.severity if certain else UNKNOWN.severity
    return Finding.of(rule, message, *places, severity=severity)


def _find_unpaired(files: Sequence[PackageFile]) -> Iterator[Finding]:
    """Find a legend of one face alone, where all else was exported for both faces.

    Sets that leave out what has no image leave out several files, not one.  A bottom
    without parts has nothing to print; on a top without paste parts with leads stand.
    """
    have = {(f.role.kind, f.role.side) for f in files}

    def paired(kind: RoleKind) -> bool:
        return all((kind, side) in have for side in _SIDES)

    if not all(map(paired, (RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE))):
        return
    lacking = [side for side in _SIDES if (RoleKind.LEGEND, side) not in have]
    if lacking == ["top"] or (lacking == ["bottom"] and _holds_parts(files, "bottom")):
        yield Finding.of(
            MISSING_LEGEND,
            f"no {lacking[0]} legend, though copper, mask and paste have both faces",
        )


def _holds_parts(files: Sequence[PackageFile], side: Side) -> bool:
    """Whether paste is printed for parts on a face, or a table places some there."""
    tables = [f.content for f in files if isinstance(f.content, Placement)]
    return any(p.side == side for table in tables for p in table.parts) or any(
        f.role.kind is RoleKind.PASTE
        and f.role.side == side
        and f.gerber
        and f.gerber.objects.dark.any()
        for f in files
    )


_DRAWN: Final = 20
"""Strokes from which on one image cannot be that of two layers: pads alone may be alike."""
_TRACKS: Final = 4
"""Strokes from which on two coppers are more than pads or pours, where they end on pads, ..."""
_TRACKED: Final = 0.1
"""... on at least this share of them."""


def _find_copies(files: Sequence[PackageFile]) -> Iterator[Finding]:
    """Find layers that hold one image though they should not: one was written over the other.

    Pours of plates are often alike on both faces; tracks that cross nowhere are not.
    """
    kinds = (RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE, RoleKind.LEGEND)
    drawn = [
        (f, f.gerber)
        for f in files
        if f.role.kind in kinds and f.gerber is not None and _strokes(f.gerber) >= _TRACKS
    ]
    for (one, a), (two, b) in combinations(drawn, 2):
        # First, as it takes the least: there are a hundred pairs on a board of many layers.
        if one.role == two.role or not is_same_image(a, b):
            continue
        alike = one.role.kind is two.role.kind
        copper = RoleKind.COPPER in (one.role.kind, two.role.kind)
        if not (copper and Look(a).linked >= _TRACKED) and (alike or _strokes(a) < _DRAWN):
            continue
        yield _lacking(
            SAME_IMAGE,
            f"{one.name} and {two.name} hold one image, though one is {one.role} and the "
            f"other {two.role}",
            Place(file=one.name),
            Place(file=two.name),
            certain=not alike,
        )


def _strokes(file: GerberFile) -> int:
    return int(np.count_nonzero(file.objects.kind == Kind.DRAW))


def _has_through_pads(file: PackageFile) -> bool:
    """Whether pads are stated to have a plated hole: those of vias and of component holes."""
    apertures = file.gerber.apertures if file.gerber is not None else ()
    return any(a.function[:1] in (("ViaPad",), ("ComponentPad",)) for a in apertures)


def _compare_job(
    job_file: PackageFile, job: JobFile, files: Sequence[PackageFile]
) -> Iterator[Finding]:
    if not job.files:
        return
    by_name = {base_name(f.name): f for f in files}
    listed = set()
    for entry in job.files:
        last = base_name(entry.path)
        listed.add(last)
        file = by_name.get(last)
        if file is None:
            yield Finding.of(
                JOB_FILE_MISSING,
                f"{entry.path[:80]} is listed but not here",
                Place(file=job_file.name),
            )
            continue
        content = file.content
        if not isinstance(content, GerberFile | DrillFile):
            continue
        stated, own = read_function(entry.function), read_function(content.function)
        if stated is not None and own is not None and stated != own:
            yield Finding.of(
                JOB_FUNCTION,
                f"the job file says {stated}, the file's own attribute {own}",
                Place(file=file.name),
                assumed=f"used as {own}",
            )
        polarity = content.attributes.get(".FilePolarity", ())[:1]
        if entry.polarity and polarity and entry.polarity.lower() != polarity[0].lower():
            yield Finding.of(
                JOB_POLARITY,
                f"the job file says {entry.polarity}, the file's own attribute {polarity[0]}",
                Place(file=file.name),
            )
    for file in files:
        is_layer = isinstance(file.content, GerberFile | DrillFile)
        needed = file.role.kind not in (RoleKind.DRAWING, RoleKind.UNKNOWN, RoleKind.DRILL)
        if is_layer and needed and base_name(file.name) not in listed:
            yield Finding.of(
                JOB_FILE_UNLISTED,
                f"used as {file.role}, but the job file does not list it",
                Place(file=file.name),
            )
