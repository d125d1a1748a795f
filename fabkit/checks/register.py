"""Whether all files lie on the board and where they belong.

How layers lie on each other is found when the package is read, by pads and openings
(:mod:`fabkit.package.registration`).  Bare holes and the outline have no counterpart, but where
they belong they run into nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import Finding, Place
from fabkit.base.units import format_mm, format_number
from fabkit.board.connectivity import pieces_at
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import require_copper
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group
from fabkit.geometry.areas import without_openings
from fabkit.geometry.neighbours import SpotIndex
from fabkit.geometry.segments import Placing
from fabkit.package.model import RoleKind
from fabkit.package.registration import FACTORS, FEW, FIT_MM, find_fit
from fabkit.rules import load_rule

FITS: Final = 0.5
"""Share of points that must lie inside."""


OUTSIDE: Final = load_rule("register/off-profile")


@check(id="register/profile", rules=(OUTSIDE,), needs=("profile",))
def profile(case: Case) -> Iterator[Finding]:
    """Layers lie within the profile."""
    x0, y0, x1, y1 = case.board.bounds
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


def _any_points(layer: Layer) -> tuple[Floats, Floats]:
    """One point of each dark object."""
    objects = layer.file.objects
    dark = np.flatnonzero(objects.dark)
    x, y = objects.x0[dark].copy(), objects.y0[dark].copy()
    region = np.flatnonzero(np.isnan(x) & (objects.first[dark] < objects.last[dark]))
    first = objects.first[dark[region]]
    x[region], y[region] = layer.file.segments.x0[first], layer.file.segments.y0[first]
    known = ~np.isnan(x)
    return x[known], y[known]


FILE_OUTSIDE: Final = load_rule("hole/outside-board")
FAR_AWAY: Final = load_rule("package/file-out-of-place")
TOO_LARGE: Final = load_rule("package/file-much-larger")

MUCH = 3.0
"""A box this many times the board's, in either direction, is no overhang (a choice of ours)."""

Box = tuple[float, float, float, float]


def _overlap(a: Box, b: Box) -> float:
    """Share of the smaller box that lies in the other, per axis, multiplied; 0 when apart."""
    share = 1.0
    for low, high in ((0, 2), (1, 3)):
        common = min(a[high], b[high]) - max(a[low], b[low])
        least = min(a[high] - a[low], b[high] - b[low])
        # A box without width (a straight line) lies in the other or it does not.
        share *= max(0.0, common / least) if least > 0 else float(common >= 0)
    return share


@check(id="package/alignment", rules=(FAR_AWAY, TOO_LARGE), needs=("profile",))
def find_files_out_of_place(case: Case) -> Iterator[Finding]:
    """Every layer and drill file lies on the board."""
    board = case.board
    box = board.bounds
    boxes: list[tuple[str, str, Box]] = [
        (layer.name, layer.file.name, layer.file.bounds) for layer in board.layers
    ]
    for index, name in enumerate(board.drill_names):
        mine = board.holes.file == index
        if mine.any():
            x, y = board.holes.x[mine], board.holes.y[mine]
            drills: Box = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))
            boxes.append(("drill file", name, drills))
    width, height = box[2] - box[0], box[3] - box[1]
    for what, name, own in boxes:
        if not all(math.isfinite(v) for v in own):
            continue
        at = Place(file=name, x_mm=(own[0] + own[2]) / 2, y_mm=(own[1] + own[3]) / 2)
        if _overlap(own, box) == 0.0:
            away = math.dist(
                ((own[0] + own[2]) / 2, (own[1] + own[3]) / 2),
                ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2),
            )
            yield Finding.of(
                FAR_AWAY,
                f"the {what} lies {format_mm(away, digits=1)} from the board, centre to centre",
                at,
                measured=away,
                unit="mm",
            )
        elif own[2] - own[0] > MUCH * width or own[3] - own[1] > MUCH * height:
            size = (
                f"{format_mm(own[2] - own[0], digits=1)} × {format_mm(own[3] - own[1], digits=1)}"
            )
            yield Finding.of(
                TOO_LARGE,
                f"the {what} measures {size}, the board"
                f" {format_mm(width, digits=1)} × {format_mm(height, digits=1)}",
                at,
            )


