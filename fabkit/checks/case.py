"""The case a check judges: a board, a house sheet and the options chosen, with shared facts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

from fabkit.base.findings import LineIndex, Place, Severity
from fabkit.board.model import Board, Layer
from fabkit.checks.model import CheckOptions
from fabkit.package.model import RoleKind

if TYPE_CHECKING:
    from fabkit.sheets.house import House, Limit, LimitClass

T = TypeVar("T")


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
        """Result of ``build(case)``, computed once for all checks of the run.

        ``build`` must be a pure module-level function of the case.
        """
        if build not in self._shared:
            self._shared[build] = build(self)
        return cast("T", self._shared[build])

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

    # ------------------------------------------------------------------ places

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


def _outer_copper(case: Case) -> bool:
    return any(layer.side is not None for layer in case.board.copper)


NEEDS: dict[str, tuple[str, Callable[[Case], bool]]] = {
    "profile": ("a closed board profile", lambda c: c.board.profile is not None),
    "copper": ("a copper layer", lambda c: bool(c.board.copper)),
    "outer-copper": ("an outer copper layer", _outer_copper),
    "mask": ("a solder mask layer", lambda c: c.board.layer(RoleKind.MASK) is not None),
    "legend": ("a legend layer", lambda c: c.board.layer(RoleKind.LEGEND) is not None),
    "paste": ("a paste layer", lambda c: c.board.layer(RoleKind.PASTE) is not None),
    "drill": ("a drill file", lambda c: bool(len(c.board.holes) or len(c.board.slots))),
    "holes": ("round holes", lambda c: bool(len(c.board.holes))),
    "slots": ("slots", lambda c: bool(len(c.board.slots))),
    "nets": (
        "net names in a copper layer",
        lambda c: any(layer.file.has_nets for layer in c.board.copper),
    ),
    "components": ("components", lambda c: bool(c.board.components)),
    "thickness": (
        "a board thickness (stated in a job file or chosen with --thickness)",
        lambda c: c.thickness_mm is not None,
    ),
    "job": ("a job file", lambda c: bool(c.board.package.of(RoleKind.JOB))),
    "netlist": ("a netlist file", lambda c: bool(c.board.package.of(RoleKind.NETLIST))),
}
"""What a check may need: in words, and how to tell."""

EVIDENCE: Final = frozenset(("profile", "nets", "components", "thickness"))
"""Needs that every board has, whether its files tell of them or not."""
