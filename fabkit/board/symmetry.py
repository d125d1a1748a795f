"""Reversible boards: is one board turned over the other half?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board.copper import VIA_MM, Copper, outer_face, surface_pads
from fabkit.board.model import Board
from fabkit.geometry.neighbours import PointTree, usual_gap
from fabkit.package.model import RoleKind, Side

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MATCH_MM: Final = 0.05
"""A hole or pad this near to the mirror image of another is its counterpart."""

REVERSIBLE_SHARE: Final = 0.9
"""Share of holes that have a counterpart from which a board counts as reversible (common
practice)."""

FACING_SHARE: Final = 0.6
"""Share of surface pads whose counterpart lies on the other face, from which both faces are
meant to be used.  Lower than for holes: one-sided parts such as a switch may be left single."""

COMMON_SHARE: Final = 0.5
"""What lies at one place beside this share of the keys belongs to their footprint."""

KEY_PITCH_MM: Final = (15.0, 24.0)
"""Neighbouring keys are 16 to 20 mm apart (common practice); screw holes are farther apart."""

FEWEST_POSTS: Final = 6
"""Fewer bare holes at key pitch may as well be for screws."""

_FEWEST_KEYS: Final = 3
"""Keys of each half from which on they say how two halves belong together."""

_VOTERS: Final = 1500
"""Holes that vote for an axis; more add time, not certainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mirror:
    """Mirror symmetry about vertical axes: of the whole board, or of each key.

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
    lone_pads
        Rows of ``Copper.pads`` without a counterpart on the other face.
    pads, pad_axis
        Surface pads that were looked at (rows of ``Copper.pads``) and the axis of each, mm.
    pins
        Number of plated holes that were looked at.
    """

    axis_mm: float | None
    hole_score: float
    pad_score: float
    lone_holes: Ints
    lone_pads: Ints
    pads: Ints
    pad_axis: Floats
    pins: int

    @property
    def reversible(self) -> bool:
        """Whether the board is meant to be used with either face up."""
        return (
            (len(self.pads) > 0 or self.pins > 0)
            and self.hole_score >= REVERSIBLE_SHARE
            and self.pad_score >= FACING_SHARE
        )


def find_mirror(copper: Copper) -> Mirror | None:
    """Find the mirror symmetry of a board: as a whole if it has one, else of its keys.

    Vias do not count, as tracks may run anywhere.  Pads count when they lie on an outer layer
    and have no hole (those with one are on both faces by nature).  None when there is nothing to
    judge by.
    """
    holes = copper.board.holes
    rows = np.flatnonzero((holes.plated == 0) | (holes.diameter > VIA_MM))
    if not len(rows):
        return None
    axis = vote_axis(holes.x[rows], holes.y[rows], holes.diameter[rows])
    pads, box = _surface_boxes(copper)
    whole = None
    if axis is not None:
        axes = np.full(len(rows), axis), np.full(len(pads), axis)
        whole = _judge(copper, rows, pads, box, axes, axis)
        if whole.reversible:
            return whole
    keys = find_keys(copper.board)
    if not keys:
        return whole
    centres = np.array([(k.x_mm, k.y_mm) for k in keys])
    near_holes = _key_axis(
        centres, np.column_stack((holes.x[rows], holes.y[rows], holes.diameter[rows]))
    )
    near_pads = _key_axis(centres, np.column_stack((box, outer_face(copper)[pads])))
    mine, own = ~np.isnan(near_holes), ~np.isnan(near_pads)
    # A centre hole alone is its own mirror image and proves nothing.
    if mine.sum() < 3 * len(keys):
        return whole
    return _judge(copper, rows[mine], pads[own], box[own], (near_holes[mine], near_pads[own]), None)


