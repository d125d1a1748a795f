"""Every colour of every picture; docs/pictures.md explains why each was chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from fabkit.pictures.options import Finish, LegendColour, MaskColour, Surroundings

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
