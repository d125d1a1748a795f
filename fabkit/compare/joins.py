"""Pads that copper joins now and did not before, those it parts, and what change does it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Ints, Shapes, rows_by
from fabkit.base.units import and_words, counted, natural
from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import ATTACHED, NO_NET, VIA_MM, Copper, netlist_of, trace_copper
from fabkit.board.model import Board, Layer
from fabkit.compare.holes import CARRIED_MM, ONE_PLACE_MM, Free, Motion
from fabkit.compare.keys import who_names_none
from fabkit.compare.model import (
    COPPER_LAYERS,
    MOVED_MM,
    SLIVER_MM,
    Alignment,
    Change,
    LayerChange,
    Points,
    Verb,
    What,
)
from fabkit.geometry.areas import touching_pairs
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.geometry.segments import Box
from fabkit.package.model import RoleKind, Side

NAMES: Final = 3
"""Pads that are named of several."""


def compare_joins(
    old: Board,
    new: Board,
    alignment: Alignment,
    motions: Sequence[Motion],
    layers: Sequence[LayerChange],
    changes: Sequence[Change],
) -> tuple[Change, ...]:
    """Find pads that were joined and are apart, then pads that were apart and are joined.

    Parameters
    ----------
    old, new
        As given, not turned.
    motions
        Of keys and parts, in the coordinates of ``new``.
    layers, changes
        What is different already: pads are parted or joined by nothing else.

    Notes
    -----
    Pads that only one board has join and part nothing by themselves.  Places are those where the
    pads are joined, so that the other way round gives the same.
    """
    if not _may_differ(layers, changes):
        return ()
    spots = find_spots(old).laid(alignment), find_spots(new)
    rows = pair_spots(*spots, motions)
    mine, theirs = (s.take(r) for s, r in zip(spots, rows, strict=True))
    names = tuple(b or a for a, b in zip(mine.names, theirs.names, strict=True))
    made: list[Change] = []
    causes: Causes | None = None
    for verb, joined, parted in ((Verb.REMOVED, mine, theirs), (Verb.ADDED, theirs, mine)):
        splits = list(find_splits(joined.island, parted.island, joined.at))
        if not splits:
            continue
        causes = causes or find_causes(old, new, alignment, layers, changes)
        # Where they are apart, copper that parts or joins them must have changed beside both.
        where = (new, None) if verb is Verb.REMOVED else (old, alignment)
        placed = sorted(_caused(splits, causes, *where), key=lambda p: _rank(joined.at[p[0].cut]))
        listed = dict.fromkeys(split.group for split, _ in placed)
        first = 1 + max((c.group or 0 for c in made), default=0)
        number = {group: k for k, group in enumerate(listed, start=first)}
        placed.sort(key=lambda p: number[p[0].group])
        made += [_change(verb, *p, joined, names, number[p[0].group]) for p in placed]
    return tuple(made)


def _rank(at: Points) -> tuple[float, ...]:
    """Sort key: most places first, then by place."""
    return (-count_places(at), *at.min(axis=0).round(3))


def _may_differ(layers: Iterable[LayerChange], changes: Iterable[Change]) -> bool:
    """Whether copper, holes or copper layers are different at all."""
    if any(a.kind is RoleKind.COPPER and not a.equal for a in layers):
        return True
    return any(
        c.what in (What.HOLE, What.SLOT)
        or (c.what is What.BOARD and c.subject == COPPER_LAYERS)
        or (c.what is What.LAYER and c.subject.endswith(RoleKind.COPPER))
        for c in changes
    )


def _caused(
    splits: Sequence[Split], causes: Causes, board: Board, laid: Alignment | None
) -> Iterator[tuple[Split, Spot | None]]:
    """Keep splits that a change accounts for, with the place of the change.

    Pads that no change touches were parted or joined by less than the tolerance: by rounding.
    """
    islands = np.unique([k for split in splits for k in split.apart])
    pairs = causes.touched(board, laid, islands)
    flags = causes.gone if laid is None else causes.new
    heap = causes.heap[0 if laid is None else 1]
    rows = np.flatnonzero(flags)
    members = {k: rows[mine] for k, mine in rows_by(heap[rows]).items()}
    touching = {k: pairs[mine, 1] for k, mine in rows_by(pairs[:, 0]).items()}
    for split in splits:
        mine, theirs = (touching.get(k) for k in split.apart)
        if mine is None or theirs is None:
            continue
        # Only changed copper that reaches both shows the place; without it the pads' own places are
        # given.
        common = np.intersect1d(heap[mine[flags[mine]]], heap[theirs[flags[theirs]]])
        yield split, smallest(causes, [members[k] for k in common.tolist()])


def _change(
    verb: Verb, split: Split, place: Spot | None, joined: Spots, names: Sequence[str], group: int
) -> Change:
    """One split, as seen where its pads are joined."""
    at = joined.at
    (ax, ay), (bx, by) = (p.tolist() for p in nearest_ends(at[split.cut], at[split.rest]))
    cut, rest = ({names[k] for k in rows.tolist()} for rows in (split.cut, split.rest))
    others = pad_words(split.rest, at, names, cut & rest)
    words = f"joined to {others}", f"apart from {others}"
    before, after = words if verb is Verb.REMOVED else words[::-1]
    faces = np.unique(joined.face[split.cut])
    side: Side | None = FACES[faces[0]] if len(faces) == 1 else None
    return Change(
        what=What.CONNECTION,
        verb=verb,
        subject=pad_words(split.cut, at, names, cut & rest),
        side=side if place is None else place.side,
        x_mm=ax if place is None else place.x_mm,
        y_mm=ay if place is None else place.y_mm,
        box_mm=(ax, ay, ax, ay) if place is None else place.box_mm,
        before=before,
        after=after,
        ends_mm=((ax, ay), (bx, by)),
        group=group,
    )


def pad_words(
    rows: Ints, at: Points, names: Sequence[str], parted: Collection[str] = frozenset()
) -> str:
    """Name pads by their pins where some are known, and how many more places there are.

    ``parted`` are pins with pads here and elsewhere, as boards for either hand have them.
    """
    known: dict[str, None] = dict.fromkeys(
        sorted({names[k] for k in rows.tolist() if names[k]}, key=natural)
    )
    shown = list(known)[:NAMES]
    named = [k for k in rows.tolist() if names[k] in shown]
    rest = count_places(at[rows]) - count_places(at[named])
    if not shown:
        return "a pad" if rest == 1 else counted(rest, "pad")
    more = [counted(rest, "more pad")] if rest > 0 else []
    return and_words([*(f"a pad of {n}" if n in parted else n for n in shown), *more])


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Things that are together with others in one partition, and apart from them in the other.

    Parameters
    ----------
    group
        The part they share in the partition in which they are together.
    cut, rest : (n,) int64
        Rows that are apart, and rows of the largest share of the group, which stay together.
    apart
        The parts of ``cut`` and of ``rest`` in the other partition.
    """

    group: int
    cut: Ints
    rest: Ints
    apart: tuple[int, int]


