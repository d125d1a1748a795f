"""Holes and slots of two boards: added, removed, moved, resized, plated otherwise."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board
from fabkit.compare.model import MOVED_MM, Change, Verb, What
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import turned

ONE_PLACE_MM: Final = 0.2
"""A hole of another size this near is the same hole, resized (our choice)."""

ONE_SLOT_MM: Final = 1.0
"""The same for slots, whose middle moves when one end does (our choice)."""

FAR_MM: Final = 3.0
"""A hole of the same size and plating this near has moved; farther away one is gone and another
is new (our choice).  Holes that move with a key may move farther."""

CARRIED_MM: Final = 4 * MOVED_MM
"""The same for holes that move with a key: its place and turn are measured as well, and their
errors add to the hole's."""

_WORDS: Final = {1: "plated", 0: "non-plated", -1: "plating not stated"}


@dataclass(frozen=True, slots=True)
class Motion:
    """How a key or a part moved: from, to, and by how many degrees it turned."""

    start: tuple[float, float]
    end: tuple[float, float]
    turned_deg: float
    reach_mm: float

    @property
    def step(self) -> tuple[float, float]:
        """From its start to its end."""
        return self.end[0] - self.start[0], self.end[1] - self.start[1]

    def carry(self, points: Floats) -> Floats:
        """Where points go that move along."""
        return turned(points - self.start, self.turned_deg) + self.end

    def carried(self, points: Floats) -> Floats:
        """Where points go that move along; infinite for those too far away to do so."""
        near = np.hypot(*(points - self.start).T) <= self.reach_mm
        return np.where(near[:, None], self.carry(points), np.inf)


def why_no_plating(old: Board, new: Board, shift_mm: tuple[float, float]) -> str:
    """Why plating is not compared of holes whose pads show another; empty when there are none."""
    mine, theirs = _holes(old, shift_mm), _holes(new, (0.0, 0.0))
    near, row = PointTree(theirs.at).query(mine.at, within=MOVED_MM)
    both = np.flatnonzero(np.isfinite(near))
    other = row[both]
    differ = (mine.plated[both] != theirs.plated[other]) & (mine.plated[both] >= 0)
    if not (differ & ~theirs.stated[other]).any():
        return ""
    return "NEW does not state it: plated and other holes share a file"


def _stated(board: Board, file: NDArray[np.int32]) -> Bools:
    """(n,) bool: whether the drill file of a hole states plating, as a whole or of its tools."""
    drills = {f.name: f for f in board.package.files}
    known = []
    for name in board.drill_names:
        found = drills.get(name)
        drill = None if found is None else found.drill
        tools = drill is not None and any(tool.plated is not None for tool in drill.tools)
        whole = drill is not None and drill.plated is not None
        known.append(whole or tools or (found is not None and found.role.plated is not None))
    return np.array([*known, True], dtype=bool)[file]


@dataclass(frozen=True, slots=True)
class _Cuts:
    """Holes or slots: middles, measures that show sizes, plating and whether stated, words."""

    at: Floats
    size: Floats
    plated: NDArray[np.int8]
    stated: Bools
    words: tuple[str, ...]
    box: Floats

    def __len__(self) -> int:
        return len(self.at)


def compare_holes(
    old: Board, new: Board, shift_mm: tuple[float, float], motions: Sequence[Motion]
) -> Iterator[Change]:
    """Holes, then slots.

    Parameters
    ----------
    shift_mm
        What is added to positions of ``old``.
    motions
        Of keys and parts, in the coordinates of ``new``: holes that move along count as moved.
    """
    yield from _compare(What.HOLE, _holes(old, shift_mm), _holes(new, (0.0, 0.0)), motions)
    yield from _compare(What.SLOT, _slots(old, shift_mm), _slots(new, (0.0, 0.0)), motions)


def _holes(board: Board, shift: tuple[float, float]) -> _Cuts:
    h = board.holes
    at = h.spots() + shift
    r = h.diameter[:, None] / 2
    return _Cuts(
        at,
        h.diameter[:, None],
        h.plated,
        _stated(board, h.file),
        tuple(format_mm(d) for d in h.diameter.tolist()),
        np.hstack((at - r, at + r)),
    )


def _slots(board: Board, shift: tuple[float, float]) -> _Cuts:
    s = board.slots
    _, first = np.unique(s.path, return_index=True)
    shapes = board.hole_shapes[len(board.holes) :]
    if not len(first):
        nothing = np.empty((0, 2))
        return _Cuts(
            nothing,
            np.empty((0, 4)),
            np.empty(0, np.int8),
            np.empty(0, bool),
            (),
            np.empty((0, 4)),
        )
    box = shapely.bounds(shapes) + np.array(shift + shift)
    # Two slots are alike when width, height, tool and area agree.
    size = np.column_stack(
        (box[:, 2:] - box[:, :2], s.diameter[first], np.sqrt(shapely.area(shapes)))
    )
    words = tuple(
        f"{format_number(w)} × {format_mm(h)}, tool {format_mm(d)}" for w, h, d, _ in size.tolist()
    )
    return _Cuts(
        (box[:, :2] + box[:, 2:]) / 2,
        size,
        s.plated[first],
        _stated(board, s.file[first]),
        words,
        box,
    )


