"""Packing a board for its house: judged, written, read back with our own readers, then named.

Only what the house needs goes in, with papers: a readme of what is ordered, and its job file.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import replace as replace_fields
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Final

import numpy as np
import shapely

from fabkit.base import VERSION
from fabkit.base.columns import Floats
from fabkit.base.errors import FindingsRefused, OutputRefused, UsageError
from fabkit.base.findings import Severity
from fabkit.base.tables import Record
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.build import build_board
from fabkit.board.model import Board, BoardSlots, Holes, panel_words
from fabkit.board.profile import PROFILE_INFERRED
from fabkit.board.single import choose_edge
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.compare.model import SAME_MM
from fabkit.compare.options import stated_options
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.reader import read
from fabkit.formats.sidecars.jobfile import GENERATED_BY
from fabkit.outputs.atomic import Packed, refuse_existing, write_archive
from fabkit.outputs.records import drill_table
from fabkit.package.model import Package, PackageFile, Role, RoleKind
from fabkit.package.naming import (
    UNNAMED,
    file_stem,
    function_of,
    name_board,
    names_by_rule,
    polarity_of,
    safe_names,
)
from fabkit.package.reading import open_package
from fabkit.sheets.house import House

FOR_THE_HOUSE = frozenset(
    {
        RoleKind.COPPER,
        RoleKind.MASK,
        RoleKind.LEGEND,
        RoleKind.PASTE,
        RoleKind.PROFILE,
        RoleKind.DRILL,
        RoleKind.SCORE,
        RoleKind.OTHER_LAYER,
        RoleKind.JOB,
    }
)
"""Roles that go into the zip; everything else is for people or for assembly."""

README = "readme.txt"


def files_to_pack(
    package: Package, *, with_netlist: bool = False
) -> tuple[dict[str, PackageFile], tuple[tuple[str, str], ...]]:
    """Name in the archive to file, for all that the house needs; and what is left out, and why.

    Folders are dropped from the names where the plain names stay different from each other
    (also without regard to case, since the archive may be unpacked where case does not count).
    """
    wanted = FOR_THE_HOUSE | {RoleKind.NETLIST} if with_netlist else FOR_THE_HOUSE
    chosen = [f for f in package.files if f.role.kind in wanted]
    doubtful = doubtful_files(package)
    left = [
        (f.name, _NOT_KNOWN if f.name in doubtful else f"{f.role}: not needed to make the board")
        for f in package.files
        if f.role.kind not in wanted
    ]
    left += [(f.name, f.reason) for f in package.left_out]
    plain = [PurePosixPath(f.name).name for f in chosen]
    unique = len({n.casefold() for n in plain} | {README}) == len(plain) + 1
    names = plain if unique else [f.name for f in chosen]
    return dict(sorted(zip(names, chosen, strict=True))), tuple(sorted(left))


_NOT_KNOWN: Final = "it is not known whether the board needs it"

_CUTS: Final = re.compile(r"(?i)mill|rout|slot|cut.?out|score|v.?cut")
"""Words of files that may cut the board (common practice)."""


def doubtful_files(package: Package) -> tuple[str, ...]:
    """Find files that are left out and may be needed: without a role, or drawings of what is cut.

    One that draws nothing is needed by nobody.
    """
    return tuple(
        f.name
        for f in package.files
        if f.role.kind is RoleKind.UNKNOWN
        or (f.role.kind is RoleKind.DRAWING and _CUTS.search(PurePosixPath(f.name).name))
        if (f.gerber is not None and len(f.gerber.objects)) or f.drill is not None
    )


def is_renamed(name: str, file: PackageFile) -> bool:
    """Whether a file has another name in the archive than it was exported with."""
    return PurePosixPath(name).name != PurePosixPath(file.name).name


def refuse_errors(result: CheckResult, *, besides: frozenset[str] = frozenset()) -> None:
    """Refuse to pack what should not be ordered, unless every error is silenced with a reason.

    Parameters
    ----------
    result
        The verdict.
    besides
        Rules that are left to the designer all the same.

    Raises
    ------
    FindingsRefused
        An error was found that is not silenced.
    """
    open_rules = sorted({f.id for f in result if f.severity is Severity.ERROR} - besides)
    if open_rules:
        raise FindingsRefused(
            f"not packed, because of errors: {', '.join(open_rules)}",
            hint="see `fabkit check`; to pack anyway, give a reason for each: --silence ID=REASON",
        )


def accepted_errors(result: CheckResult) -> dict[str, str]:
    """Rules whose errors were silenced, with the user's reasons, for the readme of the zip."""
    return {f.id: why for f, why in result.silenced if f.severity is Severity.ERROR}


