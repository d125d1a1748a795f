"""Packing a board for its house: judged, written, read back with our own readers, then named."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace as replace_fields
from pathlib import Path, PurePosixPath

import numpy as np
import shapely

from fabkit.base.errors import FindingsRefused, OutputRefused, UsageError
from fabkit.base.findings import Severity
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.board.single import choose_edge
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.compare.model import SAME_MM
from fabkit.outputs.archive import (
    FOR_THE_HOUSE,
    README,
    Packed,
    doubtful_files,
    files_to_pack,
    is_renamed,
    write_archive,
)
from fabkit.outputs.atomic import refuse_existing
from fabkit.outputs.papers import (
    PackOptions,
    complete_job,
    fit_job,
    own_profile,
    readme_text,
    title_of,
)
from fabkit.package.model import PackageFile, RoleKind
from fabkit.package.naming import file_stem, names_by_rule, safe_names
from fabkit.package.reading import open_package
from fabkit.sheets.house import House


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
    contents[README] = readme_text(board, files, options, accepted_errors(judged)).encode()

    def verify(part: Path) -> None:
        again = build_board(open_package(part, limits=board.package.limits))
        if options.edge is not None:
            again = choose_edge(again, options.edge)
        difference = find_difference(board, again, profile_made=made is not None)
        if difference:
            raise OutputRefused(
                f"the zip does not read back as the same board: {difference}",
                hint="nothing was kept; pack the folder by hand and report this",
            )

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
    finish = house.options.finishes.get(options.finish or "")
    options = replace_fields(options, finish_title=finish.title if finish else None)
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


def find_difference(a: Board, b: Board, *, profile_made: bool = False) -> str:
    """Say in words how two boards differ as things to be made; empty when they do not.

    Order of files does not matter, places are compared exactly: both come from the same bytes.
    A profile that was made for the zip is rounded, and one layer more.
    """
    kinds = FOR_THE_HOUSE - {RoleKind.PROFILE} if profile_made else FOR_THE_HOUSE
    if _layers(a, kinds) != _layers(b, kinds):
        return "the layers differ"
    for name, mine, other in (("holes", a.holes, b.holes), ("slots", a.slots, b.slots)):
        if not np.array_equal(_sorted_rows(mine), _sorted_rows(other)):
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


def _sorted_rows(table: object) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    names = ("x", "y") if hasattr(table, "x") else ("x0", "y0", "x1", "y1")
    columns = [
        np.asarray(getattr(table, name), dtype=float)
        for name in (*names, "diameter", "plated", "first", "last")
    ]
    rows = np.column_stack(columns)
    return rows[np.lexsort(rows.T)]
