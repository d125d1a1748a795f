"""Layers of two boards in pairs: what became of each as a whole, and where else it differs."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints, Shapes, gather
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board, Layer
from fabkit.compare.aligning import voted_shifts
from fabkit.compare.areas import NONE, Shift, differing, layer_difference, moved, thick
from fabkit.compare.model import POUR, SAME_MM, Change, LayerChange, Verb, What
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes
from fabkit.geometry.areas import polygons_of, touching_pairs, unite
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.geometry.segments import Placing
from fabkit.package.model import RoleKind

SUBJECTS: Final[Mapping[RoleKind, What]] = {
    RoleKind.COPPER: What.COPPER,
    RoleKind.MASK: What.MASK,
    RoleKind.LEGEND: What.LEGEND,
    RoleKind.PASTE: What.PASTE,
    RoleKind.SCORE: What.OTHER,
    RoleKind.GLUE: What.OTHER,
    RoleKind.OTHER_LAYER: What.OTHER,
}
"""Layers that are compared as areas; component layers are compared as parts."""

TOGETHER_MM: Final = 0.6
"""Areas of a layer that are nearer than this are one place: a key's pads, a word of legend."""

EDGES_APART: Final = 3.0
EDGES_MM: Final = 6.0
"""A new and a gone area that are alike, and no farther apart than so many times their length nor
than this, are the edges of one thing that moved (our choice)."""

POUR_MM2: Final = 40.0
POUR_WIDE_MM: Final = 2.0
"""Copper that is new or gone as a whole, of such an area and somewhere so wide, is a pour (our
choice)."""

TRACE_SHARE: Final = 0.05
"""So much of the other sort leaves a pour a new one, or one that is gone: tracks gave way to it."""

ALIKE_MM: Final = 0.01
ALIKE_SHARE: Final = 0.05


@dataclass(frozen=True, eq=False)
class _Pair:
    old: Layer | None
    new: Layer | None

    @property
    def either(self) -> Layer:
        layer = self.new or self.old
        assert layer is not None  # noqa: S101 -- a pair holds at least one
        return layer


def compare_layers(
    old: Board, new: Board, shift_mm: Shift
) -> tuple[list[Change], tuple[LayerChange, ...]]:
    """Compare every layer both boards have, copper from the top down, the profile last.

    Returns
    -------
    What happened to layers as a whole, and what is different besides.
    """
    whole: list[Change] = []
    made: list[LayerChange] = []
    swapped: set[RoleKind] = set()
    for kind, pairs in _outer_pairs(old, new).items():
        (a, b), (c, d) = ((p.old, p.new) for p in pairs)
        if a and b and c and d and exchanged((a.file, c.file), (b.file, d.file), shift_mm):
            swapped.add(kind)
            whole.append(_whole(pairs[0].either, Whole(Verb.MOVED, "exchanged"), both=True))
    for pair in _pairs(old, new):
        if pair.old is None or pair.new is None:
            continue
        layer, before = pair.new, pair.old
        if layer.kind in swapped and layer.side is not None:
            others = _outer_pairs(old, new)[layer.kind]
            before = next((p.old for p in others if p.old and p.new is not layer), before)
        cause, change = _compare_pair(old, new, before, layer, shift_mm)
        whole += [] if cause is None else [cause]
        made.append(change)
    return whole, (*made, _profile(old, new, shift_mm))


def _outer_pairs(old: Board, new: Board) -> dict[RoleKind, list[_Pair]]:
    """Pairs of outer layers by kind, where each board has just one on either side."""
    found = gather(
        (pair.either.kind, pair) for pair in _pairs(old, new) if pair.either.side is not None
    )
    return {kind: pairs for kind, pairs in found.items() if len(pairs) == 2}


def _compare_pair(
    old: Board, new: Board, before: Layer, layer: Layer, shift_mm: Shift
) -> tuple[Change | None, LayerChange]:
    """Find what happened to a layer as a whole, if anything, and what else is different."""
    data = _bytes_of(old, before), _bytes_of(new, layer)
    same = shift_mm == (0.0, 0.0) and data[0] is not None and data[0] == data[1]
    found: Whole | None = None
    added, removed = NONE, NONE
    if not same:
        move = None
        if not (before.negative or layer.negative):
            move = find_move(before.file, layer.file, shift_mm)
        if move is not None:
            found = move[0]
            added, removed = layer_difference(move[1], layer.file, (0.0, 0.0))
        else:
            added, removed = _difference(old, new, before, layer, shift_mm)
        if len(added) + len(removed) >= FEW and not (before.negative or layer.negative):
            image = before.file.image if move is None else move[1].image
            parts = moved(polygons_of(image), shift_mm if move is None else (0.0, 0.0))
            growth = find_growth(parts, polygons_of(layer.file.image))
            if growth is not None and found is None:
                found, added, removed = growth
    change = LayerChange(
        name=layer.name,
        kind=layer.kind,
        side=layer.side,
        index=layer.index,
        added=added,
        removed=removed,
        equal_files=same,
    )
    return None if found is None else _whole(layer, found), change


