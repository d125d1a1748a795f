"""What a set of files leaves unsaid, states twice differently, or breaks of its format.

What a job file promises is compared with the files beside it and with the copper as drawn.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import shapely

from fabkit.base.copies import read_side_by_side
from fabkit.base.errors import TooHeavy
from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import counted, format_mm
from fabkit.board.copper import VIA_MM
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import (
    copper_limits,
    cuts_of,
    half_holes,
    jobs_of,
    on_board,
    require_copper,
    states_castellated,
)
from fabkit.checks.copper_width import narrow_copper
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber.conformance import RULES, examine
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.formats.sidecars.model import JobFile, Netlist
from fabkit.geometry.facing import find_gaps
from fabkit.package.model import PackageFile, RoleKind, Side
from fabkit.package.registration import FEW
from fabkit.rules import load_rule

ONE_GO: Final = timedelta(hours=24)
"""Files of one export are not further apart (common practice)."""

FUNCTION_MISSING: Final = load_rule("gerber/file-function-missing")
FUNCTION_IN_PART: Final = load_rule("package/function-in-part")
POLARITY_MISSING: Final = load_rule("package/polarity-missing")
COORDINATES_DIFFER: Final = load_rule("package/same-coordinates-differ")
PROJECT_DIFFERS: Final = load_rule("package/project-differs")
DATES_DIFFER: Final = load_rule("package/dates-apart")
COPPER_NUMBERS: Final = load_rule("package/copper-numbers")
DRILL_SPAN: Final = load_rule("package/drill-span")
NO_NETLIST: Final = load_rule("package/no-nets")
EMPTY_LAYER: Final = load_rule("package/empty-layer")
DRILLS_DIFFER: Final = load_rule("package/drill-formats-differ")


@check(
    id="package/file-functions",
    rules=(FUNCTION_MISSING, FUNCTION_IN_PART, POLARITY_MISSING),
)
def find_silent_files(case: Case) -> Iterator[Finding]:
    """Every layer file says which layer it is and in which polarity."""
    layers = case.shared(layer_files)
    silent = [f for f, content in layers if not content.function]
    if silent and len(silent) == len(layers):
        yield Finding.of(
            FUNCTION_MISSING, "no layer file has a .FileFunction", *_places(silent),
            count=len(silent),
        )  # fmt: skip
    elif silent:
        yield Finding.of(
            FUNCTION_IN_PART,
            f"layer files without .FileFunction: {len(silent)} of {len(layers)}",
            *_places(silent),
            count=len(silent),
        )
    # Lines to cut along are neither material nor its absence.
    mute = [
        f
        for f, c in layers
        if c.function
        and ".FilePolarity" not in c.attributes
        and f.role.kind not in (RoleKind.PROFILE, RoleKind.SCORE)
    ]
    if mute:
        yield Finding.of(
            POLARITY_MISSING,
            f"layer files without .FilePolarity: {len(mute)} of {len(layers)}",
            *_places(mute),
            count=len(mute),
        )


@check(
    id="package/one-export",
    rules=(COORDINATES_DIFFER, PROJECT_DIFFERS, DATES_DIFFER),
)
def find_mixed_exports(case: Case) -> Iterator[Finding]:
    """All files come from one export of one design."""
    files = [f for f in case.board.package.files if f.role.kind not in _NOT_MADE]
    for name, rule, what in (
        (".SameCoordinates", COORDINATES_DIFFER, "values of .SameCoordinates"),
        (".ProjectId", PROJECT_DIFFERS, "projects or revisions"),
    ):
        groups: dict[tuple[str, ...], list[PackageFile]] = {}
        for file in files:
            stated = _stated(file).get(name)
            if stated is not None:
                groups.setdefault(tuple(s.casefold() for s in stated), []).append(file)
        if len(groups) > 1:
            first, *others = sorted(groups.values(), key=lambda g: (-len(g), g[0].name))
            odd = [f for other in others for f in other]
            yield Finding.of(
                rule,
                f"{len(groups)} different {what}: {odd[0].name} and {first[0].name} disagree",
                *_places(odd),
                count=len(odd),
            )
    dated = sorted(
        ((date, f) for f in files if (date := _date(_stated(f))) is not None),
        key=lambda pair: (pair[0], pair[1].name),
    )
    if dated and dated[-1][0] - dated[0][0] > ONE_GO:
        days = (dated[-1][0] - dated[0][0]) / timedelta(days=1)
        yield Finding.of(
            DATES_DIFFER,
            f"{dated[0][1].name} is {days:.0f} days older than {dated[-1][1].name}",
            *_places([dated[0][1]]),
            measured=round(days, 1),
            unit="days",
        )


def _stated(file: PackageFile) -> Mapping[str, tuple[str, ...]]:
    """File attributes, those of a job file under the names that layers use."""
    content = file.content
    if isinstance(content, GerberFile | DrillFile):
        return content.attributes
    if not isinstance(content, JobFile):
        return {}
    found: dict[str, tuple[str, ...]] = {}
    specs, header = content.raw.get("GeneralSpecs"), content.raw.get("Header")
    project = specs.get("ProjectId") if isinstance(specs, dict) else None
    if isinstance(project, dict):
        fields = [project.get(key) for key in ("Name", "GUID", "Revision")]
        if all(isinstance(f, str) and f for f in fields):
            found[".ProjectId"] = tuple(str(f) for f in fields)
    date = header.get("CreationDate") if isinstance(header, dict) else None
    if isinstance(date, str):
        found[".CreationDate"] = (date,)
    return found


def _date(stated: Mapping[str, tuple[str, ...]]) -> datetime | None:
    fields = stated.get(".CreationDate", ())
    try:
        found = datetime.fromisoformat(fields[0].strip()) if fields else None
    except ValueError:
        return None
    # Without a zone two dates may be a day apart and mean the same moment.
    return found if found is not None and found.tzinfo is not None else None


@check(
    id="package/copper-stack",
    rules=(COPPER_NUMBERS, DRILL_SPAN),
    needs=("copper",),
)
def find_broken_stack(case: Case) -> Iterator[Finding]:
    """Copper layers are numbered from top to bottom, and no drill reaches beyond them."""
    package = case.board.package
    numbered: list[tuple[int, str, PackageFile]] = []
    for file in package.of(RoleKind.COPPER):
        fields = file.content.function if isinstance(file.content, GerberFile) else ()
        number = re.fullmatch(r"L(\d{1,4})", fields[1]) if len(fields) > 2 else None
        if number is not None:
            numbered.append((int(number[1]), fields[2], file))
    numbered.sort(key=lambda row: (row[0], row[2].name))
    count = len(case.board.copper)
    if numbered and len(numbered) == len(package.of(RoleKind.COPPER)):
        words = ["Top", *["Inr"] * (len(numbered) - 2), "Bot"][: len(numbered)]
        expected = [f"L{n} {word}" for n, word in enumerate(words, 1)]
        stated = [f"L{n} {word}" for n, word, _ in numbered]
        # A single layer may be the one or the other side of a board.
        if stated != expected and not (len(stated) == 1 and numbered[0][1] in ("Top", "Bot")):
            yield Finding.of(
                COPPER_NUMBERS, f"the copper files are {', '.join(stated)}",
                *_places([f for _, _, f in numbered]),
            )  # fmt: skip
    highest = max([count, *(n for n, _, _ in numbered)])
    for file in package.files:
        span = file.drill.span if file.drill is not None else None
        if span is not None and max(span) > highest > 1:
            yield Finding.of(
                DRILL_SPAN,
                f"{file.name} drills to layer {max(span)}, but there are {highest} copper layers",
                *_places([file]),
                measured=float(max(span)),
                limit=float(highest),
                unit="layers",
            )


_LOOKED_AT: Final = frozenset({RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE, RoleKind.LEGEND})


@check(id="package/layers-drawn", rules=(EMPTY_LAYER,), needs=("copper",))
def find_empty_layers(case: Case) -> Iterator[Finding]:
    """Every layer that is there draws something."""
    board = case.board
    case.shared(faults_of_files)  # which draws them all
    for layer in board.layers:
        if layer.kind not in (RoleKind.COPPER, RoleKind.MASK) or layer.negative:
            continue
        bare = not layer.file.image.area
        covers = bare and layer.kind is RoleKind.MASK and _leads(case, layer.side) >= FEW
        drawn = any(c.file.image.area for c in board.copper)
        # Plates have empty layers; one that clears what was never drawn is a mistake, and a mask
        # without any opening over pads may be one; a pour on a frame is to be covered.
        if bare and drawn and (len(layer.file.objects) or covers):
            clear = len(layer.file.objects) > 0
            yield Finding.of(
                EMPTY_LAYER,
                f"the {layer.name} {'is drawn in clear alone' if clear else 'has no opening'}",
                case.place(layer.file.name, side=layer.side),
                severity=EMPTY_LAYER.severity if clear else Severity.WARNING,
            )


def _leads(case: Case, side: Side | None) -> int:
    """Count the flashes on the copper of a face that are no vias: those may all be covered."""
    cuts, face = case.shared(cuts_of), [c.file for c in case.board.copper if c.side == side]
    small = (cuts.plated != 0) & (cuts.width <= VIA_MM)
    vias, out = shapely.STRtree(cuts.shapes[small]), 0
    for objects in (file.objects for file in face):
        rows = np.flatnonzero(objects.kind == Kind.FLASH)
        spots = shapely.points(objects.x0[rows], objects.y0[rows])
        out += len(rows) - len(np.unique(vias.query(spots, "intersects")[0]))
    return out


@check(id="package/nets", rules=(NO_NETLIST,), needs=("copper",))
def find_missing_nets(case: Case) -> Iterator[Finding]:
    """Net names or a netlist say which pads belong together."""
    package = case.board.package
    drawn = any(np.any(layer.file.objects.dark) for layer in case.board.copper)
    listed = any(isinstance(f.content, Netlist) and f.content.points for f in package.files)
    if drawn and not listed and not any(layer.file.has_nets for layer in case.board.copper):
        yield Finding.of(NO_NETLIST, "there are neither net names nor a netlist")


@check(id="package/drill-formats", rules=(DRILLS_DIFFER,), needs=("drill",))
def find_mixed_drills(case: Case) -> Iterator[Finding]:
    """All drill files are written in one unit and number format."""
    drills = [
        (f, f.drill)
        for f in case.board.package.files
        if f.drill is not None and (len(f.drill.hits) or len(f.drill.slots))
    ]
    nc = [(f, d) for f, d in drills if not is_drill_image(f)]
    units = {d.format.unit for _, d in nc}
    patterns = {(d.format.zeros, d.format.decimals) for _, d in nc if d.format.zeros != "point"}
    if len(units) > 1 or len(patterns) > 1:
        what = "units" if len(units) > 1 else "number formats"
        yield Finding.of(
            DRILLS_DIFFER, f"the {len(nc)} drill files use different {what}",
            *_places([f for f, _ in nc]),
        )  # fmt: skip


def _places(files: list[PackageFile]) -> tuple[Place, ...]:
    return tuple(Place(file=f.name) for f in files)


NO_LEGEND: Final = load_rule("package/no-legend")
PLATING_UNKNOWN: Final = load_rule("package/plating-unknown")


@check(id="package/legend", rules=(NO_LEGEND,), needs=("copper",))
def find_missing_legend(case: Case) -> Iterator[Finding]:
    """There is something to print."""
    if not case.board.package.of(RoleKind.LEGEND):
        yield Finding.of(NO_LEGEND, "there is no legend file")


@check(id="package/plating", rules=(PLATING_UNKNOWN,), needs=("drill",))
def find_unknown_plating(case: Case) -> Iterator[Finding]:
    """Every drill file says which holes are plated, where there is copper for a plating to join."""
    board = case.board
    if not board.copper:
        return
    for index, name in enumerate(board.drill_names):
        holes = int(((board.holes.file == index) & (board.holes.plated < 0)).sum())
        slots = int(((board.slots.file == index) & (board.slots.plated < 0)).sum())
        counts = ((holes, "hole"), (slots, "slot"))
        cuts_of = " and ".join(counted(n, word) for n, word in counts if n)
        if cuts_of:
            yield Finding.of(
                PLATING_UNKNOWN,
                f"{name} does not state the plating of its {cuts_of}",
                Place(file=name),
            )


_NOT_MADE: Final = frozenset({RoleKind.DRAWING, RoleKind.UNKNOWN})


def is_drill_image(file: PackageFile) -> bool:
    """Whether a drill file is written in Gerber form."""
    image = looks_like_gerber(file.data)
    return (
        isinstance(file.content, DrillFile) and image > 0 and image >= looks_like_drill(file.data)
    )


def layer_files(case: Case) -> tuple[tuple[PackageFile, GerberFile], ...]:
    """Files in Gerber form that a board is made from, drill images included."""
    found = []
    for file in case.board.package.files:
        if file.role.kind in _NOT_MADE:
            continue
        if isinstance(file.content, GerberFile):
            found.append((file, file.content))
        elif is_drill_image(file):
            # The package keeps its holes only; the rules on images need the image.
            found.append((file, read_gerber(file.data, name=file.name)))
    return tuple(found)


def faults_of_files(case: Case) -> tuple[tuple[Finding, ...], ...]:
    """Give the faults of every layer file; its image is drawn at the same time.

    Both fill its contours, and every later check looks at images: each file is read whole by one
    process, the largest first.
    """
    files = case.shared(layer_files)
    kinds = {id(content): (file.role.kind, file.data) for file, content in files}

    def read(content: GerberFile) -> tuple[Finding, ...]:
        kind, data = kinds[id(content)]
        if kind in _LOOKED_AT:
            with suppress(TooHeavy):  # said by each check that wants the image
                _ = content.image
        return examine(content, data)

    largest = sorted(range(len(files)), key=lambda k: -len(files[k][1].objects))
    found = read_side_by_side([files[k][1] for k in largest], read, "layers")
    faults = dict(zip(largest, found, strict=True))
    return tuple(faults[k] for k in range(len(files)))


@check(id="gerber/conformance", rules=RULES)
def find_faults(case: Case) -> Iterator[Finding]:
    """Contours, attributes and content of every layer file follow the format."""
    for faults in case.shared(faults_of_files):
        yield from faults


BEYOND: Final = load_rule("netlist/layer-beyond")


@check(id="netlist/layers", rules=(BEYOND,), needs=("copper",))
def find_layers_beyond(case: Case) -> Iterator[Finding]:
    """No point of the netlist lies on a layer beyond the copper that is there."""
    count = len(case.board.copper)
    for file in case.board.package.of(RoleKind.NETLIST):
        if not isinstance(file.content, Netlist):
            continue
        lost = [p for p in file.content.points if p.access > max(count, 2)]
        if lost:
            highest = max(p.access for p in lost)
            yield Finding.of(
                BEYOND,
                f"{counted(len(lost), 'point')} up to layer {highest}, but "
                f"{counted(count, 'copper layer')} in all",
                *(Place(file=file.name, line=p.line, x_mm=p.x_mm, y_mm=p.y_mm) for p in lost[:20]),
                count=len(lost),
                measured=float(highest),
                limit=float(count),
                unit="layers",
            )


SIZE_MM: Final = 0.2
"""How far the stated size may be off, with or without the outline's pen (common practice)."""

