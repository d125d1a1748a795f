"""Lands of the outer copper, read from the flashes alone, and what a switch shows by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Columns, Floats, Ints, rows_by
from fabkit.board.components import netlist_points, point_face
from fabkit.board.copper import VIA_MM, find_pads, pad_centres
from fabkit.board.model import Board, Layer
from fabkit.board.nets import SEARCH_MM
from fabkit.formats.gerber.model import GerberFile, object_shapes
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import Points, turned


@dataclass(frozen=True, slots=True, eq=False)
class LandTable(Points):
    """Lands of both faces.

    Columns
    -------
    x, y : float64, mm
    width, height : float64, mm
        Of the smallest box round the land, however it is turned.
    turn : float64, degrees
        Of that box, counter-clockwise, from 0 up to 180.
    face : int8
        1 top, -1 bottom.
    through : bool
        It lies about a hole.
    net, ref : int32
        Codes into ``Lands.nets`` and ``Lands.refs``; 0 stands for not stated.
    """

    width: Floats
    height: Floats
    turn: Floats
    face: NDArray[np.int8]
    through: Bools
    net: NDArray[np.int32]
    ref: NDArray[np.int32]

    @property
    def short(self) -> Floats:
        """Shorter sides, mm."""
        return np.minimum(self.width, self.height)

    @property
    def long(self) -> Floats:
        """Longer sides, mm."""
        return np.maximum(self.width, self.height)


_NONE: Final[Ints] = np.empty(0, np.int64)


@dataclass(frozen=True, eq=False)
class Lands:
    """The lands, and the names their codes stand for; the first name of each is empty."""

    table: LandTable
    nets: tuple[str, ...]
    refs: tuple[str, ...]

    @cached_property
    def _by_ref(self) -> dict[str, Ints]:
        return {self.refs[code]: rows for code, rows in rows_by(self.table.ref).items() if code}

    def of(self, ref: str) -> LandTable:
        """Lands of one component; none where no land names it."""
        return self.table.take(self._by_ref.get(ref, _NONE))


def read_lands(board: Board) -> Lands:
    """Read the lands of the outer copper layers.

    Returns
    -------
    Lands by layer (top first), then by order in the file.
    """
    nets, refs = {"": 0}, {"": 0}
    tables = [
        _read_layer(board, layer, nets, refs) for layer in board.copper if layer.side is not None
    ]
    table = LandTable.concat(*tables)
    if len(refs) == 1:
        table = _with_netlist(board, table, refs)
    return Lands(table=table, nets=tuple(nets), refs=tuple(refs))


def _with_netlist(board: Board, table: LandTable, refs: dict[str, int]) -> LandTable:
    """Lands with the references of a netlist's points on them, where the layers name no part."""
    points, spots = netlist_points(board.package, board.layers)
    if not points or not len(table):
        return table
    face = np.array([point_face(p, len(board.copper)) for p in points])
    code = np.array([refs.setdefault(p.ref, len(refs)) for p in points], np.int32)
    ref = table.ref.copy()
    for side in (1, -1):
        mine = np.flatnonzero(table.face == side)
        there = np.flatnonzero(face != -side)
        if len(mine) and len(there):
            gap, near = PointTree(spots[there]).query(table.spots()[mine])
            on = gap <= SEARCH_MM
            ref[mine[on]] = code[there[near[on]]]
    return table.with_columns(ref=ref)


def _read_layer(
    board: Board, layer: Layer, nets: dict[str, int], refs: dict[str, int]
) -> LandTable:
    file = layer.file
    rows = np.flatnonzero(find_pads(file))
    objects = file.objects
    x, y = pad_centres(layer, rows)
    size, turn = _boxes(file, rows)
    sets = file.attribute_sets
    net_of = [nets.setdefault((s.get(".N") or ("",))[0], len(nets)) for s in sets] or [0]
    ref_of = [refs.setdefault((s.get(".P") or ("",))[0], len(refs)) for s in sets] or [0]
    return LandTable(
        x=x,
        y=y,
        width=size[:, 0],
        height=size[:, 1],
        turn=turn,
        face=np.full(len(rows), 1 if layer.side == "top" else -1),
        through=_about_holes(board, x, y, size, turn),
        net=np.array(net_of, np.int32)[objects.attributes[rows]],
        ref=np.array(ref_of, np.int32)[objects.attributes[rows]],
    )