def _whole(layer: Layer, found: Whole, *, both: bool = False) -> Change:
    words, amount = found.words, found.grown_mm
    if amount is not None:
        words = growth_words("opening" if layer.kind is RoleKind.MASK else "shape", amount)
    return Change(
        what=SUBJECTS[layer.kind],
        verb=found.verb,
        subject=f"top and bottom {layer.kind}" if both else layer.name,
        side=None if both else layer.side,
        after=words,
        moved_mm=found.moved_mm,
        turned_deg=found.turned_deg,
        amount_mm=amount,
    )


def misplaced_files(old: Board, new: Board) -> Iterator[Change]:
    """Layers and drill files of one board that lay off its other files and were moved back."""
    tables = [_register_words(board) for board in (old, new)]
    for key in dict.fromkeys([*tables[1], *tables[0]]):
        before, after = (table.get(key, ("", What.OTHER)) for table in tables)
        if before[0] != after[0]:
            yield Change(
                what=(after if after[0] else before)[1],
                verb=Verb.MOVED,
                subject=key,
                after=after[0] or f"no longer {before[0]}",
            )


def _register_words(board: Board) -> dict[str, tuple[str, What]]:
    """Read what is wrong with the place of each file, by its role."""
    roles = {file.name: file.role for file in board.package.files}
    found: dict[str, tuple[str, What]] = {}
    for remark in board.package.remarks:
        name = remark.places[0].file if remark.places else None
        if not remark.id.startswith("register/") or name not in roles or not remark.assumed:
            continue
        role = roles[name]
        what = What.PROFILE if role.kind is RoleKind.PROFILE else SUBJECTS.get(role.kind, What.HOLE)
        words = remark.message.partition(";")[0]
        words = re.sub(rf"^the (drill file|{re.escape(str(role))}) ", "", words)
        found[f"file of the {role}".partition(" (")[0]] = words, what
    return found


def layers_in_one(old: Board, new: Board) -> Iterator[Change]:
    """Layers that only one board has; one that draws nothing is as good as none."""
    for pair in _pairs(old, new):
        if pair.old is not None and pair.new is not None:
            continue
        layer = pair.either
        if len(layer.file.objects):
            verb = Verb.ADDED if pair.old is None else Verb.REMOVED
            yield Change(what=What.LAYER, verb=verb, subject=layer.name, side=layer.side)


def unrecognised(board: Board) -> int:
    """How many files may be layers whose role is not known."""
    return sum(
        file.role.kind is RoleKind.UNKNOWN and isinstance(file.content, GerberFile | DrillFile)
        for file in board.package.files
    )


def find_places(layer: LayerChange) -> tuple[Change, ...]:
    """Gather what differs on a layer into places, the largest area first."""
    both = np.concatenate((layer.added, layer.removed))
    if not len(both):
        return ()
    left, right = touching_pairs(both, reach_mm=TOGETHER_MM)
    edges = _edges_of_one_thing(layer.added, layer.removed)
    left = np.concatenate((left, edges[0]))
    right = np.concatenate((right, edges[1] + len(layer.added)))
    group = label_groups(len(both), left, right)
    area = shapely.area(both)
    plus = np.where(np.arange(len(both)) < len(layer.added), area, 0.0)
    gained, total = np.bincount(group, plus), np.bincount(group, area)
    count = len(total)
    bounds = shapely.bounds(both)
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    np.minimum.at(low, group, bounds[:, :2])
    np.maximum.at(high, group, bounds[:, 2:])
    # A place is where its largest piece is, at a point that lies in it; of equal pieces the
    # leftmost, so that comparing the other way round gives the same place.
    largest = np.lexsort((bounds[:, 1], bounds[:, 0], -np.round(area, 5), group))
    first = largest[np.unique(group[largest], return_index=True)[1]]
    points = shapely.get_coordinates(shapely.point_on_surface(both[first]))
    what = What.PROFILE if layer.kind is RoleKind.PROFILE else SUBJECTS[layer.kind]
    pour = np.zeros(count, dtype=bool)
    if what is What.COPPER:
        wide = area[first] >= POUR_MM2
        pour[wide] = ~shapely.is_empty(shapely.buffer(both[first[wide]], -POUR_WIDE_MM / 2))
    made = []
    for k in range(count):
        lost = total[k] - gained[k]
        # A share of a sum may leave a trace of the other sort behind.
        plus_mm2, minus_mm2 = (float(a) if a > 1e-9 else 0.0 for a in (gained[k], lost))
        verb = Verb.CHANGED if plus_mm2 and minus_mm2 else Verb.ADDED if plus_mm2 else Verb.REMOVED
        made.append(
            Change(
                what=what,
                verb=verb,
                subject=layer.name,
                side=layer.side,
                x_mm=float(points[k, 0]),
                y_mm=float(points[k, 1]),
                box_mm=(float(low[k, 0]), float(low[k, 1]), float(high[k, 0]), float(high[k, 1])),
                added_mm2=plus_mm2,
                removed_mm2=minus_mm2,
                before=POUR if pour[k] and plus_mm2 <= TRACE_SHARE * minus_mm2 else "",
                after=POUR if pour[k] and minus_mm2 <= TRACE_SHARE * plus_mm2 else "",
            )
        )
    return tuple(sorted(made, key=lambda c: (-(c.added_mm2 + c.removed_mm2), c.box_mm or ())))