RULE_MM: Final = 0.005
"""How far a measure may stay behind a stated design rule (common practice)."""

LAYER_COUNT: Final = load_rule("job/layer-count")
SIZE_DIFFERS: Final = load_rule("job/size-differs")
RULE_LARGER: Final = load_rule("job/rule-larger")
CASTELLATED: Final = load_rule("job/castellated-differs")
FINISH_NONE: Final = load_rule("job/finish-none")


@check(id="job/layers", rules=(LAYER_COUNT,), needs=("copper",))
def find_other_count(case: Case) -> Iterator[Finding]:
    """The job file counts the copper layers that are there."""
    count = len(case.board.copper)
    for name, job in jobs_of(case):
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
    width, height = case.board.size_mm
    pens = [
        float(tool.diameter_mm)
        for file in case.board.package.of(RoleKind.PROFILE)
        if file.gerber is not None
        for tool in file.gerber.apertures
        if tool.diameter_mm is not None
    ]
    slack = SIZE_MM + max(pens, default=0.0)
    for name, job in jobs_of(case):
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
    for name, job in jobs_of(case):
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
    pieces = require_copper(case).pieces
    if reach <= copper_limits(case, "gap")[0].value:
        found = case.shared(narrow_copper)[index].gaps
    else:
        found = find_gaps(pieces.boundaries[index].facets, reach)
    foreign = pieces.island[found.piece0] != pieces.island[found.piece1]
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
    for name, job in jobs_of(case):
        stated = states_castellated(job)
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
    for name, job in jobs_of(case):
        bare = case.options.finish is None and bool(case.board.package.of(RoleKind.MASK))
        if bare and job.finish is not None and job.finish.strip().casefold() in ("none", ""):
            yield Finding.of(FINISH_NONE, "the finish is stated as none", Place(file=name))
