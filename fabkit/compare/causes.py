"""What changes follow from: copper and holes that part or join pads, keys that take holes along."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Ints, Shapes
from fabkit.board.copper import trace_copper
from fabkit.board.model import Board, Layer
from fabkit.compare.model import (
    HALF_KEY_MM,
    MIRRORED,
    MOVED_MM,
    SLIVER_MM,
    Alignment,
    Box,
    Change,
    LayerChange,
    Verb,
    What,
)
from fabkit.geometry.areas import touching_pairs
from fabkit.geometry.neighbours import label_groups
from fabkit.package.model import RoleKind, Side

Flags = Bools

TOUCH_MM: Final = SLIVER_MM + 0.004
"""A changed area this near to copper touches it: slivers have been taken off its edge."""

LARGE_MM2: Final = 40.0
"""Changed copper of a larger area is a pour, or a board routed anew: it does not show where pads
were parted or joined (our choice; a track 150 mm long is smaller)."""

ANY_LAYER: Final = -1

Key = tuple[Side | None, int]
"""Side, and of inner layers the number from the top: what layers of two boards are paired by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """The place of a cause: a point of it, its box, and the face it lies on alone."""

    x_mm: float
    y_mm: float
    box_mm: Box
    side: Side | None


@dataclass(frozen=True, eq=False, kw_only=True)
class Causes:
    """Copper that is new or gone, and holes that changed, hanging together in heaps.

    Parameters
    ----------
    shapes : (n,) object array of polygons, mm, in the coordinates of the new board
    layer : (n,) int64
        Row of ``keys``; ``ANY_LAYER`` for holes.
    new, gone : (n,) bool
        Both for holes: a new hole may join copper, or cut it.
    keys
        Copper layers of both boards.
    """

    shapes: Shapes
    layer: Ints
    new: Flags
    gone: Flags
    keys: tuple[Key, ...]

    def touched(self, board: Board, alignment: Alignment | None, islands: Ints) -> Ints:
        """Islands of a board and the causes that touch them, (m, 2), each pair once.

        Parameters
        ----------
        alignment
            That of the old board, whose copper lies elsewhere; None for the new one.
        islands
            Which are asked for.
        """
        pieces = trace_copper(board).pieces
        layer = np.array([self.keys.index(layer_key(a)) for a in board.copper])
        rows = np.flatnonzero(np.isin(pieces.island, islands))
        shapes = self.shapes
        if alignment is not None:
            # The changes are laid on the old copper, so that its pieces stay as they were traced.
            shapes = shapely.transform(shapes, alignment.back)
        piece, cause = shapely.STRtree(shapes).query(
            pieces.polygons[rows], predicate="dwithin", distance=TOUCH_MM
        )
        mine = layer[pieces.layer[rows[piece]]]
        meets = (self.layer[cause] == ANY_LAYER) | (self.layer[cause] == mine)
        pairs: Ints = np.unique(
            np.column_stack((pieces.island[rows[piece[meets]]], cause[meets])), axis=0
        ).astype(np.int64)
        return pairs

    @cached_property
    def heap(self) -> tuple[Ints, Ints]:
        """(n,) number of the heap of each cause: of what is gone, and of what is new."""
        left, right = touching_pairs(self.shapes, reach_mm=TOUCH_MM)
        near = self.layer[left] == self.layer[right]
        near |= (self.layer[left] == ANY_LAYER) | (self.layer[right] == ANY_LAYER)
        made = []
        for flags in (self.gone, self.new):
            both = near & flags[left] & flags[right]
            made.append(label_groups(len(self.shapes), left[both], right[both]))
        return made[0], made[1]

    def spot(self, rows: Ints) -> Spot | None:
        """Where a heap lies: at its largest hole, else in its largest area; None when large."""
        if shapely.area(self.shapes[rows]).sum() > LARGE_MM2:
            return None
        box = shapely.total_bounds(self.shapes[rows])
        holes = rows[self.layer[rows] == ANY_LAYER]
        chosen = holes if len(holes) else rows
        bounds = shapely.bounds(self.shapes[chosen]).round(3)
        area = np.round(shapely.area(self.shapes[chosen]), 4)
        first = chosen[np.lexsort((bounds[:, 1], bounds[:, 0], -area))[0]]
        # The centroid does not depend on how the board lies, but may lie outside.
        shape = self.shapes[first]
        point = shapely.centroid(shape)
        if not shapely.intersects(shape, point):
            point = shapely.point_on_surface(shape)
        at = shapely.get_coordinates(point)[0]
        layers = np.unique(self.layer[rows])
        alone = len(layers) == 1 and layers[0] != ANY_LAYER
        return Spot(
            x_mm=float(at[0]),
            y_mm=float(at[1]),
            box_mm=(float(box[0]), float(box[1]), float(box[2]), float(box[3])),
            side=self.keys[layers[0]][0] if alone else None,
        )


def layer_key(layer: Layer | LayerChange) -> Key:
    """Make the key by which copper layers of two boards are paired."""
    return layer.side, 0 if layer.side is not None else layer.index


