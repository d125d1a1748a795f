"""Two boards, old and new: everything that changed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.model import Board
from fabkit.board.single import cut_out, place_board
from fabkit.compare.aligning import align_boards, turned_over
from fabkit.compare.holes import compare_holes, why_no_plating
from fabkit.compare.joins import LARGE_MM2, compare_joins, compare_nets, pins_of
from fabkit.compare.keys import compare_keys, compare_parts, names_at, why_no_parts, why_no_places
from fabkit.compare.layers import (
    compare_layers,
    find_places,
    layers_in_one,
    misplaced_files,
    unrecognised,
)
from fabkit.compare.model import (
    COPPER_LAYERS,
    HALF_KEY_MM,
    MIRRORED,
    MOVED_MM,
    Alignment,
    Change,
    Comparison,
    LayerChange,
    Verb,
    What,
)
from fabkit.compare.options import compare_options, fact
from fabkit.compare.summary import summarise
from fabkit.geometry.areas import polygons_of
from fabkit.geometry.segments import Placing
from fabkit.keyboard.build import find_keyboard
from fabkit.package.model import RoleKind

NEAR_MM: Final = 12.0
"""A place this near to the middle of a part is reported as near it (our choice)."""

PANEL: Final = "panel"
"""Subject of the change from one board to a panel of it."""


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

    Notes
    -----
    When the new board is a panel of the old one, each of its boards is compared with the old one.
    """
    tell("laying the boards on each other")
    alignment = align_boards(old, new)
    options, lacking = compare_options(old, new)
    if not alignment.comparable:
        facts = [*options, *_scaled(alignment), *_board_facts(old, new)]
        return Comparison(
            old=old,
            new=new,
            laid=old,
            alignment=alignment,
            changes=tuple(facts),
            layers=(),
            not_compared=lacking,
            summary=summarise(alignment, facts, ()),
        )
    given, mirror = old, Placing(mirrored=alignment.mirrored)
    missing, why = _missing_layers(old, new)
    lacking |= why
    facts = [*options, *missing, *misplaced_files(old, new)]
    if alignment.mirrored:
        old = place_board(old, mirror)
        over = turned_over(old, new, alignment)
        old = over or old
        facts.append(fact("board", "as it was", "seen from the other side" if over else "mirrored"))
    # The old board is mirrored by now: only its turn and shift are left to do.
    flat = replace(alignment, mirrored=False)
    if alignment.copies:
        count = len(alignment.copies)
        facts.append(fact(PANEL, "1 board", f"panel of {counted(count, 'board')}"))
        found = _Found.of_copies(old, new, flat, tell)
    else:
        facts += _board_facts(place_board(old, flat.turn), new)
        found = _compare_laid(old, new, flat, tell)
    laid = place_board(old, flat.turn)
    changes = tuple(_ordered([*facts, *found.changes]))
    keys = _keys_of(laid, flat.shift_mm), _keys_of(new, (0.0, 0.0))
    return Comparison(
        old=given,
        new=new,
        laid=laid,
        alignment=alignment,
        changes=changes,
        layers=found.layers,
        not_compared=lacking | found.lacking,
        summary=summarise(alignment, changes, keys),
    )


def _keys_of(board: Board, shift: tuple[float, float]) -> tuple[Floats, Floats]:
    """Middles and rotations of the keys, for the summary."""
    keys = find_keyboard(board).keys
    at = np.array([(k.x_mm, k.y_mm) for k in keys]).reshape(-1, 2) + shift
    return at, np.array([k.rotation_deg for k in keys])


def _missing_layers(old: Board, new: Board) -> tuple[list[Change], dict[str, str]]:
    """Layers of one board alone; where files were not recognised, those may be the layers."""
    changes, why = list(layers_in_one(old, new)), {}
    for name, board, verb in (("NEW", new, Verb.REMOVED), ("OLD", old, Verb.ADDED)):
        lost = [c for c in changes if c.verb is verb]
        files = unrecognised(board)
        if lost and files:
            changes = [c for c in changes if c.verb is not verb]
            names = ", ".join(c.subject for c in lost)
            many = counted(files, "file")
            why[names] = f"{many} of {name} not recognised; state what they are with --role"
    return changes, why


@dataclass(frozen=True)
class _Found:
    """What differs between an old board and one that it lies on."""

    changes: tuple[Change, ...]
    layers: tuple[LayerChange, ...]
    lacking: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of_copies(
        cls, old: Board, new: Board, alignment: Alignment, tell: Callable[[str], None]
    ) -> _Found:
        """Compare each board of a panel; what all differ in is listed once, for the first."""
        found: list[tuple[Placing, _Found]] = []
        for number, copy in enumerate(alignment.copies, start=1):
            tell(f"comparing board {number} of {len(alignment.copies)}")
            laid = replace(
                alignment,
                turned_deg=90 * copy.quarter_turns,
                shift_mm=(copy.dx_mm, copy.dy_mm),
            )
            # Cut out along the old outline, rails, tabs and other boards are no changes.  A board
            # that grew looks unchanged then, so its edge is asked as well.
            outer = _outer(old, laid)
            one = _compare_laid(old, _cut_copy(outer, new), laid, lambda _: None)
            uncut = tuple(_uncut_edges(outer, new)) if old.profile is not None else ()
            found.append((copy, replace(one, changes=(*one.changes, *uncut))))
        changes = _shared_first([(copy, one.changes) for copy, one in found])
        layers = tuple(a for _, one in found for a in one.layers)
        return cls(tuple(changes), layers, found[0][1].lacking)


