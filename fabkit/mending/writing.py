"""From a draft to the files that are written, and to the board as read back from them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from fabkit.base import SOFTWARE
from fabkit.base.errors import UnreadableInput
from fabkit.base.units import counted
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.writer import write_drill
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.writer import write_gerber
from fabkit.formats.sidecars.jobfile import write_job
from fabkit.formats.sidecars.model import JobFile, JobFileEntry
from fabkit.mending.model import Draft, is_doubtful
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, PackageFile, RoleKind
from fabkit.package.naming import UNNAMED, function_of, name_board, names_by_rule, polarity_of

_MADE = frozenset(
    {
        RoleKind.COPPER,
        RoleKind.MASK,
        RoleKind.LEGEND,
        RoleKind.PASTE,
        RoleKind.PROFILE,
        RoleKind.DRILL,
        RoleKind.SCORE,
        RoleKind.GLUE,
        RoleKind.COMPONENTS,
        RoleKind.OTHER_LAYER,
    }
)
"""Roles whose files are written anew; all others are kept as they are."""
_LOST = frozenset(
    {
        *("gerber/image-negative", "gerber/aperture-undefined", "gerber/aperture-wrong"),
        *("gerber/macro-unknown", "gerber/macro-expression", "gerber/macro-primitive"),
        *("gerber/region-unbalanced", "gerber/block-unbalanced", "gerber/repeat-wrong"),
        *("gerber/arc-broken", "gerber/arc-no-centre", "gerber/number-wrong"),
        *("gerber/bare-coordinates", "gerber/unbalanced-percent"),
        *("drill/drawn-holes", "drill/stored-pattern", "drill/axis-version"),
        *("drill/compensation-used", "drill/compensation-while-cutting", "drill/block-delete"),
        *("drill/tool-undefined", "drill/tool-without-diameter", "drill/hit-without-tool"),
        *("drill/bad-number", "drill/repeat-order", "drill/rout-without-target"),
    }
)
"""Findings of readers by which a file may mean more, or other things, than what was read of it."""


@dataclass(frozen=True, slots=True)
class Written:
    """The set as it will be written, and the board read back from it."""

    files: Mapping[str, bytes]
    names: Mapping[str, str]
    board: Board


def is_made(file: PackageFile) -> bool:
    """Whether a file is written anew: one whose role was guessed would state it as a fact."""
    held = file.gerber is not None or file.drill is not None
    return held and file.role.kind in _MADE and not is_doubtful(file)


def refuse_unreadable(board: Board) -> None:
    """Refuse a set with a layer or drill file that was not read to its end, or whose places guess.

    Raises
    ------
    UnreadableInput
        Which files, and what is wrong with them.
    """
    for file in board.package.files:
        content = file.content
        if file.role.kind not in _MADE:
            continue
        if not isinstance(content, GerberFile | DrillFile) or not content.complete:
            raise UnreadableInput(
                f"{file.name} was not read to its end, so it cannot be written anew",
                hint="Export it again; `fabkit check` shows what is wrong with it.",
            )
        lost = next((p for p in content.problems if p.id in _LOST), None)
        if lost is not None:
            raise UnreadableInput(
                f"{file.name}: {lost.message} [{lost.id}], so a new file would not be the same",
                hint="Mend that in the layout, and export again.",
            )
        if isinstance(content, DrillFile) and not content.format.certain:
            raise UnreadableInput(
                f"{file.name}: unit or digits are uncertain, and so are the places of its holes",
                hint="Export it with decimal points, or with unit and digits stated.",
            )
    if board.profile is None:
        raise UnreadableInput(
            "no file gives an outline, so what lies on the board is unknown",
            hint="Export the profile, and mend the set then.",
        )


def write_draft(draft: Draft) -> Written:
    """Write all files in memory, and read them back."""
    copper = len(draft.board.copper)
    made: dict[str, PackageFile] = {}
    kept: dict[str, PackageFile] = {}
    for name, file in sorted(draft.files.items()):
        if is_made(file):
            made[name] = replace(file, data=_bytes(file, copper))
        else:
            kept[name] = file
    found = name_board("", draft.board.package.files)
    named = names_by_rule(made, draft.board.name if found == UNNAMED else found)
    names = {file.name: name for name, file in named.items()}
    contents = {name: file.data for name, file in named.items()}
    taken = Counter(name.casefold() for name in contents)
    for name, file in kept.items():
        plain = PurePosixPath(name).name
        names[name] = plain if not taken[plain.casefold()] else name
        taken[plain.casefold()] += 1
        contents[names[name]] = (
            _job(file.content, draft, names, copper)
            if isinstance(file.content, JobFile) and file.role.kind is RoleKind.JOB
            else file.data
        )
    members = tuple(Member(name, data) for name, data in sorted(contents.items()))
    intake = Intake(
        name=draft.board.package.name,
        source=draft.board.package.source,
        members=members,
        left_out=(),
    )
    package = read_package(intake, limits=draft.board.package.limits)
    return Written(contents, names, build_board(package))


def _attributes(file: PackageFile, stated: Mapping[str, tuple[str, ...]], copper: int) -> dict[
    str, tuple[str, ...]
]:  # fmt: skip
    """File attributes with function and polarity by role."""
    function = tuple(function_of(file.role, copper).split(","))
    # Of inner layers in unknown order none must be invented.
    if file.role.kind is RoleKind.COPPER and file.role.inner and file.role.layer is None:
        function = ("Other",)
    own = stated.get(".FileFunction", ())
    # What a file states in full is kept: which inner layer, or which side of several.
    alike = own[:1] == function[:1] and len(own) >= len(function)
    kept = own if own and (alike or function[:1] == ("Other",)) else function
    return {
        **({".FileFunction": kept} if kept != ("Other",) else {}),
        ".FilePolarity": stated.get(".FilePolarity", (polarity_of(file.role),)),
        **{k: v for k, v in stated.items() if k not in (".FileFunction", ".FilePolarity")},
        ".GenerationSoftware": SOFTWARE,
    }


def _bytes(file: PackageFile, copper: int) -> bytes:
    content = file.content
    if isinstance(content, GerberFile):
        attributes = _attributes(file, content.attributes, copper)
        if file.role.kind is RoleKind.COMPONENTS:
            attributes = dict(content.attributes)
        return write_gerber(replace(content, attributes=attributes))
    if not isinstance(content, DrillFile):
        raise UnreadableInput(f"{file.name} is neither a layer nor a drill file")
    stated = dict(content.attributes)
    # What the set as a whole shows of a file is stated in it: its new name alone would be a doubt.
    told = {tool.plated for tool in content.tools} - {None}
    plated = file.role.plated if content.plated is None and not told else content.plated
    if plated is not None:
        role = replace(file.role, plated=plated)
        stated = _attributes(replace(file, role=role), stated, copper)
    return write_drill(replace(content, attributes=stated))


def _job(job: JobFile, draft: Draft, names: Mapping[str, str], copper: int) -> bytes:
    """Job file with its list under the names that are written."""
    # A file that is listed and missing stays listed, and one that is not listed stays so: a
    # mended set must not hide that the sets of job file and folder differ.
    there = {_plain(file.name) for file in draft.board.package.files}
    listed = {_plain(entry.path) for entry in job.files}
    entries = [entry for entry in job.files if _plain(entry.path) not in there]
    for name, file in sorted(draft.files.items()):
        if not is_made(file) or (_plain(name) in there and _plain(name) not in listed):
            continue
        content = file.content
        stated = content.attributes if isinstance(content, GerberFile | DrillFile) else {}
        attributes = _attributes(file, stated, copper)
        entries.append(
            JobFileEntry(
                path=names[name],
                function=attributes.get(".FileFunction", ()),
                polarity=",".join(attributes[".FilePolarity"]),
            )
        )
    return write_job(replace(job, files=tuple(sorted(entries, key=lambda entry: entry.path))))


def _plain(name: str) -> str:
    return PurePosixPath(name.replace("\\", "/")).name.casefold()


def form_words(draft: Draft) -> str:
    """How many files are written anew."""
    return f"{counted(sum(map(is_made, draft.files.values())), 'file')} written anew"
