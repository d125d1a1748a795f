"""How one set of points is laid on another: mirrored, turned by quarter turns, shifted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_COSINES: Final = (1.0, 0.0, -1.0, 0.0)
_SINES: Final = (0.0, 1.0, 0.0, -1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """Mirror about the Y axis (x changes sign), then quarter turns to the left, then a shift.

    >>> Placing(quarter_turns=1, dx_mm=1).points(np.array([[2.0, 0.0]])).tolist()
    [[1.0, 2.0]]
    """

    mirrored: bool = False
    quarter_turns: int = 0
    dx_mm: float = 0.0
    dy_mm: float = 0.0

    def points(self, points: Floats) -> Floats:
        """Points laid elsewhere, (n, 2) float64, mm."""
        x, y = self._turned(points[:, 0], points[:, 1])
        return np.column_stack((x + self.dx_mm, y + self.dy_mm))

    def columns(self, table: Any) -> dict[str, NDArray[Any]]:
        """The columns of places of a table, laid elsewhere, and of turns of arcs, by name."""
        made: dict[str, NDArray[Any]] = {}
        for x_name, y_name in (("x", "y"), ("x0", "y0"), ("x1", "y1"), ("cx", "cy")):
            if hasattr(table, x_name):
                x, y = self._turned(getattr(table, x_name), getattr(table, y_name))
                made[x_name], made[y_name] = x + self.dx_mm, y + self.dy_mm
        if self.mirrored and hasattr(table, "turn"):
            made["turn"] = -table.turn
        return made

    def _turned(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        if self.mirrored:
            x = -x
        cosine, sine = _COSINES[self.quarter_turns % 4], _SINES[self.quarter_turns % 4]
        return cosine * x - sine * y, sine * x + cosine * y
