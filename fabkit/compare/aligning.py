"""How an old board lies on a new one: shifted, turned, mirrored, several times, or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.board.model import Board, Layer
from fabkit.compare.model import FEWEST, HOLDS_SHARE, SAME_MM, Alignment, Method
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import Placing
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.hands import opposite
from fabkit.package.model import RoleKind

AGREE_MM: Final = 0.02
"""Holes and pads this near agree; a shift found by them is then refined by their median."""

SURE_SHARE: Final = 0.5
"""Share of the fewer holes and pads that must agree to show by itself that two boards are
revisions of one; of the more, ``COMMON_SHARE`` must (our choice).  Keyboards share the grid of
their keys, so that a tenth and more agree between two that have nothing in common."""
COMMON_SHARE: Final = 0.25
LEAST_SHARE: Final = 0.1
"""Share that is enough where outline and keys show the same (our choice)."""
SAME_OUTLINE: Final = 0.95
"""Common area of both profiles, of their joint area, from which on they are one outline."""
LIKE_OUTLINE: Final = 0.8
SAME_KEYS: Final = 0.8
"""Share of the keys of the board that has more, from which on the keys are the same."""
_FEW_KEYS: Final = 4

MIRRORED_SHARE: Final = 0.8
MIRRORED_LEAD: Final = 0.2
"""A mirror image must bring such a share together, and so much more than the board as it is."""

_MOST_PLACES: Final = 400
"""Places of one size that are tried as those of other boards of a panel."""
_MOST_SIZES: Final = 4

_VOTERS: Final = 60
"""Holes or pads that vote for a shift, each with all alike of the other board."""
_SHIFTS: Final = 4
"""Most voted shifts that are tried."""


KEY_MM: Final = 0.1
"""Keys this near agree: their middles are measured from several holes."""


@dataclass(frozen=True, slots=True)
class _Marks:
    """What shows how a board lies.

    Holes and pads are (n, 3) float64: x, y and what must be alike (size, mm); corners of the
    profile and middles of keys (n, 2) float64.
    """

    holes: Floats
    pads: Floats
    corners: Floats
    keys: Floats

    def __len__(self) -> int:
        return len(self.holes) + len(self.pads)

    def placed(self, placing: Placing) -> _Marks:
        """Turn or mirror the marks of the board about its origin."""
        if placing == Placing():
            return self
        holes, pads = (
            np.column_stack((placing.points(m[:, :2]), m[:, 2])) for m in (self.holes, self.pads)
        )
        return _Marks(holes, pads, placing.points(self.corners), placing.points(self.keys))

    def scaled(self, factor: float) -> _Marks:
        """Lay the marks farther apart by a factor; sizes stay."""
        step = np.array((factor, factor, 1.0))
        return _Marks(
            self.holes * step, self.pads * step, self.corners * factor, self.keys * factor
        )


@dataclass(frozen=True, slots=True)
class _Fit:
    """One way of laying the old board on the new one."""

    count: int
    method: Method
    placing: Placing
    shift: Floats
    marks: _Marks

    def alignment(self, compared: int) -> Alignment:
        """Give the alignment, its shift rounded for the report."""
        return Alignment(
            method=self.method,
            shift_mm=(round(float(self.shift[0]), 6), round(float(self.shift[1]), 6)),
            mirrored=self.placing.mirrored,
            turned_deg=90 * self.placing.quarter_turns,
            agreeing=self.count,
            compared=compared,
        )


def align_boards(old: Board, new: Board) -> Alignment:
    """Find how the old board lies on the new one, or that it does not.

    Candidates are the origin as it is, the shifts most voted for by holes, pads and keys, and those
    that bring corners or middles of the profiles together; for the board as it is and turned
    about its origin by 90, 180 and 270 degrees.  The one under which most holes and pads agree
    is taken, then the one under which most keys and corners of the profile do; among equals the
    earlier, so neither a turn nor a shift is ever invented.  Where far more agrees with the mirror
    image, that is taken.  Holes and pads alone show that two boards are revisions of one when half
    of them agree; otherwise outline or keys must be the same as well.
    """
    mine, theirs = _marks(old), _marks(new)
    compared = min(len(mine.holes), len(theirs.holes)) + min(len(mine.pads), len(theirs.pads))
    trees = _Trees(theirs)
    best = _best_turn(mine, theirs, trees, compared, mirrored=False)
    # Only where the board as it is fits badly: of a symmetric one the mirror image fits as well.
    if best.count < MIRRORED_SHARE * compared:
        other = _best_turn(mine, theirs, trees, compared, mirrored=True)
        if other.count >= max(MIRRORED_SHARE * compared, best.count + MIRRORED_LEAD * compared, 1):
            best = other
    found = best.alignment(compared)
    if compared >= FEWEST and _are_revisions(old, new, best, found, trees):
        return replace(found, copies=_copies(best, theirs, trees, compared))
    if compared < FEWEST:
        profile = _same_profile(old, new)
        if profile is not None:
            return replace(profile, agreeing=best.count, compared=compared)
        if best.count and _are_revisions(old, new, best, found, trees):
            return found
    scale = _scale(mine, theirs, trees, compared)
    return Alignment(
        method="none", shift_mm=(0.0, 0.0), agreeing=best.count, compared=compared, scale=scale
    )


def _best_turn(
    mine: _Marks, theirs: _Marks, trees: _Trees, compared: int, *, mirrored: bool
) -> _Fit:
    """Of the quarter turns the one under which most agrees, each with its best shift."""
    fits: list[_Fit] = []
    for quarter in range(4):
        placing = Placing(mirrored=mirrored, quarter_turns=quarter)
        fits.append(_best_shift(mine.placed(placing), theirs, trees, placing, compared))
        # Where everything agrees no further turn can do better.
        if fits[-1].count == compared and trees.corners_agree(fits[-1]) == trees.corners(fits[-1]):
            break
    most = max(fit.count for fit in fits)
    tied = [fit for fit in fits if fit.count == most]
    if len(tied) == 1:
        return tied[0]
    return max(tied, key=lambda fit: (trees.keys_agree(fit), trees.corners_agree(fit)))


def _are_revisions(old: Board, new: Board, fit: _Fit, laid: Alignment, trees: _Trees) -> bool:
    """Whether enough of two boards agrees for one to be a revision of the other."""
    share = fit.count / laid.compared
    most = max(len(fit.marks), trees.count)
    if share >= SURE_SHARE and fit.count >= COMMON_SHARE * most:
        return True
    if share >= HOLDS_SHARE and len(fit.marks) >= FEWEST and trees.count > 1.5 * len(fit.marks):
        # All of the old board lies on a much larger one: a panel, or a board in a frame.
        return True
    outline = _common_area(old, new, laid)
    number = max(len(fit.marks.keys), trees.keys_count)
    keys = trees.keys_agree(fit) / number if number >= _FEW_KEYS else None
    # A tenth of the pads of any two boards agrees by chance: outline or keys must bear it out.
    if share >= LEAST_SHARE and outline >= SAME_OUTLINE:
        return keys is None or keys >= SAME_KEYS / 2
    return keys is not None and keys >= SAME_KEYS and outline >= LIKE_OUTLINE


def _common_area(old: Board, new: Board, laid: Alignment) -> float:
    """Area that both profiles cover, of what either does; 0 without profiles."""
    if old.profile is None or new.profile is None:
        return 0.0
    return _share(shapely.transform(_solid(old.profile), laid.lay), _solid(new.profile))


def _share(a: BaseGeometry, b: BaseGeometry) -> float:
    """Area of both shapes, of what either covers."""
    joint = float(shapely.union(a, b).area)
    return float(shapely.intersection(a, b).area) / joint if joint else 0.0


_OPENING_MM: Final = 25.0
"""Cut-outs no larger than this are openings of switches, screws and the like: a plate has the
outline of its board (our choice)."""


def _solid(profile: shapely.MultiPolygon) -> BaseGeometry:
    """Fill the small openings of a profile."""
    solid = []
    for shape in profile.geoms:
        boxes = shapely.bounds(np.array(shape.interiors, dtype=object)).reshape(-1, 4)
        large = (boxes[:, 2:] - boxes[:, :2]).max(axis=1, initial=0.0) > _OPENING_MM
        kept = [r for r, wide in zip(shape.interiors, large, strict=True) if wide]
        solid.append(shapely.Polygon(shape.exterior, kept))
    return shapely.MultiPolygon(solid)


def _copies(best: _Fit, theirs: _Marks, trees: _Trees, compared: int) -> tuple[Placing, ...]:
    """Where else the old board lies on the new one, which is a panel of it; empty when nowhere."""
    # A house turns boards on its panel, but cannot mirror them.
    if len(theirs) < 2 * HOLDS_SHARE * len(best.marks) or best.placing.mirrored:
        return ()
    found: list[Placing] = []
    back = Placing(quarter_turns=-best.placing.quarter_turns)
    for quarter in range(4):
        turned = best.marks.placed(back).placed(Placing(quarter_turns=quarter))
        # Vias are often of one size, and too many: pads of a rare size show the boards then.
        for own, other in ((turned.holes, theirs.holes), (turned.pads, theirs.pads)):
            places = _places_of(own, other, turned, trees, compared)
            found += [replace(place, quarter_turns=quarter) for place in places]
            if len(places) > 1:
                break
    distinct = {(p.quarter_turns, round(p.dx_mm, 1), round(p.dy_mm, 1)): p for p in found}
    return tuple(_apart(list(distinct.values()), best)) if len(distinct) > 1 else ()


def _places_of(
    own: Floats, other: Floats, turned: _Marks, trees: _Trees, compared: int
) -> list[Placing]:
    """Where a board fits, tried by its holes or pads of the rarest sizes.

    A mark of the rarest size has the fewest counterparts, of which each is one board.
    """
    sizes, counts = np.unique(np.round(own[:, 2], 2), return_counts=True)
    places: list[Placing] = []
    tried = 0
    for size in sizes[np.argsort(counts, kind="stable")]:
        alike = np.abs(other[:, 2] - size) <= AGREE_MM
        if not 1 < alike.sum() <= _MOST_PLACES:
            continue
        start = own[np.round(own[:, 2], 2) == size][0, :2]
        places += _where_it_fits(turned, other[alike, :2] - start, trees, compared)
        tried += 1
        # A house may have enlarged the holes, so that one size lies where another was.
        if len(places) > 1 or tried == _MOST_SIZES:
            break
    return places


def _where_it_fits(
    turned: _Marks, shifts: Floats, trees: _Trees, compared: int
) -> Iterator[Placing]:
    """Shifts, of some, under which nearly all of a board agrees."""
    for shift in shifts:
        count, rest = trees.agreeing(turned, shift)
        if count >= HOLDS_SHARE * compared:
            dx, dy = (shift + rest).tolist()
            yield Placing(dx_mm=dx, dy_mm=dy)


def _apart(copies: list[Placing], best: _Fit) -> Iterator[Placing]:
    """Boards that do not lie on one another: a symmetric one fits in several turns at one place."""
    middle = np.concatenate((best.marks.holes, best.marks.pads))[:, :2]
    own = Placing(quarter_turns=-best.placing.quarter_turns).points(
        (middle.min(axis=0) + middle.max(axis=0))[None, :] / 2
    )
    reach = float((middle.max(axis=0) - middle.min(axis=0)).min()) / 2
    taken: list[Floats] = []
    for copy in copies:
        at = copy.points(own)[0]
        if all(np.hypot(*(at - other)) > reach for other in taken):
            taken.append(at)
            yield copy


def _scale(mine: _Marks, theirs: _Marks, trees: _Trees, compared: int) -> float:
    """Factor by which the new board is the old one scaled; 1 when it is not."""
    boxes = [_box(m.holes if len(m.holes) > 1 else m.pads) for m in (mine, theirs) if len(m) > 1]
    if len(boxes) < 2:
        return 1.0
    (wide, high), (w, h) = (box[3:5] - box[:2] for box in boxes)
    # Both sides have to grow alike: otherwise it is another board.
    if min(wide, high, w, h) <= 0 or abs(w / wide - h / high) > 2e-3 * w / wide:
        return 1.0
    factor = float(w / wide)
    fit = _best_shift(mine.scaled(factor), theirs, trees, Placing(), compared)
    return round(factor, 5) if fit.count >= MIRRORED_SHARE * compared else 1.0


class _Trees:
    """Marks of the new board, to be searched again and again."""

    def __init__(self, theirs: _Marks) -> None:
        self._trees = [PointTree(_weighted(t)) for t in (theirs.holes, theirs.pads)]
        self._corners = PointTree(theirs.corners)
        self._keys = PointTree(theirs.keys)
        self.count = len(theirs)
        self.keys_count = len(theirs.keys)

    def keys_agree(self, fit: _Fit) -> int:
        """How many keys agree."""
        if not len(fit.marks.keys) or not self.keys_count:
            return 0
        distance, row = self._keys.query(fit.marks.keys + fit.shift, within=KEY_MM)
        return len(np.unique(row[np.isfinite(distance)]))

    def agreeing(self, marks: _Marks, shift: Floats) -> tuple[int, Floats]:
        """How many agree under a shift, and the shift refined by them."""
        count, rests = 0, []
        for own, tree in zip((marks.holes, marks.pads), self._trees, strict=True):
            if not len(own) or not len(tree.points):
                continue
            moved = _weighted(own) + np.append(shift, 0.0)
            distance, row = tree.query(moved, within=AGREE_MM)
            fits = np.isfinite(distance)
            # Doubled files put two marks on one place; it counts once.
            count += len(np.unique(row[fits]))
            rests.append((tree.points[row[fits]] - moved[fits])[:, :2])
        rest = np.concatenate(rests) if rests else np.empty((0, 2))
        # The median: a row of holes that moved a little must not pull the board along.
        return count, (np.median(rest, axis=0) if len(rest) else np.zeros(2))

    def corners(self, fit: _Fit) -> int:
        """How many corners of the profiles can agree."""
        return min(len(fit.marks.corners), len(self._corners.points))

    def corners_agree(self, fit: _Fit) -> int:
        """How many corners of the profiles agree."""
        if not self.corners(fit):
            return 0
        distance, row = self._corners.query(fit.marks.corners + fit.shift, within=AGREE_MM)
        return len(np.unique(row[np.isfinite(distance)]))


def _best_shift(
    mine: _Marks, theirs: _Marks, trees: _Trees, placing: Placing, compared: int
) -> _Fit:
    """Find the shift under which most holes and pads agree, of a board turned so."""
    best = _Fit(0, "same origin", placing, np.zeros(2), mine)
    for method, shift in _candidates(mine, theirs, turned=placing != Placing()):
        count, rest = trees.agreeing(mine, shift)
        # Boards that lie on each other as they are stay so: rounding is no shift.
        as_is = method == "same origin" and np.hypot(*rest) <= SAME_MM
        moved = shift if as_is else shift + rest
        found_by: Method = "holes" if method == "same origin" and not as_is else method
        if count > best.count:
            best = _Fit(count, found_by, placing, moved, mine)
        if best.count == compared:
            break
    return best


def _weighted(marks: Floats) -> Floats:
    """Sizes count less than places: a hole may be drilled a little wider in the next revision."""
    return marks * (1.0, 1.0, 0.1)


def _marks(board: Board) -> _Marks:
    h = board.holes
    holes = np.column_stack((h.x, h.y, h.diameter))
    pads = []
    for layer in board.copper:
        o = layer.file.objects
        rows = np.flatnonzero((o.kind == Kind.FLASH) & o.dark & (o.aperture >= 0))
        if len(rows):
            sizes = np.array([max(a.size_mm) for a in layer.file.apertures])
            pads.append(np.column_stack((o.x0[rows], o.y0[rows], sizes[o.aperture[rows]])))
    every = np.concatenate(pads) if pads else np.empty((0, 3))
    profile = board.profile
    corners = np.empty((0, 2)) if profile is None else shapely.get_coordinates(profile)
    keys = np.array([(k.x_mm, k.y_mm) for k in find_keyboard(board).keys]).reshape(-1, 2)
    return _Marks(_distinct(holes), _distinct(every), _distinct(corners), _distinct(keys))


def _distinct(marks: Floats) -> Floats:
    """Each place once, in an order that does not depend on the file."""
    distinct = np.unique(np.round(marks, 6), axis=0)
    return np.asarray(distinct[np.isfinite(distinct).all(axis=1)])


def _candidates(mine: _Marks, theirs: _Marks, *, turned: bool) -> Iterator[tuple[Method, Floats]]:
    """Shifts to try, best first; of a turned board only the likeliest of each sort."""
    if not turned:
        yield "same origin", np.zeros(2)
    pairs: tuple[tuple[Method, Floats, Floats], ...] = (
        ("holes", mine.holes, theirs.holes),
        ("pads", mine.pads, theirs.pads),
    )
    for name, a, b in pairs:
        for shift in voted_shifts(a, b)[: 1 if turned else _SHIFTS]:
            yield name, shift
    for shift in voted_shifts(_sizeless(mine.keys), _sizeless(theirs.keys))[:1]:
        yield "keys", shift
    for shift in _profile_shifts(mine.corners, theirs.corners)[: 1 if turned else None]:
        yield "profile", shift


def _sizeless(points: Floats) -> Floats:
    return np.column_stack((points, np.zeros(len(points))))


def voted_shifts(a: Floats, b: Floats) -> Floats:
    """Shifts that marks of ``a`` share, each laid on all alike of ``b``; most shared first.

    Marks are (n, 3) float64: x, y and size, mm; shifts (m, 2).
    """
    if not len(a) or not len(b):
        return np.empty((0, 2))
    # A mark of a rare size fits few others, so its votes are seldom wrong: voters are taken size
    # by size, the rarest first.
    size = np.round(a[:, 2], 2)
    _, back, counts = np.unique(size, return_inverse=True, return_counts=True)
    order = np.argsort(counts[back.reshape(-1)], kind="stable")
    voters = a[order[np.unique(np.linspace(0, len(a) - 1, _VOTERS).astype(int))]]
    apart = b[None, :, :2] - voters[:, None, :2]
    alike = np.abs(b[None, :, 2] - voters[:, None, 2]) <= AGREE_MM
    # In steps, so that marks off by a trace vote for one shift; who asks refines it.
    votes = np.round(apart[alike] / AGREE_MM).astype(np.int64)
    if not len(votes):
        return np.empty((0, 2))
    values, counts = np.unique(votes, axis=0, return_counts=True)
    best = values[np.argsort(-counts, kind="stable")]
    return np.asarray(best * AGREE_MM)


def _profile_shifts(mine: Floats, theirs: Floats) -> list[Floats]:
    """Shifts that bring middles or corners of two boxes together."""
    if not len(mine) or not len(theirs):
        return []
    a, b = _box(mine), _box(theirs)
    # A board that grew at one side shares the corners of the other.
    corners = [b[[x, y]] - a[[x, y]] for x in (0, 2) for y in (1, 3)]
    return [(b[:2] + b[2:] - a[:2] - a[2:]) / 2, *corners]


def _box(points: Floats) -> Floats:
    return np.concatenate((points.min(axis=0), points.max(axis=0)))


def _same_profile(old: Board, new: Board) -> Alignment | None:
    """How profiles of one size lie on each other; None when sizes differ or one has none.

    Of the turns under which sizes agree, the one under which the areas differ least; mirrored
    where that brings the outlines together, and no turn does.
    """
    if old.profile is None or new.profile is None:
        return None
    for mirrored in (False, True):
        found = _best_laid(old.profile, new.profile, mirrored=mirrored)
        if found is None:
            return None
        placing, laid = found
        share = _share(_solid(laid), _solid(new.profile))
        if share >= (SAME_OUTLINE if mirrored else LIKE_OUTLINE):
            shift = round(placing.dx_mm, 6), round(placing.dy_mm, 6)
            as_is = not mirrored and not placing.quarter_turns and np.hypot(*shift) <= SAME_MM
            return Alignment(
                method="same origin" if as_is else "profile",
                mirrored=mirrored,
                shift_mm=shift,
                turned_deg=90 * placing.quarter_turns,
                agreeing=0,
                compared=0,
            )
    return None


def _best_laid(
    old: shapely.MultiPolygon, new: shapely.MultiPolygon, *, mirrored: bool
) -> tuple[Placing, shapely.MultiPolygon] | None:
    """Turn and shift that lay one profile on another of its size best, and the profile so laid."""
    theirs = np.array(new.bounds)
    best: tuple[float, Placing, shapely.MultiPolygon] | None = None
    for quarter in range(4):
        placing = Placing(mirrored=mirrored, quarter_turns=quarter)
        turned = shapely.transform(old, placing.points)
        mine = np.array(turned.bounds)
        if not np.allclose(mine[2:] - mine[:2], theirs[2:] - theirs[:2], atol=AGREE_MM):
            continue
        dx, dy = (theirs[:2] - mine[:2]).tolist()
        placing = replace(placing, dx_mm=dx, dy_mm=dy)
        laid = shapely.transform(old, placing.points)
        apart = round(laid.symmetric_difference(new).area, 3)
        if best is None or apart < best[0]:
            best = apart, placing, laid
    return None if best is None else best[1:]


def turned_over(old: Board, new: Board, laid: Alignment) -> Board | None:
    """Give a mirrored board its sides exchanged, where its pads then lie on those of the new one.

    Parameters
    ----------
    old
        Mirrored already.
    laid
        How the board as given lies on the new one.
    """
    flat = replace(laid, mirrored=False)
    count = len(old.copper)
    layers = tuple(
        replace(
            a,
            side=None if a.side is None else opposite(a.side),
            index=count + 1 - a.index if a.kind is RoleKind.COPPER else a.index,
        )
        for a in old.layers
    )
    over = replace(
        old,
        layers=tuple(sorted(layers, key=lambda a: a.index if a.kind is RoleKind.COPPER else count)),
    )
    trees = {a.side: PointTree(_pads_of(a)) for a in new.copper if a.side is not None}

    def on_their_side(board: Board) -> int:
        return sum(
            int(np.isfinite(trees[a.side].query(flat.lay(_pads_of(a)), within=AGREE_MM)[0]).sum())
            for a in board.copper
            if a.side in trees
        )

    return over if on_their_side(over) > on_their_side(old) else None


def _pads_of(layer: Layer) -> Floats:
    """Places of the flashes of a layer, (n, 2) float64, mm."""
    o = layer.file.objects
    rows = o.dark_rows(Kind.FLASH)
    return np.column_stack((o.x0[rows], o.y0[rows]))
