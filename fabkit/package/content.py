"""What the image of a layer file looks like, for files whose name says nothing.

All of this is weak evidence (common practice, not a standard) and is only asked when nothing
better is known; every guess is reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.gerber.model import GerberFile, Kind
from fabkit.package.model import Role, RoleKind, Side
from fabkit.units import COINCIDENT_MM

_GRID_MM: Final = 0.02
"""Flashes of two layers nearer than this are the same pad."""
_ITS_SIDE: Final = 0.9
"""Share of a mask's or stencil's flashes that its own side's copper has at least."""
_CLEAR: Final = 0.1
"""The other side has fewer by this share."""
_TEXT_STROKE_MM: Final = 3.0
"""Strokes of lettering are shorter than this."""


@dataclass(frozen=True)
class Look:
    """Figures of one image."""

    file: GerberFile

    @cached_property
    def kinds(self) -> tuple[int, int, int]:
        """Numbers of flashes, strokes and regions."""
        kind = self.file.objects.kind
        flashes = int(np.count_nonzero(kind == Kind.FLASH))
        regions = int(np.count_nonzero(kind == Kind.REGION))
        return flashes, len(kind) - flashes - regions, regions

    @cached_property
    def flash_cells(self) -> NDArray[np.int64]:
        """Flash places on a coarse grid, each once, as one number."""
        objects = self.file.objects
        rows = objects.kind == Kind.FLASH
        return _cells(objects.x0[rows], objects.y0[rows])

    @cached_property
    def flash_area(self) -> float:
        """Mean box area of flashed apertures, mm²."""
        objects = self.file.objects
        used = objects.aperture[objects.kind == Kind.FLASH]
        used = used[used >= 0]
        if not len(used):
            return 0.0
        areas = np.array([a.size_mm[0] * a.size_mm[1] for a in self.file.apertures] or [0.0])
        return float(areas[used].mean())

    @cached_property
    def stroke_mm(self) -> float:
        """Median chord length of strokes, mm; 0 without strokes."""
        objects = self.file.objects
        rows = (objects.kind == Kind.DRAW) | (objects.kind == Kind.ARC)
        if not rows.any():
            return 0.0
        dx = objects.x1[rows] - objects.x0[rows]
        dy = objects.y1[rows] - objects.y0[rows]
        return float(np.median(np.hypot(dx, dy)))

    @cached_property
    def is_round_flashes_only(self) -> bool:
        """Nothing but dark flashes of solid circles, as holes are."""
        flashes, drawn, regions = self.kinds
        if not flashes or drawn or regions or not self.file.objects.dark.all():
            return False
        used = np.unique(self.file.objects.aperture)
        return all(i >= 0 and self.file.apertures[i].diameter_mm is not None for i in used)

    @cached_property
    def is_closed_lines(self) -> bool:
        """Few strokes whose ends all meet another end: an outline."""
        objects = self.file.objects
        flashes, drawn, regions = self.kinds
        if flashes or regions or not 1 <= drawn <= 20_000:
            return False
        open_rows = np.abs(objects.turn) != 2
        ends = np.concatenate(
            (
                _cells(objects.x0[open_rows], objects.y0[open_rows], unique=False),
                _cells(objects.x1[open_rows], objects.y1[open_rows], unique=False),
            )
        )
        if not len(ends):
            return True
        _, counts = np.unique(ends, return_counts=True)
        return bool((counts >= 2).mean() > 0.95)

    def shares_flashes(self, other: Look) -> float:
        """Share of this image's flash places that the other image flashes too."""
        if not len(self.flash_cells) or not len(other.flash_cells):
            return 0.0
        return float(np.isin(self.flash_cells, other.flash_cells).mean())


def _cells(
    x: NDArray[np.float64], y: NDArray[np.float64], *, unique: bool = True
) -> NDArray[np.int64]:
    if not len(x):
        return np.empty(0, np.int64)
    # Box sizes of boards are far below the 2**31 grid steps that would make two cells collide.
    column = np.rint(np.nan_to_num(x) / _GRID_MM).astype(np.int64)
    row = np.rint(np.nan_to_num(y) / _GRID_MM).astype(np.int64)
    cells = column * 2**31 + row
    return np.unique(cells) if unique else cells