def find_splits(together: Ints, apart: Ints, at: Points) -> Iterator[Split]:
    """Find what is together in one partition and apart in the other.

    Parameters
    ----------
    together, apart : (n,) int64
        Part of each thing in either partition.
    at : (n, 2) float64, mm
        Where the things lie; several on one place count once.

    Notes
    -----
    A group that falls into many parts is reported once for each part but the largest.  Two things
    of one group are apart just if they are in different parts, so nothing is reported twice and
    nothing is left out.  Of equally large parts the one nearer to the middle of all counts as the
    largest, so that the result depends neither on the origin nor on the order of the files.
    """
    if not len(at):
        return
    shares, share = np.unique(np.column_stack((together, apart)), axis=0, return_inverse=True)
    members = rows_by(share.reshape(-1))
    centre = (at.min(axis=0) + at.max(axis=0)) / 2
    # Shares are sorted by group: those of one group follow each other.
    starts = np.flatnonzero(np.diff(shares[:, 0], prepend=shares[0, 0] - 1))
    for first, last in zip(starts, [*starts[1:], len(shares)], strict=True):
        if last - first < 2:
            continue
        ranked = sorted(range(first, last), key=lambda k: _rank_about(at[members[k]], centre))
        for k in ranked[1:]:
            yield Split(
                group=int(shares[k, 0]),
                cut=members[k],
                rest=members[ranked[0]],
                apart=(int(shares[k, 1]), int(shares[ranked[0], 1])),
            )


def _rank_about(at: Points, centre: Points) -> tuple[float, ...]:
    """Sort key: most places first, then nearest to the centre, then by place."""
    middle = at.mean(axis=0)
    return (-count_places(at), round(float(np.hypot(*(middle - centre))), 3), *middle.round(3))


def count_places(at: Points) -> int:
    """How many places there are, to the hundredth of a millimetre."""
    return len(np.unique(np.round(at, 2), axis=0))


