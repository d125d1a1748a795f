"""What a comparison is: how the boards were laid on each other, and every change, as data."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final, Literal

import numpy as np

from fabkit.base.columns import Floats, Shapes, gather
from fabkit.base.findings import Finding, Severity, worst_first
from fabkit.base.tables import Result, Table, columns_of
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.model import Board
from fabkit.geometry.segments import Box, Placing
from fabkit.package.model import RoleKind, Side

Points = Floats
Place = tuple[float, float]
"""x and y, mm."""

COPPER_LAYERS: Final = "copper layers"
"""Subject of a change in the number of copper layers."""

POUR: Final = "pour"
"""Words before or after an area of copper that is a whole pour."""

SAME_MM: Final = 0.003
"""Coordinates and sizes that differ by no more are the same.

A file in inches with four decimals, the coarsest step still usual, rounds every coordinate by up
to 1.27 um.
"""

MOVED_MM: Final = 0.008
"""Holes, keys, parts and outlines whose places and sizes differ by no more are the same: drill
files often have steps of 0.01 mm, which round by up to 5 um in each direction."""

HALF_KEY_MM: Final = 9.0
"""Half a usual key: what lies this near to its middle moves with it, and a key without a name that
moved by less is the same key (our choice)."""

SLIVER_MM: Final = 0.006
"""Differences of area that are nowhere wider than this are rounding, not change.

