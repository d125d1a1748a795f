"""Lengths, tolerances, handbook constants, and how numbers and names are written and ordered.

Millimetres and degrees everywhere inside: other units exist only where text is parsed or printed.
Every tolerance of the project has a name here and a reason, so that no bare ``1e-6`` hides
elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

INCH_MM: Final = 25.4
"""One inch in millimetres, exact by definition (international inch, 1959)."""

MIL_MM: Final = INCH_MM / 1000
"""One thousandth of an inch in millimetres."""

CHORD_ERROR_MM: Final = 0.002
"""Largest distance between an arc and the chords that stand for it.

A quarter of the finest laser plotter's spot (common practice), so no picture or area shows it.
"""

COINCIDENT_MM: Final = 0.001
"""Two points nearer than this are the same point.

The Gerber Layer Format Specification 2021.02, section 4.14.2, lets a processor move any
coordinate by 0.5 um, so points of one file are only distinct when at least 1 um apart.
"""

OUTLINE_JOIN_MM: Final = 0.05
"""Ends of outline strokes nearer than this are joined to one path (common practice).

Half the usual pen of an outline; a larger gap is reported with its place and size.
"""

AREA_MM2: Final = 1e-6
"""Pieces smaller than one square micrometre are numerical dust, not copper."""


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


def format_mm(value: float, *, digits: int = 3) -> str:
    """Write a length in millimetres with its unit, without superfluous zeros.

    >>> format_mm(1.5), format_mm(0.30000001), format_mm(12)
    ('1.5 mm', '0.3 mm', '12 mm')
    """
    return f"{format_number(value, digits=digits)} mm"


def counted(number: int, noun: str) -> str:
    """Write how many there are of something.

    >>> counted(1, "slot"), counted(0, "slot"), counted(2, "copper layer")
    ('1 slot', '0 slots', '2 copper layers')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def some_of(names: Sequence[str], most: int, *, between: str = ", ") -> str:
    """Write the first of several names, and how many more there are.

    >>> some_of(["R1", "R2"], 2), some_of(["R1", "R2", "R3", "R4"], 2)
    ('R1, R2', 'R1, R2 and 2 more')
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return between.join(names[:most]) + more


def and_words(words: Sequence[str]) -> str:
    """Write several words as a sentence has them.

    >>> and_words(["top"]), and_words(["top", "left", "bottom"])
    ('top', 'top, left and bottom')
    """
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def some_titles(titles: Sequence[str], most: int) -> str:
    """Write some titles as :func:`some_of` does; those that hold commas with semicolons between.

    >>> some_titles(["jack, four contacts", "diode"], 2), some_titles(["jack", "diode"], 2)
    ('jack, four contacts; diode', 'jack, diode')
    """
    commas = any("," in title for title in titles[:most])
    return some_of(titles, most, between="; " if commas else ", ")


def format_number(value: float, *, digits: int = 3) -> str:
    """Write a number with at most ``digits`` decimals and no trailing zeros.

    >>> format_number(2.50), format_number(-0.0001), format_number(1200)
    ('2.5', '0', '1200')
    """
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def natural(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key under which SW2 comes before SW10, whatever the case of letters.

    Numbers are compared by length, then by digits, so that none is too long to be counted.

    >>> sorted(["SW10", "sw2", "SW1", "R3"], key=natural)
    ['R3', 'SW1', 'sw2', 'SW10']
    """
    pieces = []
    for piece in re.findall(r"[0-9]+|[^0-9]+", name.casefold()):
        digits = piece.lstrip("0")
        number = piece[0] in "0123456789"
        pieces.append((0, len(digits), digits) if number else (1, 0, piece))
    return tuple(pieces), name
