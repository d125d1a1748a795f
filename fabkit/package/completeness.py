"""What a set of files lacks, and where it disagrees with its job file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from fabkit.base.findings import Finding, Place
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.sidecars.model import JobFile
from fabkit.package import rules
from fabkit.package.content import Look, is_same_image
from fabkit.package.model import PackageFile, RoleKind, Side
from fabkit.package.words import read_function

_SIDES: Final[tuple[Side, Side]] = ("top", "bottom")


def find_gaps(files: Sequence[PackageFile]) -> Iterator[Finding]:
    """Find missing layers and drills, unfinished files and job file contradictions."""
    yield from _find_missing(files)
    yield from _find_copies(files)
    for file in files:
        if isinstance(file.content, GerberFile | DrillFile) and not file.content.complete:
            yield Finding.of(
                rules.UNREADABLE, "the file could not be read to its end", Place(file=file.name)
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
        severity = rules.UNKNOWN.severity if doubtful else rules.NO_COPPER.severity
        yield Finding.of(rules.NO_COPPER, "no file is a copper layer", severity=severity)
    sides = {f.role.side for f in copper}
    for side in _SIDES:
        opposite = _SIDES[side == "top"]
        if side not in sides and copper:
            used = any(
                f.role.side == side and f.role.kind in (RoleKind.MASK, RoleKind.PASTE)
                for f in files
            )
            certain = used or any(f.role.inner for f in copper)
            yield Finding.of(
                rules.MISSING_COPPER,
                f"no {side} copper, but {opposite} copper"
                + (f" and other {side} layers" if used else ""),
                severity=rules.MISSING_COPPER.severity if certain else rules.UNKNOWN.severity,
            )
    layers = sorted({f.role.layer for f in copper if f.role.layer is not None})
    gaps = [n for n in range(1, (layers or [0])[-1] + 1) if n not in layers]
    # Outer layers that are missing were reported by their side.
    gaps = [n for n in gaps if n not in (1, layers[-1])]
    if gaps:
        listed = ", ".join(str(n) for n in gaps)
        yield Finding.of(
            rules.MISSING_COPPER, f"copper layers up to {layers[-1]}, but none numbered {listed}"
        )
    for side in _SIDES:
        has_mask = any(f.role.kind is RoleKind.MASK and f.role.side == side for f in files)
        if not has_mask and any(f.role.side == side for f in drawn):
            yield Finding.of(rules.MISSING_MASK, f"no {side} solder mask")
    yield from _find_unpaired(files)
    if not any(f.role.kind is RoleKind.PROFILE for f in files):
        yield Finding.of(rules.MISSING_PROFILE, "no file is the profile")
    drills = [f for f in files if f.role.kind is RoleKind.DRILL]
    if drills and all(f.role.plated is False for f in drills) and len(drawn) > 1:
        yield Finding.of(
            rules.MISSING_DRILL,
            f"no file holds plated holes, though {len(drawn)} copper layers have to be connected",
            *(Place(file=f.name) for f in drills),
            severity=rules.MISSING_DRILL.severity
            if any(_has_through_pads(f) for f in drawn)
            else rules.UNKNOWN.severity,
        )
    if not drills:
        yield Finding.of(
            rules.MISSING_DRILL,
            "no file holds drill data",
            severity=rules.MISSING_DRILL.severity if drawn else rules.UNKNOWN.severity,
        )


def _find_unpaired(files: Sequence[PackageFile]) -> Iterator[Finding]:
    """Find a legend of one face alone, where all else was exported for both faces.

    Sets that leave out what has no image leave out several files, not one.
    """
    have = {(f.role.kind, f.role.side) for f in files}

    def paired(kind: RoleKind) -> bool:
        return all((kind, side) in have for side in _SIDES)

    if not all(map(paired, (RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE))):
        return
    lacking = [side for side in _SIDES if (RoleKind.LEGEND, side) not in have]
    if len(lacking) == 1:
        yield Finding.of(
            rules.MISSING_LEGEND,
            f"no {lacking[0]} legend, though copper, mask and paste have both faces",
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
        alike = one.role.kind is two.role.kind
        copper = RoleKind.COPPER in (one.role.kind, two.role.kind)
        proves = (copper and Look(a).linked >= _TRACKED) or (not alike and _strokes(a) >= _DRAWN)
        if one.role == two.role or not proves or not is_same_image(a, b):
            continue
        yield Finding.of(
            rules.SAME_IMAGE,
            f"{one.name} and {two.name} hold one image, though one is {one.role} and the "
            f"other {two.role}",
            Place(file=one.name),
            Place(file=two.name),
            severity=rules.UNKNOWN.severity if alike else rules.SAME_IMAGE.severity,
        )


def _strokes(file: GerberFile) -> int:
    return int(np.count_nonzero(file.objects.kind == Kind.DRAW))


def _has_through_pads(file: PackageFile) -> bool:
    """Give the pads that are stated to have a plated hole: vias and component holes."""
    apertures = file.gerber.apertures if file.gerber is not None else ()
    return any(a.function[:1] in (("ViaPad",), ("ComponentPad",)) for a in apertures)


def _compare_job(
    job_file: PackageFile, job: JobFile, files: Sequence[PackageFile]
) -> Iterator[Finding]:
    if not job.files:
        return
    by_name = {f.name.rsplit("/", 1)[-1].lower(): f for f in files}
    listed = set()
    for entry in job.files:
        last = entry.path.rsplit("/", 1)[-1].lower()
        listed.add(last)
        file = by_name.get(last)
        if file is None:
            yield Finding.of(
                rules.JOB_FILE_MISSING,
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
                rules.JOB_FUNCTION,
                f"the job file says {stated}, the file's own attribute {own}",
                Place(file=file.name),
                assumed=f"used as {own}",
            )
        polarity = content.attributes.get(".FilePolarity", ())[:1]
        if entry.polarity and polarity and entry.polarity.lower() != polarity[0].lower():
            yield Finding.of(
                rules.JOB_POLARITY,
                f"the job file says {entry.polarity}, the file's own attribute {polarity[0]}",
                Place(file=file.name),
            )
    for file in files:
        is_layer = isinstance(file.content, GerberFile | DrillFile)
        needed = file.role.kind not in (RoleKind.DRAWING, RoleKind.UNKNOWN, RoleKind.DRILL)
        if is_layer and needed and file.name.rsplit("/", 1)[-1].lower() not in listed:
            yield Finding.of(
                rules.JOB_FILE_UNLISTED,
                f"used as {file.role}, but the job file does not list it",
                Place(file=file.name),
            )