Two contours may each be off by 2 um of chord (``units.CHORD_ERROR_MM``) and by the rounding of
their file.  A shift of 0.02 mm along one axis moves an edge at 45 degrees by 0.014 mm, and a
diameter that grows by 0.02 mm moves its edge by 0.01 mm: both are wider.
"""

ANGLE_DEG: Final = 0.05
"""Turns up to this are the same: 0.05 degrees move the edge of an 18 mm key by 8 um."""


class Verb(StrEnum):
    """What happened, from old to new."""

    ADDED = "added"
    REMOVED = "removed"
    CHANGED = "changed"
    MOVED = "moved"
    RESIZED = "resized"
    RENAMED = "renamed"


MIRRORED: Final = {Verb.ADDED: Verb.REMOVED, Verb.REMOVED: Verb.ADDED}
"""Verbs that turn into another when old and new change places."""


class What(StrEnum):
    """What a change is of; the first word of its kind."""

    BOARD = "board"
    PROFILE = "profile"
    LAYER = "layer"
    KEY = "key"
    HOLE = "hole"
    SLOT = "slot"
    PART = "part"
    NET = "net"
    PIN = "pin"
    CONNECTION = "connection"
    COPPER = "copper"
    MASK = "mask"
    LEGEND = "legend"
    PASTE = "paste"
    OTHER = "other"


AREAS: Final = (What.COPPER, What.MASK, What.LEGEND, What.PASTE, What.OTHER)
"""Layers that are compared as areas."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that is different.

    Parameters
    ----------
    what, verb
        Together its kind, such as ``hole/moved``.
    subject
        Layer, reference, net or size it is about.
    side
        Face it lies on; None: both or neither.
    x_mm, y_mm, box_mm
        Place in the coordinates of the new board; None where it has none.
    before, after
        What was and what is, in words; empty where it was not or is not.
    added_mm2, removed_mm2
        For areas.  Of mask, area is that of openings.
    moved_mm, turned_deg
        For what moved, from old to new.
    near
        Component or key at the place.
    ends_mm
        Of pads that are parted or joined: the two that lie nearest to each other.
    group
        Number that changes share which part the same pads, or join to the same.
    amount_mm
        By how much every edge of a layer moved outwards, or a diameter grew.
    because
        Words of the change that it follows from; empty when it stands for itself.
    """

    what: What
    verb: Verb
    subject: str
    side: Side | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    box_mm: Box | None = None
    before: str = ""
    after: str = ""
    added_mm2: float = 0.0
    removed_mm2: float = 0.0
    moved_mm: tuple[float, float] | None = None
    turned_deg: float = 0.0
    near: str = ""
    ends_mm: tuple[Place, Place] | None = None
    group: int | None = None
    amount_mm: float | None = None
    because: str = ""

    @property
    def kind(self) -> str:
        """``what/verb``."""
        return f"{self.what}/{self.verb}"

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """Width and height of its box."""
        if self.box_mm is None:
            return None
        x0, y0, x1, y1 = self.box_mm
        return x1 - x0, y1 - y0

    @property
    def is_area(self) -> bool:
        """Whether it is an area of a layer."""
        return bool(self.added_mm2 or self.removed_mm2)

    @property
    def is_pour(self) -> bool:
        """Whether a whole pour is new or gone."""
        return self.is_area and POUR in (self.before, self.after)

    @property
    def is_whole(self) -> bool:
        """Whether it is of a whole layer or file: moved, turned, mirrored, scaled, grown."""
        return (
            self.what in (*AREAS, What.PROFILE, What.HOLE)
            and self.x_mm is None
            and self.verb in (Verb.MOVED, Verb.RESIZED)
        )

    @property
    def counted_as(self) -> str:
        """What it is when changes are counted: areas of all layers are one kind."""
        if self.is_area:
            return "area"
        if self.is_whole:
            return "layer"
        return "board fact" if self.what is What.BOARD else self.what.value

    @property
    def message(self) -> str:
        """What happened, without its place."""
        if self.is_area:
            return self._area_message()
        if self.is_whole and self.after:
            between = ": " if self.amount_mm is not None else " "
            return f"{self.subject}{between}{self.after}"
        if self.what is What.CONNECTION:
            if self.verb is Verb.REMOVED:
                return f"{self.subject}: no longer {self.before}"
            return f"{self.subject}: now {self.after}"
        if self.moved_mm is not None:
            return f"{self.subject} {self._move_words()}"
        if self.before and self.after:
            return f"{self.subject}: {self.before} became {self.after}"
        more = self.before or self.after
        return f"{self.subject} {self.verb}" + (f": {more}" if more else "")

    def _area_message(self) -> str:
        kept = [(self.added_mm2, "added"), (self.removed_mm2, "removed")]
        whole = max(kept) if self.is_pour else None
        areas = ", ".join(
            f"{'pour of ' if one == whole else ''}{_area(one[0])} {one[1]}"
            for one in kept
            if one[0]
        )
        size = self.size_mm
        within = "" if size is None else f" within {_across(size)}"
        return f"{self.subject}: {areas}{within}"

    def _move_words(self) -> str:
        assert self.moved_mm is not None  # noqa: S101 -- narrows for the type checker
        dx, dy = self.moved_mm
        words = []
        if np.hypot(dx, dy) > SAME_MM:
            far = format_mm(float(np.hypot(dx, dy)))
            words.append(f"moved by {format_number(dx)}, {format_mm(dy)} ({far})")
        if self.turned_deg:
            words.append(f"turned by {format_number(self.turned_deg, digits=2)}°")
        if self.before and self.after:
            words.append(f"{self.before} became {self.after}")
        return ", ".join(words)


def _area(mm2: float) -> str:
    # With two decimals a sliver would read as 0 mm².
    digits = 2 if mm2 >= 0.095 else 4
    return f"{format_number(mm2, digits=digits)} mm²"


def _across(size: tuple[float, float]) -> str:
    return f"{format_number(size[0], digits=2)} × {format_mm(size[1], digits=2)}"


FEWEST: Final = 20
"""With fewer holes and pads in all, these alone do not show how boards lie (our choice)."""
HOLDS_SHARE: Final = 0.8
"""Share of a board's holes and pads that each board of a panel must have (our choice)."""

