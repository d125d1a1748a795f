"""Closed forms of transformations, macros, blocks and arcs; elementary geometry throughout.

The meaning of each construction: layer format specification 2021.02, sections 4.5, 4.9, 4.11.
"""

from __future__ import annotations

from math import asin, pi, sqrt

import pytest
from gerber_layers import counts, expect, ids, path, read_layer, xy


def strip(radius: float, half: float) -> float:
    """Area of a strip of half width ``half`` through the centre of a disc."""
    return 2 * (half * sqrt(radius**2 - half**2) + radius**2 * asin(half / radius))


BAR = "%AMBAR*21,1,4,1,3,1,0*%%ADD10BAR*%D10*"


@pytest.mark.parametrize(
    ("load", "point", "area", "box"),
    [
        ("%LMX*%%LR30*%", (0, 0), 4, (-5.080127, -2.066987, -1.116025, 0.799038)),
        ("%LR30*%%LMX*%", (0, 0), 4, (-5.080127, -2.066987, -1.116025, 0.799038)),
        ("%LMY*%%LR90*%%LS2*%", (10, 0), 16, (11, 2, 13, 10)),
        ("%LMXY*%", (0, 0), 4, (-5, -1.5, -1, -0.5)),
        ("%LR30*%%LR0*%", (0, 0), 4, (1, 0.5, 5, 1.5)),
    ],
)
def test_mirror_then_rotate(
    load: str,
    point: tuple[float, float],
    area: float,
    box: tuple[float, float, float, float],
) -> None:
    """Sections 4.9.3 to 4.9.5: mirror first, then turn, whatever the order of the commands."""
    file = read_layer(f"{BAR}{load}{xy(*point)}D03*")
    expect(file, area=area, box=box)


@pytest.mark.parametrize(
    ("body", "call", "area", "box"),
    [
        pytest.param("21,1,4,1,3,1,90*", "M", 4, (-1.5, 1, -0.5, 5), id="turns about the origin"),
        pytest.param(
            "21,1,4,4,0,0,0*1,0,3,0,0*1,1,1,0,0*", "M", 16 - 2.25 * pi + pi / 4,
            (-2, -2, 2, 2), id="exposure in order",
        ),
        pytest.param("0 nothing*", "P,10X5X10", 59.44103227,
                     (-4.493970, -4.414738, 4.924039, 4.951340), id="pentagon"),
        pytest.param(
            "7,0,0,10,2,2,0*", "M", 25 * pi - 2 * strip(5, 1) + 4,
            (-4.898979, -4.898979, 4.898979, 4.898979), id="thermal, inner circle gone",
        ),
        pytest.param(
            "7,0,0,10,6,2,0*", "M", 16 * pi - 2 * (strip(5, 1) - strip(3, 1)),
            (-4.898979, -4.898979, 4.898979, 4.898979), id="thermal",
        ),
    ],
)  # fmt: skip
def test_macro_geometry(
    body: str, call: str, area: float, box: tuple[float, float, float, float]
) -> None:
    """Sections 4.4.5 and 4.5.1: areas and boxes of primitives."""
    file = read_layer(f"%AMM*{body}%%ADD10{call}*%D10*X0Y0D03*")
    expect(file, area=area)
    assert file.apertures[0].shape_at(1e-8).bounds == pytest.approx(box, abs=1e-6)


TWO = "%ADD10R,20X20*%%ADD11R,6X6*%%ADD12C,2*%%ABD20*%D11*X0Y0D03*%LPC*%D12*X0Y0D03*%LPD*%%AB*%"
NESTED = TWO + "%ABD21*%%LPC*%D20*X0Y0D03*%LPD*%%AB*%"


@pytest.mark.parametrize(
    ("start", "flash", "area"),
    [
        (TWO, "%LPD*%D20*", 400 - pi),
        (TWO, "%LPC*%D20*", 400 - 36 + pi),
        (NESTED, "%LPD*%D21*", 400 - 36 + pi),
        (NESTED, "%LPC*%D21*", 400 - pi),
    ],
)
def test_block_polarity(start: str, flash: str, area: float) -> None:
    """Section 4.11.1: a block flashed clear swaps the polarity of everything in it."""
    expect(read_layer(f"{start}D10*X0Y0D03*{flash}X0Y0D03*"), area=area, box=(-10, -10, 10, 10))


def test_zero_length_draw() -> None:
    """Section 2.4: a draw without length is a dot, but stays a draw."""
    file = read_layer("%ADD10C,1*%D10*X0Y0D02*X0Y0D01*")
    expect(file, area=pi / 4, box=(-0.5, -0.5, 0.5, 0.5))
    assert counts(file) == {"D": 1}
    assert ids(file) == {"gerber/stroke-point"}


@pytest.mark.parametrize(("code", "box"), [("G02", (0, 0, 2, 1)), ("G03", (0, -1, 2, 0))])
def test_arc_side(code: str, box: tuple[float, float, float, float]) -> None:
    """Section 4.7.2: clockwise from left to right passes above the centre."""
    file = read_layer(f"%ADD10C,0.000002*%D10*X0Y0D02*G75*{code}*{xy(2, 0)}I1000000J0D01*")
    expect(file, box=box, box_error=2e-6)


def test_rectangle_stroke_is_its_sweep() -> None:
    """Section 8.2.3 (deprecated): a dragged rectangle is not turned to the line's direction."""
    file = read_layer(f"%ADD10R,2X1*%D10*{path([(0, 0), (3, 4)])}")
    # Minkowski sum of a rectangle and a segment: own area plus width of its shadow times length.
    expect(file, area=2 + (2 * 4 + 1 * 3), box=(-1, -0.5, 4, 4.5))
    assert ids(file) == {"gerber/stroke-rectangle"}


def test_region_and_stroke_of_a_block_scale() -> None:
    """Section 4.11.1: regions and strokes inside a block are posed with it."""
    body = (
        "%ADD10C,0.5*%%ABD20*%G36*"
        f"{path([(0, 0), (2, 0), (2, 1), (0, 1), (0, 0)])}G37*D10*{path([(0, 3), (2, 3)])}%AB*%"
        f"%LR90*%%LS2*%D20*{xy(10, 10)}D03*"
    )
    file = read_layer(body)
    expect(file, area=8 + 4 * 1 + pi * 0.25, box=(3.5, 9.5, 10, 14.5))
    assert counts(file) == {"R": 1, "D": 1}
