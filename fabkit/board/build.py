"""Builds the board that a package describes."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from fabkit.base.findings import Finding, Place
from fabkit.board.components import find_components
from fabkit.board.holes import infer_plating, merge_drills
from fabkit.board.model import Board, Layer, panel_words, size_words
from fabkit.board.profile import (
    build_profile,
    content_points,
    drop_retraced,
    find_lines_across,
    merge_holes,
    merge_slots,
    panel_of,
)
from fabkit.formats.sidecars.model import JobFile
from fabkit.package.model import Package, PackageFile, RoleKind
from fabkit.rules import load_rule

PROFILE_PANEL: Final = load_rule("profile/panel")
PROFILE_READINGS: Final = load_rule("profile/two-readings")

_ORDER = (
    *(RoleKind.MASK, RoleKind.LEGEND, RoleKind.PASTE, RoleKind.GLUE, RoleKind.PROFILE),
    *(RoleKind.SCORE, RoleKind.OTHER_LAYER, RoleKind.COMPONENTS),
)
_SIDES = {"top": 0, "bottom": 1, None: 2}


def build_board(package: Package) -> Board:
    """Build the board of a package; never raises on content.

    Parameters
    ----------
    package
        As read; see :func:`fabkit.package.build.read_package`.

    Returns
    -------
    Board whose ``problems`` hold the package's own first.
    """
    layers = _layers(package)
    copper = [layer for layer in layers if layer.kind is RoleKind.COPPER]
    drilled = merge_drills(package, max((layer.index for layer in copper), default=1))
    findings = drilled.findings
    holes, slots = infer_plating(drilled, copper, findings)
    points = content_points(package, holes)
    outline = build_profile(package, points, holes, slots, drilled.names)
    slots = drop_retraced(slots, outline.shape, drilled.names, findings)
    slots = merge_slots(outline, slots, points, drilled.names)
    merge_holes(outline, holes)
    findings += outline.findings
    edge = outline.as_edge()
    if len(edge.readings) > 1:
        findings.append(
            Finding.of(
                PROFILE_READINGS,
                "the outline may be "
                + ", or ".join(f"{size_words(r.profile)} ({r.name})" for r in edge.readings),
                Place(file=outline.file),
                assumed="the first",
            )
        )
    panel = panel_of(package, outline, points, holes)
    findings += find_lines_across(outline, panel)
    if panel is not None:
        findings.append(Finding.of(PROFILE_PANEL, panel_words(panel), count=panel.count))
    components = find_components(package, layers, outline.shape, findings)
    jobs = [f.content for f in package.files if isinstance(f.content, JobFile)]
    return Board(
        name=package.name,
        package=package,
        profile=outline.shape,
        layers=layers,
        holes=holes,
        slots=slots,
        drill_names=drilled.names,
        hole_functions=drilled.functions,
        components=components,
        thickness_mm=next((j.thickness_mm for j in jobs if j.thickness_mm is not None), None),
        problems=tuple(findings),
        edge=edge if panel is None else replace(edge, paths=(*edge.paths, *panel.paths)),
        panel=panel,
    )


def _layers(package: Package) -> tuple[Layer, ...]:
    copper = sorted(package.of(RoleKind.COPPER), key=lambda f: (f.role.layer or 0, f.name))
    others = [f for kind in _ORDER for f in package.of(kind)]
    others.sort(key=lambda f: (_ORDER.index(f.role.kind), _SIDES[f.role.side]))
    made = (_layer(file) for file in (*copper, *others))
    return tuple(layer for layer in made if layer is not None)


def _layer(file: PackageFile) -> Layer | None:
    if file.gerber is None:
        return None
    kind = file.role.kind
    polarity = file.gerber.attributes.get(".FilePolarity", ())[:1]
    is_negative = polarity == ("Negative",) and kind is not RoleKind.MASK
    return Layer(
        kind=kind,
        side=file.role.side,
        index=(file.role.layer or 1) if kind is RoleKind.COPPER else 1,
        file=file.gerber,
        negative=is_negative,
    )