Method = Literal["same origin", "holes", "profile", "pads", "keys", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """How the old board was laid on the new one.

    Parameters
    ----------
    method
        What showed turn and shift; ``none`` when nothing of one board lies on the other.
    mirrored
        Whether the old board was mirrored first (x changes sign).
    turned_deg
        0, 90, 180 or 270: what the old board is turned by about its origin, counter-clockwise.
    shift_mm
        What is then added to its positions.
    agreeing, compared
        Holes and pads of the smaller board that lie on one of the other, of how many.
    copies
        Where the old board lies on a new one that is a panel of it; empty otherwise.
    scale
        Of boards that cannot be laid on each other: size of the new one, if it is the old one
        scaled.
    """

    method: Method
    mirrored: bool = False
    turned_deg: int = 0
    shift_mm: tuple[float, float]
    agreeing: int
    compared: int
    copies: tuple[Placing, ...] = ()
    scale: float = 1.0

    @property
    def comparable(self) -> bool:
        """Whether the boards have enough in common to be laid on each other."""
        return self.method != "none"

    @property
    def holds_new(self) -> bool:
        """Whether the boards are not comparable although (nearly) all of NEW lies on OLD.

        OLD may be a panel of NEW: a board is laid on its panel, but no panel on its board.
        """
        enough = self.compared >= FEWEST and self.agreeing >= HOLDS_SHARE * self.compared
        return not self.comparable and enough

    @property
    def turn(self) -> Placing:
        """Mirror and turn of the old board, without the shift."""
        return Placing(mirrored=self.mirrored, quarter_turns=self.turned_deg // 90)

    @property
    def placing(self) -> Placing:
        """All of it."""
        dx, dy = self.shift_mm
        return replace(self.turn, dx_mm=dx, dy_mm=dy)

    def lay(self, points: Points) -> Points:
        """Points of the old board as they lie on the new one, (n, 2) float64, mm."""
        return self.placing.points(points)

    def back(self, points: Points) -> Points:
        """Points of the new board as they lie on the old one, (n, 2) float64, mm."""
        # Undone the other way round: shift, then turn, then mirror.
        turned = Placing(quarter_turns=-self.turned_deg // 90).points(points - self.shift_mm)
        return Placing(mirrored=self.mirrored).points(turned)

    @property
    def shifted(self) -> bool:
        """Whether the boards have different origins."""
        return bool(np.hypot(*self.shift_mm) > SAME_MM)

    @property
    def words(self) -> str:
        """How, in a sentence."""
        agreed = f"{self.agreeing} of {self.compared} holes and pads agree"
        if self.scale != 1.0:
            return f"NEW is OLD scaled to {format_number(100 * self.scale, digits=2)} %"
        if not self.comparable:
            return f"the boards cannot be laid on each other: {agreed}"
        dx, dy = self.shift_mm
        moves = ["mirrored"] if self.mirrored else []
        moves += [f"turned by {self.turned_deg}°"] if self.turned_deg else []
        if self.shifted:
            moves.append(f"moved by {format_number(dx)}, {format_mm(dy)}")
        if not moves:
            return f"laid on each other as they are, {agreed}"
        return f"OLD {' and '.join(moves)} onto NEW, found by {self.method}; {agreed}"


@dataclass(frozen=True, eq=False, kw_only=True)
class LayerChange:
    """What is different on one layer.

    Parameters
    ----------
    name, kind, side, index
        As in :class:`fabkit.board.model.Layer`.
    added, removed
        (n,) object arrays of polygons, mm, in the coordinates of the new board.  Of solder mask
        they are openings, of a negative layer what it leaves.
    equal_files
        Whether both files hold the same bytes.
    """

    name: str
    kind: RoleKind
    side: Side | None
    index: int
    added: Shapes
    removed: Shapes
    equal_files: bool = False

    @property
    def added_mm2(self) -> float:
        """Area that is new."""
        return _total(self.added)

    @property
    def removed_mm2(self) -> float:
        """Area that is gone."""
        return _total(self.removed)

    @property
    def equal(self) -> bool:
        """Whether nothing is different."""
        return not len(self.added) and not len(self.removed)


def _total(shapes: Shapes) -> float:
    import shapely

    return float(shapely.area(shapes).sum()) if len(shapes) else 0.0


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Comparison(Result):
    """Two boards and every change from the old to the new one.

    Parameters
    ----------
    old, new
        As given.
    laid
        The old board turned as the new one lies; ``old`` itself where nothing had to be turned.
    changes
        By subject as in :class:`What`; areas of a layer worst first.
    layers
        Every layer both boards have.
    not_compared
        What could not be compared, with the reason: ``{"nets": "OLD names no nets"}``.
    summary
        What happened, in at most six sentences; empty when nothing did.
    """

    old: Board
    new: Board
    laid: Board
    alignment: Alignment
    changes: tuple[Change, ...]
    layers: tuple[LayerChange, ...]
    not_compared: Mapping[str, str] = field(default_factory=dict)
    summary: tuple[str, ...] = ()

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        return f"{self.old.name} to {self.new.name}: {self.verdict}"

    def table(self) -> Table:
        """Every change."""
        return Table(
            columns_of("kind", "subject", "message", "side", "x_mm", "y_mm"),
            tuple((c.kind, c.subject, c.message, c.side, c.x_mm, c.y_mm) for c in self.changes),
        )

    @property
    def equal(self) -> bool:
        """Whether both are the same board, within the tolerance."""
        return self.alignment.comparable and not self.changes

    @property
    def same_files(self) -> bool:
        """Whether both packages hold the same bytes, so that no reading of them can differ."""
        mine, theirs = (
            sorted(f.data for f in board.package.files) for board in (self.old, self.new)
        )
        return mine == theirs

    @property
    def verdict(self) -> str:
        """One sentence."""
        if not self.alignment.comparable:
            if self.alignment.holds_new:
                return "not comparable: OLD is far larger than NEW and holds all of it"
            return "not comparable: hardly anything of one board lies on the other"
        if not self.changes:
            return "the same board, within the tolerance"
        kinds = Counter(c.counted_as for c in self.changes)
        parts = ", ".join(counted(n, kind) for kind, n in kinds.items())
        total = counted(len(self.changes), "difference")
        return f"{total}: {parts}" if len(kinds) > 1 else total


# What was found on either board: new, gone, other numbers, the same

_NUMBERS: Final = re.compile(r"[-+]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChanges:
    """Findings of two boards, worst first.

    Parameters
    ----------
    changed
        Pairs of the same message with other numbers, or with another severity.
    same
        How many are the same word for word.
    """

    new: tuple[Finding, ...]
    gone: tuple[Finding, ...]
    changed: tuple[tuple[Finding, Finding], ...]
    same: int

    def status(self, fail_on: Severity | None) -> int:
        """1 when a finding that is new, or grew worse, is at least so severe."""
        if fail_on is None:
            return 0
        # Another number alone is no new reason to stop: the old board was judged with it.
        worse = [b for a, b in self.changed if b.severity > a.severity]
        return int(any(f.severity >= fail_on for f in (*self.new, *worse)))


def compare_findings(old: Iterable[Finding], new: Iterable[Finding]) -> FindingChanges:
    """Pair findings of the same message, then those that differ in numbers alone."""
    same, mine, theirs = _paired(list(old), list(new), _said)
    changed, gone, fresh = _paired(mine, theirs, _gist)
    return FindingChanges(
        new=worst_first(fresh),
        gone=worst_first(gone),
        changed=tuple(sorted(changed, key=lambda p: (-p[1].severity, p[1].id, p[1].message))),
        same=len(same),
    )


def _said(finding: Finding) -> tuple[object, ...]:
    return finding.id, finding.severity, finding.message, finding.count


def _gist(finding: Finding) -> tuple[object, ...]:
    return finding.id, _NUMBERS.sub("#", finding.message)


def _paired(
    old: Sequence[Finding],
    new: Sequence[Finding],
    key: Callable[[Finding], tuple[object, ...]],
) -> tuple[list[tuple[Finding, Finding]], list[Finding], list[Finding]]:
    """Pairs of one key in order, and what is left of each."""
    waiting = gather((key(finding), finding) for finding in sorted(old, key=lambda f: f.message))
    pairs, fresh = [], []
    for finding in sorted(new, key=lambda f: f.message):
        found = waiting.get(key(finding))
        if found:
            pairs.append((found.pop(0), finding))
        else:
            fresh.append(finding)
    return pairs, [f for rest in waiting.values() for f in rest], fresh
