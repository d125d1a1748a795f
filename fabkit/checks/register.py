"""Register: do the files lie on each other, or is one shifted, mirrored or in another unit?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board.copper import Copper, find_pads
from fabkit.board.model import Layer
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import cuts_of, require_copper
from fabkit.checks.declare import check
from fabkit.findings import Finding, Rule, Severity, Source
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import RoleKind
from fabkit.units import INCH_MM, format_mm, format_number

Floats = NDArray[np.float64]

FIT_MM: Final = 0.05
"""Points this near to each other belong together (common practice: drill to pad 0.075)."""

FEW: Final = 6
"""Fewer points than this prove nothing."""

FITS: Final = 0.5
"""Share of points that must fit for files to count as lying on each other."""

SURE: Final = 0.8
"""Share of points that must fit after a change for that change to be told as the cause."""

UNITS: Final = (INCH_MM, 1 / INCH_MM, 10.0, 0.1, 100.0, 0.01)
"""Factors of unit and digit mistakes."""

_VOTERS: Final = 60

SPEC: Final = Source("Gerber Layer Format Specification 2021.02", "6.2, alignment of files")

SHIFTED = Rule(
    id="register/shifted",
    title="File lies beside the others",
    why="All files of a board must share one origin; this one would be made out of place.",
    source=SPEC,
    severity=Severity.ERROR,
    advice="Export all files again in one go, with the same origin.",
)
MIRRORED = Rule(
    id="register/mirrored",
    title="File is mirrored",
    why="All files are seen from the top, the bottom ones too; this one was turned over.",
    source=SPEC,
    severity=Severity.ERROR,
    advice="Export the file again without mirroring.",
)
SCALED = Rule(
    id="register/other-unit",
    title="File is in another unit than it says",
    why="Its coordinates fit the other files only after a change of unit or digits.",
    source=SPEC,
    severity=Severity.ERROR,
    advice="Export the file again and check its unit and number format.",
)
LOOSE = Rule(
    id="register/no-fit",
    title="File does not fit the others",
    why="Hardly anything in it lies where the other files have its counterpart: it may belong to "
    "another board or revision.",
    source=SPEC,
    severity=Severity.WARNING,
    advice="Check that all files belong to one revision.",
)
OUTSIDE = Rule(
    id="register/off-profile",
    title="Most of a file lies outside the board",
    why="Profile and layers do not share origin or unit.",
    source=SPEC,
    severity=Severity.ERROR,
    advice="Export profile and layers again in one go.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How one set of points lies on another.

    ``share`` fit as they are; ``change`` names what makes them fit (``shifted``, ``mirrored``,
    ``scaled``) with the shift, the axis or the factor; None when nothing does.
    """

    share: float
    change: str | None = None
    dx_mm: float = 0.0
    dy_mm: float = 0.0
    factor: float = 1.0
    fitted: float = 0.0


def compare_points(points: Floats, reference: Floats) -> Fit:
    """Find out how ``points`` lie on ``reference``, both (n, 2) float64, mm.

    Only changes that fit far better than the files as they are count, so a regular grid shifted
    by its own pitch is no finding.
    """
    tree = PointTree(reference)
    distance, _ = tree.query(points)
    share = float(np.mean(distance <= FIT_MM))
    if share >= FITS:
        # Symmetric parts hide a mirrored file; then nothing but the mirrored reading fits whole.
        if share < 0.9:
            moved = points * (-1, 1)
            dx, dy = _voted_shift(moved, reference)
            if np.all(tree.query(moved + np.array((dx, dy)))[0] <= FIT_MM):
                return Fit(share=share, change="mirrored", dx_mm=dx / 2, dy_mm=dy, fitted=1.0)
        return Fit(share=share)
    near = distance <= 0.5
    if near.mean() >= FITS:
        offset = reference[tree.query(points[near])[1]] - points[near]
        dx, dy = np.median(offset, axis=0)
        fitted = float(np.mean(tree.query(points + np.array((dx, dy)))[0] <= FIT_MM))
        if fitted >= SURE and np.hypot(dx, dy) > FIT_MM:
            return Fit(share=share, change="shifted", dx_mm=dx, dy_mm=dy, fitted=fitted)
    tried = [("shifted", points, 1.0), ("mirrored", points * (-1, 1), 1.0)]
    tried += [("scaled", points * f, f) for f in UNITS]
    best = Fit(share=share)
    for change, moved, factor in tried:
        dx, dy = _voted_shift(moved, reference)
        fitted = float(np.mean(tree.query(moved + np.array((dx, dy)))[0] <= FIT_MM))
        if change == "scaled" and np.hypot(dx, dy) > 1.0:
            continue
        if fitted >= SURE and fitted > max(best.fitted, share + 0.3):
            if change == "mirrored":
                dx = dx / 2
            best = Fit(share=share, change=change, dx_mm=dx, dy_mm=dy, factor=factor, fitted=fitted)
    return best


