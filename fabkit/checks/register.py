"""Register: do the layers lie within the profile?

How files lie on each other is found when the package is read, see
:mod:`fabkit.package.registration`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.findings import Finding
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Layer
from fabkit.checks.case import Case
from fabkit.checks.declare import check
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
