"""What is said about a file or a board: rules, places and findings.

Readers and checks speak the same language.  A :class:`Rule` stands once in the rulebook
(:mod:`fabkit.rules`); a :class:`Finding` is one application of it.  Numbers are fields, text is
rendered from them, so that every output says the same.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import IntEnum
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Final

from fabkit.base.errors import UnreadableInput
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.base.units import format_mm, format_number

if TYPE_CHECKING:
    from fabkit.base.columns import Ints


class Severity(IntEnum):
    """How much a finding matters to the order."""

    NOTE = 1
    """Worth knowing."""
    WARNING = 2
    """May be made differently from what was meant."""
    ERROR = 3
    """May be refused, or made wrong."""

    @property
    def word(self) -> str:
        """Lower-case name used in every output."""
        return self.name.lower()


class Consequence(IntEnum):
    """What follows from a finding for the order."""

    FORM = 0
    """Against the letter of a format that every reader takes in one way: nothing follows."""
    KNOW = 1
    """Worth knowing; nothing to do."""
    DECIDE = 2
    """Within reach of some houses, classes or readings: the user decides."""
    STOP = 3
    """The board would be refused or made wrong."""

    @property
    def word(self) -> str:
        """Lower-case name used in every output."""
        return self.name.lower()

    @property
    def severity(self) -> Severity:
        """The same on the scale of ``--fail-on``: a stop is an error, a decision a warning."""
        return Severity(max(self, Consequence.KNOW))


FORMAL: Final = frozenset(
    ("gerber", "drill", "package", "job", "netlist", "placement", "parts-table")
)
"""Groups of rules on the files themselves: what of them is only worth knowing is form."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a rule comes from: a published document and its section, or common practice."""

    document: str
    section: str = ""

    def __str__(self) -> str:
        return f"{self.document}, {self.section}" if self.section else self.document


FINE_CLASS: Final = "fine class"
"""The choice that settles every limit which the house's fine class keeps."""


def cause_names(named: Iterable[tuple[str, str]]) -> list[str]:
    """Name the cause of each finding, given its rule's id and the choice that settles it.

    One choice is one cause, however many limits ask for it.  Not so where more of the same rule
    is beyond that choice: then it settles nothing, and the rule itself is the cause.
    """
    rows = list(named)
    beyond = {rule for rule, choice in rows if not choice}
    return [choice if choice and rule not in beyond else rule for rule, choice in rows]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One thing that can be found.

    Parameters
    ----------
    id
        ``group/kebab-case``; a promise, never changed once released.
    title
        One line.
    why
        Why it matters to the order.
    source
        Standard and section, or common practice.
    severity
        Default severity: how badly the file breaks its format, or the board its limits.
    advice
        What the user does about it.
    at_most
        The worst that can follow from it for the order, where that is less than its severity:
        every reader takes in one way what the format forbids.
    explains
        Ids of rules, or groups with a trailing slash, whose findings follow from one of this
        rule, where they are about the same files.
    """

    id: str
    title: str
    why: str
    source: Source
    severity: Severity
    advice: str
    at_most: Consequence = Consequence.STOP
    explains: tuple[str, ...] = ()

    @property
    def consequence(self) -> Consequence:
        """What follows for the order, unless a finding is less severe than its rule."""
        return self.consequence_of(self.severity)

    def consequence_of(self, severity: Severity) -> Consequence:
        """Find what follows for the order from a finding of this rule at a severity."""
        most = Consequence(min(severity, self.at_most))
        formal = self.id.partition("/")[0] in FORMAL
        return Consequence.FORM if formal and most <= Consequence.KNOW else most


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place in a file, on the board, or both.

    Parameters
    ----------
    file
        Member name of the file.
    offset
        Byte offset in the file.
    line, column
        Both from 1; column counts bytes.
    excerpt
        The line's text around the place, at most 80 characters.
    caret
        Index of the place within ``excerpt``.
    side
        ``"top"``, ``"bottom"`` or None.
    x_mm, y_mm
        Board coordinates of the files, mm.
    """

    file: str | None = None
    offset: int | None = None
    line: int | None = None
    column: int | None = None
    excerpt: str = ""
    caret: int = 0
    side: str | None = None
    x_mm: float | None = None
    y_mm: float | None = None

    def __str__(self) -> str:
        parts = []
        if self.file is not None:
            text = self.file
            if self.line is not None:
                text += f":{self.line}"
                if self.column is not None:
                    text += f":{self.column}"
            parts.append(text)
        if self.x_mm is not None and self.y_mm is not None:
            point = f"{format_number(self.x_mm)}, {format_mm(self.y_mm)}"
            parts.append(f"{self.side} {point}" if self.side else point)
        elif self.side:
            parts.append(self.side)
        return " at ".join(parts)