def _voted_shift(points: Floats, reference: Floats) -> tuple[float, float]:
    """Shift that brings most points onto the reference."""
    picked = points[np.unique(np.linspace(0, len(points) - 1, _VOTERS).astype(int))]
    shift = (reference[None] - picked[:, None]).reshape(-1, 2)
    bins, counts = np.unique(np.round(shift / FIT_MM).astype(np.int64), axis=0, return_counts=True)
    best = bins[np.argmax(counts)]
    near = np.all(np.abs(shift - best * FIT_MM) <= FIT_MM, axis=1)
    dx, dy = np.median(shift[near], axis=0)
    return float(dx), float(dy)


def _findings(case: Case, what: str, file: str, side: str | None, fit: Fit) -> Iterator[Finding]:
    place = case.place(file, side=side)
    percent = f"{format_number(100 * fit.share, digits=0)} %"
    match fit.change:
        case "shifted":
            yield Finding.of(
                SHIFTED,
                f"{what} lies {format_mm(-fit.dx_mm)}, {format_mm(-fit.dy_mm)} off the other files",
                place,
                measured=float(np.hypot(fit.dx_mm, fit.dy_mm)),
                limit=FIT_MM,
                unit="mm",
            )
        case "mirrored":
            yield Finding.of(
                MIRRORED,
                f"{what} is mirrored about the vertical line x = {format_mm(fit.dx_mm)}",
                place,
                measured=fit.dx_mm,
                unit="mm",
            )
        case "scaled":
            large = fit.factor < 1
            times = 1 / fit.factor if large else fit.factor
            yield Finding.of(
                SCALED,
                f"{what} is {format_number(times)} times too {'large' if large else 'small'} for "
                "the other files",
                place,
                measured=times,
                limit=1.0,
                unit="times",
            )
        case _:
            if fit.share < 0.1:
                yield Finding.of(
                    LOOSE,
                    f"only {percent} of {what} lies on its counterpart in the other files",
                    place,
                    measured=fit.share,
                    limit=FITS,
                )


def _holes(case: Case) -> dict[int, Floats]:
    """Centres of plated holes (or of all, when none is known to be) by drill file."""
    holes = case.board.holes
    plated = holes.plated != 0
    return {
        f: np.column_stack((holes.x[mine], holes.y[mine]))
        for f in np.unique(holes.file)
        if (mine := (holes.file == f) & plated).sum() >= FEW
    }


def _centres(copper: Copper, layer: int) -> Floats:
    mine = copper.pads.layer == layer
    return np.column_stack((copper.pads.x[mine], copper.pads.y[mine]))


def _openings(layer: Layer) -> Floats:
    """Middles of the flashed or drawn openings of a mask or paste layer."""
    rows = np.flatnonzero(find_pads(layer.file))
    objects = layer.file.objects
    flashed = rows[objects.first[rows] == objects.last[rows]]
    if len(flashed) >= FEW:
        return np.column_stack((objects.x0[flashed], objects.y0[flashed]))
    return np.asarray(
        shapely.get_coordinates(shapely.centroid(shapely.get_parts(layer.file.image)))
    )