def find_causes(
    old: Board,
    new: Board,
    alignment: Alignment,
    layers: Iterable[LayerChange],
    changes: Iterable[Change],
) -> Causes:
    """Gather what changed of copper and of holes.

    Parameters
    ----------
    old, new
        As given, not turned.
    layers, changes
        Those of the comparison.
    """
    keys = tuple(dict.fromkeys(layer_key(a) for board in (new, old) for a in board.copper))
    shapes: list[Shapes] = []
    table: list[tuple[int, bool]] = []

    def add(found: Shapes, layer: int, *, is_new: bool) -> None:
        shapes.append(found)
        table.extend([(layer, is_new)] * len(found))

    paired = [a for a in layers if a.kind is RoleKind.COPPER]
    for change in paired:
        add(change.added, keys.index(layer_key(change)), is_new=True)
        add(change.removed, keys.index(layer_key(change)), is_new=False)
    both = {layer_key(a) for a in paired}
    for board, is_new in ((new, True), (old, False)):
        for number, layer in enumerate(board.copper):
            # A layer that one board alone has is a change as a whole.
            if layer_key(layer) not in both:
                pieces = trace_copper(board).pieces
                found = pieces.polygons[pieces.on_layer(number)]
                found = found if is_new else shapely.transform(found, alignment.lay)
                add(found, keys.index(layer_key(layer)), is_new=is_new)
    holes = _holes(changes)
    # A hole may join copper, if plated, or cut it: it counts as new and as gone.
    add(holes, ANY_LAYER, is_new=True)
    layer_of = np.array([layer for layer, _ in table], dtype=np.int64)
    fresh = np.array([is_new for _, is_new in table], dtype=bool)
    return Causes(
        shapes=np.concatenate(shapes),
        layer=layer_of,
        new=fresh,
        gone=~fresh | (layer_of == ANY_LAYER),
        keys=keys,
    )


def _holes(changes: Iterable[Change]) -> Shapes:
    """Holes and slots that changed, where they are and where they were."""
    boxes = []
    for change in changes:
        if change.what in (What.HOLE, What.SLOT) and change.box_mm is not None:
            boxes.append(change.box_mm)
            if change.moved_mm is not None:
                dx, dy = change.moved_mm
                x0, y0, x1, y1 = change.box_mm
                boxes.append((x0 - dx, y0 - dy, x1 - dx, y1 - dy))
    table = np.array(boxes).reshape(-1, 4)
    return np.asarray(shapely.box(*table.T), dtype=object)


def smallest(causes: Causes, heaps: Sequence[Ints]) -> Spot | None:
    """Find the place of the smallest of some heaps that are small enough to have one."""
    spots = [(round(float(shapely.area(causes.shapes[h]).sum()), 4), causes.spot(h)) for h in heaps]
    known = [(area, s.x_mm, s.y_mm, s) for area, s in spots if s is not None]
    return min(known, key=lambda t: (t[0], round(t[1], 3), round(t[2], 3)))[3] if known else None


# Changes that follow from another: holes of a key that moved, pads of a hole that is new


REACH_MM: Final = {
    What.KEY: HALF_KEY_MM,
    What.PART: 3.0,
    What.HOLE: 1.0,
    What.SLOT: 1.0,
    What.CONNECTION: 0.05,
}
"""Around a change of this, areas are its pads, openings, rings and copper (our choice)."""

MOST_MM: Final = 25.0
"""Larger areas are no side effect of one key, part or hole (our choice)."""


def fold_side_effects(changes: Sequence[Change]) -> Iterator[Change]:
    """Give all changes in order, those that follow from another with its words in ``because``."""
    causes = [c for c in changes if c.what in REACH_MM and c.x_mm is not None]
    tree = shapely.STRtree([_around(c) for c in causes])
    for change in changes:
        box = change.box_mm
        if box is None or not causes:
            yield change
            continue
        rows = np.sort(tree.query(shapely.box(*box), predicate="intersects")).tolist()
        found = next((causes[k] for k in rows if _explains(causes[k], change)), None)
        yield change if found is None else replace(change, because=found.message)


def _around(change: Change) -> BaseGeometry:
    """Where a change may have side effects: where it is, and where it was."""
    reach = REACH_MM[change.what]
    x, y = change.x_mm or 0.0, change.y_mm or 0.0
    x0, y0, x1, y1 = change.box_mm or (x, y, x, y)
    here = shapely.box(x0 - reach, y0 - reach, x1 + reach, y1 + reach)
    if change.moved_mm is None:
        return here
    dx, dy = change.moved_mm
    there = shapely.box(x0 - dx - reach, y0 - dy - reach, x1 - dx + reach, y1 - dy + reach)
    return shapely.union(here, there)


def _explains(cause: Change, change: Change) -> bool:
    """Whether a change near another follows from it."""
    if change.what in (What.HOLE, What.SLOT):
        if cause.what not in (What.KEY, What.PART) or cause.verb is not change.verb:
            return False
        if cause.verb is not Verb.MOVED or cause.turned_deg:
            return cause.verb in (Verb.MOVED, Verb.ADDED, Verb.REMOVED)
        if cause.moved_mm is None or change.moved_mm is None:
            return False
        apart = np.subtract(cause.moved_mm, change.moved_mm)
        return bool(np.hypot(*apart) <= 4 * MOVED_MM)
    size = change.size_mm
    if not change.is_area or size is None or change.is_pour:
        return False
    if change.what is What.PROFILE:
        # The opening of a switch in a plate: material is gone where a key is new.
        return (
            cause.what is What.KEY
            and MIRRORED.get(cause.verb) is change.verb
            and max(size) <= MOST_MM
        )
    # A part of another value or footprint name alone moves no copper.
    if cause.what is What.PART and cause.verb is Verb.CHANGED and "footprint" not in cause.after:
        return False
    if cause.what is What.CONNECTION:
        return change.added_mm2 + change.removed_mm2 <= LARGE_MM2
    return max(size) <= MOST_MM
