"""A comparison judged: by a file of changes that are meant, or as what a house sends back."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Shapes
from fabkit.base.findings import Finding, Place
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.model import Board
from fabkit.compare.areas import thick
from fabkit.compare.model import SAME_MM, Change, Comparison, LayerChange, Verb, What
from fabkit.package.model import RoleKind, Side
from fabkit.rules import load_rule
from fabkit.sheets.reading import Count, Filled, Wrong, read_as
from fabkit.sheets.toml_text import read_sheet, to_literal

UNEXPECTED: Final = load_rule("compare/unexpected")
MISSING: Final = load_rule("compare/missing")

ROUND_MM: Final = 0.01
"""Lengths are written to the hundredth, and looked for this much around."""

AREA_SHARE: Final = 0.02
AREA_MM2: Final = 0.002
"""An area that was written down is met within this share, or this much."""

TURN_DEG: Final = 0.1

KINDS: Final = tuple(f"{what}/{verb}" for what in What for verb in Verb)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One ``[[change]]``: what is set must fit, what is None or empty may be anything.

    Parameters
    ----------
    kind, subject
        Patterns with ``*`` and ``?``, such as ``copper/*`` or ``key SW*``.
    inside_mm
        Box, in the coordinates of the new board, that the change must lie in.
    count
        How many changes it stands for; None: one or more.
    """

    kind: str
    subject: str = "*"
    before: str | None = None
    after: str | None = None
    moved_mm: tuple[float, float] | None = None
    turned_deg: float | None = None
    inside_mm: tuple[float, float, float, float] | None = None
    added_mm2: float | None = None
    removed_mm2: float | None = None
    count: Count | None = None
    reason: str = ""
    line: Annotated[int | None, Filled.LATER] = None

    def __post_init__(self) -> None:
        if not any(fnmatchcase(known, self.kind) for known in KINDS):
            raise Wrong(
                "kind",
                f"no change is called '{self.kind}'",
                expected="one of key/moved, copper/*, ...",
            )

    def fits(self, change: Change) -> bool:
        """Whether a change is one of those meant."""
        return (
            fnmatchcase(change.kind, self.kind)
            and fnmatchcase(change.subject, self.subject)
            and self.before in (None, change.before)
            and self.after in (None, change.after)
            and self._moves_like(change)
            and self._lies_in(change)
            and _near(self.added_mm2, change.added_mm2)
            and _near(self.removed_mm2, change.removed_mm2)
        )

    def _moves_like(self, change: Change) -> bool:
        if self.turned_deg is not None and abs(self.turned_deg - change.turned_deg) > TURN_DEG:
            return False
        if self.moved_mm is None:
            return True
        moved = change.moved_mm
        pairs = zip(self.moved_mm, moved, strict=True) if moved is not None else ()
        return moved is not None and all(abs(a - b) <= ROUND_MM for a, b in pairs)

    def _lies_in(self, change: Change) -> bool:
        if self.inside_mm is None:
            return True
        x0, y0, x1, y1 = self.inside_mm
        box = change.box_mm
        if box is None:
            if change.x_mm is None or change.y_mm is None:
                return False
            box = (change.x_mm, change.y_mm, change.x_mm, change.y_mm)
        r = ROUND_MM
        return box[0] >= x0 - r and box[1] >= y0 - r and box[2] <= x1 + r and box[3] <= y1 + r

    @property
    def words(self) -> str:
        """What it asks for, in short."""
        parts = [self.kind, *([self.subject] if self.subject != "*" else [])]
        if self.inside_mm is not None:
            parts.append("inside " + ", ".join(format_number(v, digits=2) for v in self.inside_mm))
        return " ".join(parts)