def _boxes(file: GerberFile, rows: Ints) -> tuple[Floats, Floats]:
    """Sides (n, 2), mm, and turn, degrees, of the smallest box round each land.

    Standard apertures state theirs.  Exporters write turned lands as macros or regions, of which
    the upright box shows neither how wide a lead is nor which way it points: the outline does.
    """
    objects = file.objects
    flashed = objects.aperture[rows] >= 0
    size, turn = np.zeros((len(rows), 2)), np.zeros(len(rows))
    used = np.unique(objects.aperture[rows[flashed]])
    boxes, turns = np.zeros((len(file.apertures), 2)), np.zeros(len(file.apertures))
    for number in used.tolist():
        aperture = file.apertures[number]
        if aperture.template in ("C", "R", "O"):
            boxes[number] = aperture.size_mm
        else:
            boxes[number], turns[number] = _smallest_box(aperture.shape)
    poses = np.array(
        [(p.rotation_deg, p.mirror_x, p.scale) for p in file.poses] or [(0.0, False, 1.0)]
    )
    rotation, mirrored, scale = poses[objects.pose[rows[flashed]]].T
    mine = objects.aperture[rows[flashed]]
    size[flashed] = boxes[mine] * scale[:, None]
    turn[flashed] = np.where(mirrored > 0, -turns[mine], turns[mine]) + rotation
    drawn = np.flatnonzero(~flashed)
    for row, shape in zip(drawn.tolist(), object_shapes(file, rows[drawn]), strict=True):
        size[row], turn[row] = _smallest_box(shape)
    return size, turn % 180


def _smallest_box(shape: BaseGeometry) -> tuple[tuple[float, float], float]:
    """Sides, mm, and turn of the first, degrees, of the smallest box round a shape."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    if len(corners) < 4:
        return (0.0, 0.0), 0.0
    first, second = corners[1] - corners[0], corners[2] - corners[1]
    sides = float(np.hypot(*first)), float(np.hypot(*second))
    return sides, float(np.degrees(np.arctan2(first[1], first[0])))


def _about_holes(board: Board, x: Floats, y: Floats, size: Floats, turn: Floats) -> Bools:
    """Which lands have the middle of a hole or slot within them."""
    holes, slots = board.holes, board.slots
    points = np.concatenate((holes.spots(), slots.middles()))
    if not len(points) or not len(x):
        return np.zeros(len(x), dtype=bool)
    apart, near = PointTree(points).query(np.column_stack((x, y)))
    away = (points[near, 0] - x) + 1j * (points[near, 1] - y)
    # In the land's own frame: the upright box of a turned land may hold a hole beside it.
    along = away * np.exp(-1j * np.radians(turn))
    inside = (np.abs(along.real) <= size[:, 0] / 2) & (np.abs(along.imag) <= size[:, 1] / 2)
    return np.asarray(inside & np.isfinite(apart))


REACH_MM: Final = 9.0
"""What belongs to a key lies within half a key pitch of its middle."""

COMMON_SHARE: Final = 0.3
"""What lies at one place beside this share of the keys belongs to a footprint: a board may use two
or three footprints, for keys of other widths or families."""

ALIKE_MM: Final = 0.15
"""Places and sizes that differ by less are alike; as for hole patterns."""

POST_MM: Final = 0.35
"""Posts stand on the line through the middle, within this (common practice)."""

MIDDLE_MM: Final = 1.0
"""A hole this near to the middle is the centre post's."""

HOLE: Final = 0


@dataclass(frozen=True, slots=True, eq=False)
class Features(Columns):
    """Holes and surface lands about keys, as each key sees them.

    Columns
    -------
    key : int32
        Row of the key.
    x, y : float64, mm
        From the key's middle, along the key's own axes.
    what : int8
        0 a hole or slot, 1 a land on the top, -1 on the bottom (lands about holes are left out).
    size : float64, mm
        Diameter of a hole, length of a slot, longer side of a land.
    row : int32
        Row of the hole, slot (counted on after the holes) or land.
    """

    key: NDArray[np.int32]
    x: Floats
    y: Floats
    what: NDArray[np.int8]
    size: Floats
    row: NDArray[np.int32]


