"""What checks judge, what they are and what they give: case, check, outcome, result of a run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast, overload

from fabkit.base.columns import gather
from fabkit.base.errors import TooHeavy
from fabkit.base.findings import (
    FINE_CLASS,
    Consequence,
    Finding,
    LineIndex,
    Place,
    Rule,
    Severity,
    cause_names,
)
from fabkit.base.steps import step
from fabkit.base.tables import Cell, Result, Table, columns_of
from fabkit.base.units import counted

if TYPE_CHECKING:
    from fabkit.board.model import Board, Layer
    from fabkit.keyboard.model import BoardIs
    from fabkit.sheets.house import House, Limit, LimitClass
    from fabkit.sheets.order import BoardUse, Order, Silence


T = TypeVar("T")


class NotJudged(Exception):
    """Raised inside a check that lacks what it needs; the text names what is missing."""


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
    use: BoardUse | None = None
    limit_class: LimitClass = "standard"
    only: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    silenced: tuple[Silence, ...] = ()

    @classmethod
    def of(cls, order: Order, *, use: BoardUse | None = None) -> CheckOptions:
        """Give what an order means for the checks; ``use`` is what the user says the board is."""
        choice = order.choice
        return cls(
            thickness_mm=float(choice.thickness_mm),
            copper_oz=float(choice.copper_oz),
            colour=choice.colour,
            finish=choice.finish,
            use=use,
            silenced=order.silenced,
        )


@dataclass(frozen=True, eq=False)
class Case:
    """What is judged, and by what.

    Parameters
    ----------
    board
        The board that will be made, with its package.
    house
        The board house's sheet.
    options
        What the user chose.
    other_half
        The right half, where the board is a left one of another design.
    """

    board: Board
    house: House
    options: CheckOptions = field(default_factory=CheckOptions)
    other_half: Board | None = None
    _shared: dict[Callable[[Case], Any], Any] = field(default_factory=dict, repr=False)

    def shared(self, build: Callable[[Case], T]) -> T:
        """Give the result of ``build(case)``, computed once for all checks of the run.

        ``build`` must be a pure module-level function of the case.
        """
        if build not in self._shared:
            try:
                with step(f"{build.__name__.replace('_', ' ')} of {self.board.name}"):
                    self._shared[build] = build(self)
            except TooHeavy as error:
                # Not tried again for each check that asks.
                self._shared[build] = TooHeavy(error.step, error.reason)
        found = self._shared[build]
        if isinstance(found, TooHeavy):
            raise TooHeavy(found.step, found.reason)
        return cast("T", found)

    def limit(self, key: str, cls: LimitClass = "standard") -> float:
        """Value of a limit of the house sheet; see ``fabkit.sheets.house`` for the keys."""
        return self.house.limit(key, cls).value

    def judge(self, key: str, measured: float) -> tuple[Severity, Limit] | None:
        """Compare a measure with a limit of the house sheet.

        Returns
        -------
        tuple or None
            None when the limit of the chosen class is kept.  Otherwise the limit that is broken
            and how bad that is: a warning when the fine class could still make it (it may cost a
            surcharge), an error when no class can.
        """
        fine = self.house.limit(key, "fine")
        if not fine.allows(measured):
            return Severity.ERROR, fine
        if self.options.limit_class == "fine":
            return None
        standard = self.house.limit(key, "standard")
        return None if standard.allows(measured) else (Severity.WARNING, standard)

    @cached_property
    def thickness_mm(self) -> float | None:
        """Thickness chosen, else as stated by the job file, else None."""
        if self.options.thickness_mm is not None:
            return self.options.thickness_mm
        return self.board.thickness_mm

    @cached_property
    def _lines(self) -> dict[str, LineIndex]:
        return {f.name: LineIndex(f.data) for f in self.board.package.files}

    def place(
        self,
        file: str,
        offset: int | None = None,
        *,
        side: str | None = None,
        x_mm: float | None = None,
        y_mm: float | None = None,
    ) -> Place:
        """Place in a file (with its line) and on the board."""
        lines = self._lines.get(file)
        found = lines.place(file, offset) if lines and offset is not None else Place(file=file)
        return Place(
            file=file,
            offset=found.offset,
            line=found.line,
            column=found.column,
            excerpt=found.excerpt,
            caret=found.caret,
            side=side,
            x_mm=None if x_mm is None else float(x_mm),
            y_mm=None if y_mm is None else float(y_mm),
        )

    def hole_place(self, row: int) -> Place:
        """Place of a round hole, by its row in ``board.holes``."""
        holes = self.board.holes
        return self.place(
            self.board.drill_names[holes.file[row]],
            int(holes.offset[row]),
            x_mm=holes.x[row],
            y_mm=holes.y[row],
        )

    def slot_place(self, row: int) -> Place:
        """Place of a slot segment (its middle), by its row in ``board.slots``."""
        slots = self.board.slots
        return self.place(
            self.board.drill_names[slots.file[row]],
            int(slots.offset[row]),
            x_mm=(slots.x0[row] + slots.x1[row]) / 2,
            y_mm=(slots.y0[row] + slots.y1[row]) / 2,
        )

    def layer_place(self, layer: Layer, x: float, y: float) -> Place:
        """Place on a layer, mm; an inner layer is known by its file."""
        return self.place(layer.file.name, side=layer.side, x_mm=x, y_mm=y)

    def object_place(
        self, layer: Layer, row: int, *, x_mm: float | None = None, y_mm: float | None = None
    ) -> Place:
        """Place of a graphic object of a layer; its own start unless a point is given."""
        objects = layer.file.objects
        if x_mm is None or y_mm is None:
            if objects.first[row] < objects.last[row]:
                segments, first = layer.file.segments, objects.first[row]
                x_mm, y_mm = segments.x0[first], segments.y0[first]
            else:
                x_mm, y_mm = objects.x0[row], objects.y0[row]
        return self.place(
            layer.file.name, int(objects.offset[row]), side=layer.side, x_mm=x_mm, y_mm=y_mm
        )


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
        What a board must have for it to be judged; names of ``fabkit.checks.declare.NEEDS``.
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
    a broken check for ``--debug``.  ``heavy``: it asked for more than this machine can do.
    """

    check: Check
    state: State
    findings: tuple[Finding, ...] = ()
    reason: str = ""
    trace: str = ""
    heavy: bool = False


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