def _compare(what: What, old: _Cuts, new: _Cuts, motions: Sequence[Motion]) -> Iterator[Change]:
    free = Free(np.ones(len(old), dtype=bool), np.ones(len(new), dtype=bool))

    def same(row: int, other: int) -> bool:
        return _alike(old, row, new, other) and _plated_alike(old, row, new, other)

    # The surest pairs first, as each hole is used once: what stayed, what moved with its key or
    # part, what moved alone, and what stands in the place of another size.
    for row, other in free.pairs(old.at, new.at, MOVED_MM):
        if not _alike(old, row, new, other):
            yield _resized(what, old, row, new, other)
        elif not _plated_alike(old, row, new, other):
            yield _replated(what, old, row, new, other)
    ways = [(motion.carried(old.at), CARRIED_MM) for motion in motions]
    for moved, reach in (*ways, (old.at, FAR_MM)):
        for row, other in free.pairs(moved, new.at, reach, same):
            yield _moved(what, old, row, new, other)
    for row, other in free.pairs(
        old.at, new.at, ONE_PLACE_MM if what is What.HOLE else ONE_SLOT_MM
    ):
        yield _resized(what, old, row, new, other)
    for row in np.flatnonzero(free.old).tolist():
        yield _alone(what, Verb.REMOVED, old, row)
    for row in np.flatnonzero(free.new).tolist():
        yield _alone(what, Verb.ADDED, new, row)


@dataclass(frozen=True, slots=True)
class Free:
    """Flags of what of two boards is not paired yet; each is used once."""

    old: Bools
    new: Bools

    def pairs(
        self,
        a: Floats,
        b: Floats,
        reach: float,
        fits: Callable[[int, int], bool] = lambda _old, _new: True,
    ) -> list[tuple[int, int]]:
        """Pair what is left within reach, nearest first, as far as it fits.

        Parameters
        ----------
        a, b
            Places of all on either board, (n, 2) float64, mm.
        """
        mine, theirs = np.flatnonzero(self.old), np.flatnonzero(self.new)
        found = []
        for i, j in near_pairs(a[mine], b[theirs], reach):
            row, other = int(mine[i]), int(theirs[j])
            if self.old[row] and self.new[other] and fits(row, other):
                self.old[row] = self.new[other] = False
                found.append((row, other))
        return found


def near_pairs(a: Floats, b: Floats, reach: float) -> list[tuple[int, int]]:
    """Pairs within reach, nearest first; of those equally near by place, not by order of files."""
    real = np.flatnonzero(np.isfinite(a).all(axis=1))
    if not len(real) or not len(b):
        return []
    # Several, because the nearest may be paired already.
    k = min(8, len(b))
    distance, row = PointTree(b).query(a[real], k=k, within=reach)
    distance, row = distance.reshape(len(real), -1), row.reshape(len(real), -1)
    i, slot = np.nonzero(np.isfinite(distance))
    j = row[i, slot]
    i = real[i]
    middle = a[i] + b[j]
    order = np.lexsort((middle[:, 1], middle[:, 0], np.round(np.hypot(*(a[i] - b[j]).T), 6)))
    return list(zip(i[order].tolist(), j[order].tolist(), strict=True))


def _alike(old: _Cuts, row: int, new: _Cuts, other: int) -> bool:
    return bool((np.abs(old.size[row] - new.size[other]) <= MOVED_MM).all())


def _plated_alike(old: _Cuts, row: int, new: _Cuts, other: int) -> bool:
    a, b = old.plated[row], new.plated[other]
    # What one board does not state is no difference; what was inferred of a merged file neither.
    return bool(a == b or a < 0 or b < 0 or not new.stated[other])


def _at(
    what: What,
    verb: Verb,
    subject: str,
    cuts: _Cuts,
    row: int,
    *,
    before: str = "",
    after: str = "",
    moved: Floats | None = None,
) -> Change:
    """Make a change at a hole or slot."""
    x, y = cuts.at[row].tolist()
    x0, y0, x1, y1 = cuts.box[row].tolist()
    return Change(
        what=what,
        verb=verb,
        subject=subject,
        x_mm=x,
        y_mm=y,
        box_mm=(x0, y0, x1, y1),
        before=before,
        after=after,
        moved_mm=None if moved is None else (float(moved[0]), float(moved[1])),
    )


def _plating(cuts: _Cuts, row: int) -> str:
    return _WORDS[int(cuts.plated[row])]


def _alone(what: What, verb: Verb, cuts: _Cuts, row: int) -> Change:
    said = f"{cuts.words[row]}, {_plating(cuts, row)}"
    if verb is Verb.ADDED:
        return _at(what, verb, str(what), cuts, row, after=said)
    return _at(what, verb, str(what), cuts, row, before=said)


def _resized(what: What, old: _Cuts, row: int, new: _Cuts, other: int) -> Change:
    before, after = old.words[row], new.words[other]
    if not _plated_alike(old, row, new, other):
        before += f", {_plating(old, row)}"
        after += f", {_plating(new, other)}"
    step = new.at[other] - old.at[row]
    moved = step if np.hypot(*step) > MOVED_MM else None
    made = _at(what, Verb.RESIZED, str(what), new, other, before=before, after=after, moved=moved)
    grown = (new.size[other] - old.size[row])[:3]
    return replace(made, amount_mm=float(grown[np.argmax(np.abs(grown))]))


def _replated(what: What, old: _Cuts, row: int, new: _Cuts, other: int) -> Change:
    before, after = _plating(old, row), _plating(new, other)
    subject = f"{what} {new.words[other]}"
    return _at(what, Verb.CHANGED, subject, new, other, before=before, after=after)


def _moved(what: What, old: _Cuts, row: int, new: _Cuts, other: int) -> Change:
    step = new.at[other] - old.at[row]
    return _at(what, Verb.MOVED, f"{what} {new.words[other]}", new, other, moved=step)
