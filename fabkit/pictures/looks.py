"""How pictures look: what a user may choose, and every colour.

docs/pictures.md explains why each colour was chosen.
"""

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


USUAL_SCALE: Final = 20.0
"""Pixels per mm at which a board of a hand's size fills a screen."""
LEAST_PX: Final = 1000
"""Longer side of a picture of a small board, about what a screen shows."""
_FINEST_SCALE: Final = 100.0
"""A pixel of 0.01 mm shows all that is made; the thinnest web of mask is 0.05 mm."""


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
        Scale of pixel pictures; None draws 20, and small boards larger.
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
    px_per_mm: float | None = None
    width_px: int | None = None
    margin_mm: float = 1.0
    surroundings: Surroundings = Surroundings.TRANSPARENT
    through: bool = False

    def scale_for(self, size_mm: tuple[float, float]) -> float:
        """Pixels per mm for a picture of some width and height."""
        if self.width_px is not None:
            return self.width_px / size_mm[0]
        if self.px_per_mm is not None:
            return self.px_per_mm
        return min(max(USUAL_SCALE, LEAST_PX / max(size_mm)), _FINEST_SCALE)

    def __post_init__(self) -> None:
        if self.px_per_mm is not None and not 0.1 <= self.px_per_mm <= 400:
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


Rgb = tuple[int, int, int]
"""sRGB, 0 to 255."""


@dataclass(frozen=True, slots=True)
class MaskTones:
    """Solder mask over laminate and over copper, and the legend that reads on both."""

    on_laminate: Rgb
    on_copper: Rgb
    legend: LegendColour


MASKS: Final = {
    MaskColour.GREEN: MaskTones((24, 70, 58), (45, 104, 83), LegendColour.WHITE),
    MaskColour.BLACK: MaskTones((27, 28, 31), (49, 49, 52), LegendColour.WHITE),
    MaskColour.WHITE: MaskTones((226, 225, 217), (243, 242, 237), LegendColour.BLACK),
    MaskColour.BLUE: MaskTones((22, 52, 94), (42, 84, 136), LegendColour.WHITE),
    MaskColour.RED: MaskTones((122, 28, 33), (160, 50, 48), LegendColour.WHITE),
    MaskColour.YELLOW: MaskTones((190, 148, 34), (217, 177, 60), LegendColour.BLACK),
    MaskColour.PURPLE: MaskTones((58, 32, 84), (89, 56, 118), LegendColour.WHITE),
}

LEGENDS: Final[dict[LegendColour, Rgb]] = {
    LegendColour.WHITE: (240, 239, 232),
    LegendColour.BLACK: (30, 30, 32),
    LegendColour.YELLOW: (236, 205, 84),
}

FINISHES: Final[dict[Finish, Rgb]] = {
    Finish.TIN: (196, 200, 202),
    Finish.GOLD: (214, 178, 94),
    Finish.SILVER: (217, 217, 213),
    Finish.BARE: (196, 124, 84),
}

BARRELS: Final[dict[Finish, Rgb]] = {
    finish: (round(r * 0.72), round(g * 0.72), round(b * 0.72))
    for finish, (r, g, b) in FINISHES.items()
}
"""The rim of a plated hole, where metal turns away from the light."""

LAMINATE: Final[Rgb] = (186, 170, 124)
"""Glass-epoxy without mask, seen from above."""

CUT_EDGE: Final[Rgb] = (158, 142, 98)
"""The routed edge: the same glass-epoxy in its own shade."""

SURROUNDINGS_LIGHT: Final[Rgb] = (246, 246, 243)
"""Light ground of pictures and sheets."""

SURROUNDINGS: Final[dict[Surroundings, Rgb | None]] = {
    Surroundings.TRANSPARENT: None,
    Surroundings.LIGHT: SURROUNDINGS_LIGHT,
    Surroundings.DARK: (38, 40, 43),
}

# Okabe, M. & Ito, K., "Color Universal Design", 2008: eight colours that people with any common
# colour vision can distinguish.
ORANGE: Final[Rgb] = (230, 159, 0)
SKY_BLUE: Final[Rgb] = (86, 180, 233)
GREEN: Final[Rgb] = (0, 158, 115)
YELLOW: Final[Rgb] = (240, 228, 66)
BLUE: Final[Rgb] = (0, 114, 178)
VERMILION: Final[Rgb] = (213, 94, 0)
PURPLE: Final[Rgb] = (204, 121, 167)
BLACK: Final[Rgb] = (0, 0, 0)

OVERLAYS: Final = (ORANGE, SKY_BLUE, GREEN, YELLOW, BLUE, VERMILION, PURPLE)
"""Tones that keep things distinct, in the order of the publication, black kept for text."""

PAPER: Final[Rgb] = (255, 255, 255)
INK: Final[Rgb] = (24, 26, 28)
FAINT_INK: Final[Rgb] = (138, 142, 146)
GHOST_COPPER: Final[Rgb] = (214, 216, 217)
"""Copper that is there but not spoken of."""


def legend_rgb(mask: MaskColour, legend: LegendColour) -> Rgb:
    """Ink of the legend; ``AUTO`` is decided by the mask."""
    return LEGENDS[MASKS[mask].legend if legend is LegendColour.AUTO else legend]