def _edges_of_one_thing(added: Shapes, removed: Shapes) -> tuple[Ints, Ints]:
    """Pairs of one new and one gone area alike: the two edges of something that moved a little."""
    if not len(added) or not len(removed):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    boxes = [shapely.bounds(a) for a in (added, removed)]
    sizes = [box[:, 2:] - box[:, :2] for box in boxes]
    reach = np.minimum(EDGES_APART * sizes[0].max(axis=1), EDGES_MM)[:, None]
    window = shapely.box(*np.hstack((boxes[0][:, :2] - reach, boxes[0][:, 2:] + reach)).T)
    a, b = shapely.STRtree(removed).query(window)
    areas = shapely.area(added)[a], shapely.area(removed)[b]
    alike = (np.abs(sizes[0][a] - sizes[1][b]) <= ALIKE_MM).all(axis=1)
    alike &= np.abs(areas[0] - areas[1]) <= ALIKE_SHARE * areas[0]
    return a[alike], b[alike]


def _pairs(old: Board, new: Board) -> Iterator[_Pair]:
    """Layers of both boards by kind, side and index, in the order of the boards."""
    tables = [_by_key(board) for board in (old, new)]
    for key in dict.fromkeys([*tables[1], *tables[0]]):
        mine, theirs = (table.get(key, []) for table in tables)
        for k in range(max(len(mine), len(theirs))):
            yield _Pair(mine[k] if k < len(mine) else None, theirs[k] if k < len(theirs) else None)


def _by_key(board: Board) -> dict[tuple[Any, ...], list[Layer]]:
    found: dict[tuple[Any, ...], list[Layer]] = {}
    for layer in board.layers:
        if layer.kind in SUBJECTS:
            # The lowest copper layer has another index when layers are added between.
            index = 0 if layer.side is not None else layer.index
            found.setdefault((layer.kind, layer.side, index), []).append(layer)
    return found


def _bytes_of(board: Board, layer: Layer) -> bytes | None:
    return next((f.data for f in board.package.files if f.content is layer.file), None)


def _difference(
    old: Board, new: Board, mine: Layer, theirs: Layer, shift: Shift
) -> tuple[Shapes, Shapes]:
    if mine.negative == theirs.negative:
        added, removed = layer_difference(mine.file, theirs.file, shift)
        return (removed, added) if theirs.negative else (added, removed)
    # One draws what is there, the other what is not: both are compared as what is there.
    before = _material(old, mine, shift)
    after = _material(new, theirs, (0.0, 0.0))
    added, removed = differing(after, before)
    return thick(added), thick(removed)


def _material(board: Board, layer: Layer, shift: Shift) -> Shapes:
    image = layer.file.image
    if layer.negative:
        ground = board.profile if board.profile is not None else shapely.box(*board.bounds)
        image = ground.difference(image)
    return moved(polygons_of(image), shift)


def _profile(old: Board, new: Board, shift: Shift) -> LayerChange:
    before, after = (
        NONE if board.profile is None else moved(polygons_of(board.profile), move)
        for board, move in ((old, shift), (new, (0.0, 0.0)))
    )
    added, removed = differing(after, before)
    return LayerChange(
        name="profile",
        kind=RoleKind.PROFILE,
        side=None,
        index=1,
        added=thick(added),
        removed=thick(removed),
    )


# What happened to a layer as a whole: moved, turned, mirrored, scaled, or grown at every edge