def _outer(old: Board, laid: Alignment) -> BaseGeometry:
    """Shape of the old board without its cut-outs, as it lies on the new one."""
    x0, y0, x1, y1 = old.bounds
    outer = shapely.box(x0, y0, x1, y1)
    if old.profile is not None:
        outer = shapely.union_all([shapely.Polygon(p.exterior) for p in old.profile.geoms])
    return shapely.transform(outer, laid.lay)


UNCUT_MM: Final = 15.0
"""A tab that holds a board in its panel is shorter (common practice: 2 to 12 mm)."""

CUT_MM: Final = 0.1
"""A cut this near to an edge is its cut."""


def _uncut_edges(outer: BaseGeometry, new: Board) -> Iterator[Change]:
    """Find where a board of a panel is neither routed nor scored along the outline of the old one.

    What is missing of its material is found as areas; a board that is larger than it was is not.
    """
    if new.profile is None:
        return
    drawn = [
        f.gerber.image
        for kind in (RoleKind.PROFILE, RoleKind.SCORE)
        for f in new.package.of(kind)
        if f.gerber is not None
    ]
    cut = shapely.union_all([shapely.boundary(new.profile), *drawn])
    near = shapely.intersection(outer.envelope.buffer(1.0), cut).buffer(CUT_MM)
    left = shapely.get_parts(shapely.line_merge(shapely.boundary(outer).difference(near)))
    for line in left[shapely.length(left) > UNCUT_MM]:
        at = shapely.get_coordinates(shapely.line_interpolate_point(line, 0.5, normalized=True))[0]
        x0, y0, x1, y1 = shapely.bounds(line).tolist()
        yield Change(
            what=What.PROFILE,
            verb=Verb.CHANGED,
            subject="edge of the board",
            x_mm=float(at[0]),
            y_mm=float(at[1]),
            box_mm=(x0, y0, x1, y1),
            before="cut",
            after=f"not cut over {format_mm(float(shapely.length(line)), digits=1)}",
        )


def _cut_copy(outer: BaseGeometry, new: Board) -> Board:
    """Cut one board of a panel out along the old outline; its cut-outs are those of the panel."""
    material = outer if new.profile is None else outer.intersection(new.profile)
    pieces = polygons_of(material)
    return cut_out(new, shapely.multipolygons(pieces if len(pieces) else shapely.get_parts(outer)))


def _shared_first(found: Sequence[tuple[Placing, Sequence[Change]]]) -> Iterator[Change]:
    """List the changes of the boards of a panel, those that all have once."""
    groups: dict[tuple[object, ...], list[tuple[int, Change]]] = defaultdict(list)
    for number, (copy, changes) in enumerate(found, start=1):
        back = Placing(quarter_turns=-copy.quarter_turns)
        for change in changes:
            at: tuple[float, ...] = ()
            if change.x_mm is not None and change.y_mm is not None:
                point = np.array([[change.x_mm - copy.dx_mm, change.y_mm - copy.dy_mm]])
                # Each copy is laid by its own holes, so last digits differ; 0.0 makes -0.0 plain.
                at = tuple(back.points(point)[0].round(1) + 0.0)
            groups[change.kind, change.subject, change.before, change.after, at].append(
                (number, change)
            )
    for group in groups.values():
        boards = sorted({number for number, _ in group})
        if len(boards) == len(found):
            yield group[0][1]
            continue
        for number, change in group:
            near = f"board {number} of the panel" + (f", {change.near}" if change.near else "")
            yield replace(change, near=near)


def _compare_laid(
    given: Board, new: Board, alignment: Alignment, tell: Callable[[str], None]
) -> _Found:
    """Compare a board with one that it lies on, not mirrored."""
    old, shift = place_board(given, alignment.turn), alignment.shift_mm
    lacking: dict[str, str] = {}
    tell("comparing keys, parts and holes")
    keys = compare_keys(old, new, shift)
    changes: list[Change] = [*keys.changes]
    motions = keys.motions
    if keys.lacking:
        lacking["keys"] = keys.lacking
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
    if why := why_no_plating(old, new, shift):
        lacking["plating"] = why
    tell("comparing nets")
    pins = pins_of(old, new)
    if not isinstance(pins, str):
        changes += compare_nets(*pins)
    tell("comparing layers")
    whole, layers = compare_layers(old, new, shift)
    changes += whole
    if isinstance(pins, str):
        lacking["names of nets"] = f"{pins}; what copper joins is compared instead"
    tell("comparing connections")
    changes += compare_joins(given, new, alignment, motions, layers, changes)
    for layer in layers:
        changes += find_places(layer)
    named = list(_with_names(changes, old, new, shift))
    return _Found(tuple(fold_side_effects(named)), layers, lacking)


def _scaled(alignment: Alignment) -> Iterator[Change]:
    if alignment.scale != 1.0:
        yield fact("scale", "100 %", f"{format_number(100 * alignment.scale, digits=2)} %")


def _ordered(changes: Iterable[Change]) -> list[Change]:
    order = list(What)
    return sorted(changes, key=lambda c: order.index(c.what))


def _board_facts(old: Board, new: Board) -> Iterator[Change]:
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