def places_at(
    points: Iterable[Iterable[float]], file: str | None = None, *, most: int = 20
) -> tuple[Place, ...]:
    """Places of the first of some points, mm, as they lie in a file."""
    first = (map(float, point) for point in islice(points, most))
    return tuple(Place(file=file, x_mm=x, y_mm=y) for x, y in first)


def times(message: str, count: int) -> str:
    """How often, to be written behind a message; nothing when it begins with a number itself.

    >>> times("drill too small", 3), times("3 holes are off the board", 3), times("once", 1)
    (' (×3)', '', '')
    """
    return f" (×{count})" if count > 1 and not message[:1].isdigit() else ""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Finding:
    """One rule applied: what, where, how much, against which limit, and what to do.

    Parameters
    ----------
    rule
        The rule that was applied.
    severity
        Severity in force (the rule's own unless the house sheet moved it).
    message
        What was found, one sentence, without place.
    places
        First places, worst first; ``count`` may be larger.
    count
        How often it was found in all.
    measured, limit, unit
        Numbers behind the verdict; None where there are none.
    assumed
        What was assumed in order to go on ("read as inches"), or None.
    advice
        What to do; the rule's own when empty.
    choice
        What the user can order to settle it, such as :data:`FINE_CLASS`; empty when nothing does.
    follows
        Id of the finding of the same run that this one follows from; empty when none.
    """

    rule: Rule
    severity: Severity
    message: str
    places: tuple[Place, ...] = ()
    count: int = 1
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    assumed: str | None = None
    advice: str = ""
    choice: str = ""
    follows: str = ""

    def __repr__(self) -> str:
        said = f"{self.severity.word} {self.id}: {self.message}{times(self.message, self.count)}"
        return f"<Finding {' '.join(said.split())}>"

    @property
    def id(self) -> str:
        """Id of the rule."""
        return self.rule.id

    @property
    def consequence(self) -> Consequence:
        """What follows from it for the order."""
        return self.rule.consequence_of(self.severity)

    @property
    def remedy(self) -> str:
        """What to do about it: the finding's own advice, else the rule's."""
        return self.advice or self.rule.advice

    @classmethod
    def of(cls, rule: Rule, message: str, *places: Place, **numbers: object) -> Finding:
        """Make a finding of ``rule`` at its default severity."""
        made = cls(rule=rule, severity=rule.severity, message=message, places=places)
        return replace(made, **numbers) if numbers else made  # type: ignore[arg-type]


def raise_for(problems: Iterable[Finding], severity: Severity) -> None:
    """Raise for the first of a reader's problems that is at least as severe.

    Raises
    ------
    UnreadableInput
        There is one.
    """
    for problem in problems:
        if problem.severity >= severity:
            place = f"{problem.places[0]}: " if problem.places else ""
            raise UnreadableInput(f"{place}{problem.message}", hint=problem.remedy)


EXCERPT_WIDTH = 80


