"""Mirror symmetry of a board for either hand: what lacks a counterpart when it is turned over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints
from fabkit.board.copper import VIA_MM, Copper, outer_face, surface_pads
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import turned
from fabkit.keyboard.footprints import REACH_MM
from fabkit.keyboard.model import Key

MATCH_MM: Final = 0.05
"""A hole or pad this near to the mirror image of another is its counterpart."""

WHOLE_SHARE: Final = 0.9
"""Share of holes with a counterpart from which the board mirrors as a whole (common practice)."""

FACING_SHARE: Final = 0.6
"""Share of surface pads whose counterpart lies on the other face, from which both faces are
meant to be used.  Lower than for holes: one-sided parts such as a switch may be left single."""

COMMON_SHARE: Final = 0.5
"""What lies at one place beside this share of the keys belongs to their footprint."""

_VOTERS: Final = 1500
"""Holes that vote for an axis; more add time, not certainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mirror:
    """Counterparts about one vertical axis of the whole board, or about each key's own.

    A reversible board is seldom its own mirror image: its keys are staggered, and the board
    turned over *is* the other half.  What must be symmetric is each footprint about its own
    axis.  A board that mirrors as a whole has one axis.

    Parameters
    ----------
    axis_mm
        The board's axis; None when the symmetry is that of the keys, each about its own.
    hole_score, pad_score
        Shares of holes (vias apart), and of surface pads, that have a counterpart; those of the
        keys when ``axis_mm`` is None.
    lone_holes
        Rows of ``Board.holes`` without a counterpart.
    pads : (n,) int64
        Surface pads that were looked at, rows of ``Copper.pads``.
    images : (n, 2) float64, mm
        Where the counterpart of each pad would lie on the other face.
    """

    axis_mm: float | None
    hole_score: float
    pad_score: float
    lone_holes: Ints
    pads: Ints
    images: Floats


def find_mirror(copper: Copper, keys: Sequence[Key]) -> Mirror | None:
    """Find the counterparts on a reversible board: of the whole if it mirrors, else of its keys.

    Vias do not count, as tracks may run anywhere.  Pads count when they lie on an outer layer
    and have no hole (those with one are on both faces by nature).  None when there is nothing to
    judge by.
    """
    holes = copper.board.holes
    rows = np.flatnonzero((holes.plated == 0) | (holes.diameter > VIA_MM))
    if not len(rows) or not keys:
        return None
    axis = vote_axis(holes.x[rows], holes.y[rows], holes.diameter[rows])
    pads, box = _surface_looks(copper)
    at = holes.spots()[rows]
    if axis is not None:
        images = [(2 * axis, 0) + spots * (-1, 1) for spots in (at, box[:, :2])]
        whole = _judge(copper, rows, pads, box, images, axis)
        if whole.hole_score >= WHOLE_SHARE and whole.pad_score >= FACING_SHARE:
            return whole
    hole_images = _images(keys, np.column_stack((at, holes.diameter[rows])))
    pad_images = _images(keys, np.column_stack((box, outer_face(copper)[pads])))
    mine, own = (~np.isnan(images[0][:, 0]) for images in (hole_images, pad_images))
    if not mine.any():
        return None
    # The turn of keys that references alone name is known against each other only: a board that was
    # drawn on its side has all of them mirrored along.
    across, along = (
        _judge(copper, rows[mine], pads[own], box[own], (of_holes[mine], of_pads[own]), None)
        for of_holes, of_pads in zip(hole_images, pad_images, strict=True)
    )
    # Of equals the first: a switch stands upright again after a turn about its upright axis.
    return max(across, along, key=lambda way: way.hole_score + way.pad_score)


def _judge(
    copper: Copper,
    rows: Ints,
    pads: Ints,
    box: Floats,
    images: Sequence[Floats],
    axis: float | None,
) -> Mirror:
    """Score holes and pads by what lies where their images are."""
    holes = copper.board.holes
    table: Floats = np.column_stack((holes.x, holes.y, holes.diameter, holes.plated))
    asked = np.column_stack((images[0], table[rows, 2:]))
    lone_holes = rows[PointTree(table).far_from(asked, MATCH_MM)]
    face = outer_face(copper)[pads]
    asked = np.column_stack((images[1], box[:, 2:]))
    _, every = _surface_looks(copper)
    faces = outer_face(copper)[surface_pads(copper)]
    lone = np.ones(len(pads), dtype=bool)
    for mine, other in ((1, -1), (-1, 1)):
        there = every[faces == other]
        if len(there) and np.any(face == mine):
            lone[face == mine] = PointTree(there).far_from(asked[face == mine], 2 * MATCH_MM)
    return Mirror(
        axis_mm=axis,
        hole_score=1 - len(lone_holes) / len(rows),
        pad_score=1 - float(lone.mean()) if len(pads) else 1.0,
        lone_holes=lone_holes,
        pads=pads,
        images=images[1],
    )