def pack(
    board: Board,
    target: Path | str,
    *,
    result: CheckResult | None = None,
    options: PackOptions | None = None,
    replace: bool = False,
) -> Packed:
    """Write the zip that a board house needs.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`; its files are packed as they are, but a job file's
        list is cut to them (and completed where ``options`` ask for it).
    target
        Name of the zip.
    result
        The board's verdict; None lets :func:`fabkit.check` find it.
    options
        What is ordered, and how files are named.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    FindingsRefused
        Errors were found that are not silenced with a reason.
    OutputRefused
        Nothing to pack, the file exists or cannot be written, or it does not read back as the
        same board.
    """
    judged = check(board) if result is None else result
    refuse_errors(judged)
    target, options = Path(target), options or PackOptions()
    files, left_out = files_to_pack(board.package, with_netlist=options.with_netlist)
    if not files:
        raise OutputRefused(
            "the package holds nothing a board house needs",
            hint="`fabkit check --files` shows what each file was taken for",
        )
    made = own_profile(board)
    if made is not None:
        files[made.name] = made
    # What only the user knows about a file stands in its name in the zip.
    if options.rename or board.package.stated:
        files = names_by_rule(files, title_of(board, options))
    files = dict(zip(safe_names(files, but=README), files.values(), strict=True))
    contents = {name: _bytes_of(file, files) for name, file in files.items()}
    if options.with_job:
        jobs = [name for name, file in files.items() if file.role.kind is RoleKind.JOB]
        name = jobs[0] if jobs else f"{file_stem(title_of(board, options))}-job.gbrjob"
        contents[name] = complete_job(contents.get(name), board, files, options)
    accepted, fine = accepted_errors(judged), judged.needs_fine
    contents[README] = readme_text(board, files, options, accepted, fine=fine).encode()

    def verify(part: Path) -> None:
        hint = "nothing was kept; pack the folder by hand and report this"
        refuse_difference(board, part, hint=hint, edge=options.edge, profile_made=made is not None)

    return replace_fields(
        write_archive(target, contents, verify=verify, replace=replace),
        renamed={
            name: file.name
            for name, file in files.items()
            if is_renamed(name, file) and file in board.package.files
        },
        left_out=left_out,
        doubtful=doubtful_files(board.package),
    )