FINE_RULES: Final = ("copper/track-narrow", "copper/gap-small")
"""What houses charge for as fine tracks or gaps."""


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
        """Give the findings of a severity (or, as for any sequence, equal to a finding)."""
        if isinstance(value, Severity):
            return sum(1 for f in self.findings if f.severity is value)
        return self.findings.count(value)

    def at_least(self, severity: Severity) -> tuple[Finding, ...]:
        """Give the findings at or above a severity."""
        return tuple(f for f in self.findings if f.severity >= severity)

    def in_state(self, state: State) -> tuple[Outcome, ...]:
        """Outcomes in a state, in catalogue order."""
        return tuple(o for o in self.outcomes if o.state is state)

    @property
    def needs_fine(self) -> bool:
        """Whether a limit of the standard class is broken that the fine class keeps.

        What is only worth knowing, such as a thin legend line, needs no surcharge.
        """
        return any(
            f.choice == FINE_CLASS and f.consequence is Consequence.DECIDE for f in self.findings
        )

    @property
    def finest_mm(self) -> float | None:
        """Narrowest track or gap below a limit of the house, mm: what steps of its price go by."""
        found = (f.measured for f in self.findings if f.id in FINE_RULES)
        return min((m for m in found if m is not None), default=None)

    def causes(self, consequence: Consequence) -> tuple[tuple[Finding, ...], ...]:
        """Give the findings of a consequence, those of one rule together, worst first.

        What follows from another finding is no cause of its own, and what one choice settles
        is one cause.
        """
        mine = [f for f in self.findings if f.consequence is consequence and not f.follows]
        found = gather(zip(cause_names((f.id, f.choice) for f in mine), mine, strict=True))
        return tuple(map(tuple, found.values()))

    def exit_status(self, fail_on: Severity | None) -> int:
        """Exit status of a run: 1 at or above ``fail_on``, else 0.

        2 when checks were too heavy for this machine, 3 when one broke.
        """
        if self.in_state(State.BROKEN):
            return 3
        if any(o.heavy for o in self.outcomes):
            return 2
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