def _judge(
    copper: Copper,
    rows: Ints,
    pads: Ints,
    box: Floats,
    axes: tuple[Floats, Floats],
    axis: float | None,
) -> Mirror:
    """Score holes and pads, each about its own axis."""
    holes = copper.board.holes
    table: Floats = np.column_stack((holes.x, holes.y, holes.diameter, holes.plated))
    image = table[rows].copy()
    image[:, 0] = 2 * axes[0] - image[:, 0]
    apart: Floats = PointTree(table).query(image)[0]
    lone_holes = rows[apart > MATCH_MM]
    face = outer_face(copper)[pads]
    image = box.copy()
    image[:, 0] = 2 * axes[1] - image[:, 0]
    _, every = _surface_boxes(copper)
    faces = outer_face(copper)[surface_pads(copper)]
    lone = np.ones(len(pads), dtype=bool)
    for mine, other in ((1, -1), (-1, 1)):
        there = every[faces == other]
        if len(there) and np.any(face == mine):
            lone[face == mine] = PointTree(there).query(image[face == mine])[0] > 2 * MATCH_MM
    return Mirror(
        axis_mm=axis,
        hole_score=1 - len(lone_holes) / len(rows),
        pad_score=1 - float(lone.mean()) if len(pads) else 1.0,
        lone_holes=lone_holes,
        lone_pads=pads[lone],
        pads=pads,
        pad_axis=axes[1],
        pins=int(np.count_nonzero(holes.plated[rows])),
    )


def _surface_boxes(copper: Copper) -> tuple[Ints, Floats]:
    """Surface pads with their place and size: x, y, width, height, mm."""
    rows: Ints = surface_pads(copper).astype(np.int64)
    box = shapely.bounds(copper.pad_shapes[rows]) if len(rows) else np.empty((0, 4))
    return rows, np.column_stack(
        (
            copper.pads.x[rows],
            copper.pads.y[rows],
            box[:, 2] - box[:, 0],
            box[:, 3] - box[:, 1],
        )
    )


def _key_axis(centres: Floats, table: Floats) -> Floats:
    """Axis of the key whose footprint each row belongs to, mm; nan where it belongs to none.

    Parameters
    ----------
    centres : (k, 2) float64, mm
    table : (n, m) float64
        x, y, and whatever else tells one hole or pad from another.

    Notes
    -----
    What lies at one place beside most keys is their footprint; a screw or a controller pin that
    happens to be near one key is not.
    """
    if not len(table):
        return np.empty(0)
    apart, key = PointTree(centres).query(table[:, :2], p=np.inf)
    offset = table.copy()
    offset[:, :2] -= centres[key]
    _, kind, counts = np.unique(
        np.round(offset / (2 * MATCH_MM)).astype(np.int64),
        axis=0,
        return_inverse=True,
        return_counts=True,
    )
    usual = counts[kind.ravel()] >= COMMON_SHARE * len(centres)
    return np.where((apart <= KEY_REACH_MM) & usual, centres[key, 0], np.nan)


def vote_axis(x: Floats, y: Floats, diameter: Floats) -> float | None:
    """Vertical axis that mirrors most holes onto holes of one size; None without holes.

    Every pair of equal holes at one height votes for the line half way between them; the most
    voted lines are then judged on all holes.
    """
    if not len(x):
        return None
    pick = np.unique(np.linspace(0, len(x) - 1, _VOTERS).astype(int))
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
    return np.flatnonzero(PointTree(rows).query(image)[0] > reach)


# ------------------------------------------------------------------------------------------ keys

CENTRE_HOLE_MM: Final = (3.2, 5.2)
"""Bare centre holes of key switches (common practice: 3.4, 4.0 and 5.0 mm)."""

KEY_REACH_MM: Final = 9.0
"""Pads of a key lie within half a key pitch of its centre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A key switch position."""

    x_mm: float
    y_mm: float


