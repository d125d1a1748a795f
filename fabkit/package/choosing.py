"""Chooses the one set of files a package is, or says clearly which sets there are.

A folder may hold layer files, a zip of them, or both; sub-folders may be parts of one set (layers
here, drills there) or sets of their own.  Sets of their own are known by roles they share.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Final

from fabkit.base.errors import SeveralPackages, UnreadableInput
from fabkit.base.findings import Finding, Place
from fabkit.base.limits import Limits
from fabkit.base.units import some_of
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.package.model import Intake, LeftOut, Member, RoleKind
from fabkit.package.opening import Budget, is_zip, read_archive
from fabkit.package.words import NameSays, read_name, shared_words
from fabkit.rules import load_rule

ARCHIVE_BESIDE: Final = load_rule("package/archive-beside")

_TELLING = (RoleKind.COPPER, RoleKind.MASK, RoleKind.LEGEND, RoleKind.PASTE, RoleKind.PROFILE)
_NAMED_CANDIDATES = 12


def choose_set(intake: Intake, *, limits: Limits) -> Intake:
    """Choose the one set of layer files of an intake.

    Returns
    -------
    The intake without archives; the members of the archive that was used stand under its name.

    Raises
    ------
    UnreadableInput
        No layer or drill file at all.
    SeveralPackages
        Several sets, naming them.
    """
    archives = [m for m in intake.members if is_zip(m.data)]
    plain = [m for m in intake.members if not is_zip(m.data)]
    layers = [m for m in plain if _is_layer(m)]
    left_out = list(intake.left_out)
    problems = list(intake.problems)
    if layers:
        elsewhere = _lie_elsewhere(archives, layers)
        _refuse_several_folders(intake.source, layers, elsewhere)
        others = _with_layers(intake, elsewhere, limits)
        if others:
            _refuse(
                intake.source,
                "layer files in one folder and zips in others",
                [*_homes(layers), *(archive.name for archive, _, _ in others)],
            )
        left_out += [
            LeftOut(name=a.name, reason="an archive beside the loose layer files") for a in archives
        ]
        problems += [
            Finding.of(
                ARCHIVE_BESIDE,
                "not opened, because layer files lie beside it",
                Place(file=archive.name),
                assumed="not used",
            )
            for archive in archives
            if archive not in elsewhere
        ]
    elif archives:
        found = _with_layers(intake, archives, limits)
        if len(found) > 1:
            _refuse(intake.source, "zips", [archive.name for archive, _, _ in found])
        chosen, inside, dropped = found[0] if found else (None, [], [])
        layers = [m for m in inside if _is_layer(m)]
        plain = sorted([*plain, *inside], key=lambda member: member.name)
        left_out += dropped
        left_out += [
            LeftOut(name=a.name, reason="an archive without layer files")
            for a in archives
            if a is not chosen
        ]
        _refuse_several_folders(intake.source, layers, [])
    if not layers and not any(looks_like_drill(m.data) > 0 for m in plain):
        raise UnreadableInput(
            f"{intake.source} holds no Gerber or drill file",
            hint="Name a folder or a zip of exported fabrication files.",
        )
    _refuse_several_designs(intake.source, [*layers, *(m for m in plain if _is_drill(m, layers))])
    return replace(intake, members=tuple(plain), left_out=tuple(left_out), problems=tuple(problems))


def _lie_elsewhere(archives: Sequence[Member], layers: Sequence[Member]) -> list[Member]:
    """Give the archives that lie neither in a folder of layers nor above one: sets of their own."""
    homes = [PurePosixPath(home) for home in _homes(layers)]
    return [a for a in archives if not any(h.is_relative_to(_home(a)) for h in homes)]


def _homes(members: Sequence[Member]) -> list[str]:
    """Folders of members, each once; ``.`` is the one named by the user."""
    return sorted({str(_home(member)) for member in members})


def _home(member: Member) -> PurePosixPath:
    return PurePosixPath(member.name).parent


_Opened = tuple[Member, list[Member], list[LeftOut]]
"""An archive, what it holds, and what of it is left out."""


def _with_layers(intake: Intake, archives: Sequence[Member], limits: Limits) -> list[_Opened]:
    """Give the archives that hold a layer or drill file."""
    found: list[_Opened] = []
    # One budget for all archives: many of them, each within the limits, may be too much together.
    spent = sum(len(m.data) for m in intake.members)
    for archive in archives:
        budget = Budget(f"{intake.source}/{archive.name}", limits, bytes_=spent)
        members, left_out = read_archive(archive.data, budget)
        spent = budget.bytes_
        if any(_is_layer(m) or looks_like_drill(m.data) for m in members):
            inside = [Member(f"{archive.name}/{m.name}", m.data) for m in members]
            left = [
                LeftOut(name=f"{archive.name}/{item.name}", reason=item.reason) for item in left_out
            ]
            found.append((archive, inside, left))
    return found


def _refuse(
    source: str, what: str, candidates: Sequence[str], hint: str = "Name one of them"
) -> None:
    shown = some_of(candidates, _NAMED_CANDIDATES)
    raise SeveralPackages(
        f"{source} holds {len(candidates)} packages, as {what}: {shown}",
        hint=f"{hint}; or write an order of them together: fabkit order new {source}",
        names=tuple(candidates),
    )


def _telling(says: NameSays) -> tuple[RoleKind, str | None] | None:
    if says.kind in _TELLING and says.confidence >= 0.5 and says.number is None:
        return says.kind, says.side
    return None


def _refuse_several_folders(
    source: str, layers: Sequence[Member], archives: Sequence[Member]
) -> None:
    folders: dict[str, list[Member]] = defaultdict(list)
    for member in layers:
        folders[str(_home(member))].append(member)
    if len(folders) < 2:
        return
    seen: dict[tuple[RoleKind, str | None], str] = {}
    for folder, members in sorted(folders.items()):
        shared = shared_words([member.name for member in members])
        for member in members:
            role = _telling(read_name(member.name, shared))
            if role is not None and seen.setdefault(role, folder) != folder:
                names = sorted([*folders, *(a.name for a in archives)])
                _refuse(source, "folders" + " and zips" * bool(archives), names)


def _is_layer(member: Member) -> bool:
    return looks_like_gerber(member.data) > looks_like_drill(member.data)


def _is_drill(member: Member, layers: Sequence[Member]) -> bool:
    return member not in layers and looks_like_drill(member.data) > 0


Design = tuple[str, ...]
"""Words of a file name that speak of no role: the design's own."""