def nearest_ends(cut: Points, rest: Points) -> tuple[Points, Points]:
    """Find the place of each set that is nearest to the other.

    Of equally near ones the one nearer to the middle of ``rest``, which does not depend on how
    the board lies, then the leftmost.
    """
    middle = rest.mean(axis=0)

    def first(points: Points, distance: Points) -> Points:
        far = np.hypot(*(points - middle).T).round(3)
        x, y = points.round(3).T
        return np.asarray(points[np.lexsort((y, x, far, distance.round(3)))[0]])

    end = first(cut, PointTree(rest).query(cut)[0])
    return end, first(rest, np.hypot(*(rest - end).T))


SAME_SPOT_MM: Final = 0.05
"""A pad this near to the middle of a hole is that hole's (our choice)."""

FACES: Final[tuple[Side, Side]] = ("top", "bottom")


@dataclass(frozen=True, eq=False)
class Spots:
    """Places of one board where something can be soldered, on either face.

    Parameters
    ----------
    at : (n, 2) float64, mm
        A plated hole has a spot on each face that it has copper on.
    face : (n,) int64
        0 top, 1 bottom.
    island : (n,) int64
        Of :class:`fabkit.board.connectivity.Pieces`.
    names
        Reference and pin where the files state them, else empty.
    """

    at: Points
    face: Ints
    island: Ints
    names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.at)

    def take(self, rows: NDArray[np.integer] | Bools) -> Spots:
        """Keep some of them, by rows or by flags."""
        chosen = np.arange(len(self))[rows]
        names = tuple(self.names[k] for k in chosen.tolist())
        return Spots(self.at[chosen], self.face[chosen], self.island[chosen], names)

    def laid(self, alignment: Alignment) -> Spots:
        """Lay the spots of an old board on the new one."""
        return replace(self, at=alignment.lay(self.at))

    @classmethod
    def concat(cls, parts: Sequence[Spots]) -> Spots:
        """All of several, in order."""
        none = np.empty(0, np.int64)
        return cls(
            np.concatenate([np.empty((0, 2)), *(p.at for p in parts)]),
            np.concatenate([none, *(p.face for p in parts)]),
            np.concatenate([none, *(p.island for p in parts)]),
            tuple(name for p in parts for name in p.names),
        )


def find_spots(board: Board) -> Spots:
    """Find the pads, plated holes and bare copper of both faces that something is soldered to.

    Notes
    -----
    Vias are left out, because a revision may put them anywhere: they are known by the function
    their pads state, else as plated holes up to ``VIA_MM``.  What solder mask covers is
    left out too.  A pad that is drawn and not flashed is recognised by the opening above it.
    """
    copper = trace_copper(board)
    middles, wide = _cut_middles(board)
    vias = PointTree(middles[~wide])
    found = []
    for face, side in enumerate(FACES):
        layer = next((k for k, a in enumerate(board.copper) if a.side == side), None)
        if layer is None:
            continue
        pads, attached = _pads(copper, layer, face, vias)
        barrels = _barrels(copper, layer, face, middles, wide)
        alone = ~np.isfinite(PointTree(pads.at).query(barrels.at, within=SAME_SPOT_MM)[0])
        spots = Spots.concat((pads.take(attached), barrels.take(alone)))
        openings = _openings(board, side)
        if len(openings):
            bared = pieces_at(openings, shapely.points(spots.at)) >= 0
            # A mask that bares none of them is no help, such as one that shows what it covers.
            spots = spots.take(bared) if bared.any() else spots
            known = np.concatenate((pads.at, middles[np.isfinite(middles).all(axis=1)]))
            found.append(_drawn(copper, layer, face, openings, known))
        found.append(spots)
    return Spots.concat(found)


def _cut_middles(board: Board) -> tuple[Points, Bools]:
    """Middles of all holes and slots, nan of those without a size; and which are no vias."""
    box = shapely.bounds(board.hole_shapes).reshape(-1, 4)
    wide = np.ones(len(box), dtype=bool)
    holes = board.holes
    wide[: len(holes)] = (holes.diameter > VIA_MM) | (holes.plated == 0)
    return (box[:, :2] + box[:, 2:]) / 2, wide