def pack_all(
    boards: Sequence[Board],
    out: Path,
    *,
    house: House,
    judged: CheckOptions,
    options: PackOptions,
    replace: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> tuple[tuple[CheckResult, Packed], ...]:
    """Check boards and pack each into its own zip, once all of them may be packed.

    Parameters
    ----------
    boards
        As built by :func:`fabkit.build_board`.
    out
        Zip of a single board; for several the folder of their zips.
    house, judged
        By what they are checked.
    options
        What is ordered, and how files are named.
    replace
        Whether existing files may be overwritten.
    tell
        Called with a few words on what is being done now.

    Returns
    -------
    tuple
        Verdict and zip of each board.

    Raises
    ------
    UsageError, FindingsRefused, OutputRefused
        As for :func:`targets_of` and :func:`pack`.
    """
    targets = targets_of(out, boards)
    for target in targets:
        refuse_existing(target, replace=replace)
    tell("checking")
    results = [check(board, house, options=judged) for board in boards]
    for result in results:
        refuse_errors(result)
    options = replace_fields(options, finish_title=house.finish_title(options.finish))
    made = []
    for board, target, result in zip(boards, targets, results, strict=True):
        tell(f"packing {target}")
        packed = pack(board, target, result=result, options=options, replace=replace)
        made.append((result, packed))
    return tuple(made)


def targets_of(out: Path, boards: Sequence[Board]) -> tuple[Path, ...]:
    """Zip of each board: ``out`` itself for one, otherwise a zip named as the board in a folder.

    Raises
    ------
    UsageError
        Several boards and one file name, or two boards of one name.
    """
    if len(boards) == 1:
        return (out,)
    if out.suffix.lower() == ".zip":
        raise UsageError(
            f"{len(boards)} packages cannot share {out.name}",
            hint="give --out the name of a folder; each package gets its own zip in it",
        )
    stems = [file_stem(board.name) for board in boards]
    if len({stem.casefold() for stem in stems}) < len(stems):
        raise UsageError(
            f"two packages are called {max(stems, key=stems.count)}",
            hint="pack them one by one, each under its own name",
        )
    return tuple(out / f"{stem}.zip" for stem in stems)


def _bytes_of(file: PackageFile, files: Mapping[str, PackageFile]) -> bytes:
    """Bytes of a file as it is packed: its own, but for the list inside a job file."""
    if file.role.kind is not RoleKind.JOB:
        return file.data
    folder = PurePosixPath(file.name).parent
    beside = {
        PurePosixPath(other.name).relative_to(folder).as_posix(): name
        for name, other in files.items()
        if PurePosixPath(other.name).is_relative_to(folder)
    }
    return fit_job(file.data, beside)


def refuse_difference(
    board: Board, part: Path, *, hint: str, edge: str | None = None, profile_made: bool = False
) -> None:
    """Read a zip back, and refuse it when it does not give the board that was written.

    Raises
    ------
    OutputRefused
        It does not.
    """
    again = build_board(open_package(part, limits=board.package.limits))
    if edge is not None:
        again = choose_edge(again, edge)
    difference = find_difference(board, again, profile_made=profile_made)
    if difference:
        raise OutputRefused(
            f"the zip does not read back as the same board: {difference}", hint=hint
        )


def find_difference(a: Board, b: Board, *, profile_made: bool = False) -> str:
    """Say in words how two boards differ as things to be made; empty when they do not.

    Order of files does not matter, places are compared exactly: both come from the same bytes.
    A profile that was made for the zip is rounded, and one layer more.
    """
    kinds = FOR_THE_HOUSE - {RoleKind.PROFILE} if profile_made else FOR_THE_HOUSE
    if _layers(a, kinds) != _layers(b, kinds):
        return "the layers differ"
    for name, mine, other in (("holes", a.holes, b.holes), ("slots", a.slots, b.slots)):
        made, read_back = (in_order(cut_rows(cuts, *_MADE)) for cuts in (mine, other))
        if not np.array_equal(made, read_back):
            return f"the {name} differ"
    if (a.profile is None) != (b.profile is None):
        return "one has a profile, the other has none"
    if a.profile is None or b.profile is None:
        return ""
    if a.profile.equals_exact(b.profile, 0.0, normalize=True):
        return ""
    apart = float(shapely.hausdorff_distance(a.profile.boundary, b.profile.boundary))
    return "" if profile_made and apart <= SAME_MM else "the profiles differ"


def _layers(board: Board, kinds: frozenset[RoleKind]) -> list[tuple[str, bool, int, str]]:
    return sorted(
        (layer.name, layer.negative, len(layer.file.objects), str(layer.file.bounds))
        for layer in board.layers
        if layer.kind in kinds
    )


_MADE: Final = ("diameter", "plated", "first", "last")
"""What is made of a cut, beside its place."""


def cut_rows(cuts: Holes | BoardSlots, *columns: str) -> Floats:
    """Give a row for each hole or slot: its place or its ends, then some columns."""
    places = ("x", "y") if isinstance(cuts, Holes) else ("x0", "y0", "x1", "y1")
    return np.column_stack([getattr(cuts, n).astype(float) for n in (*places, *columns)])


def in_order(rows: Floats) -> Floats:
    """Sort rows, the last column first."""
    return rows[np.lexsort(rows.T)]


# Papers: what is ordered, the job file, a profile where no file is one, the readme


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