class LineIndex:
    """Turns byte offsets of one file into lines, columns and excerpts, when asked."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    @cached_property
    def _starts(self) -> list[int]:
        import numpy as np

        raw = np.frombuffer(self._data, dtype=np.uint8)
        feed = raw == 10
        # A return alone ends a line, too, as on systems long gone.
        lone_return = (raw == 13) & ~np.append(feed[1:], False)
        return [0, *(np.flatnonzero(feed | lone_return) + 1).tolist()]

    def place(self, file: str, offset: int) -> Place:
        """Place of byte ``offset``, with line, column and excerpt."""
        offset = max(0, min(offset, len(self._data)))
        line = bisect_right(self._starts, offset)
        start = self._starts[line - 1]
        end = self._starts[line] if line < len(self._starts) else len(self._data)
        # Of a line of a million characters the part around the place is shown.
        first = start if offset - start < EXCERPT_WIDTH - 20 else offset - 40
        raw = self._data[first : min(end, first + EXCERPT_WIDTH)].rstrip(b"\r\n")
        text = "".join(c if c.isprintable() else "·" for c in raw.decode("latin-1"))
        return Place(
            file=file,
            offset=offset,
            line=line,
            column=offset - start + 1,
            excerpt=text,
            caret=min(offset - first, len(text)),
        )


_DISTINCT: Final = 20
"""Different messages kept per rule; later ones are counted under the last one."""


@dataclass(slots=True)
class _Entry:
    rule: Rule
    severity: Severity
    message: str
    assumed: str | None
    count: int = 0
    offsets: list[int] = field(default_factory=list)


class ProblemLog:
    """Collects what a reader meets in one file: repeats are counted, first places are kept.

    Parameters
    ----------
    file
        Member name of the file.
    keep
        Places kept per kind of problem.
    """

    def __init__(self, file: str, *, keep: int = DEFAULT_LIMITS.problem_places) -> None:
        self.file = file
        self._keep = keep
        self._entries: dict[tuple[str, str], _Entry] = {}
        self._messages: dict[str, int] = {}

    def add(
        self,
        rule: Rule,
        message: str,
        *,
        offset: int | None = None,
        assumed: str | None = None,
        count: int = 1,
        severity: Severity | None = None,
    ) -> None:
        """Record ``count`` occurrences, the first of them at byte ``offset``."""
        key = (rule.id, message)
        entry = self._entries.get(key)
        if entry is None:
            seen = self._messages.get(rule.id, 0)
            # A file may make each message another one: their number has a bound, counts have none.
            if seen >= _DISTINCT:
                key = (rule.id, "")
                entry = self._entries.get(key)
                message = f"{rule.title} (further kinds)"
            else:
                self._messages[rule.id] = seen + 1
        if entry is None:
            entry = _Entry(rule, severity or rule.severity, message, assumed)
            self._entries[key] = entry
        entry.count += count
        if offset is not None and len(entry.offsets) < self._keep:
            entry.offsets.append(offset)

    def add_each(
        self, rule: Rule, message: str, offsets: Ints, *, assumed: str | None = None
    ) -> None:
        """Record an occurrence at each of some byte offsets; the first is kept as the place."""
        if len(offsets):
            self.add(rule, message, offset=int(offsets[0]), count=len(offsets), assumed=assumed)

    def freeze(self, data: bytes) -> tuple[Finding, ...]:
        """Everything recorded, with lines computed from ``data``, in order of first place."""
        index = LineIndex(data)
        found = [
            Finding(
                rule=entry.rule,
                severity=entry.severity,
                message=entry.message,
                places=tuple(index.place(self.file, o) for o in entry.offsets)
                or (Place(file=self.file),),
                count=entry.count,
                assumed=entry.assumed,
            )
            for entry in self._entries.values()
        ]
        return tuple(sorted(found, key=lambda f: (f.places[0].offset or 0, f.id, f.message)))


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Sort findings: errors first, then by rule and message."""
    return tuple(sorted(findings, key=lambda f: (-f.severity, f.id, f.message)))