@check(id="register/files", rules=(SHIFTED, MIRRORED, SCALED, LOOSE), needs=("copper",))
def files(case: Case) -> Iterator[Finding]:
    """All files lie on each other."""
    copper = require_copper(case)
    outer = [i for i, a in enumerate(case.board.copper) if a.side is not None]
    pads = [_centres(copper, i) for i in outer]
    all_pads = np.concatenate(pads) if pads else np.empty((0, 2))
    holes = _holes(case)
    drills = {f: compare_points(p, all_pads) for f, p in holes.items() if len(all_pads) >= FEW}
    changed = [f for f, fit in drills.items() if fit.change]
    every_hole = np.concatenate(list(holes.values())) if holes else np.empty((0, 2))
    # Holes that fit one outer layer but not the other accuse that layer, not the drill file.
    layers: dict[int, Fit] = {}
    if len(every_hole) >= FEW:
        for index in range(len(case.board.copper)):
            centres = _centres(copper, index)
            if len(centres) >= FEW:
                # Most pads have no hole, so the holes are laid on the pads, not the reverse.
                layers[index] = _reversed(compare_points(every_hole, centres))
    fits = [i for i, fit in layers.items() if fit.change is None and fit.share >= FITS]
    blame_drill = bool(changed) and not fits
    for f, fit in drills.items():
        # Where no copper layer fits the holes either, the drill file is the odd one out.
        if not fits:
            yield from _findings(case, "the drill file", case.board.drill_names[f], None, fit)
    if not blame_drill:
        for index, fit in layers.items():
            layer = case.board.copper[index]
            if fit.change is not None:
                yield from _findings(case, layer.name, layer.file.name, layer.side, fit)
    yield from _coats(case, copper, outer)


def _reversed(fit: Fit) -> Fit:
    """The same relation told of the other set."""
    mirrored = fit.change == "mirrored"
    return Fit(
        share=fit.share,
        change=fit.change,
        dx_mm=fit.dx_mm if mirrored else -fit.dx_mm,
        dy_mm=-fit.dy_mm,
        factor=1 / fit.factor,
        fitted=fit.fitted,
    )


def _coats(case: Case, copper: Copper, outer: list[int]) -> Iterator[Finding]:
    """Mask and paste against the pads and holes beneath."""
    cuts = case.shared(cuts_of)
    bare = np.column_stack((cuts.x, cuts.y))
    for layer in case.board.layers:
        if layer.kind not in (RoleKind.MASK, RoleKind.PASTE):
            continue
        under = [i for i in outer if case.board.copper[i].side == layer.side]
        points = _openings(layer)
        if not under or len(points) < FEW:
            continue
        reference = np.concatenate([_centres(copper, under[0]), bare])
        if len(reference) >= FEW:
            fit = compare_points(points, reference)
            yield from _findings(case, layer.name, layer.file.name, layer.side, fit)


@check(id="register/profile", rules=(OUTSIDE,), needs=("profile",))
def profile(case: Case) -> Iterator[Finding]:
    """Layers lie within the profile."""
    x0, y0, x1, y1 = case.board.profile.bounds if case.board.profile is not None else (0.0,) * 4
    for layer in case.board.layers:
        if layer.kind not in (RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE):
            continue
        objects = layer.file.objects
        x, y = _any_points(layer)
        if not len(x):
            continue
        inside = (x >= x0 - 1) & (x <= x1 + 1) & (y >= y0 - 1) & (y <= y1 + 1)
        share = float(inside.mean())
        if share < FITS and not _spans(x[inside], y[inside], (x1 - x0, y1 - y0)):
            box = layer.file.bounds
            yield Finding.of(
                OUTSIDE,
                f"{format_number(100 * (1 - share), digits=0)} % of {layer.name} lies outside the "
                f"board; it spans {format_number(box[2] - box[0], digits=2)} × "
                f"{format_mm(box[3] - box[1], digits=2)}, the board "
                f"{format_number(x1 - x0, digits=2)} × {format_mm(y1 - y0, digits=2)}",
                case.object_place(layer, int(np.flatnonzero(objects.dark)[0])),
                measured=share,
                limit=FITS,
            )


def _spans(x: Floats, y: Floats, size: tuple[float, float]) -> bool:
    """Whether points reach over most of the board: the rest is a frame or text of the film."""
    return bool(len(x) >= FEW and np.ptp(x) > FITS * size[0] and np.ptp(y) > FITS * size[1])


def _any_points(layer: Layer) -> tuple[Any, Any]:
    """One point of each dark object."""
    objects = layer.file.objects
    dark = np.flatnonzero(objects.dark)
    x, y = objects.x0[dark].copy(), objects.y0[dark].copy()
    region = np.flatnonzero(np.isnan(x) & (objects.first[dark] < objects.last[dark]))
    first = objects.first[dark[region]]
    x[region], y[region] = layer.file.segments.x0[first], layer.file.segments.y0[first]
    known = ~np.isnan(x)
    return x[known], y[known]
