"""A comparison judged by a file of the changes that are meant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Final

from fabkit.base.findings import Finding, Place
from fabkit.base.units import format_number
from fabkit.compare.model import Change, Comparison, Verb, What
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