def _surface_looks(copper: Copper) -> tuple[Ints, Floats]:
    """Surface pads with x, y and two measures of size that turning leaves alone, mm."""
    rows: Ints = surface_pads(copper).astype(np.int64)
    shapes = copper.pad_shapes[rows]
    sizes = np.column_stack((shapely.area(shapes) ** 0.5, shapely.length(shapes) / 4))
    return rows, np.column_stack((copper.pads.x[rows], copper.pads.y[rows], sizes))


def _images(keys: Sequence[Key], table: Floats) -> tuple[Floats, Floats]:
    """Where the counterpart of each row lies, about the axes of the key whose footprint it is of.

    Parameters
    ----------
    table : (n, m) float64
        x, y (mm), and whatever else distinguishes holes or pads.

    Returns
    -------
    Mirrored across the key's upright axis, and along it: (n, 2) float64 each, mm; nan for what
    belongs to no key's footprint.

    Notes
    -----
    What lies at one place beside most keys, seen along each key's own axes, is their footprint;
    a screw or a controller pin that happens to be near one key is not.
    """
    if not len(table):
        return table[:, :2], table[:, :2]
    centres = np.array([(k.x_mm, k.y_mm) for k in keys])
    turn = np.array([k.rotation_deg for k in keys])
    apart, key = PointTree(centres).query(table[:, :2], p=np.inf)
    local = turned(table[:, :2] - centres[key], -turn[key])
    offset = np.column_stack((local, table[:, 2:]))
    # Half of the keys may be turned by 180 degrees: their footprint counts with the others'.
    angle = np.radians(turn)
    ways, often = np.unique(np.round(angle, 3), return_counts=True)
    off = angle[key] - ways[often.argmax()]
    back = (np.cos(off) < -1e-6) | ((np.abs(np.cos(off)) <= 1e-6) & (np.sin(off) < 0))
    offset[back, :2] *= -1
    # Steps of a grid would part what lies at one place but for its last digit.
    near = np.flatnonzero(apart <= REACH_MM)
    pairs = PointTree(offset[near]).pairs(MATCH_MM)
    counts = 1 + np.bincount(pairs.ravel(), minlength=len(near))
    image = np.full((2, len(table), 2), np.nan)
    rows = near[counts >= COMMON_SHARE * len(keys)]
    for out, flip in zip(image, ((-1, 1), (1, -1)), strict=True):
        out[rows] = centres[key[rows]] + turned(local[rows] * flip, turn[key[rows]])
    return image[0], image[1]


def vote_axis(x: Floats, y: Floats, diameter: Floats) -> float | None:
    """Vertical axis that mirrors most holes onto holes of one size; None without holes.

    Every pair of equal holes at one height votes for the line half way between them; the most
    voted lines are then judged on all holes.
    """
    if not len(x):
        return None
    pick = np.unique(np.linspace(0, len(x) - 1, _VOTERS).astype(int))
    # Each hole is paired with itself, too: it may lie on the axis.
    left, right = np.triu_indices(len(pick))
    left, right = pick[left], pick[right]
    level = (np.abs(y[left] - y[right]) <= MATCH_MM) & (
        np.abs(diameter[left] - diameter[right]) <= MATCH_MM
    )
    axes = (x[left[level]] + x[right[level]]) / 2
    bins, counts = np.unique(np.round(axes / MATCH_MM).astype(np.int64), return_counts=True)
    table = np.column_stack((x, y, diameter))
    best, best_lone = 0.0, len(x) + 1
    for chosen in bins[np.argsort(-counts, kind="stable")[:8]]:
        near = axes[np.abs(axes - chosen * MATCH_MM) <= MATCH_MM]
        # A bin is as wide as the reach of a counterpart; the median of its votes is finer.
        axis = float(np.median(near))
        lone = len(unmatched(table, axis, MATCH_MM))
        if lone < best_lone:
            best, best_lone = axis, lone
    return best


def unmatched(rows: Floats, axis: float, reach: float) -> Ints:
    """Rows (x, y, and further columns that must agree) whose mirror image is no other row."""
    if not len(rows):
        return np.empty(0, np.int64)
    image = rows.copy()
    image[:, 0] = 2 * axis - image[:, 0]
    return np.flatnonzero(PointTree(rows).far_from(image, reach))