def _near(wanted: float | None, found: float) -> bool:
    return wanted is None or abs(wanted - found) <= max(AREA_MM2, AREA_SHARE * wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A comparison judged by what was meant.

    ``expected`` states for each change whether an entry fits it.
    """

    expected: tuple[bool, ...]
    findings: tuple[Finding, ...]


def judge_changes(
    comparison: Comparison, expected: Path | str | Sequence[Expectation]
) -> Judgement:
    """Find changes that were not meant, and meant ones that are not there.

    Parameters
    ----------
    comparison
        As made by :func:`fabkit.compare_boards`.
    expected
        A file of expected changes, or its entries.

    Raises
    ------
    SheetError
        A key of the file is wrong; names file, line and key.
    """
    if isinstance(expected, Path | str):
        expectations, file = load_expected(expected), str(expected)
    else:
        expectations, file = tuple(expected), ""
    hits = [0] * len(expectations)
    meant = []
    for change in comparison.changes:
        fitting = [k for k, e in enumerate(expectations) if e.fits(change)]
        # An entry that still wants changes comes before one that has all it asked for.
        free = [k for k in fitting if not _full(expectations[k], hits[k])]
        for k in (free or fitting)[:1]:
            hits[k] += 1
        meant.append(bool(fitting))
    findings = [
        Finding.of(UNEXPECTED, f"{c.kind}: {c.message}", *_places(c))
        for c, fits in zip(comparison.changes, meant, strict=True)
        if not fits
    ]
    findings += [
        Finding.of(MISSING, _missing(e, n), Place(file=file, line=e.line))
        for e, n in zip(expectations, hits, strict=True)
        if (n == 0 if e.count is None else n != e.count)
    ]
    return Judgement(expected=tuple(meant), findings=tuple(findings))


def _full(entry: Expectation, hits: int) -> bool:
    return entry.count is not None and hits >= entry.count


def _missing(entry: Expectation, hits: int) -> str:
    if entry.count is None or hits == 0:
        return f"no change fits {entry.words}"
    return f"{hits} changes fit {entry.words}, {entry.count} were expected"


def _places(change: Change) -> Iterator[Place]:
    if change.x_mm is not None and change.y_mm is not None:
        yield Place(side=change.side, x_mm=change.x_mm, y_mm=change.y_mm)


def load_expected(path: Path | str) -> tuple[Expectation, ...]:
    """Load a file of expected changes.

    Raises
    ------
    SheetError
        A key of the file is wrong; names file, line and key.
    """
    text = read_sheet(Path(path))
    file = read_as(_ExpectedFile, text, what="the file of expected changes")
    return tuple(
        replace(one, line=text.line(("change", n, "kind"))) for n, one in enumerate(file.change)
    )


@dataclass(frozen=True, kw_only=True)
class _ExpectedFile:
    format: Count
    old: str = ""
    new: str = ""
    change: tuple[Expectation, ...] = ()


_HEAD: Final = """\
# Changes that are meant from the old board to the new one.  Whatever else differs is found, and so
# is an entry that nothing fits.  Delete what was not meant.  A key left out may be anything; kind
# and subject take * and ?; one wide inside_mm can stand for many entries.
#
#     fabkit compare OLD NEW --expect this-file.toml

format = 1
"""


def expectation_text(comparison: Comparison) -> str:
    """Write a file of expected changes that every change of a comparison fits."""
    lines = [
        _HEAD
        + f"old = {to_literal(comparison.old.name)}\nnew = {to_literal(comparison.new.name)}\n"
    ]
    lines += ["\n".join(_entry_lines(group)) + "\n" for group in _alike(comparison.changes)]
    return "\n".join(lines)


def _alike(changes: Sequence[Change]) -> list[list[Change]]:
    """Holes that changed alike at one part are one entry; everything else has its own."""
    groups: dict[tuple[object, ...], list[Change]] = {}
    for number, change in enumerate(changes):
        key: tuple[object, ...] = (number,)
        if change.what is What.HOLE and change.moved_mm is not None:
            key = (change.kind, change.near, *(round(v, 2) for v in change.moved_mm))
        groups.setdefault(key, []).append(change)
    return list(groups.values())


def _entry_lines(group: Sequence[Change]) -> Iterator[str]:
    first = group[0]
    near = f"near {first.near}" if first.near else ""
    yield f"[[change]]{'  # ' + near if near.isprintable() and near else ''}"
    yield f"kind = {to_literal(first.kind)}"
    if len(group) == 1:
        # A subject is matched as a pattern; its own signs must stand for themselves.
        yield f"subject = {to_literal(_literal(first.subject))}"
        for key in ("before", "after"):
            if value := getattr(first, key):
                yield f"{key} = {to_literal(value)}"
    if first.moved_mm is not None:
        yield f"moved_mm = {_list(first.moved_mm)}"
    if first.turned_deg:
        yield f"turned_deg = {round(first.turned_deg, 2)}"
    boxes = [c.box_mm for c in group if c.box_mm is not None]
    if boxes:
        low = [min(b[k] for b in boxes) for k in (0, 1)]
        high = [max(b[k] for b in boxes) for k in (2, 3)]
        yield f"inside_mm = {_list((*low, *high))}"
    if first.is_area:
        yield f"added_mm2 = {round(first.added_mm2, 4)}"
        yield f"removed_mm2 = {round(first.removed_mm2, 4)}"
    if len(group) > 1:
        yield f"count = {len(group)}"


def _literal(text: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in text)


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(format_number(v, digits=2) for v in values) + "]"


# What a board house sends back


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
