"""Text as outlines, the same in every format and on every machine."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.pictures.scene import Letters

if TYPE_CHECKING:
    from matplotlib.ft2font import FT2Font

CAP_SHARE = 0.729
"""Height of capitals over the em of DejaVu Sans, the font that comes with matplotlib."""

_CURVE_STEPS = 6

_UNIT = re.compile(r"(?<=\d) (?=(?:mm²?|µm|deg|%)(?![^\W_]))")
"""The blank between a number and its unit."""

_WORD = re.compile("[\\S\N{NO-BREAK SPACE}]+")


@lru_cache(maxsize=2)
def _font(bold: bool) -> FT2Font:
    from pathlib import Path

    import matplotlib as mpl
    from matplotlib.ft2font import FT2Font

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = FT2Font(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / name))
    font.set_size(64, 72)
    return font


@lru_cache(maxsize=1024)
def _glyph(character: str, bold: bool) -> tuple[float, tuple[Floats, ...]]:
    """Advance and contours of a character in ems."""
    from matplotlib.ft2font import LoadFlags

    font = _font(bold)
    glyph = font.load_char(ord(character), flags=LoadFlags.NO_HINTING)
    vertices, codes = font.get_path()
    return glyph.linearHoriAdvance / 65536 / 64, tuple(_flattened(vertices / 64, codes))


def _flattened(vertices: Floats, codes: NDArray[np.int8]) -> list[Floats]:
    """Contours with quadratic and cubic curves as chords, exteriors counter-clockwise."""
    rings: list[list[Floats]] = []
    at = 0
    t = np.linspace(0, 1, _CURVE_STEPS + 1)[1:, None]
    while at < len(codes):
        code = codes[at]
        if code == 1:
            rings.append([vertices[at]])
            at += 1
        elif code == 2:
            rings[-1].append(vertices[at])
            at += 1
        elif code == 3:
            a, b, c = rings[-1][-1], vertices[at], vertices[at + 1]
            rings[-1].extend((1 - t) ** 2 * a + 2 * t * (1 - t) * b + t**2 * c)
            at += 2
        elif code == 4:
            a, b, c, d = rings[-1][-1], vertices[at], vertices[at + 1], vertices[at + 2]
            rings[-1].extend(
                (1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b + 3 * t**2 * (1 - t) * c + t**3 * d
            )
            at += 3
        else:
            at += 1
    # TrueType runs exteriors clockwise; our polygons run them the other way.
    return [np.array([*ring, ring[0]])[::-1] for ring in rings if len(ring) > 2]


def text_width(text: str, height_mm: float, *, bold: bool = False) -> float:
    """Width of a line of text whose capitals are ``height_mm`` high."""
    return sum(_glyph(c, bold)[0] for c in text) * height_mm / CAP_SHARE


def letters(
    text: str,
    x: float,
    y: float,
    height_mm: float,
    *,
    align: Literal["left", "middle", "right"] = "left",
    bold: bool = False,
    mirrored: bool = False,
    turned_deg: float = 0.0,
) -> Letters:
    """Set a line of text.

    Parameters
    ----------
    x, y
        Left end, middle or right end of the base line, mm.
    height_mm
        Height of capitals.
    mirrored
        Set it so that it reads on a mirrored scene.
    turned_deg
        Turn about ``x, y``, counter-clockwise.
    """
    scale = height_mm / CAP_SHARE
    width = text_width(text, height_mm, bold=bold)
    pen = {"left": 0.0, "middle": -width / 2, "right": -width}[align]
    sign = -1.0 if mirrored else 1.0
    c, s = float(np.cos(np.radians(turned_deg))), float(np.sin(np.radians(turned_deg)))
    how = f"{height_mm:.9g} {bold} {mirrored} {turned_deg:.9g}"
    outlines: dict[str, tuple[Floats, ...]] = {}
    places = []
    for character in text:
        advance, contours = _glyph(character, bold)
        if contours:
            name = f"{character} {how}"
            if name not in outlines:
                outlines[name] = tuple(_set(ring * scale, sign, c, s) for ring in contours)
            places.append((name, x + sign * pen * c, y + pen * s))
        pen += advance * scale
    return Letters(outlines, tuple(places))


def _set(ring: Floats, sign: float, c: float, s: float) -> Floats:
    """Turn a contour, and mirror it if ``sign`` is -1; exteriors stay counter-clockwise."""
    x, y = ring[:, 0], ring[:, 1]
    out = np.column_stack((sign * (x * c - y * s), x * s + y * c))
    return out[::-1] if sign < 0 else out


def fitted(text: str, height_mm: float, width_mm: float) -> str:
    """Text cut with an ellipsis so that it is at most ``width_mm`` wide."""
    if text_width(text, height_mm) <= width_mm:
        return text
    while text and text_width(text + "…", height_mm) > width_mm:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, height_mm: float, width_mm: float) -> list[str]:
    """Text broken at blanks into lines of at most ``width_mm``; a longer word is cut.

    A unit stays on the line of its number.
    """
    lines: list[str] = []
    for word in _WORD.findall(_UNIT.sub("\N{NO-BREAK SPACE}", text)):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, height_mm) <= width_mm:
            lines[-1] = longer
        else:
            lines.append(fitted(word, height_mm, width_mm))
    return lines
