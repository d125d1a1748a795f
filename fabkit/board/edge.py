"""What the drawn paths of the outline are, and how else they may be read."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from fabkit.base.units import format_mm, format_number

if TYPE_CHECKING:
    from shapely.geometry import MultiPolygon
    from shapely.geometry.base import BaseGeometry


class PathKind(StrEnum):
    """What a path is for."""

    BOARD_EDGE = "board edge"
    PANEL_EDGE = "panel edge"
    CUT_OUT = "inner cut-out"
    SLOT = "milled slot"
    TAB = "break-off tab"
    PERFORATION = "perforation"
    RAIL = "rail"
    SCORE = "score line"
    FRAME = "frame around a drawing"
    SHEET = "drawing-sheet border"
    DOUBLE = "line drawn again"
    LETTERING = "lettering"
    MARK = "mark"
    STRAY = "stray line"


@dataclass(frozen=True, slots=True, eq=False)
class EdgePath:
    """One path, or several of a kind that are too small to be listed one by one.

    Parameters
    ----------
    kind
        What it is for.
    reasons
        Why it is taken for that, one sentence part each.
    shape
        What it encloses, or its lines where it encloses nothing, mm.
    count
        How many paths the shape holds.
    """

    kind: PathKind
    reasons: tuple[str, ...]
    shape: BaseGeometry
    count: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One way to read the outline.

    Parameters
    ----------
    name
        What it takes for the board, in words.
    profile
        Outline with cut-outs, mm.
    reasons
        What speaks for it.
    """

    name: str
    profile: MultiPolygon
    reasons: tuple[str, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of its box."""
        x0, y0, x1, y1 = self.profile.bounds
        return float(x1 - x0), float(y1 - y0)


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """Where the material ends.

    Parameters
    ----------
    paths
        Every path of the outline with what it is and why.
    readings
        The ways to read the outline, the likeliest (the one that counts) first; empty when
        nothing gives an outline.
    """

    paths: tuple[EdgePath, ...] = ()
    readings: tuple[Reading, ...] = ()

    def of(self, kind: PathKind) -> tuple[EdgePath, ...]:
        """Paths of a kind."""
        return tuple(path for path in self.paths if path.kind is kind)


NO_EDGE: Final = Edge()


def size_words(shape: BaseGeometry) -> str:
    """Width and height of the box of a shape, such as ``100 × 60 mm``."""
    x0, y0, x1, y1 = shape.bounds
    return f"{format_number(x1 - x0, digits=2)} × {format_mm(y1 - y0, digits=2)}"