def find_keys(board: Board) -> tuple[Key, ...]:
    """Key positions: the most frequent bare hole that may be a switch's centre, at least two."""
    holes = board.holes
    low, high = CENTRE_HOLE_MM
    fits = (holes.plated == 0) & (holes.diameter >= low) & (holes.diameter <= high)
    rows = np.flatnonzero(fits)
    if not len(rows):
        return ()
    sizes, counts = np.unique(np.round(holes.diameter[rows], 2), return_counts=True)
    size = sizes[np.argmax(counts)]
    rows = rows[np.round(holes.diameter[rows], 2) == size]
    if len(rows) < 2:
        return ()
    order = rows[np.lexsort((holes.x[rows], -np.round(holes.y[rows], 1)))]
    return tuple(Key(x_mm=float(holes.x[r]), y_mm=float(holes.y[r])) for r in order)


def find_lone_posts(board: Board) -> tuple[Key, ...]:
    """Keys told by centre holes alone: when they are as many and as near as keys stand."""
    posts = find_keys(board)
    if len(posts) < FEWEST_POSTS:
        return ()
    at = np.array([(k.x_mm, k.y_mm) for k in posts])
    low, high = KEY_PITCH_MM
    return posts if low <= usual_gap(at) <= high else ()


class _Placed(Protocol):
    """Anything with a place on the board, mm."""

    @property
    def x_mm(self) -> float: ...

    @property
    def y_mm(self) -> float: ...


def left_face(keys: Sequence[_Placed]) -> Side | None:
    """Face that is up when the board is the left half; None when the keys do not tell.

    Thumb keys lie lowest and towards the other hand: seen with its left-hand face up, a left half
    has them right of its middle.
    """
    if len(keys) < 8:
        return None
    x = np.array([k.x_mm for k in keys])
    y = np.array([k.y_mm for k in keys])
    thumb = y < np.quantile(y, 0.25)
    if not thumb.any() or thumb.all():
        return None
    lean = x[thumb].mean() - x[~thumb].mean()
    span = np.ptp(x)
    if abs(lean) < 0.05 * span:
        return None
    return "top" if lean > 0 else "bottom"


# ---------------------------------------------------------------------------------------- halves


@dataclass(frozen=True, slots=True, kw_only=True)
class Halves:
    """Two boards compared as left and right half.

    The two halves of a keyboard mirror each other in their keys, not in every hole: a footprint
    is often kept the same way round on both.  So keys decide, and holes where there are no keys.

    Parameters
    ----------
    compared
        ``keys`` or ``holes``: what was laid on each other.
    mirrored, copied
        Shares of them that fit after mirroring, and after mere shifting.
    only_left, only_right
        Those without a counterpart, mm, in each board's own coordinates.
    size_difference_mm
        Right less left, width and height.
    outline_difference_mm2
        Area of one outline that the other does not cover, laid on each other by their boxes.
    """

    compared: str
    mirrored: float
    copied: float
    only_left: tuple[tuple[float, float], ...]
    only_right: tuple[tuple[float, float], ...]
    size_difference_mm: tuple[float, float]
    outline_difference_mm2: float

    @property
    def relation(self) -> str:
        """``mirror images``, ``copies`` or ``different boards``."""
        if max(self.mirrored, self.copied) < REVERSIBLE_SHARE:
            return "different boards"
        return "mirror images" if self.mirrored >= self.copied else "copies"


def compare_halves(left: Board, right: Board) -> Halves:
    """Compare two boards as the halves of one keyboard, by their keys and outlines."""
    keys = [find_keys(half) for half in (left, right)]
    with_keys = all(len(k) >= _FEWEST_KEYS for k in keys)
    a, b = (
        (np.array([(k.x_mm, k.y_mm, 0.0) for k in some]) for some in keys)
        if with_keys
        else (np.column_stack((h.x, h.y, h.diameter)) for h in (left.holes, right.holes))
    )
    image = b * (-1, 1, 1)
    mirrored, lost_a, lost_b = overlay(a, image)
    copied, copy_a, copy_b = overlay(a, b)
    if copied > mirrored:
        lost_a, lost_b = copy_a, copy_b
    w0, h0 = left.size_mm
    w1, h1 = right.size_mm
    return Halves(
        compared="keys" if with_keys else "holes",
        mirrored=mirrored,
        copied=copied,
        only_left=tuple((float(x), float(y)) for x, y in a[lost_a, :2]),
        only_right=tuple((float(x), float(y)) for x, y in b[lost_b, :2]),
        size_difference_mm=(w1 - w0, h1 - h0),
        outline_difference_mm2=_outline_difference(left, right, mirrored=mirrored >= copied),
    )