FEW: Final = 4
"""Fewer objects, or shapes, than this show nothing of a layer as a whole (our choice)."""

MOST_MOVED: Final = 0.9
"""Share of the objects that must have gone along for the layer to have moved (our choice)."""

LEAD: Final = 0.3
"""So much larger must that share be than the one of those that stayed."""

GROWN_SHARE: Final = 0.6
"""Share of the changed shapes that must have grown alike for the layer to have grown."""

GROWN_STEP_MM: Final = 0.005
"""Growth is reported to this."""

MOST_GROWN_MM: Final = 0.3
"""Edges that moved farther are another image."""


@dataclass(frozen=True, slots=True)
class Whole:
    """What happened to a layer as a whole.

    Parameters
    ----------
    verb
        Moved or resized.
    words
        Such as ``mirrored``, ``scaled to 102 %``; empty for a plain shift.
    moved_mm, turned_deg
        Of a shift or turn.
    grown_mm
        By how much every edge moved outwards; negative inwards.
    """

    verb: Verb
    words: str = ""
    moved_mm: tuple[float, float] | None = None
    turned_deg: float = 0.0
    grown_mm: float | None = None


def find_move(old: GerberFile, new: GerberFile, shift_mm: Shift) -> tuple[Whole, GerberFile] | None:
    """Find how a layer moved against the board; None when it did not.

    Returns
    -------
    What happened, and the old layer after it, in the coordinates of ``new``.
    """
    mine = _marks(old)
    mine[:, :2] += shift_mm
    theirs = _marks(new)
    if min(len(mine), len(theirs)) < FEW:
        return None
    tree = PointTree(theirs)
    stayed = _share_alike(mine, tree, np.zeros(2))
    # A little more than half may stay where rows of equal things moved by their own pitch.
    if stayed > 1 - LEAD:
        return None
    laid = old.placed(Placing(dx_mm=shift_mm[0], dy_mm=shift_mm[1]))
    best: tuple[float, Placing] | None = None
    for placing in (Placing(mirrored=m, quarter_turns=q) for m in (False, True) for q in range(4)):
        turned = np.column_stack((placing.points(mine[:, :2]), mine[:, 2]))
        for shift in voted_shifts(turned, theirs)[:2]:
            near, row = tree.query(turned + np.append(shift, 0.0), within=0.02)
            fits = np.isfinite(near)
            if not fits.any():
                continue
            rest = np.median(theirs[row[fits], :2] - turned[fits, :2] - shift, axis=0)
            share = _share_alike(turned, tree, shift + rest)
            if best is None or share > best[0] + 0.01:
                dx, dy = (shift + rest).tolist()
                best = share, replace(placing, dx_mm=dx, dy_mm=dy)
    if best is not None and best[0] >= MOST_MOVED and best[0] >= stayed + LEAD:
        return _move_words(best[1]), laid.placed(best[1])
    return _scaled(laid, mine, theirs, stayed)


def _move_words(placing: Placing) -> Whole:
    plain = replace(placing, dx_mm=0.0, dy_mm=0.0)
    step = (round(placing.dx_mm, 4), round(placing.dy_mm, 4))
    if plain == Placing():
        return Whole(Verb.MOVED, moved_mm=step)
    if not plain.mirrored:
        return Whole(Verb.MOVED, f"turned by {90 * plain.quarter_turns}°")
    # Mirroring and half a turn is mirroring the other way.
    how = ("left to right", "and turned by 90°", "top to bottom", "and turned by 270°")
    return Whole(Verb.MOVED, f"mirrored {how[plain.quarter_turns]}")


def _scaled(
    laid: GerberFile, mine: Floats, theirs: Floats, stayed: float
) -> tuple[Whole, GerberFile] | None:
    low, high = mine[:, :2].min(axis=0), mine[:, :2].max(axis=0)
    to = theirs[:, :2].min(axis=0), theirs[:, :2].max(axis=0)
    if (high - low).min() < 1.0:
        return None
    factors = (to[1] - to[0]) / (high - low)
    factor = float(factors.mean())
    if abs(factors[0] - factors[1]) > 1e-3 * factor or abs(factor - 1) < 2e-4 or factor <= 0:
        return None
    shift = to[0] - factor * low
    # Sizes may be scaled as well, or not: places alone are compared.
    places = factor * mine[:, :2] + shift
    share = float(np.isfinite(PointTree(theirs[:, :2]).query(places, within=0.01)[0]).mean())
    if share < MOST_MOVED or share < stayed + LEAD:
        return None
    dx, dy = shift.tolist()
    words = f"scaled to {format_number(100 * factor, digits=2)} %"
    steps = dict.fromkeys(("x0", "x1", "cx"), dx) | dict.fromkeys(("y0", "y1", "cy"), dy)
    o, s = laid.objects, laid.segments
    file = replace(
        laid,
        objects=o.with_columns(**{n: factor * getattr(o, n) + d for n, d in steps.items()}),
        segments=s.with_columns(**{n: factor * getattr(s, n) + d for n, d in steps.items()}),
    )
    return Whole(Verb.RESIZED, words), file


