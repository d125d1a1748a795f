"""What checks are and what they give: declarations, options, outcomes, the result of a run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from importlib import import_module
from typing import TYPE_CHECKING, Final, overload

from fabkit.base.findings import Consequence, Finding, Place, Rule, Severity
from fabkit.base.results import Result
from fabkit.base.tables import Cell, Table, columns_of
from fabkit.base.units import counted

if TYPE_CHECKING:
    from fabkit.checks.case import Case
    from fabkit.keyboard.model import BoardIs, Use
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import Silence


class NotJudged(Exception):
    """Raised inside a check that cannot tell; the text says what is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A pure function from a case to findings, with what it may find and what it needs.

    Parameters
    ----------
    id
        ``group/kebab-case``; a promise.
    title
        One line, from the first line of the function's docstring.
    rules
        Every rule it may apply.
    limits
        Keys of the house sheet it compares with.
    needs
        What a board must have for it to be judged; names of ``fabkit.checks.case.NEEDS``.
    function
        The check itself.
    """

    id: str
    title: str
    rules: tuple[Rule, ...]
    limits: tuple[str, ...]
    needs: tuple[str, ...]
    function: Callable[[Case], Iterable[Finding]]

    def __reduce__(self) -> tuple[Callable[[str, str], Check], tuple[str, str]]:
        # Its function's name leads to the check itself, so it is pickled by that name.
        return _named_check, (self.function.__module__, self.function.__qualname__)


def _named_check(module: str, name: str) -> Check:
    found = getattr(import_module(module), name)
    assert isinstance(found, Check)  # noqa: S101 -- narrows for the type checker
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOptions:
    """What the user chose for the order, as far as checks care; None where nothing was chosen.

    Parameters
    ----------
    thickness_mm
        Finished board thickness.
    copper_oz
        Outer copper, oz/ft2.
    colour, finish
        As named in the house sheet.
    charge_current_a
        Current that the charger gives the cell.
    use
        What one board is by the user's word; None leaves it to the files.
    limit_class
        Class of the house sheet's limits that the order is meant for.
    only
        Check ids, or groups with a trailing slash; empty means all.
    without
        Check or rule ids, or groups with a trailing slash, that are left out.
    silenced
        Rules set aside, each with the reason that every output repeats.
    """

    thickness_mm: float | None = None
    copper_oz: float | None = None
    colour: str | None = None
    finish: str | None = None
    charge_current_a: float | None = None
    use: Use | None = None
    limit_class: LimitClass = "standard"
    only: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    silenced: tuple[Silence, ...] = ()


OPENINGS: Final = {
    Consequence.STOP: "do not order",
    Consequence.DECIDE: "decide before ordering",
    Consequence.KNOW: "fit to order",
}
"""How a verdict begins, by the worst that was found."""


class State(StrEnum):
    """How a check ended."""

    PASSED = "passed"
    """Its needs were met and it found nothing."""
    FOUND = "found"
    NOT_JUDGED = "not judged"
    """Something it needs is missing: a blind spot, not a pass."""
    APART = "does not apply"
    """The board has nothing that it looks at."""
    BROKEN = "broken"
    """The check itself failed: our fault."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How one check ended.

    ``reason`` says what was missing (not judged) or what broke; ``trace`` keeps the traceback of
    a broken check for ``--debug``.
    """

    check: Check
    state: State
    findings: tuple[Finding, ...] = ()
    reason: str = ""
    trace: str = ""


def asks_for_fine(finding: Finding) -> bool:
    """Whether a limit of the standard class is broken that the fine class keeps.

    Such a breach lowers what would be an error to a warning.
    """
    lowered = finding.rule.severity is Severity.ERROR and finding.severity is Severity.WARNING
    return lowered and finding.limit is not None


def _finding_row(finding: Finding) -> tuple[Cell, ...]:
    place = finding.places[0] if finding.places else Place()
    return (
        finding.severity.word,
        finding.id,
        finding.message,
        finding.count,
        finding.measured,
        finding.limit,
        finding.unit,
        place.file,
        place.line,
        place.side,
        place.x_mm,
        place.y_mm,
        finding.remedy,
    )


@dataclass(frozen=True, eq=False, repr=False)
class CheckResult(Result, Sequence[Finding]):
    """All findings of a run, worst first, and the outcome of every check.

    Parameters
    ----------
    findings
        Readers' problems and checks' findings together.
    outcomes
        One per check, in catalogue order.
    silenced
        Findings the user has set aside, with the reason; not among ``findings``.
    board
        What the board is.
    """

    findings: tuple[Finding, ...]
    outcomes: tuple[Outcome, ...]
    silenced: tuple[tuple[Finding, str], ...] = ()
    board: BoardIs | None = None

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        return self.verdict

    def table(self) -> Table:
        """Every finding, with its first place."""
        return Table(
            columns_of(
                "severity",
                "id",
                "message",
                "count",
                "measured",
                "limit",
                "unit",
                "file",
                "line",
                "side",
                "x_mm",
                "y_mm",
                "remedy",
            ),
            tuple(map(_finding_row, self.findings)),
        )

    @overload
    def __getitem__(self, index: int) -> Finding: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Finding, ...]: ...
    def __getitem__(self, index: int | slice) -> Finding | tuple[Finding, ...]:
        return self.findings[index]

    def __len__(self) -> int:
        return len(self.findings)

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.findings)

    def count(self, value: object) -> int:
        """Findings of a severity (or, as for any sequence, equal to a finding)."""
        if isinstance(value, Severity):
            return sum(1 for f in self.findings if f.severity is value)
        return self.findings.count(value)

    def at_least(self, severity: Severity) -> tuple[Finding, ...]:
        """Findings at or above a severity."""
        return tuple(f for f in self.findings if f.severity >= severity)

    def in_state(self, state: State) -> tuple[Outcome, ...]:
        """Outcomes in a state, in catalogue order."""
        return tuple(o for o in self.outcomes if o.state is state)

    @property
    def needs_fine(self) -> bool:
        """Whether a limit of the standard class is broken that the fine class keeps."""
        return any(asks_for_fine(f) for f in self.findings)

    def causes(self, consequence: Consequence) -> tuple[tuple[Finding, ...], ...]:
        """Findings of a consequence, those of one rule together, worst first."""
        found: dict[str, list[Finding]] = {}
        for finding in self.findings:
            if finding.consequence is consequence:
                found.setdefault(finding.id, []).append(finding)
        return tuple(map(tuple, found.values()))

    def exit_status(self, fail_on: Severity | None) -> int:
        """Exit status of a run: 3 when a check broke, 1 at or above ``fail_on``, else 0."""
        if self.in_state(State.BROKEN):
            return 3
        return int(fail_on is not None and bool(self.at_least(fail_on)))

    @cached_property
    def worst(self) -> Severity | None:
        """Severity of the worst finding; None when nothing was found."""
        return max((f.severity for f in self.findings), default=None)

    @cached_property
    def opening(self) -> str:
        """First words of the verdict: one of :data:`OPENINGS`, or that a check broke."""
        if self.in_state(State.BROKEN):
            return "not to be trusted"
        most = max((f.consequence for f in self.findings), default=Consequence.KNOW)
        return OPENINGS[max(most, Consequence.KNOW)]

    @cached_property
    def verdict(self) -> str:
        """One sentence about whether to order, for people: of stops and decisions alone."""
        said = [
            counted(n, noun)
            for noun, consequence in (
                ("stop", Consequence.STOP),
                ("decision", Consequence.DECIDE),
            )
            if (n := len(self.causes(consequence)))
        ]
        if self.in_state(State.BROKEN):
            said.insert(0, "a check broke")
        if self.silenced:
            said.append(f"{len(self.silenced)} silenced")
        return f"{self.opening}: {', '.join(said)}" if said else self.opening