def _outline_difference(left: Board, right: Board, *, mirrored: bool) -> float:
    """Area between two outlines laid on each other at the corner of their boxes, mm2."""
    if left.profile is None or right.profile is None:
        return 0.0
    laid = []
    for profile, sign in ((left.profile, 1), (right.profile, -1 if mirrored else 1)):
        turned = shapely.transform(profile, lambda xy, s=sign: xy * (s, 1))
        corner = turned.bounds[:2]
        laid.append(shapely.transform(turned, lambda xy, c=corner: xy - c))
    return float(shapely.area(shapely.symmetric_difference(*laid)))


def overlay(a: Floats, b: Floats) -> tuple[float, Ints, Ints]:
    """Share of rows that fit after the best shift of ``b``, and the rows that do not."""
    none = np.empty(0, np.int64)
    if not len(a) or not len(b):
        return (1.0 if len(a) == len(b) else 0.0), np.arange(len(a)), np.arange(len(b))
    picked = b[np.unique(np.linspace(0, len(b) - 1, 40).astype(int))]
    shift = (a[:, None, :2] - picked[None, :, :2]).reshape(-1, 2)
    same = (np.abs(a[:, None, 2] - picked[None, :, 2]) <= MATCH_MM).ravel()
    if not same.any():
        return 0.0, np.arange(len(a)), np.arange(len(b))
    bins, counts = np.unique(
        np.round(shift[same] / MATCH_MM).astype(np.int64), axis=0, return_counts=True
    )
    best: tuple[float, Ints, Ints] = (-1.0, none, none)
    tree = PointTree(a)
    for chosen in bins[np.argsort(-counts, kind="stable")[:5]]:
        moved = b.copy()
        moved[:, :2] += chosen * MATCH_MM
        lost_b = np.flatnonzero(tree.query(moved)[0] > 2 * MATCH_MM)
        lost_a = np.flatnonzero(PointTree(moved).query(a)[0] > 2 * MATCH_MM)
        share = 1 - (len(lost_a) + len(lost_b)) / (len(a) + len(b))
        if share > best[0]:
            best = (share, lost_a, lost_b)
    return best


# ----------------------------------------------------------------------------------------- marks


def plus_marks(board: Board, side: Side) -> Floats:
    """(n, 2) float64, mm: middles of plus signs in the legend of a face."""
    layer = board.layer(RoleKind.LEGEND, side)
    if layer is None:
        return np.empty((0, 2))
    parts = shapely.get_parts(layer.file.image)
    if not len(parts):
        return np.empty((0, 2))
    box = shapely.bounds(parts)
    width, height = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
    middle = np.column_stack(((box[:, 0] + box[:, 2]) / 2, (box[:, 1] + box[:, 3]) / 2))
    fits = (np.maximum(width, height) < 4.0) & (np.minimum(width, height) > 0.4)
    fits &= np.abs(width - height) < 0.3 * np.maximum(width, height)
    rows = np.flatnonzero(fits)
    return middle[[r for r in rows if _is_plus(parts[r], middle[r], width[r], height[r])]]


def _is_plus(shape: Any, middle: Floats, width: float, height: float) -> bool:
    """Whether a figure has two bars through its middle and nothing in its corners."""
    x, y = middle
    arms = shapely.multipoints(
        [(x + 0.4 * width * s, y) for s in (-1, 1)] + [(x, y + 0.4 * height * s) for s in (-1, 1)]
    )
    corners = shapely.multipoints(
        [(x + 0.3 * width * s, y + 0.3 * height * t) for s in (-1, 1) for t in (-1, 1)]
    )
    return bool(
        shapely.covers(shape, arms)
        and shapely.covers(shape, shapely.Point(x, y))
        and not shapely.intersects(shape, corners)
    )
