"""What boards are made of: densities, the weight of copper, usual thickness."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

USUAL_THICKNESS_MM: Final = 1.6
"""Thickness of a board where nobody states another (common practice)."""

LAMINATE_G_CM3: Final = 1.85
"""Density of glass-epoxy laminate (handbook value; 1.80 to 1.90 met)."""

COPPER_G_CM3: Final = 8.96
"""Density of bulk copper (handbook value)."""

OUNCE_G: Final = 28.349523125
FOOT_MM: Final = 304.8
"""Avoirdupois ounce and international foot, exact by definition."""

COPPER_UM_PER_OZ: Final = OUNCE_G / FOOT_MM**2 / COPPER_G_CM3 * 1e6
"""Thickness whose weight is one ounce a square foot, 34.06 um.  It is the figure for weights;
currents are reckoned with the 34.8 um that copper of one ounce is sold with."""


def board_weight_g(
    area_mm2: float,
    thickness_mm: float,
    *,
    copper_um: float = COPPER_UM_PER_OZ,
    cover: Sequence[float] = (),
) -> float:
    """Weight of a bare board in gram.

    The thickness includes copper; mask and legend are left out.  Without ``cover`` everything
    counts as laminate (about 6 % too light for two half-covered layers).

    Parameters
    ----------
    area_mm2
        Board less its holes.
    copper_um
        Thickness of one layer.
    cover
        Share of the area that copper covers, a number for each layer: a layer takes its thickness
        from the laminate, etched away or not.

    >>> round(board_weight_g(100 * 100, 1.6, copper_um=34.8, cover=(0.5, 0.5)), 2)
    31.43
    """
    copper_mm = copper_um / 1000
    laminate_mm = max(thickness_mm - len(cover) * copper_mm, 0.0)
    grams_mm2 = laminate_mm * LAMINATE_G_CM3 + sum(cover) * copper_mm * COPPER_G_CM3
    return area_mm2 * grams_mm2 / 1000