def _pads(copper: Copper, layer: int, face: int, vias: PointTree) -> tuple[Spots, Bools]:
    """List the pads of a layer, each place once, and whether something is attached to them."""
    pads = copper.pads
    rows = np.flatnonzero((pads.layer == layer) & (pads.island >= 0))
    # Of pads drawn twice on one spot, one that states its pin.
    rows = rows[np.argsort(pads.pin[rows] < 0, kind="stable")]
    places = np.round(np.column_stack((pads.x[rows], pads.y[rows])), 3)
    rows = np.sort(rows[np.unique(places, axis=0, return_index=True)[1]])
    at = np.column_stack((pads.x[rows], pads.y[rows]))
    names = tuple(copper.pad_name(k) if pads.pin[k] >= 0 else "" for k in rows.tolist())
    spots = Spots(at, np.full(len(rows), face), pads.island[rows].astype(np.int64), names)
    soldered = np.array([bool(f) and f[0] in ATTACHED for f in copper.functions] + [False])
    stated = pads.function[rows] >= 0
    via = np.isfinite(vias.query(at, within=SAME_SPOT_MM)[0])
    return spots, np.where(stated, soldered[pads.function[rows]], ~via)


def _barrels(copper: Copper, layer: int, face: int, middles: Points, wide: Bools) -> Spots:
    """Plated holes and slots that are no vias, where they touch copper of a layer."""
    barrel, piece = copper.pieces.joints.T
    rows = np.flatnonzero(wide[barrel] & (copper.pieces.layer[piece] == layer))
    # Copper broken by its hole may touch it in several pieces, which the barrel joins.
    rows = rows[np.unique(barrel[rows], return_index=True)[1]]
    island = copper.pieces.island[piece[rows]].astype(np.int64)
    return Spots(middles[barrel[rows]], np.full(len(rows), face), island, ("",) * len(rows))


def _openings(board: Board, side: Side) -> Shapes:
    layer = board.layer(RoleKind.MASK, side)
    if layer is None or not len(layer.file.objects):
        return np.empty(0, dtype=object)
    image = layer.file.image
    if layer.negative and board.profile is not None:
        image = board.profile.difference(image)
    parts: Shapes = shapely.get_parts(image)
    return parts


def _drawn(copper: Copper, layer: int, face: int, openings: Shapes, known: Points) -> Spots:
    """Copper in the middle of openings that hold neither a flashed pad nor a hole."""
    free = np.ones(len(openings), dtype=bool)
    free[np.unique(shapely.STRtree(shapely.points(known)).query(openings, "intersects")[0])] = False
    box = shapely.bounds(openings[free])
    middle = (box[:, :2] + box[:, 2:]) / 2
    inside = shapely.intersects_xy(openings[free], middle[:, 0], middle[:, 1])
    rows = copper.pieces.on_layer(layer)
    piece = pieces_at(copper.pieces.polygons[rows], shapely.points(middle[inside]))
    at, piece = middle[inside][piece >= 0], rows[piece[piece >= 0]]
    island = copper.pieces.island[piece].astype(np.int64)
    return Spots(at, np.full(len(at), face), island, ("",) * len(at))


def pair_spots(old: Spots, new: Spots, motions: Sequence[Motion]) -> tuple[Ints, Ints]:
    """Rows of spots that are one and the same: at one place, or moved with their key or part.

    Parameters
    ----------
    old
        As it lies on the new board.
    motions
        Of keys and parts, in the coordinates of ``new``.
    """
    pairs: list[tuple[int, int]] = []
    for face in range(len(FACES)):
        free = Free(*(s.face == face for s in (old, new)))
        pairs += free.pairs(old.at, new.at, MOVED_MM)
        for motion in motions:
            pairs += free.pairs(motion.carried(old.at), new.at, CARRIED_MM)
        pairs += free.pairs(old.at, new.at, ONE_PLACE_MM)
    rows = np.array(sorted(pairs), dtype=np.int64).reshape(-1, 2)
    return rows[:, 0], rows[:, 1]


Pin = tuple[str, str]
"""Reference and pin."""
Pins = Mapping[Pin, str]
"""Net of each pin; empty for a pin on no net."""

_NONE: Final = "no net"


def pins_of(old: Board, new: Board) -> tuple[Pins, Pins] | str:
    """Pins of both boards from one kind of source, or why there is none."""
    by_attributes = [_attribute_pins(board) for board in (old, new)]
    if all(by_attributes):
        return by_attributes[0], by_attributes[1]
    by_netlist = [_netlist_pins(board) for board in (old, new)]
    if all(by_netlist):
        return by_netlist[0], by_netlist[1]
    known = [bool(a or n) for a, n in zip(by_attributes, by_netlist, strict=True)]
    if all(known):
        return "one board names nets in its layers, the other only in a netlist"
    return who_names_none(old=known[0], new=known[1])