def guess_role(
    look: Look, others: Sequence[tuple[Role, Look]], *, needs_drill: bool
) -> tuple[Role, float, str] | None:
    """Role an image looks like, with confidence and reason; None when it looks like nothing.

    Parameters
    ----------
    look
        The image in question.
    others
        Images whose roles are known better.
    needs_drill
        Whether drill data are still missing, so that an image may be them.
    """
    flashes, drawn, regions = look.kinds
    if flashes + drawn + regions == 0:
        return None
    if look.is_closed_lines and _is_outermost(look, others):
        return Role(kind=RoleKind.PROFILE), 0.5, "its strokes close around everything else"
    if needs_drill and look.is_round_flashes_only:
        pads = [seen for role, seen in others if role.kind is RoleKind.COPPER]
        on_pads = max((look.shares_flashes(seen) for seen in pads), default=0.0)
        smaller = all(look.flash_area < seen.flash_area for seen in pads)
        if on_pads > 0.5 and smaller:
            return Role(kind=RoleKind.DRILL), 0.5, "it holds nothing but small round spots on pads"
    on_copper = _shares(look, others)
    if on_copper and max(on_copper.values()) > _ITS_SIDE and drawn <= flashes:
        said = guess_side(look, others)
        side = said[0] if said else next(iter(on_copper)) if len(on_copper) == 1 else None
        copper = f"{side} copper" if side else "copper"
        areas = [
            seen.flash_area
            for role, seen in others
            if role.kind is RoleKind.COPPER and role.side and (side is None or role.side == side)
        ]
        if look.flash_area > max(areas) * 1.001:
            return (
                Role(kind=RoleKind.MASK, side=side),
                0.5,
                f"its flashes are those of the {copper}, larger",
            )
        return (
            Role(kind=RoleKind.PASTE, side=side),
            0.4,
            f"its flashes are some of those of the {copper}, not larger",
        )
    if flashes > 10 and drawn > flashes and not _has_kind(others, RoleKind.COPPER):
        return Role(kind=RoleKind.COPPER), 0.4, "it has pads and many strokes between them"
    if drawn > 50 and flashes < drawn / 20 and look.stroke_mm < _TEXT_STROKE_MM:
        return Role(kind=RoleKind.DRAWING), 0.3, "it is mostly short strokes, as lettering is"
    return None


def guess_side(look: Look, others: Sequence[tuple[Role, Look]]) -> tuple[Side, str] | None:
    """Side whose copper has clearly more of an image's flashes, with the reason; else None."""
    shares = _shares(look, others)
    if len(shares) < 2:
        return None
    side: Side = "top" if shares["top"] > shares["bottom"] else "bottom"
    most, least = max(shares.values()), min(shares.values())
    if most < _ITS_SIDE or least > most - _CLEAR:
        return None
    return (
        side,
        f"{most:.0%} of its flashes are pads of the {side} copper, {least:.0%} of the other",
    )


def _shares(look: Look, others: Sequence[tuple[Role, Look]]) -> dict[Side, float]:
    """Share of an image's flashes that are pads of the outer copper of each side."""
    shares: dict[Side, float] = {}
    for role, seen in others:
        if role.kind is RoleKind.COPPER and role.side:
            shares[role.side] = max(shares.get(role.side, 0.0), look.shares_flashes(seen))
    return shares


def is_same_image(a: GerberFile, b: GerberFile) -> bool:
    """True when two files hold the same objects at the same places."""
    one, two = a.objects, b.objects
    if len(one) != len(two) or not np.array_equal(one.kind, two.kind):
        return False
    names = ("x0", "y0", "x1", "y1")
    return all(
        np.allclose(getattr(one, n), getattr(two, n), rtol=0, atol=COINCIDENT_MM, equal_nan=True)
        for n in names
    )


def _has_kind(others: Sequence[tuple[Role, Look]], kind: RoleKind) -> bool:
    return any(role.kind is kind for role, _ in others)


def _is_outermost(look: Look, others: Sequence[tuple[Role, Look]]) -> bool:
    if _has_kind(others, RoleKind.PROFILE):
        return False
    x0, y0, x1, y1 = look.file.bounds
    boxes = [
        seen.file.bounds
        for role, seen in others
        if role.kind in (RoleKind.COPPER, RoleKind.MASK) and len(seen.file.objects)
    ]
    margin = 0.5
    return all(
        x0 - margin <= a and y0 - margin <= b and c <= x1 + margin and d <= y1 + margin
        for a, b, c, d in boxes
    )
