"""What a panel is before it is written: boards as they lie, rails, tabs and what is drilled."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.board.model import Board
from fabkit.geometry.segments import Placing
from fabkit.sheets.house import House

TAB_MM: Final = 3.0
"""Narrowest place of a tab (common practice: 2 to 5 mm; cutters take 3 mm at most)."""
BITE_MM: Final = 0.5
"""Holes of a perforation (common practice: 0.4 to 0.5 mm)."""
BITE_STEP_MM: Final = 0.8
"""From one of its holes to the next (common practice: 0.6 to 0.8 mm)."""
BITE_SHARE: Final = 1 / 3
"""So much of a hole lies inside the board, which leaves no stub to file (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """Lengths a panel is made by, mm: the house's limits, and common practice where it has none.

    Parameters
    ----------
    gap
        Routed room between two boards; 0 where score lines part them.
    tab, tab_spacing
        Narrowest place of a tab, and most edge between two.
    bite, bite_step
        Diameter of a perforation's holes, and the distance of their centres.
    rail, tooling_hole, fiducial
        Width of a rail, and what stands in it.
    copper
        Least distance of copper to a hole without plating.
    longest, shortest
        Sides of a panel.
    """

    gap: float
    tab: float
    tab_spacing: float
    bite: float
    bite_step: float
    rail: float
    tooling_hole: float
    fiducial: float
    copper: float
    longest: float
    shortest: float

    @property
    def scored(self) -> bool:
        """Whether boards lie edge to edge."""
        return self.gap == 0

    @classmethod
    def of(cls, house: House, gap_mm: float | None = None, *, score: bool = False) -> Measures:
        """Take the measures of a house; ``gap_mm`` overrides its gap, score lines need none."""

        def limit(key: str) -> float:
            return house.limit(key).value

        gap = limit("panel_gap_mm") if gap_mm is None else gap_mm
        shortest = limit("board_min_mm")

        bite = max(BITE_MM, limit("drill_min_nonplated_mm"))
        return cls(
            gap=0.0 if score else gap,
            tab=max(TAB_MM, limit("tab_width_mm")),
            tab_spacing=limit("tab_spacing_mm"),
            bite=bite,
            bite_step=max(BITE_STEP_MM, bite + limit("hole_to_hole_mm")),
            rail=limit("rail_mm"),
            tooling_hole=limit("tooling_hole_mm"),
            fiducial=limit("fiducial_mm"),
            copper=limit("nonplated_to_copper_mm"),
            longest=limit("board_max_mm"),
            shortest=max(shortest, limit("score_panel_min_mm")) if score else shortest,
        )


def panel_size(
    width: Floats, height: Floats, measures: Measures, *, rails: bool
) -> tuple[Floats, Floats]:
    """Size of the panel around boards of these widths and heights; rails run along the longer."""
    if not rails:
        return width, height
    more = 2 * (measures.rail + measures.gap)
    wide = width >= height
    return np.where(wide, width, width + more), np.where(wide, height + more, height)


@dataclass(frozen=True, eq=False, kw_only=True)
class Copy:
    """One board on the panel.

    Parameters
    ----------
    board
        As it was read.
    placing
        How it lies on the panel.
    label
        Names it on the panel: ``left``, or ``half 1``.
    prefix
        Stands before names of its nets and designators, so that each name is there once.
    """

    board: Board
    placing: Placing
    label: str
    prefix: str

    @property
    def profile(self) -> BaseGeometry:
        """Material of the board as it lies, mm."""
        return shapely.transform(self.board.profile, self.placing.points)


@dataclass(frozen=True, slots=True, eq=False)
class Tab:
    """A break-off tab.

    Parameters
    ----------
    board
        Number of the copy it is broken off from.
    other
        Number of the copy at its far end; None for waste or a rail.
    shape
        Its material, mm.
    holes
        (n, 2) float64, mm: centres of its perforations.
    middle
        Where it leaves the board, mm.
    """

    board: int
    other: int | None
    shape: BaseGeometry
    holes: Floats
    middle: tuple[float, float]


@dataclass(frozen=True, eq=False, kw_only=True)
class Frame:
    """All material of a panel but the boards.

    Parameters
    ----------
    box
        Of the panel: min x, min y, max x, max y, mm.
    waste
        Pieces between the boards and rails, that are thrown away, mm.
    tabs
        What holds the boards.
    clear_mm
        From the tabs to the nearest hole or pad; those farther than some millimetres count alike.
    score
        (n, 4) float64, mm: ends of the score lines, each from edge to edge.
    flat
        Whether rails run along x: along the longer side of the boards, which with the rails may be
        the shorter one.
    tooling, fiducials
        (n, 2) float64, mm: centres of what stands in the rails.
    """

    box: tuple[float, float, float, float]
    waste: tuple[BaseGeometry, ...] = ()
    tabs: tuple[Tab, ...] = ()
    clear_mm: float = np.inf
    score: Floats = field(default_factory=lambda: np.empty((0, 4)))
    flat: bool = True
    tooling: Floats = field(default_factory=lambda: np.empty((0, 2)))
    fiducials: Floats = field(default_factory=lambda: np.empty((0, 2)))