def _attribute_pins(board: Board) -> Pins:
    """Net of each pin; of one with pads on several, all of them in one word.

    Where the pad that a part is known by is stated to be of no net, another pad's net is the pin's.
    """
    own = [c for c in board.components if c.origin != "netlist"]
    pins = {(c.ref, pin): net for c in own for pin, net in c.pins}
    nets: dict[Pin, set[str]] = {pin: set() for pin in pins}
    for layer in board.copper:
        for row in np.unique(layer.file.objects.attributes).tolist():
            stated = layer.file.attribute_sets[row] if row >= 0 else {}
            part, net = stated.get(".P", ()), stated.get(".N", ())
            if len(part) > 1 and net and (part[0], part[1]) in nets:
                nets[part[0], part[1]].add(net[0])
    pins |= {
        pin: " and ".join(sorted(named))
        for pin, stated_nets in nets.items()
        if (named := stated_nets - NO_NET) and (len(named) > 1 or pins[pin] in NO_NET)
    }
    pins = {pin: "" if net in NO_NET else net for pin, net in pins.items()}
    return pins if any(pins.values()) else {}


def _netlist_pins(board: Board) -> Pins:
    netlist = netlist_of(board)
    if netlist is None:
        return {}
    return {
        (p.ref, p.pin): "" if p.net in NO_NET else p.net
        for p in netlist.points
        if p.ref and p.pin and p.kind != "tooling"
    }


def compare_nets(old: Pins, new: Pins) -> Iterator[Change]:
    """Nets that hold the same pins under another name are renamed; other pins have moved.

    Notes
    -----
    Only pins that both boards have count: nets with exactly the same ones belong together, then
    nets of one name, then nets that share more than half of each other's.
    """
    common = sorted(old.keys() & new.keys())
    before, after = _members(old, common), _members(new, common)
    became = _pair(before, after)
    came = {b: a for a, b in became.items()}
    for a in sorted(became):
        if became[a] != a:
            yield Change(what=What.NET, verb=Verb.RENAMED, subject="net", before=a, after=became[a])
    for net in sorted({n for n in old.values() if n} - became.keys() - set(new.values())):
        yield Change(what=What.NET, verb=Verb.REMOVED, subject=f"net {net}")
    for net in sorted({n for n in new.values() if n} - came.keys() - set(old.values())):
        yield Change(what=What.NET, verb=Verb.ADDED, subject=f"net {net}")
    for pin in common:
        if became.get(old[pin], old[pin]) != new[pin]:
            yield Change(
                what=What.PIN,
                verb=Verb.MOVED,
                subject=_words(pin),
                before=old[pin] or _NONE,
                after=new[pin] or _NONE,
            )
    refs = {ref for ref, _ in old} & {ref for ref, _ in new}
    for pin in sorted(old.keys() - new.keys()):
        if pin[0] in refs:
            yield Change(
                what=What.PIN, verb=Verb.REMOVED, subject=_words(pin), before=old[pin] or _NONE
            )
    for pin in sorted(new.keys() - old.keys()):
        if pin[0] in refs:
            yield Change(
                what=What.PIN, verb=Verb.ADDED, subject=_words(pin), after=new[pin] or _NONE
            )


def _words(pin: Pin) -> str:
    return f"{pin[0]} pin {pin[1]}"


def _members(pins: Pins, common: list[Pin]) -> dict[str, frozenset[Pin]]:
    found: dict[str, set[Pin]] = {}
    for pin in common:
        if pins[pin]:
            found.setdefault(pins[pin], set()).add(pin)
    return {net: frozenset(members) for net, members in found.items()}


def _pair(
    before: Mapping[str, frozenset[Pin]], after: Mapping[str, frozenset[Pin]]
) -> dict[str, str]:
    """Which net became which."""
    by_pins = {members: net for net, members in after.items()}
    became = {net: by_pins[pins] for net, pins in before.items() if pins in by_pins}
    taken = set(became.values())
    for net in before:
        if net not in became and net in after and net not in taken:
            became[net] = net
            taken.add(net)
    for net in sorted(before.keys() - became.keys()):
        for other in sorted(after.keys() - taken):
            shared = len(before[net] & after[other])
            # More than half of the larger: only one net can have that, so the order does not
            # matter.
            if 2 * shared > max(len(before[net]), len(after[other])):
                became[net] = other
                taken.add(other)
                break
    return became


# What parts or joins pads: copper that is new or gone, and holes that changed


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
    new: Bools
    gone: Bools
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
