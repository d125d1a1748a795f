"""Packing a board for its house: judged, written, read back with our own readers, then named.

Only what the house needs goes in, with its papers (``zip_papers.py``).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace as replace_fields
from pathlib import Path, PurePosixPath
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats
from fabkit.base.errors import FindingsRefused, OutputRefused, UsageError
from fabkit.base.findings import Severity
from fabkit.board.build import build_board
from fabkit.board.model import Board, BoardSlots, Holes
from fabkit.board.single import choose_edge
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.compare.model import SAME_MM
from fabkit.outputs.atomic import Packed, refuse_existing, write_archive
from fabkit.outputs.zip_papers import (
    README,
    PackOptions,
    complete_job,
    fit_job,
    is_renamed,
    own_profile,
    readme_text,
    title_of,
)
from fabkit.package.model import Package, PackageFile, RoleKind
from fabkit.package.naming import (
    file_stem,
    names_by_rule,
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
