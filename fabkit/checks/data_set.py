"""Rules on the files of a package as one set: what all must say, and where they must agree."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from fabkit.base.findings import (
    COMMON_PRACTICE,
    Consequence,
    Finding,
    Place,
    Rule,
    Severity,
    Source,
)
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.checks.layer_files import is_drill_image, layer_files
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.attribute_problems import FUNCTION_MISSING
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.sidecars.model import JobFile, Netlist
from fabkit.package.model import PackageFile, RoleKind

_FORMAT: Final = "Gerber Layer Format Specification 2021.02"

ONE_GO: Final = timedelta(hours=24)
"""Files of one export are not further apart (common practice)."""

FUNCTION_IN_PART = Rule(
    id="package/function-in-part",
    title="Some files say which layer they are, others do not",
    why="Software that goes by the attributes leaves the silent files out.",
    source=Source(_FORMAT, "section 6.2"),
    severity=Severity.WARNING,
    advice="Export all layers in one go with the same settings.",
    at_most=Consequence.KNOW,
)
POLARITY_MISSING = Rule(
    id="package/polarity-missing",
    title="Files with a file function do not state their polarity",
    why="For a mask or a plane the image may show material or openings; it must be said which.",
    source=Source(_FORMAT, "sections 5.6.4 and 6.2"),
    severity=Severity.NOTE,
    advice="Export with a design program that writes .FilePolarity, or tell the house.",
)
COORDINATES_DIFFER = Rule(
    id="package/same-coordinates-differ",
    title="Files state that they have different origins",
    why="Only files with one .SameCoordinates value are promised to lie on each other.",
    source=Source(_FORMAT, "section 5.6.5"),
    severity=Severity.WARNING,
    advice="Export all layers in one go.",
)
PROJECT_DIFFERS = Rule(
    id="package/project-differs",
    title="Files name different projects or revisions",
    why="Layers of two designs or two states of one give a board that is neither.",
    source=Source(_FORMAT, "section 5.6.8"),
    severity=Severity.WARNING,
    advice="Export all files again in one go, into an empty folder.",
)
DATES_DIFFER = Rule(
    id="package/dates-apart",
    title="Files were exported more than a day apart",
    why="The older ones may show a state of the design that has changed since.",
    source=Source(_FORMAT, "section 5.6.6"),
    severity=Severity.WARNING,
    advice="Export all files again in one go, into an empty folder.",
)
COPPER_NUMBERS = Rule(
    id="package/copper-numbers",
    title="The numbers of the copper layers are not L1 to Ln from top to bottom",
    why="The house stacks copper by these numbers.",
    source=Source(_FORMAT, "section 5.6.3"),
    severity=Severity.ERROR,
    advice="Export all copper layers again; look for a copper file of another design.",
)
DRILL_SPAN = Rule(
    id="package/drill-span",
    title="A drill file reaches beyond the copper layers",
    why="Either a copper layer is missing or the holes belong to another board.",
    source=Source(_FORMAT, "section 5.6.3"),
    severity=Severity.ERROR,
    advice="Export all copper layers and drill files again in one go.",
)
NO_NETLIST = Rule(
    id="package/no-nets",
    title="Nothing says which pads belong together",
    why="Neither an open nor a short can be told from the layers alone, here or at the house.",
    source=Source(_FORMAT, "sections 6.8 and 7.2"),
    severity=Severity.NOTE,
    advice="Export with net names (X2), or add an IPC-D-356A netlist.",
)
DRILLS_DIFFER = Rule(
    id="package/drill-formats-differ",
    title="The drill files are written in different units or number formats",
    why="A house that sets its machine once for all of them drills some at a wrong scale.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Export all drill files with the same settings.",
)


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
    files = case.board.package.files
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