@check(id="hole/inside-board", rules=(FILE_OUTSIDE,), needs=("profile", "drill"))
def find_holes_outside(case: Case) -> Iterator[Finding]:
    """Every hole and slot lies on the board."""
    board = case.board
    shapes = board.hole_shapes
    # Filled: a hole inside a cut-out is cut away with it, which is no defect of its place.
    filled = _filled(board.profile)
    # A hole of unknown size cuts nothing; that it has none is a finding of its own.
    outside = np.flatnonzero(~shapely.intersects(filled, shapes) & ~shapely.is_empty(shapes))
    if not len(outside):
        return
    distance = shapely.distance(filled, shapely.centroid(shapes[outside]))
    paths, firsts = np.unique(board.slots.path, return_index=True)
    count = len(board.holes)

    def place(row: int) -> Place:
        at = int(outside[row])
        return case.hole_place(at) if at < count else case.slot_place(int(firsts[at - count]))

    yield from group(
        FILE_OUTSIDE,
        Measures(distance, place),
        f"{len(outside)} of {count + len(paths)} holes and slots are off the board,"
        " the farthest by {worst}",
        most=True,
    )


BARE_OFF: Final = load_rule("register/bare-holes-off")
PROFILE_OFF: Final = load_rule("profile/misplaced")

RIM_POINTS: Final = 12
"""Points of a hole at which copper is looked for."""

BESIDE_MM: Final = 0.02

MANY: Final = 0.04
"""Share of holes that run into something by which a file may be off (a choice of ours)."""

CURED: Final = 0.2
"""Share of those that may be left after a move that is believed (a choice of ours)."""

SURE: Final = 0.9
"""Share of bare holes that lie in the middle of pads or openings after a move."""

NEAR_MM: Final = 1.0
"""A shift below this to where nearly all fit is no chance, whatever they run into."""

CROWDED: Final = 0.3
"""Share of the board's size that holes fill at least in the size that is meant."""

_LAYER_OFF: Final = frozenset(
    ("register/no-fit", "register/shifted", "register/mirrored", "register/stretched")
)

SAME_MM: Final = 0.1
"""Holes with nearer middles are drilled one into the other on purpose."""

Move = tuple[str, Callable[[Floats], Floats]]
"""A move in words, and what it does to points."""


@check(id="register/bare-holes", rules=(BARE_OFF,), needs=("copper", "holes", "profile"))
def find_bare_holes_off(case: Case) -> Iterator[Finding]:
    """Bare holes run into no copper, no other hole and no edge."""
    board = case.board
    holes = board.holes
    # What runs into a layer that is off was found with it.
    if any(problem.id in _LAYER_OFF for problem in board.package.problems):
        return
    for index, name in enumerate(board.drill_names):
        mine = np.flatnonzero((holes.file == index) & (holes.diameter > 0))
        if len(mine) < FEW or (holes.plated[mine] != 0).any():
            continue
        points = holes.spots()[mine]
        reference = _middles(case)
        if SpotIndex(reference, FIT_MM).share(points) >= SURE:
            continue
        fit = find_fit(points, reference, shift_only=True) if len(reference) else None
        shift = fit.placing if fit else None
        if fit and shift and fit.after >= SURE and math.hypot(shift.dx_mm, shift.dy_mm) < NEAR_MM:
            yield Finding.of(
                BARE_OFF,
                f"{len(mine)} bare holes of {name} lie beside the pads and openings around them; "
                f"moved by {_by(shift)}, {fit.after:.0%} lie in their middle",
                Place(file=name),
                measured=math.hypot(shift.dx_mm, shift.dy_mm),
                unit="mm",
            )
            continue
        before = int(_collide(case, index, points, mine).sum())
        if before < max(3, MANY * len(mine)):
            continue
        left, words = min(
            (int(_collide(case, index, move(points), mine).sum()), words)
            for words, move in _moves(case, points, shift)
        )
        if left <= CURED * before:
            yield Finding.of(
                BARE_OFF,
                f"{before} of {len(mine)} bare holes of {name} run into copper, other holes or the "
                f"edge; {words}, {left} do",
                Place(file=name),
                measured=float(before),
                limit=float(left),
                unit="holes",
            )


