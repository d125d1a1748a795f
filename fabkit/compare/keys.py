"""Keys and parts of two boards: moved, turned, added, removed, of another value."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.base.columns import Bools, Floats
from fabkit.base.units import counted
from fabkit.board.model import Board, Component
from fabkit.compare.holes import Free, Motion
from fabkit.compare.model import ANGLE_DEG, HALF_KEY_MM, MOVED_MM, Change, Verb, What
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.build import find_keyboard
from fabkit.package.model import RoleKind

_FIELDS: Final = (
    ("value", "value"),
    ("footprint", "footprint"),
    ("part_number", "part number"),
    ("manufacturer", "manufacturer"),
    ("mount", "mount"),
)


SAME_KEY_MM: Final = 0.05
"""Keys this near are one key, whatever they are called: a middle is measured from several holes."""

_MOST: Final = 0.5
"""Share of its holes that must stay for a key to stay, whatever became of the others."""


@dataclass(frozen=True, slots=True)
class Moves:
    """Changes of keys and parts, how they moved, and what could not be compared."""

    changes: tuple[Change, ...]
    motions: tuple[Motion, ...]
    lacking: str = ""


def compare_keys(old: Board, new: Board, shift_mm: tuple[float, float]) -> Moves:
    """Pair keys by place, then by the part in them, and find how they moved or turned.

    Notes
    -----
    A key stays when most of its holes stay, although its middle is measured elsewhere.  One that
    only one board is seen to have, while the other has most of its holes, was not recognised there;
    it is neither added nor removed.
    """
    before = _named_keys(old, shift_mm)
    after = _named_keys(new, (0.0, 0.0))
    spots = [_hole_spots(board, move) for board, move in ((old, shift_mm), (new, (0.0, 0.0)))]
    pairs, lost, fresh = _pair_keys(before, after)
    changes, motions = [], []
    for a, b in pairs:
        motion = _key_motion(a, b, spots[1])
        if motion is None:
            continue
        motions.append(motion)
        moved = _key(Verb.MOVED, b)
        changes.append(replace(moved, moved_mm=motion.step, turned_deg=motion.turned_deg))
    gone = [k for k in lost if _share_at(k.holes, spots[1]) <= _MOST]
    come = [k for k in fresh if _share_at(k.holes, spots[0]) <= _MOST]
    changes += [_key(Verb.REMOVED, k) for k in gone] + [_key(Verb.ADDED, k) for k in come]
    unseen = [
        f"{counted(len(every) - len(real), 'key')} of {name} not recognised in {other}, "
        "which has their holes"
        for name, other, every, real in (("OLD", "NEW", lost, gone), ("NEW", "OLD", fresh, come))
        if len(every) > len(real)
    ]
    return Moves(tuple(changes), tuple(motions), "; ".join(unseen))


def _key_motion(a: _Key, b: _Key, spots: PointTree) -> Motion | None:
    """How a key moved; None when it stays."""
    step = (b.x_mm - a.x_mm, b.y_mm - a.y_mm)
    # Holes and openings alone often do not show which quarter a key is turned by: its own do.
    turned = _turn(a.rotation_deg, b.rotation_deg, 90.0)
    if np.hypot(*step) <= MOVED_MM and not turned and not len(a.holes):
        return None
    if len(a.holes) and _share_at(a.holes, spots) > _MOST:
        return None
    motions = [
        Motion((a.x_mm, a.y_mm), (b.x_mm, b.y_mm), _turn(0.0, turned + quarter, 360.0), HALF_KEY_MM)
        for quarter in (0, 90, -90, 180)
    ]
    # The first of equals is the smallest turn.
    best = max(motions, key=lambda m: round(_share_at(m.carry(a.holes), spots), 3))
    if np.hypot(*step) <= SAME_KEY_MM and not best.turned_deg:
        return None
    return best


def _share_at(places: Floats, spots: PointTree) -> float:
    """Share of some places that have a hole of the other board; 0 of none."""
    if not len(places) or not len(spots.points):
        return 0.0
    return float(np.isfinite(spots.query(places, within=4 * MOVED_MM)[0]).mean())


def _hole_spots(board: Board, shift: tuple[float, float]) -> PointTree:
    return PointTree(board.holes.spots() + shift)


def _key(verb: Verb, key: _Key) -> Change:
    return Change(
        what=What.KEY,
        verb=verb,
        subject=f"key {key.name}".strip(),
        x_mm=key.x_mm,
        y_mm=key.y_mm,
    )


def _turn(before: float, after: float, period: float) -> float:
    """Smallest turn between two directions that repeat after a period; 0 within ``ANGLE_DEG``."""
    turned = (after - before + period / 2) % period - period / 2
    return 0.0 if abs(turned) <= ANGLE_DEG else turned


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Key:
    """A key in the coordinates of the new board; its name is empty when the files give none."""

    x_mm: float
    y_mm: float
    rotation_deg: float
    name: str
    holes: Floats
    """Middles of its holes, (n, 2) float64, mm."""


def _named_keys(board: Board, shift: tuple[float, float]) -> list[_Key]:
    """Keys with the reference of the switch in them, in the coordinates of the new board."""
    at = board.holes.spots() + shift
    return [
        _Key(
            x_mm=key.x_mm + shift[0],
            y_mm=key.y_mm + shift[1],
            rotation_deg=key.rotation_deg,
            name=key.refs[0] if key.refs else "",
            holes=at[list(key.holes)],
        )
        for key in find_keyboard(board).keys
    ]


def _pair_keys(
    before: Sequence[_Key], after: Sequence[_Key]
) -> tuple[list[tuple[_Key, _Key]], list[_Key], list[_Key]]:
    """Keys at one place, keys of one name, then keys nearest to each other; what each has left."""
    free = Free(np.ones(len(before), dtype=bool), np.ones(len(after), dtype=bool))
    a, b = (np.array([(k.x_mm, k.y_mm) for k in keys]).reshape(-1, 2) for keys in (before, after))
    pairs = free.pairs(a, b, SAME_KEY_MM)
    by_name = _by_name(before, free.old), _by_name(after, free.new)
    for name, i in by_name[0].items():
        if (j := by_name[1].get(name)) is not None:
            free.old[i] = free.new[j] = False
            pairs.append((i, j))
    # Two keys whose names differ are different keys; one named on one board alone may be any.
    pairs += free.pairs(a, b, HALF_KEY_MM, lambda i, j: not (before[i].name and after[j].name))
    lost, fresh = (
        [keys[k] for k in np.flatnonzero(left).tolist()]
        for keys, left in ((before, free.old), (after, free.new))
    )
    return [(before[i], after[j]) for i, j in pairs], lost, fresh


def _by_name(keys: Sequence[_Key], free: Bools) -> dict[str, int]:
    """Free keys by name; a name that several bear is left out, as it shows none of them."""
    rows = [k for k in np.flatnonzero(free).tolist() if keys[k].name]
    counts = Counter(keys[k].name for k in rows)
    return {keys[k].name: k for k in rows if counts[keys[k].name] == 1}


def why_no_parts(old: Board, new: Board) -> str:
    """Why parts cannot be compared; empty when they can."""
    return who_names_none(old=bool(old.components), new=bool(new.components))


def who_names_none(*, old: bool, new: bool) -> str:
    """Say which board names none, of those that name some; empty when both do."""
    if old or new:
        return "" if old and new else f"{'NEW' if old else 'OLD'} names none"
    return "neither names any"


def why_no_places(old: Board, new: Board) -> str:
    """Why positions of parts cannot be compared; empty when they can.

    A stated centroid and the middle of the pads may be millimetres apart.
    """
    a, b = _source_of_places(old), _source_of_places(new)
    return "" if a == b else f"OLD states them in {a}, NEW in {b}"


def _source_of_places(board: Board) -> str:
    if any(layer.kind is RoleKind.COMPONENTS for layer in board.layers):
        return "component layers"
    if any(c.origin == "component attributes" for c in board.components):
        return "their pads"
    if any(c.origin == "netlist" for c in board.components):
        return "a netlist"
    return "a placement table"


def compare_parts(
    old: Board, new: Board, shift_mm: tuple[float, float], *, places: bool, keys: Sequence[Change]
) -> Moves:
    """Parts by reference: added, removed, changed, moved.

    Parameters
    ----------
    places
        Whether positions of the boards can be compared.
    keys
        Changes of keys; a part that moved as its key did is not listed again.
    """
    before = {c.ref: c for c in old.components}
    after = {c.ref: c for c in new.components}
    listed = {(k.subject, k.verb): k for k in keys}
    changes: list[Change] = []
    motions: list[Motion] = []
    for ref in dict.fromkeys([*before, *after]):
        a, b = before.get(ref), after.get(ref)
        if a is None or b is None:
            part = b or a
            assert part is not None  # noqa: S101 -- the reference came from one of the two
            changes.append(_alone(part, shift_mm, added=a is None))
            continue
        changes += _changed(a, b)
        if not places:
            continue
        move = _motion(a, b, shift_mm)
        if move is None:
            continue
        key = listed.get((f"key {ref}", Verb.MOVED))
        if key is None or not _same_move(key, move):
            made = _part(Verb.MOVED, b)
            changes.append(replace(made, moved_mm=move.step, turned_deg=move.turned_deg))
            motions.append(move)
    return Moves(tuple(changes), tuple(motions))


def _alone(part: Component, shift: tuple[float, float], *, added: bool) -> Change:
    words = ", ".join(w for w in (part.value, part.footprint) if w)
    if added:
        return replace(_part(Verb.ADDED, part), after=words)
    gone, (dx, dy) = _part(Verb.REMOVED, part), shift
    return replace(
        gone,
        x_mm=None if gone.x_mm is None else gone.x_mm + dx,
        y_mm=None if gone.y_mm is None else gone.y_mm + dy,
        before=words,
    )


def _changed(a: Component, b: Component) -> Iterator[Change]:
    for name, title in _FIELDS:
        before, after = (" ".join(str(getattr(c, name)).split()) for c in (a, b))
        # What one board does not state is no difference.
        if before and after and before != after:
            yield replace(
                _part(Verb.CHANGED, b), before=f"{title} {before}", after=f"{title} {after}"
            )
    if a.side is not None and b.side is not None and a.side != b.side:
        yield replace(_part(Verb.CHANGED, b), before=f"on the {a.side}", after=f"on the {b.side}")


def _part(verb: Verb, part: Component) -> Change:
    return Change(
        what=What.PART,
        verb=verb,
        subject=part.ref,
        side=part.side,
        x_mm=part.x_mm,
        y_mm=part.y_mm,
    )


def _motion(a: Component, b: Component, shift: tuple[float, float]) -> Motion | None:
    if a.x_mm is None or a.y_mm is None or b.x_mm is None or b.y_mm is None:
        return None
    start, end = (a.x_mm + shift[0], a.y_mm + shift[1]), (b.x_mm, b.y_mm)
    turned = 0.0
    if a.rotation_deg is not None and b.rotation_deg is not None:
        turned = _turn(a.rotation_deg, b.rotation_deg, 360.0)
    if np.hypot(end[0] - start[0], end[1] - start[1]) <= MOVED_MM and not turned:
        return None
    return Motion(start, end, turned, reach_mm=HALF_KEY_MM)


def _same_move(key: Change, move: Motion) -> bool:
    assert key.moved_mm is not None  # noqa: S101 -- only moved keys are asked
    apart = np.hypot(*np.subtract(move.step, key.moved_mm))
    return bool(apart <= 2 * MOVED_MM and not _turn(move.turned_deg, key.turned_deg, 90.0))


def names_at(board: Board) -> Mapping[str, tuple[float, float]]:
    """Places of parts by reference."""
    return {
        c.ref: (c.x_mm, c.y_mm)
        for c in board.components
        if c.x_mm is not None and c.y_mm is not None
    }
