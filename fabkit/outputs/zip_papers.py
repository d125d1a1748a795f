"""Papers of a zip for a board house: what is ordered, the job file, a profile, the readme."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from typing import Final

import numpy as np
import shapely

from fabkit.base import VERSION
from fabkit.base.tables import Record
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.model import Board, panel_words
from fabkit.board.profile import PROFILE_INFERRED
from fabkit.compare.options import stated_options
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.reader import read
from fabkit.formats.sidecars.jobfile import GENERATED_BY
from fabkit.outputs.records import drill_table
from fabkit.package.model import PackageFile, Role, RoleKind
from fabkit.package.naming import UNNAMED, function_of, name_board, polarity_of


@dataclass(frozen=True, slots=True, kw_only=True)
class PackOptions:
    """What is ordered, as far as the readme of the zip states it; None where nothing was chosen.

    Parameters
    ----------
    name
        What the design is called; None: as its files say, wherever they lie.
    thickness_mm, copper_oz, colour, finish, lead_time, extras
        As chosen of the house sheet.
    finish_title
        The finish in the words of the house sheet, as a quote has it; None: as chosen.
    quantity
        Boards of this design.
    with_netlist
        Also pack the bare-board netlist, for houses that test electrically.
    rename
        Name files by what they are (``board-top-copper.gbr``), not as exported.
    with_job
        Complete the job file with what was chosen, or write one.
    mended
        What was mended in the files, in sentence parts.
    edge
        Reading of the outline that the board was taken with; None: as its files are read.
    """

    name: str | None = None
    thickness_mm: float | None = None
    copper_oz: float | None = None
    colour: str | None = None
    finish: str | None = None
    finish_title: str | None = None
    lead_time: str | None = None
    extras: tuple[str, ...] = ()
    quantity: int | None = None
    with_netlist: bool = False
    rename: bool = False
    with_job: bool = False
    edge: str | None = None
    mended: tuple[str, ...] = ()


_FINISHES: Final = (
    ("lead-free", "HAL lead-free"),
    ("hasl", "HAL SnPb"),
    ("enepig", "ENEPIG"),
    ("enig", "ENIG"),
    ("silver", "Immersion silver"),
    ("tin", "Immersion tin"),
    ("osp", "OSP"),
)
"""Words in a finish's name, first that fits, to the job format's own (list from memory)."""


def fit_job(data: bytes, packed: Mapping[str, str]) -> bytes:
    """Shorten a job file's list of files to those that are packed, under their packed names.

    A board house's software that reads the job file would otherwise miss the files that are not
    for it (component layers, netlist).  A job file that needs no change, or is no JSON object with
    a list of files, stays as it is, byte for byte.

    Parameters
    ----------
    data
        The job file.
    packed
        Name in the package, relative to the job file, to name in the archive.
    """
    job = _read(data)
    listed = job.get("FilesAttributes")
    if not isinstance(listed, list):
        return data
    kept = []
    for entry in listed:
        path = entry.get("Path") if isinstance(entry, dict) else None
        if not isinstance(path, str):
            continue
        name = packed.get(PurePosixPath(path.replace("\\", "/")).as_posix())
        if name is not None:
            kept.append({**entry, "Path": name})
    if kept == listed:
        return data
    return (json.dumps({**job, "FilesAttributes": kept}, indent=1) + "\n").encode()


def complete_job(
    data: bytes | None, board: Board, files: Mapping[str, PackageFile], options: PackOptions
) -> bytes:
    """Complete a job file with what is packed and chosen, or write one where there is none.

    What an existing file holds stays, but for thickness and finish where they were chosen.  No
    clock is asked: a new file is dated by the youngest ``.CreationDate`` of what is packed; where
    no file has one it is left out, with a comment.

    Parameters
    ----------
    data
        The job file, its list already fitted; None when the package has none.
    files
        What is packed, by name.

    Notes
    -----
    Members and key names follow the published job file format (Header, GeneralSpecs,
    FilesAttributes), the full key list from memory.
    """
    job = _read(data or b"{}")
    specs = _missing_added(job.get("GeneralSpecs"), _specs(board, options))
    if options.thickness_mm:
        specs["BoardThickness"] = options.thickness_mm
    if options.finish:
        specs["Finish"] = _finish(options.finish)
    listed = job.get("FilesAttributes")
    known = [e for e in listed if isinstance(e, dict)] if isinstance(listed, list) else []
    listed_names = {entry.get("Path") for entry in known}
    copper = len(board.copper)
    added = [
        {"Path": name, **_attributes(file, copper)}
        for name, file in files.items()
        if name not in listed_names and file.role.kind not in (RoleKind.JOB, RoleKind.NETLIST)
    ]
    made = {
        **job,
        "Header": _missing_added(job.get("Header"), _header(files.values())),
        "GeneralSpecs": specs,
        "FilesAttributes": [*known, *added],
    }
    return (json.dumps(made, indent=1, ensure_ascii=False) + "\n").encode()


def _read(data: bytes) -> Record:
    """Read the JSON object that a job file holds; an empty one where it holds none."""
    try:
        found: object = json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _missing_added(part: object, wanted: Record) -> Record:
    known = part if isinstance(part, dict) else {}
    return {**known, **{k: v for k, v in wanted.items() if k not in known}}


NO_DATE: Final = "no CreationDate: no file states when it was made"


def _header(files: Iterable[PackageFile]) -> Record:
    made = max((d for file in files if (d := _creation(file)) is not None), default=None)
    # The format asks for a date.  A clock's, or that of a copy on this disk, would be no fact
    # about the board, and the same files would no longer give the same zip.
    when = {"Comment": NO_DATE} if made is None else {"CreationDate": made.isoformat()}
    return {"GenerationSoftware": GENERATED_BY, **when}


def _creation(file: PackageFile) -> datetime | None:
    """Find when a layer or drill file was made; None without a time zone, which is no moment."""
    content = file.content
    stated = content.attributes if isinstance(content, GerberFile | DrillFile) else {}
    try:
        found = datetime.fromisoformat("".join(stated.get(".CreationDate", ())[:1]).strip())
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def _specs(board: Board, options: PackOptions) -> Record:
    name = title_of(board, options)
    width, height = (round(v, 3) for v in board.size_mm)
    stated = next(
        (
            a.file.attributes[".ProjectId"]
            for a in board.layers
            if ".ProjectId" in a.file.attributes
        ),
        (),
    )
    own = (name, str(uuid.uuid5(uuid.NAMESPACE_OID, name)), "not stated")
    project = dict(zip(("Name", "GUID", "Revision"), (*stated, *own[len(stated) :]), strict=False))
    thickness = options.thickness_mm or board.thickness_mm
    return {
        "ProjectId": project,
        "Size": {"X": width, "Y": height},
        "LayerNumber": len(board.copper),
        **({"BoardThickness": thickness} if thickness else {}),
    }


def _finish(name: str) -> str:
    words = name.casefold()
    return next((word for part, word in _FINISHES if part in words), "User defined")


def _attributes(file: PackageFile, copper: int) -> dict[str, str]:
    content = file.content
    stated = content.attributes if isinstance(content, GerberFile | DrillFile) else {}
    function = ",".join(stated.get(".FileFunction", ())) or function_of(file.role, copper)
    polarity = (stated.get(".FilePolarity") or (polarity_of(file.role),))[0]
    return {"FileFunction": function, "FilePolarity": polarity}


def title_of(board: Board, options: PackOptions) -> str:
    """Find what the design is called; the name of a folder or zip is not asked.

    The same files would otherwise give another zip where they lie in another folder.
    """
    found = options.name or name_board("", board.package.files)
    return "Circuit board" if found == UNNAMED else found


PROFILE_NAME: Final = "board-profile.gbr"
"""Name of a profile of ours in the zip."""

_STEPS: Final = 1_000_000
"""Steps in a millimetre, six decimals."""


def own_profile(board: Board) -> PackageFile | None:
    """Write the outline as a profile file where no file is one; None where one is.

    A board house looks for no outline in other layers.  Cut-outs are none of it: routed ones are
    in the drill files, and others were not looked for.
    Gerber Layer Format Specification 2021.02, sections 4.1 to 4.8 and 6.5.
    """
    if board.profile is None or all(f.id != PROFILE_INFERRED.id for f in board.problems):
        return None
    lines = [
        "%TF.FileFunction,Profile,NP*%",
        "%FSLAX46Y46*%",
        "%MOMM*%",
        "G04 Made by fabkit, as no file of the export is a profile*",
        "%ADD10C,0.1*%",
        "D10*",
        "G01*",
    ]
    for shape in board.profile.geoms:
        steps = np.rint(shapely.get_coordinates(shape.exterior) * _STEPS).astype(np.int64)
        for number, (x, y) in enumerate(steps.tolist()):
            lines.append(f"X{x}Y{y}D0{1 if number else 2}*")
    data = "\n".join([*lines, "M02*", ""]).encode()
    return PackageFile(
        name=PROFILE_NAME,
        data=data,
        role=Role(kind=RoleKind.PROFILE),
        confidence=1.0,
        reason="made by fabkit",
        content=read(data, name=PROFILE_NAME),
    )


README: Final = "readme.txt"


def headed(title: str) -> list[str]:
    """Give the lines of a heading in a readme."""
    return ["", title, "-" * len(title)]


def _special(board: Board, files: Mapping[str, PackageFile]) -> Iterator[tuple[str, str]]:
    """List what a house charges for or asks about, where files state or draw it."""
    if board.panel is not None:
        # The readme is plain ASCII, as far as names are.
        yield "Panel", panel_words(board.panel).removeprefix("panel of ").replace("×", "x")
    drawn = {layer.file.name for layer in board.layers if len(layer.file.objects)}
    scores = [
        member
        for member, file in files.items()
        if file.role.kind is RoleKind.SCORE and file.name in drawn
    ]
    if scores:
        yield "Score lines", ", ".join(scores)
    named = ["Castellated" in "".join(function) for function in board.hole_functions]
    halves = np.count_nonzero(np.isin(board.holes.function, np.flatnonzero(named)))
    if halves:
        yield "Castellated holes", str(halves)
    for title, stated in stated_options(board).items():
        if stated.words == "yes":
            yield title[0].upper() + title[1:], "yes"


def is_renamed(name: str, file: PackageFile) -> bool:
    """Whether a file has another name in the archive than it was exported with."""
    return PurePosixPath(name).name != PurePosixPath(file.name).name


def readme_text(
    board: Board,
    files: Mapping[str, PackageFile],
    options: PackOptions,
    accepted: Mapping[str, str],
    *,
    fine: bool = False,
) -> str:
    """Say what is ordered, and which file is what; nothing that changes from run to run.

    ``fine``: limits are broken that the fine class of the house keeps.
    """
    width, height = board.size_mm
    thickness = options.thickness_mm or board.thickness_mm
    # What has no copper or no mask is not ordered with the options of boards that have.
    bare = "" if any(len(layer.file.objects) for layer in board.copper) else "none: bare plate"
    masked = any(layer.kind is RoleKind.MASK for layer in board.layers)
    facts = [
        ("Size", f"{format_number(width, digits=2)} x {format_mm(height, digits=2)}"),
        ("Copper layers", str(len(board.copper))),
        ("Finished thickness", format_mm(thickness) if thickness else ""),
        ("Outer copper", bare or (f"{options.copper_oz:g} oz/ft2" if options.copper_oz else "")),
        ("Solder mask", options.colour if masked else "none: no file is a solder mask"),
        ("Surface finish", bare or options.finish_title or options.finish),
        ("Lead time", options.lead_time),
        ("Quantity", str(options.quantity) if options.quantity else ""),
        *(("Extra", extra) for extra in options.extras),
    ]
    name = title_of(board, options)
    lines = [name, "=" * len(name), "", "Fabrication files.", *headed("Wanted")]
    kind = [("Class", "fine")] if fine else []
    asked = [*facts[:1], *_special(board, files), *facts[1:], *kind]
    lines += [f"{fact + ':':<20}{value}" for fact, value in asked if value]
    if not all(value for _, value in facts):
        lines.append(f"{'All else:':<20}see the order")
    lines += headed("Files")
    given = {file.name for file in board.package.files}
    width_of_names = max((len(member) for member in files), default=0) + 2
    for member, file in files.items():
        exported = f" (exported as {file.name})" if is_renamed(member, file) else ""
        if isinstance(file.content, GerberFile) and not len(file.content.objects):
            exported += " (draws nothing)"
        if file.name not in given:
            exported = " (made by fabkit, as no file of the export is a profile)"
        lines.append(f"{member:<{width_of_names}}{file.role}{exported}")
    lines += headed("Drills")
    for row in drill_table(board):
        slots = f", {counted(row['slots'], 'slot')}" if row["slots"] else ""
        diameter = format_mm(row["diameter_mm"])
        lines.append(f"{diameter:<12}{row['plating']:<14}{counted(row['holes'], 'hole')}{slots}")
    if options.mended:
        lines += headed("Mended before packing, proved to change nothing else")
        lines += list(options.mended)
    if accepted:
        lines += headed("Known findings, accepted by the designer")
        lines += [f"{rule}: {reason}" for rule, reason in sorted(accepted.items())]
    lines += ["", f"Packed by fabkit {VERSION}."]
    return "\n".join(lines) + "\n"
