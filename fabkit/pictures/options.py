"""What a user may choose about a picture."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from fabkit.base.errors import UsageError

MAX_PIXELS = 16_000
"""Longest side of a picture; beyond it a picture no longer opens in common viewers."""


class MaskColour(StrEnum):
    """Colours of solder mask that board houses commonly offer."""

    GREEN = "green"
    BLACK = "black"
    WHITE = "white"
    BLUE = "blue"
    RED = "red"
    YELLOW = "yellow"
    PURPLE = "purple"

    @classmethod
    def of(cls, name: str) -> MaskColour | None:
        """Find the colour named within a board house's name: ``matte-black`` is black."""
        return next((colour for colour in cls if colour.value in name.lower()), None)


class LegendColour(StrEnum):
    """Colours of legend ink; ``AUTO`` is the one that reads on the mask."""

    AUTO = "auto"
    WHITE = "white"
    BLACK = "black"
    YELLOW = "yellow"


class Finish(StrEnum):
    """Surface finishes, by the metal the eye sees."""

    TIN = "tin"
    """Hot-air levelled solder, or chemical tin."""
    GOLD = "gold"
    """Gold over nickel."""
    SILVER = "silver"
    """Chemical silver."""
    BARE = "bare"
    """Bare copper, or copper under an organic coating."""

    @classmethod
    def of(cls, name: str) -> Finish | None:
        """Find how a finish looks from its name in the trade, such as ``enig``."""
        words = name.lower()
        return next((seen for word, seen in FINISH_WORDS.items() if word in words), None)


FINISH_WORDS = {
    "enig": Finish.GOLD,
    "gold": Finish.GOLD,
    "silver": Finish.SILVER,
    "osp": Finish.BARE,
    "bare": Finish.BARE,
    "hasl": Finish.TIN,
    "tin": Finish.TIN,
    "solder": Finish.TIN,
}
"""Words in names of finishes, those that decide first (ENIG: gold over nickel)."""


class Surroundings(StrEnum):
    """What lies behind the board."""

    TRANSPARENT = "transparent"
    LIGHT = "light"
    DARK = "dark"


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewOptions:
    """Choices for pictures of a board; change them with ``dataclasses.replace``.

    Parameters
    ----------
    mask, legend, finish
        Colours of the finished board.
    thickness_mm
        Thickness whose cut edge is hinted at; None takes the job file's, or 1.6 mm.
    px_per_mm
        Scale of pixel pictures.
    width_px
        Width of pixel pictures; overrides ``px_per_mm`` when given.
    margin_mm
        Space around the board.
    surroundings
        What lies behind the board.
    through
        Draw the back as seen through the front, not turned over.

    Raises
    ------
    UsageError
        A scale, width, margin or thickness that makes no sense.
    """

    mask: MaskColour = MaskColour.GREEN
    legend: LegendColour = LegendColour.AUTO
    finish: Finish = Finish.TIN
    thickness_mm: float | None = None
    px_per_mm: float = 20.0
    width_px: int | None = None
    margin_mm: float = 1.0
    surroundings: Surroundings = Surroundings.TRANSPARENT
    through: bool = False

    def __post_init__(self) -> None:
        if not 0.1 <= self.px_per_mm <= 400:
            raise UsageError(
                f"{self.px_per_mm:g} pixels per mm cannot be drawn",
                hint="choose between 0.1 and 400; 20 suits a screen, 40 shows every detail",
            )
        if self.width_px is not None and not 16 <= self.width_px <= MAX_PIXELS:
            raise UsageError(
                f"a picture {self.width_px} px wide cannot be drawn",
                hint=f"choose between 16 and {MAX_PIXELS}",
            )
        if not 0 <= self.margin_mm <= 100:
            raise UsageError(f"a margin of {self.margin_mm:g} mm is out of range", hint="0 to 100")
        if self.thickness_mm is not None and not 0 < self.thickness_mm <= 20:
            raise UsageError(
                f"a board {self.thickness_mm:g} mm thick cannot be drawn",
                hint="common thicknesses run from 0.4 to 3.2 mm",
            )


USUAL_LOOK: Final = PreviewOptions()
"""How a picture looks where nothing is chosen."""
