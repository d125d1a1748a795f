"""Two boards, old and new: everything that changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board
from fabkit.board.single import turn_board, turn_points
from fabkit.compare.holes import compare_holes
from fabkit.compare.joins import compare_joins, compare_nets, pins_of
from fabkit.compare.keys import (
    compare_keys,
    compare_parts,
    names_at,
    why_no_parts,
    why_no_places,
)
from fabkit.compare.layers import compare_layers, find_places, layers_in_one
from fabkit.compare.model import (
    COPPER_LAYERS,
    MOVED_MM,
    SAME_MM,
    Alignment,
    Change,
    Comparison,
    Method,
    Verb,
    What,
)
from fabkit.compare.options import compare_options
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.neighbours import PointTree

NEAR_MM: Final = 12.0
"""A place this near to the middle of a part is reported as near it (our choice)."""


def compare_boards(
    old: Board, new: Board, *, tell: Callable[[str], None] = lambda _: None
) -> Comparison:
    """Find everything that differs between two boards.

    Parameters
    ----------
    old, new
        As built by :func:`fabkit.board.build.build_board`.
    tell
        Called with a few words on what is being done now.
    """
    tell("laying the boards on each other")
    alignment = align_boards(old, new)
    given, old = old, turn_board(old, alignment.turned_deg)
    options, lacking = compare_options(old, new)
    facts = [*options, *_board_facts(old, new), *layers_in_one(old, new)]
    if not alignment.comparable:
        return Comparison(
            old=given,
            new=new,
            laid=old,
            alignment=alignment,
            changes=tuple(facts),
            layers=(),
            not_compared=lacking,
        )
    shift = alignment.shift_mm
    tell("comparing keys, parts and holes")
    keys = compare_keys(old, new, shift)
    changes: list[Change] = [*facts, *keys.changes]
    motions = keys.motions
    if why := why_no_parts(old, new):
        lacking["parts"] = why
    else:
        where = why_no_places(old, new)
        if where:
            lacking["positions of parts"] = where
        parts = compare_parts(old, new, shift, places=not where, keys=keys.changes)
        changes += parts.changes
        motions += parts.motions
    changes += compare_holes(old, new, shift, motions)
    tell("comparing nets")
    pins = pins_of(old, new)
    if not isinstance(pins, str):
        changes += compare_nets(*pins)
    tell("comparing layers")
    layers = compare_layers(old, new, shift)
    if isinstance(pins, str):
        lacking["names of nets"] = f"{pins}; what copper joins is compared instead"
        tell("comparing connections")
        changes += compare_joins(given, new, alignment, motions, layers, changes)
    for layer in layers:
        changes += find_places(layer)
    return Comparison(
        old=given,
        new=new,
        laid=old,
        alignment=alignment,
        changes=tuple(_ordered(_with_names(changes, old, new, shift))),
        layers=layers,
        not_compared=lacking,
    )


def _ordered(changes: Iterable[Change]) -> list[Change]:
    order = list(What)
    return sorted(changes, key=lambda c: order.index(c.what))


def _board_facts(old: Board, new: Board) -> Iterator[Change]:
    def fact(subject: str, before: str, after: str) -> Change:
        return Change(
            what=What.BOARD, verb=Verb.CHANGED, subject=subject, before=before, after=after
        )

    if len(old.copper) != len(new.copper):
        yield fact(COPPER_LAYERS, str(len(old.copper)), str(len(new.copper)))
    if old.profile is None or new.profile is None:
        if (old.profile is None) != (new.profile is None):
            yield fact("profile", *("none" if x.profile is None else "there" for x in (old, new)))
        return
    sizes = [board.size_mm for board in (old, new)]
    if any(abs(x - y) > MOVED_MM for x, y in zip(*sizes, strict=True)):
        words = [f"{format_number(w)} × {format_mm(h)}" for w, h in sizes]
        yield fact("outline size", words[0], words[1])
    counts = [len(board.profile.geoms) for board in (old, new) if board.profile is not None]
    if counts[0] != counts[1]:
        yield fact("separate boards in the profile", str(counts[0]), str(counts[1]))


def _with_names(
    changes: list[Change], old: Board, new: Board, shift: tuple[float, float]
) -> Iterator[Change]:
    """Name the part that is nearest to each place of a hole, slot or layer."""
    dx, dy = shift
    moved = {ref: (x + dx, y + dy) for ref, (x, y) in names_at(old).items()}
    spots = {**moved, **names_at(new)}
    refs = list(spots)
    at = np.array(list(spots.values())).reshape(-1, 2)
    for change in changes:
        named = change.what in (What.KEY, What.PART)
        if named or change.x_mm is None or change.y_mm is None or not refs:
            yield change
            continue
        away = np.hypot(*(at - (change.x_mm, change.y_mm)).T)
        nearest = int(np.argmin(away))
        yield replace(change, near=refs[nearest] if away[nearest] <= NEAR_MM else "")


AGREE_MM: Final = 0.02
"""Holes and pads this near agree; a shift found by them is then refined by their median."""

COMPARABLE_SHARE: Final = 0.1
"""Share of holes and pads that must agree for two boards to be revisions of one (our choice)."""

_VOTERS: Final = 60
"""Holes or pads that vote for a shift, each with all alike of the other board."""
_SHIFTS: Final = 4
"""Most voted shifts that are tried."""
_FEWEST: Final = 20
"""With fewer holes and pads in all, the profile alone may show how the boards lie."""


TURNS: Final = (0, 90, 180, 270)
"""Degrees a board may have been turned by, as it is first."""


@dataclass(frozen=True, slots=True)
class _Marks:
    """What shows how a board lies.

    Holes and pads are (n, 3) float64: x, y and what must be alike (size, mm); corners of the
    profile (n, 2) float64.
    """

    holes: Floats
    pads: Floats
    corners: Floats

    def turned(self, degrees: int) -> _Marks:
        """Turn the marks of the board about its origin."""
        if not degrees:
            return self
        holes, pads = (
            np.column_stack((turn_points(m[:, :2], degrees), m[:, 2]))
            for m in (self.holes, self.pads)
        )
        return _Marks(holes, pads, turn_points(self.corners, degrees))


@dataclass(frozen=True, slots=True)
class _Fit:
    """One way of laying the old board on the new one."""

    count: int
    method: Method
    turned_deg: int
    shift: Floats
    marks: _Marks

    def alignment(self, compared: int) -> Alignment:
        """Give the alignment, its shift rounded for the report."""
        return Alignment(
            method=self.method,
            shift_mm=(round(float(self.shift[0]), 6), round(float(self.shift[1]), 6)),
            turned_deg=self.turned_deg,
            agreeing=self.count,
            compared=compared,
        )


def align_boards(old: Board, new: Board) -> Alignment:
    """Find the quarter turn and the shift of the old board under which most of both agree.

    Candidates are the origin as it is, the shifts most voted for by holes and by pads, and those
    that bring corners or middles of the profiles together; for the board as it is and turned
    about its origin by 90, 180 and 270 degrees.  The one under which most holes and pads agree
    is taken, then the one under which most corners of the profile do; among equals the earlier, so
    neither a turn nor a shift is ever invented.
    """
    mine, theirs = _marks(old), _marks(new)
    compared = min(len(mine.holes), len(theirs.holes)) + min(len(mine.pads), len(theirs.pads))
    trees = _Trees(theirs)
    fits: list[_Fit] = []
    for degrees in TURNS:
        fits.append(_best_shift(mine.turned(degrees), theirs, trees, degrees, compared))
        # Where everything agrees no further turn can do better.
        if fits[-1].count == compared and trees.corners_agree(fits[-1]) == trees.corners(fits[-1]):
            break
    most = max(fit.count for fit in fits)
    tied = [fit for fit in fits if fit.count == most]
    best = max(tied, key=trees.corners_agree) if len(tied) > 1 else tied[0]
    if most < COMPARABLE_SHARE * compared or not compared:
        profile = _same_profile(old, new) if compared < _FEWEST else None
        if profile is None:
            return Alignment(method="none", shift_mm=(0.0, 0.0), agreeing=most, compared=compared)
        return replace(profile, agreeing=most, compared=compared)
    return best.alignment(compared)


class _Trees:
    """Marks of the new board, to be searched again and again."""

    def __init__(self, theirs: _Marks) -> None:
        self._trees = [PointTree(_weighted(t)) for t in (theirs.holes, theirs.pads)]
        self._corners = PointTree(theirs.corners)

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
    mine: _Marks, theirs: _Marks, trees: _Trees, turned_deg: int, compared: int
) -> _Fit:
    """Find the shift under which most holes and pads agree, of a board turned so."""
    best = _Fit(0, "same origin", turned_deg, np.zeros(2), mine)
    for method, shift in _candidates(mine, theirs, turned=bool(turned_deg)):
        count, rest = trees.agreeing(mine, shift)
        # Boards that lie on each other as they are stay so: rounding is no shift.
        as_is = method == "same origin" and np.hypot(*rest) <= SAME_MM
        moved = shift if as_is else shift + rest
        found_by: Method = "holes" if method == "same origin" and not as_is else method
        if count > best.count:
            best = _Fit(count, found_by, turned_deg, moved, mine)
        if best.count == compared:
            break
    return best


def _weighted(marks: Floats) -> Floats:
    """Sizes count less than places: a hole may be drilled a little wider in the next revision."""
    return marks * (1.0, 1.0, 0.2)


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
    return _Marks(_distinct(holes), _distinct(every), _distinct(corners))


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
        for shift in _voted(a, b)[: 1 if turned else _SHIFTS]:
            yield name, shift
    for shift in _profile_shifts(mine.corners, theirs.corners)[: 1 if turned else None]:
        yield "profile", shift


def _voted(a: Floats, b: Floats) -> Floats:
    """Shifts that marks of ``a`` share, each laid on all alike of ``b``; most shared first."""
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

    Of the turns under which sizes agree, the one under which the areas differ least.
    """
    if old.profile is None or new.profile is None:
        return None
    theirs = np.array(new.profile.bounds)
    best: tuple[float, int, Floats] | None = None
    for degrees in TURNS:
        turned = shapely.transform(old.profile, lambda p, d=degrees: turn_points(p, d))
        mine = np.array(turned.bounds)
        if not np.allclose(mine[2:] - mine[:2], theirs[2:] - theirs[:2], atol=AGREE_MM):
            continue
        shift = theirs[:2] - mine[:2]
        laid = shapely.transform(turned, lambda p, s=shift: p + s)
        apart = round(laid.symmetric_difference(new.profile).area, 3)
        if best is None or apart < best[0]:
            best = apart, degrees, shift
    if best is None:
        return None
    _, degrees, shift = best
    return Alignment(
        method="profile" if np.hypot(*shift) > SAME_MM or degrees else "same origin",
        shift_mm=(round(float(shift[0]), 6), round(float(shift[1]), 6)),
        turned_deg=degrees,
        agreeing=0,
        compared=0,
    )
