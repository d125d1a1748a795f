"""Lengths, tolerances and number formatting: millimetres and degrees, everywhere inside.

Other units exist only where text is parsed or printed.  Every tolerance of the project has a
name here and a reason, so that no bare ``1e-6`` hides elsewhere.
"""

from __future__ import annotations

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