def find_features(
    board: Board, lands: LandTable, centres: Floats, turns_deg: Floats, *, slack_mm: float
) -> Features:
    """Find what belongs to the footprints of keys.

    Parameters
    ----------
    centres : (n, 2) float64, mm
    turns_deg : (n,) float64
        Turn of each key, counter-clockwise.
    slack_mm
        By how much more than usual places may differ (coarse exports).
    """
    near = _near(board, lands, centres, turns_deg)
    return near.take(_common(near, len(centres), ALIKE_MM + slack_mm))


def _near(board: Board, lands: LandTable, centres: Floats, turns_deg: Floats) -> Features:
    """All holes, slots and surface lands within reach of the nearest key."""
    h, s = board.holes, board.slots
    drilled = (h.plated == 0) | (h.diameter > VIA_MM)
    free = ~lands.through
    points = np.concatenate((h.spots()[drilled], s.middles(), lands.spots()[free]))
    length = s.diameter + s.chords()
    size = np.concatenate((h.diameter[drilled], length, lands.long[free]))
    what = np.concatenate((np.zeros(int(drilled.sum()) + len(s), np.int8), lands.face[free]))
    row = np.concatenate(
        (np.flatnonzero(drilled), len(h) + np.arange(len(s)), np.flatnonzero(free))
    )
    if not len(points):
        return Features.empty()
    apart, key = PointTree(centres).query(points)
    mine = np.flatnonzero(apart <= REACH_MM)
    away = points[mine] - centres[key[mine]]
    x, y = turned(away, -turns_deg[key[mine]]).T
    return Features(
        key=key[mine].astype(np.int32),
        x=x,
        y=y,
        what=what[mine],
        size=size[mine],
        row=row[mine].astype(np.int32),
    )


def _common(near: Features, keys: int, alike_mm: float) -> Bools:
    """Which features are alike at enough keys."""
    if not len(near):
        return np.zeros(0, dtype=bool)
    # A difference in kind is made as large as no difference in place can be.
    table = np.column_stack((near.x, near.y, near.size, near.what * 100.0))
    pairs = PointTree(table).pairs(alike_mm)
    alike = np.concatenate((pairs, pairs[:, ::-1]))
    seen = np.unique(np.column_stack((alike[:, 0], near.key[alike[:, 1]])), axis=0)
    others = np.bincount(seen[:, 0], minlength=len(near))
    return np.asarray(others + 1 >= max(2.0, COMMON_SHARE * keys))


def contact_rows(features: Features) -> Ints:
    """Rows of features that may be contacts: all but the posts.

    Posts are bare holes on the line through the middle, in pairs or alone.
    """
    hole = features.what == HOLE
    middle = hole & (np.hypot(features.x, features.y) <= MIDDLE_MM)
    line = hole & (np.abs(features.y) <= POST_MM)
    if line.any():
        rows = np.flatnonzero(line)
        table = np.column_stack((features.x, features.size, features.key * 100.0))[rows]
        image = table * (-1, 1, 1)
        # Posts come in like pairs, so a hole on that line with none opposite stays a contact.
        paired = ~PointTree(table).far_from(image, POST_MM)
        line = np.zeros(len(features), dtype=bool)
        line[rows[paired]] = True
    return np.flatnonzero(~middle & ~line)


def mirror_shares(features: Features, rows: Ints, *, slack_mm: float) -> Floats:
    """For each feature asked, whether it has a counterpart when its key is turned over.

    A board turned over shows each footprint mirrored; a switch fits the mirrored footprint
    upright (about its y axis) or turned by 180 degrees (about its x axis).

    Returns
    -------
    (2, m) float64
        1 where there is a counterpart about the y axis, and about the x axis; else 0.
    """
    out = np.zeros((2, len(rows)))
    if not len(rows):
        return out
    key = features.key * 1000.0
    holes = features.what == HOLE
    size = np.where(holes, features.size, 0.0)  # lands of two faces may differ in size
    table = np.column_stack((features.x, features.y, size, features.what * 100.0, key))
    tree = PointTree(table)
    for way, sign in enumerate(((-1, 1), (1, -1))):
        image = table[rows].copy()
        image[:, 0] *= sign[0]
        image[:, 1] *= sign[1]
        # A land of the top is asked for on the bottom; holes, which are 0, stay what they are.
        image[:, 3] *= -1
        out[way] = ~tree.far_from(image, ALIKE_MM + slack_mm)
    return out


