"""Register: whether all files lie on the board, and the layers within the profile.

How files lie on each other is found when the package is read, see
:mod:`fabkit.package.registration`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.findings import Finding, Place
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Layer
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group
from fabkit.geometry.areas import without_openings
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

FEW: Final = 6
"""Fewer points than this prove nothing."""

FITS: Final = 0.5
"""Share of points that must lie inside."""


OUTSIDE: Final = load_rule("register/off-profile")


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
    profile = board.profile
    assert profile is not None  # noqa: S101 -- granted by needs
    box: Box = profile.bounds
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
    import shapely

    board = case.board
    shapes = board.hole_shapes
    profile = board.profile
    assert profile is not None  # noqa: S101 -- granted by needs
    # Filled: a hole inside a cut-out is cut away with it, which is no defect of its place.
    filled = without_openings(profile)
    shapely.prepare(filled)
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
