"""The job file against the files beside it: what it promises must be what is drawn."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np

from fabkit.base.findings import Finding, Place
from fabkit.base.units import counted, format_mm
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import (
    copper_limits,
    facets_by_layer,
    half_holes,
    on_board,
    require_copper,
)
from fabkit.checks.copper_width import narrow_copper
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.formats.sidecars.model import JobFile
from fabkit.geometry.facing import find_gaps
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

SIZE_MM: Final = 0.2
"""How far the stated size may be off, with or without the outline's pen (common practice)."""

RULE_MM: Final = 0.005
"""How far a measure may stay behind a stated design rule (common practice)."""

LAYER_COUNT: Final = load_rule("job/layer-count")
SIZE_DIFFERS: Final = load_rule("job/size-differs")
RULE_LARGER: Final = load_rule("job/rule-larger")
CASTELLATED: Final = load_rule("job/castellated-differs")
FINISH_NONE: Final = load_rule("job/finish-none")


def _jobs(case: Case) -> Iterator[tuple[str, JobFile]]:
    for file in case.board.package.of(RoleKind.JOB):
        if isinstance(file.content, JobFile):
            yield file.name, file.content


@check(id="job/layers", rules=(LAYER_COUNT,), needs=("copper",))
def find_other_count(case: Case) -> Iterator[Finding]:
    """The job file counts the copper layers that are there."""
    count = len(case.board.copper)
    for name, job in _jobs(case):
        if job.layers is not None and job.layers != count:
            yield Finding.of(
                LAYER_COUNT,
                f"the job file states {job.layers} copper layers, the package has {count}",
                Place(file=name),
                measured=float(count),
                limit=float(job.layers),
                unit="layers",
            )


@check(id="job/size", rules=(SIZE_DIFFERS,), needs=("profile",))
def find_other_size(case: Case) -> Iterator[Finding]:
    """The job file states the size of the outline, with or without its pen."""
    box = case.board.profile.bounds if case.board.profile is not None else (0.0,) * 4
    width, height = box[2] - box[0], box[3] - box[1]
    pens = [
        float(tool.diameter_mm)
        for file in case.board.package.of(RoleKind.PROFILE)
        if file.gerber is not None
        for tool in file.gerber.apertures
        if tool.diameter_mm is not None
    ]
    slack = SIZE_MM + max(pens, default=0.0)
    for name, job in _jobs(case):
        if job.size_mm is None:
            continue
        off = [job.size_mm[0] - width, job.size_mm[1] - height]
        # The pen can only add to the size.
        if any(not -SIZE_MM <= d <= slack for d in off):
            worst = 0 if abs(off[0]) >= abs(off[1]) else 1
            yield Finding.of(
                SIZE_DIFFERS,
                f"the job file states {format_mm(job.size_mm[0])} by {format_mm(job.size_mm[1])}, "
                f"the outline measures {format_mm(width)} by {format_mm(height)}",
                Place(file=name),
                measured=job.size_mm[worst],
                limit=round((width, height)[worst], 4),
                unit="mm",
            )


_GAPS: Final = (
    "PadToPad", "PadToTrack", "TrackToTrack", "TrackToRegion", "RegionToRegion",
)  # fmt: skip


@check(id="job/design-rules", rules=(RULE_LARGER,), needs=("copper",))
def find_finer_copper(case: Case) -> Iterator[Finding]:
    """No track or gap is smaller than the design rules of the job file."""
    for name, job in _jobs(case):
        for row in job.design_rules:
            layers = _layers_of(case, row)
            pens = [pen for index in layers if (pen := _thinnest(case.board.copper[index]))]
            stated = _lengths(row, ("MinLineWidth",))
            if stated and pens and min(pens) < min(stated) - RULE_MM:
                yield _finer("line", name, min(stated), min(pens))
            stated = _lengths(row, _GAPS)
            gap = min((g for i in layers if (g := _gap(case, i, min(stated)))), default=None) \
                if stated else None  # fmt: skip
            if gap is not None and gap < min(stated) - RULE_MM:
                yield _finer("gap", name, min(stated), gap)


def _layers_of(case: Case, row: Mapping[str, object]) -> list[int]:
    group = str(row.get("Layers", "")).casefold()
    return [
        index
        for index, layer in enumerate(case.board.copper)
        if group not in ("outer", "inner") or (layer.side is not None) == (group == "outer")
    ]


def _lengths(row: Mapping[str, object], keys: tuple[str, ...]) -> list[float]:
    values = [row.get(key) for key in keys]
    return [
        float(v) for v in values if isinstance(v, int | float) and not isinstance(v, bool) and v > 0
    ]


def _thinnest(layer: Layer) -> float | None:
    """Thinnest pen that draws a line of copper, mm."""
    objects = layer.file.objects
    drawn = objects.stroked & objects.dark
    pens = [layer.file.apertures[k].diameter_mm for k in np.unique(objects.aperture[drawn])]
    return min((p for p in pens if p), default=None)


def _gap(case: Case, index: int, reach: float) -> float | None:
    """Smallest gap between two conductors of a layer below ``reach``, mm."""
    island = require_copper(case).pieces.island
    if reach <= copper_limits(case, "gap")[0].value:
        found = case.shared(narrow_copper)[index].gaps
    else:
        found = find_gaps(case.shared(facets_by_layer)[index].facets, reach)
    foreign = island[found.piece0] != island[found.piece1]
    foreign &= on_board(case, found.x, found.y)
    return float(found.distance[foreign].min()) if foreign.any() else None


def _finer(what: str, name: str, stated: float, measured: float) -> Finding:
    return Finding.of(
        RULE_LARGER,
        f"the job file states a smallest {what} of {format_mm(stated)}, "
        f"the copper has {format_mm(measured)}",
        Place(file=name),
        measured=round(measured, 4),
        limit=stated,
        unit="mm",
    )


@check(id="job/castellated", rules=(CASTELLATED,), needs=("profile", "holes"))
def find_other_edges(case: Case) -> Iterator[Finding]:
    """Castellated edges are stated where plated holes lie on the outline, and nowhere else."""
    cut = np.flatnonzero(case.shared(half_holes)[: len(case.board.holes)])
    for name, job in _jobs(case):
        specs = job.raw.get("GeneralSpecs")
        stated = specs.get("Castellated") if isinstance(specs, dict) else None
        if stated is True and not len(cut):
            yield Finding.of(
                CASTELLATED, "castellated edges are stated, but no plated hole lies on the outline",
                Place(file=name),
            )  # fmt: skip
        elif stated is False and len(cut):
            yield Finding.of(
                CASTELLATED,
                "no castellated edges stated, but "
                f"{counted(len(cut), 'plated hole')} on the outline",
                *(case.hole_place(int(row)) for row in cut[:5]),
                count=len(cut),
            )


@check(id="job/finish", rules=(FINISH_NONE,), needs=("copper",))
def find_bare_copper(case: Case) -> Iterator[Finding]:
    """A surface finish is stated where copper is bare, unless the order chooses one."""
    for name, job in _jobs(case):
        bare = case.options.finish is None and bool(case.board.package.of(RoleKind.MASK))
        if bare and job.finish is not None and job.finish.strip().casefold() in ("none", ""):
            yield Finding.of(FINISH_NONE, "the finish is stated as none", Place(file=name))