def _collide(case: Case, file: int, points: Floats, rows: Ints) -> Bools:
    """Which bare holes of a file, laid at points, run into something."""
    board = case.board
    holes, radius = board.holes, board.holes.diameter[rows] / 2
    spots = shapely.points(points)
    hit: Bools = ~shapely.contains(_filled(board.profile), spots)
    others = np.flatnonzero((holes.file != file) & (holes.diameter > 0))
    if len(others):
        centres = shapely.points(holes.x[others], holes.y[others])
        hole, other = shapely.STRtree(spots).query(
            centres,
            predicate="dwithin",
            distance=float(radius.max() + holes.diameter[others].max()),
        )[::-1]
        apart = shapely.distance(spots[hole], centres[other])
        meets = (apart > SAME_MM) & (apart < radius[hole] + holes.diameter[others[other]] / 2)
        hit[hole[meets]] = True
    turn = 2 * np.pi * np.arange(RIM_POINTS) / RIM_POINTS
    around = np.stack((np.cos(turn), np.sin(turn)), 1)
    # Traced copper is drilled already, so it is looked for just outside the hole.
    rim = points[:, None] + (radius[:, None, None] + BESIDE_MM) * around
    copper = require_copper(case)
    for layer in range(len(board.copper)):
        polygons = copper.pieces.polygons[copper.pieces.on_layer(layer)]
        covered = (
            pieces_at(polygons, shapely.points(rim.reshape(-1, 2))).reshape(-1, RIM_POINTS) >= 0
        )
        # A pad or a pour around a hole covers all of its rim or nothing.
        hit |= covered.any(axis=1) & ~covered.all(axis=1)
    return hit


def _filled(profile: BaseGeometry | None) -> BaseGeometry:
    assert profile is not None  # noqa: S101 -- granted by needs
    filled = without_openings(profile)
    shapely.prepare(filled)
    return filled


def _moves(case: Case, points: Floats, shift: Placing | None) -> Iterator[Move]:
    """What may have happened to a file: mirrored, turned, read in another size, shifted."""
    yield from _flips(case)
    for turns in (1, 2, 3):
        yield f"turned by {90 * turns}° about the origin", Placing(quarter_turns=turns).points
    size = np.ptp(points, axis=0)
    x0, y0, x1, y1 = case.board.bounds
    for factor in FACTORS:
        # All holes on one spot run into nothing, either.
        if (factor * size).max() < CROWDED * max(x1 - x0, y1 - y0):
            continue
        yield f"read {format_number(factor)} times as large", partial(np.multiply, factor)
    if shift is not None:
        yield f"moved by {_by(shift)}", shift.points


def _by(shift: Placing) -> str:
    return f"{format_number(shift.dx_mm)}, {format_mm(shift.dy_mm)}"


def _middles(case: Case) -> Floats:
    """Middles of pads and openings, in which bare holes may lie, mm: (n, 2) float64."""
    copper = require_copper(case)
    targets = [copper.pads.spots()]
    for layer in case.board.layers:
        if layer.kind is RoleKind.MASK:
            openings = shapely.get_parts(layer.file.image)
            targets.append(shapely.get_coordinates(shapely.centroid(openings)))
    return np.concatenate(targets)


def _flips(case: Case) -> Iterator[Move]:
    x0, y0, x1, y1 = case.board.bounds
    across = Placing(mirrored=True, dx_mm=x0 + x1)
    upright = Placing(mirrored=True, quarter_turns=2, dy_mm=y0 + y1)
    yield "mirrored about the board's upright middle line", across.points
    yield "mirrored about the board's level middle line", upright.points
    yield "turned by 180° about the board's middle", lambda p: upright.points(across.points(p))


@check(id="profile/place", rules=(PROFILE_OFF,), needs=("profile", "copper", "holes"))
def find_profile_off(case: Case) -> Iterator[Finding]:
    """The outline lies around holes and pads."""
    board, copper = case.board, require_copper(case)
    holes = board.holes.spots()
    pads = copper.pads.spots()
    filled = _filled(board.profile)

    def outside(points: Floats) -> int:
        return int((~shapely.intersects(filled, shapely.points(points))).sum())

    beyond = outside(holes), outside(pads)
    if (
        not len(pads)
        or min(beyond) < 3
        or beyond[0] < MANY * len(holes)
        or beyond[1] < MANY * len(pads)
    ):
        return
    both = np.concatenate((holes, pads))
    cures = [words for words, move in _flips(case) if outside(move(both)) <= CURED * sum(beyond)]
    names = [file.name for file in board.package.of(RoleKind.PROFILE)]
    yield Finding.of(
        PROFILE_OFF,
        f"{beyond[0]} of {len(holes)} holes and {beyond[1]} of {len(pads)} pads lie outside the "
        "outline" + (f"; {cures[0]}, it holds them" if cures else ""),
        *(Place(file=name) for name in names),
        measured=float(sum(beyond)),
        unit="places",
    )