def _share_alike(marks: Floats, tree: PointTree, shift: Floats) -> float:
    """Share of marks that have an equal under a shift."""
    moved = marks + np.append(shift, 0.0)
    return float(np.isfinite(tree.query(moved, within=3 * SAME_MM)[0]).mean())


def _marks(file: GerberFile) -> Floats:
    """Middle and size of each dark object, each once, (n, 3) float64, mm."""
    o = file.objects
    boxes = object_boxes(file)
    real = np.flatnonzero(np.isfinite(boxes).all(axis=1) & o.dark)
    box = boxes[real]
    marks = np.column_stack(
        ((box[:, :2] + box[:, 2:]) / 2, np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]))
    )
    arcs = o.kind[real] == Kind.ARC
    # The box of an arc does not turn with it by other angles, but here it turns by quarters only.
    marks[arcs, 2] += 0.5
    return np.unique(np.round(marks, 5), axis=0)


def find_growth(old: Shapes, new: Shapes) -> tuple[Whole, Shapes, Shapes] | None:
    """Find by how much every edge of most changed shapes moved; None when they did not move alike.

    Parameters
    ----------
    old, new
        (n,) object arrays of polygons of either image, those of one not overlapping, mm.

    Returns
    -------
    What happened, and what of the image it does not explain: areas that are new, and gone.
    """
    if len(old) < FEW or not len(new):
        return None
    boxes, others = shapely.bounds(old), shapely.bounds(new)
    middle, at = ((b[:, :2] + b[:, 2:]) / 2 for b in (boxes, others))
    _, row = PointTree(at).query(middle)
    step = np.column_stack((boxes[:, :2] - others[row, :2], others[row, 2:] - boxes[:, 2:]))
    grown = step.mean(axis=1)
    alike = (np.abs(step - grown[:, None]) <= SAME_MM).all(axis=1)
    changed = np.abs(step).max(axis=1) > SAME_MM
    both = alike & changed & (np.abs(grown) <= MOST_GROWN_MM)
    if both.sum() < FEW:
        return None
    by = float(np.median(grown[both]))
    mine = both & (np.abs(grown - by) <= SAME_MM)
    if mine.sum() < FEW or mine.sum() < GROWN_SHARE * changed.sum():
        return None
    by = round(float(grown[mine].mean()), 4)
    # What did not change must not be grown; all else is, with what it grew together with.
    wider = shapely.buffer(old[changed], by, join_style="mitre", mitre_limit=2.0)
    before = polygons_of(unite(np.concatenate((old[~changed], wider[~shapely.is_empty(wider)]))))
    added, removed = differing(new, before)
    # Corners may have been rounded as they grew.
    slack = max(0.6 * abs(by), 2 * SAME_MM)
    return Whole(Verb.RESIZED, grown_mm=by), thick(added, slack), thick(removed, slack)


def growth_words(thing: str, grown_mm: float) -> str:
    """Say how a layer grew; ``thing`` is what its image shows, such as ``opening``."""
    wider = ("larger", "smaller") if thing == "opening" else ("wider", "narrower")
    how = wider[0] if grown_mm > 0 else wider[1]
    # Chords that stand for arcs are off by up to 2 um.
    by = GROWN_STEP_MM * round(abs(grown_mm) / GROWN_STEP_MM)
    return f"every {thing} {format_mm(by)} {how} per side"


def exchanged(
    mine: tuple[GerberFile, GerberFile],
    theirs: tuple[GerberFile, GerberFile],
    shift_mm: Shift,
) -> bool:
    """Whether two layers of the new board have each other's image of the old one."""
    before = [_marks(f) + np.append(shift_mm, 0.0) for f in mine]
    trees = [PointTree(_marks(f)) for f in theirs]
    if min(len(m) for m in (*before, *(t.points for t in trees))) < FEW:
        return False
    zero = np.zeros(2)
    straight = max(_share_alike(m, t, zero) for m, t in zip(before, trees, strict=True))
    crossed = min(_share_alike(m, t, zero) for m, t in zip(before, trees[::-1], strict=True))
    return crossed >= MOST_MOVED and crossed >= straight + LEAD
