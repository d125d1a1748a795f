"""A comparison judged as what a board house sends back: its usual edits, and all others."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Shapes
from fabkit.base.units import counted, format_mm
from fabkit.board.model import Board
from fabkit.compare.areas import thick
from fabkit.compare.model import SAME_MM, Change, Comparison, LayerChange, What
from fabkit.package.model import RoleKind, Side

_DANGER: Final = (
    What.CONNECTION,
    What.COPPER,
    What.HOLE,
    What.SLOT,
    What.PROFILE,
    What.BOARD,
    What.LAYER,
    What.MASK,
    What.KEY,
    What.PIN,
    What.NET,
    What.PART,
    What.LEGEND,
    What.PASTE,
    What.OTHER,
)
"""What a change is of, the most dangerous first (our choice)."""

NAMED: Final = 3
"""Changes that are no usual edits and are named in the verdict."""

_LONGEST: Final = 4.0
"""A mark is so many times as long as high at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseEdit:
    """One entry of ``house_edits.toml``: what houses usually change, and by how much."""

    id: str
    kinds: tuple[str, ...]
    test: str
    words: str
    subject: str = "*"
    least_mm: float = 0.0
    most_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Edited:
    """A usual edit that was found, and the changes it explains."""

    edit: HouseEdit
    changes: tuple[Change, ...]

    @property
    def words(self) -> str:
        """What the house did."""
        amounts = [abs(c.amount_mm) for c in self.changes if c.amount_mm is not None]
        layers = list(dict.fromkeys(c.subject for c in self.changes))
        return self.edit.words.format(
            n=len(self.changes),
            layers=" and ".join(layers),
            amount=format_mm(round(max(amounts, default=0.0), 2)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """Whether a returned board is the one that was sent.

    Parameters
    ----------
    mine
        True when all that changed is usual and everything could be compared.
    verdict
        One sentence.
    usual
        What the house changed as houses do.
    others
        All other changes, the most dangerous first.
    notes
        What is different of the files as such.
    """

    mine: bool
    verdict: str
    usual: tuple[Edited, ...] = ()
    others: tuple[Change, ...] = ()
    notes: tuple[str, ...] = ()


@cache
def load_house_edits() -> tuple[HouseEdit, ...]:
    """Load what houses usually change."""
    text = files("fabkit.compare").joinpath("house_edits.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["edit"]
    return tuple(HouseEdit(**row | {"kinds": tuple(row["kinds"])}) for row in rows)


def judge_returned(comparison: Comparison) -> Returned:
    """Judge whether NEW, as a board house sends it back, is still OLD.

    Every change is judged by itself, also one that follows from another: a pad that is gone beside
    a hole that was enlarged is no usual edit.
    """
    if not comparison.alignment.comparable:
        return Returned(mine=False, verdict="NOT your board: the boards are not comparable")
    ground = _Ground(comparison)
    found: dict[str, list[Change]] = {}
    others = []
    for change in comparison.changes:
        edit = next((e for e in load_house_edits() if ground.fits(e, change)), None)
        if edit is None:
            others.append(change)
        else:
            found.setdefault(edit.id, []).append(change)
    usual = tuple(
        Edited(edit=edit, changes=tuple(found[edit.id]))
        for edit in load_house_edits()
        if edit.id in found
    )
    others.sort(key=lambda c: _DANGER.index(c.what))
    # A file that was not recognised may hide an edit; what neither board states cannot.
    lost = [what for what, why in comparison.not_compared.items() if "--role" in why]
    return Returned(
        mine=not others and not lost,
        verdict=_verdict(usual, others, lost, comparison.not_compared),
        usual=usual,
        others=tuple(others),
        notes=tuple(_file_notes(comparison)),
    )


def _verdict(
    usual: Sequence[Edited],
    others: Sequence[Change],
    lost: Sequence[str],
    not_compared: Mapping[str, str],
) -> str:
    done = ", ".join(e.words for e in usual)
    if others:
        named = "; ".join(_named(c) for c in _spread(others))
        rest = len(others) - NAMED
        more = f"; and {counted(rest, 'more change')}" if rest > 0 else ""
        return f"NOT your board: {named}{more}"
    if lost:
        whole = "; ".join(f"{what}: {not_compared[what]}" for what in lost)
        return f"not decided, because not all could be compared: {whole}"
    return f"your board; the house {done}" if done else "your board, nothing is changed"


def _spread(others: Sequence[Change]) -> list[Change]:
    """Take the first changes, each of another sort as far as there are some."""
    firsts = list({c.kind: c for c in reversed(others)}.values())[::-1]
    firsts.sort(key=others.index)
    rest = [c for c in others if c not in firsts]
    return [*firsts, *rest][:NAMED]


def _named(change: Change) -> str:
    if change.x_mm is None or change.y_mm is None:
        return change.message
    near = f" ({change.near})" if change.near else ""
    return f"{change.message}, at {change.x_mm:.2f}, {change.y_mm:.2f} mm{near}"


class _Ground:
    """Where usual edits may lie on the new board: beside openings, holes and the edge."""

    def __init__(self, comparison: Comparison) -> None:
        self._board: Board = comparison.new
        self._layers = comparison.layers
        self._rest: dict[tuple[str, str], shapely.STRtree] = {}
        self._tests: Mapping[str, Callable[[HouseEdit, Change], bool]] = {
            "any": lambda _e, _c: True,
            "edges": self._within,
            "diameter": self._within,
            "bared": self._on_bare,
            "edge": self._on_edge,
            "mark": self._is_mark,
        }

    def fits(self, edit: HouseEdit, change: Change) -> bool:
        """Whether a change is such an edit."""
        return (
            any(fnmatchcase(change.kind, kind) for kind in edit.kinds)
            and fnmatchcase(change.subject, edit.subject)
            and self._tests[edit.test](edit, change)
        )

    def _within(self, edit: HouseEdit, change: Change) -> bool:
        amount = change.amount_mm
        # A hole that moved as well was not only drilled wider.
        moved = change.moved_mm is not None and np.hypot(*change.moved_mm) > 0.05
        return (
            amount is not None
            and not moved
            and edit.least_mm - SAME_MM <= amount <= edit.most_mm + SAME_MM
        )

    def _on_bare(self, edit: HouseEdit, change: Change) -> bool:
        return not change.added_mm2 and not self._left(edit, change, self._bare)

    def _on_edge(self, edit: HouseEdit, change: Change) -> bool:
        return not change.added_mm2 and not self._left(edit, change, self._edge)

    def _is_mark(self, edit: HouseEdit, change: Change) -> bool:
        size = change.size_mm
        if size is None or not change.is_area or change.removed_mm2:
            return False
        small = max(size) <= edit.most_mm and min(size) <= edit.most_mm / _LONGEST
        # A mark is printed beside the pads: legend over an opening would be on a pad.
        openings = self._openings(change.side)
        return small and not shapely.box(*(change.box_mm or (0, 0, 0, 0))).intersects(openings)

    def _left(
        self,
        edit: HouseEdit,
        change: Change,
        allowed: Callable[[Side | None, float], BaseGeometry],
    ) -> bool:
        """Whether something of a layer that is gone at a change lies outside of what is allowed."""
        if not change.is_area or change.box_mm is None:
            return True
        key = edit.id, change.subject
        if key not in self._rest:
            found = [a for a in self._layers if a.name == change.subject]
            self._rest[key] = shapely.STRtree(
                np.concatenate([_outside(a, allowed(a.side, edit.most_mm)) for a in found])
            )
        return bool(len(self._rest[key].query(shapely.box(*change.box_mm), "intersects")))

    def _openings(self, side: Side | None) -> BaseGeometry:
        mask = self._board.layer(RoleKind.MASK, side)
        return shapely.Polygon() if mask is None else mask.file.image

    def _bare(self, side: Side | None, most_mm: float) -> BaseGeometry:
        bare = shapely.union_all([self._openings(side), self._board.opening])
        return shapely.union(shapely.buffer(bare, most_mm), self._edge(side, most_mm))

    def _edge(self, _side: Side | None, most_mm: float) -> BaseGeometry:
        """All but the middle of the board: its edge, and what lies beside it."""
        profile = self._board.profile
        if profile is None:
            return shapely.Polygon()
        return shapely.box(*profile.buffer(1e3).bounds).difference(profile.buffer(-most_mm))


def _outside(layer: LayerChange, allowed: BaseGeometry) -> Shapes:
    """Find what is gone of a layer, and not where it is allowed."""
    if not len(layer.removed):
        return layer.removed
    shapely.prepare(allowed)
    rest = shapely.difference(layer.removed, allowed)
    return thick(shapely.get_parts(rest[~shapely.is_empty(rest)]))


def _file_notes(comparison: Comparison) -> Iterator[str]:
    """List what is different of the files as such: names, attributes, units, drill files."""
    old, new = comparison.old.package, comparison.new.package
    names = [{f.name.rpartition("/")[2] for f in p.files} for p in (old, new)]
    if not names[0] & names[1]:
        yield "the files have other names"
    attributes = [any(f.gerber and f.gerber.attributes for f in p.files) for p in (old, new)]
    if attributes[0] != attributes[1]:
        yield f"{'NEW' if attributes[0] else 'OLD'} has no attributes"
    units = [{f.gerber.unit_mm for f in p.files if f.gerber} for p in (old, new)]
    if units[0] != units[1]:
        yield "the files are in another unit"
    drills = [len(p.of(RoleKind.DRILL)) for p in (old, new)]
    if drills[0] != drills[1]:
        yield f"{counted(drills[0], 'drill file')} became {drills[1]}"