def _designs(members: Sequence[Member]) -> dict[Design, list[Member]]:
    """Designs that each have files of the same roles; fewer than two are none."""
    designs: dict[Design, list[tuple[Member, NameSays]]] = defaultdict(list)
    for member in members:
        says = read_name(member.name)
        designs[says.rest].append((member, says))
    named = {rest: files for rest, files in designs.items() if len(files) >= 2}
    owners: dict[tuple[RoleKind, str | None], set[Design]] = defaultdict(set)
    for rest, files in named.items():
        for _, says in files:
            role = _telling(says)
            if role is not None:
                owners[role].add(rest)
    several = {rest for who in owners.values() if len(who) > 1 for rest in who}
    if len(several) < 2:
        return {}
    return {rest: [member for member, _ in named[rest]] for rest in sorted(several)}


def _refuse_several_designs(source: str, members: Sequence[Member]) -> None:
    """Refuse files of two boards in one folder: two names, each with the same roles."""
    designs = _designs(members)
    if not designs:
        return
    homes = [_homes(files) for files in designs.values()]
    if all(len(home) == 1 for home in homes) and len({h for (h,) in homes}) == len(homes):
        _refuse(source, "folders", sorted(h for (h,) in homes))
    first = sorted(files[0].name for files in designs.values())
    _refuse(
        source,
        "differently named files in one folder (each beginning like)",
        first,
        f"Name one file of the set you mean, such as {first[0]} in {source} (unpack a zip first)",
    )


def set_of(intake: Intake, name: str) -> Intake:
    """Give the files of a folder that belong to the set one of them is of.

    A file belongs to the design whose words its name holds; a file that holds no design's words
    belongs to all.  Where the folder holds one design, that is all of it.
    """
    layers = [m for m in intake.members if _is_layer(m)]
    designs = _designs([*layers, *(m for m in intake.members if _is_drill(m, layers))])
    if not designs:
        return intake
    mine = _design_of(name, designs)
    if mine is None:
        return intake
    kept: list[Member] = []
    dropped: list[Member] = []
    for member in intake.members:
        belongs = _design_of(member.name, designs) in (mine, None)
        (kept if belongs else dropped).append(member)
    left = [LeftOut(name=m.name, reason=f"not of the set of {name}") for m in dropped]
    return replace(
        intake,
        name=" ".join(mine) or intake.name,
        members=tuple(kept),
        left_out=(*intake.left_out, *left),
    )


def _design_of(name: str, designs: Mapping[Design, object]) -> Design | None:
    """Design whose words a name holds, the one with most words first."""
    words = set(read_name(name).rest)
    fitting = [design for design in designs if design and words.issuperset(design)]
    return max(fitting, key=len, default=() if () in designs and not words else None)