FEWEST_LANDS: Final = 3
"""Two lands lie on each other turned by 180 degrees as well."""


def find_turns(lands: Sequence[Floats]) -> list[tuple[float, Floats] | None]:
    """Turn of each footprint against the usual one, and where its middle lies.

    Parameters
    ----------
    lands
        (n, 2) float64 each, mm: the lands of every footprint on the board.

    Returns
    -------
    For each footprint its turn, degrees counter-clockwise from 0 up to 360, and its middle, (2,)
    float64, mm: that of the usual footprint's box, turned with it.  None where it is of another
    make, has too few lands, or no footprint is usual.
    """
    spread = [at - at.mean(axis=0) if len(at) else at for at in lands]
    usual = _usual(spread)
    if usual is None:
        return [None] * len(lands)
    middle = box_middle(usual)
    out: list[tuple[float, Floats] | None] = []
    for at, away in zip(lands, spread, strict=True):
        turn = _turn(usual, away)
        if turn is None:
            out.append(None)
            continue
        out.append((turn, at.mean(axis=0) + turned(middle, turn)))
    return out


def box_middle(points: Floats) -> Floats:
    """Middle of the box around points, (2,) float64, mm."""
    return np.asarray((points.min(axis=0) + points.max(axis=0)) / 2)


def _usual(spread: Sequence[Floats]) -> Floats | None:
    """Choose the footprint that lies on most others as it is, at least on one."""
    best, most = None, 0
    for away in spread:
        if len(away) < FEWEST_LANDS:
            continue
        alike = sum(_lie_on(away, other) for other in spread) - 1
        if alike > most:
            best, most = away, alike
    return best


def _turn(usual: Floats, away: Floats) -> float | None:
    """Turn that lays the usual footprint on another; the smallest when several do."""
    if len(usual) != len(away):
        return None
    reach = np.hypot(usual[:, 0], usual[:, 1])
    # The land farthest from the middle shows the turn most exactly.
    far = int(reach.argmax())
    there = np.hypot(away[:, 0], away[:, 1])
    start = np.degrees(np.arctan2(usual[far, 1], usual[far, 0]))
    found = []
    for row in np.flatnonzero(np.abs(there - reach[far]) <= ALIKE_MM).tolist():
        turn = float(np.degrees(np.arctan2(away[row, 1], away[row, 0])) - start)
        if _lie_on(turned(usual, turn), away):
            found.append(round(turn, 2) % 360)
    return min(found, key=lambda turn: min(turn, 360 - turn), default=None)


def _lie_on(a: Floats, b: Floats) -> bool:
    """Whether two footprints about their middles are the same."""
    return len(a) == len(b) and bool((PointTree(b).query(a)[0] <= ALIKE_MM).all())


ROWS_APART_MM: Final = (12.7, 15.24, 17.78, 20.32, 22.86, 25.4)
"""Distances of the two rows of controller boards: multiples of a tenth of an inch (common
practice)."""


def are_rows(first: Floats, second: Floats) -> bool:
    """Whether equal rows of holes, (n, 2) float64, mm, lie beside each other as a controller's."""
    if len(first) < 2 or len(second) < 2:
        return False
    shift = second.mean(axis=0) - first.mean(axis=0)
    apart = float(np.hypot(*shift))
    if min(abs(apart - r) for r in ROWS_APART_MM) > 0.3:
        return False
    gap, _ = PointTree(second).query(first + shift)
    along = first[-1] - first[0]
    lean = abs(float(along @ shift)) / (np.hypot(*along) * apart)
    return bool(gap.max() < 0.3 and lean < 0.05)
