"""Drill images in Gerber form become holes, slots and paths.

Source: Gerber Layer Format Specification 2021.02, .FileFunction and .AperFunction.
"""

from __future__ import annotations

import numpy as np
import pytest

from fabkit.formats.drill.from_gerber import drill_from_gerber
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.reader import read

HEAD = """%FSLAX46Y46*%
%MOMM*%
{file}
%TA.AperFunction,ViaDrill*%
%ADD10C,0.300*%
%TA.AperFunction,ComponentDrill*%
%ADD11C,1.000*%
%TD*%
%ADD12R,1.000X2.000*%
G01*
"""
PLATED = "%TF.FileFunction,Plated,1,4,PTH,Mixed*%"


def drilled(body: str, *, file: str = PLATED, name: str = "holes.gbr") -> DrillFile:
    text = HEAD.format(file=file) + body + "M02*\n"
    return drill_from_gerber(read(text.encode(), name=name))


def test_flashes_are_holes() -> None:
    """A flash of a round aperture is a hole of its diameter, plating and span of the file."""
    made = drilled("D10*\nX1000000Y2000000D03*\nD11*\nX5000000Y6000000D03*\n")
    assert made.hits.x.tolist() == [1.0, 5.0]
    assert made.hits.y.tolist() == [2.0, 6.0]
    assert [(t.diameter_mm, t.function) for t in made.tools] == [
        (0.3, ("ViaDrill",)),
        (1.0, ("ComponentDrill",)),
    ]
    assert made.hits.tool.tolist() == [0, 1]
    assert (made.plated, made.span, made.plating_evidence) == (True, (1, 4), "attributes")
    assert made.problems == ()


def test_draws_are_slots_and_chains_are_paths() -> None:
    """Draws that go on from each other are one path; a move begins the next."""
    made = drilled(
        "D11*\nX0Y0D02*\nX5000000D01*\nY5000000D01*\n"
        "X9000000Y9000000D02*\nX9500000D01*\nG75*\nX8000000Y8000000D02*\n"
        "G03*\nX10000000Y10000000I0J2000000D01*\n"
    )
    assert made.slots.path.tolist() == [0, 0, 1, 2]
    assert made.slots.turn.tolist() == [0, 0, 0, 1]
    assert (made.slots.cx[3], made.slots.cy[3]) == (8.0, 10.0)
    assert made.slots.tool.tolist() == [0] * 4


def test_draw_without_length_is_a_hole() -> None:
    """A draw that ends where it starts is the tool's disc: a round hole."""
    made = drilled("D11*\nX1000000Y1000000D02*\nX1000000Y1000000D01*\n")
    assert (len(made.hits), len(made.slots)) == (1, 0)


@pytest.mark.parametrize(
    ("aperture", "ends"),
    [
        ("R,1.000X2.000", (0, -0.5, 0, 0.5)),
        ("O,1.000X2.000", (0, -0.5, 0, 0.5)),
        ("O,3.000X1.000", (-1, 0, 1, 0)),
    ],
)
def test_long_flashes_are_slots(aperture: str, ends: tuple[float, ...]) -> None:
    """An obround or a rectangle of W x L is a slot W wide, its path L - W long."""
    made = drilled(f"%ADD13{aperture}*%\nD13*\nX0Y0D03*\n")
    s = made.slots
    assert (s.x0[0], s.y0[0], s.x1[0], s.y1[0]) == pytest.approx(ends)
    assert [t.diameter_mm for t in made.tools] == pytest.approx([1.0])
    assert (len(made.hits), made.problems) == (0, ())


def test_long_flash_turned_by_a_quarter() -> None:
    """%LR turns the aperture (section 4.9.4), and the slot with it."""
    s = drilled("%ADD13O,3.000X1.000*%\n%LR90*%\nD13*\nX0Y0D03*\n").slots
    assert sorted((s.y0[0], s.y1[0])) == pytest.approx([-1, 1])
    assert (s.x0[0], s.x1[0]) == pytest.approx((0, 0))


def test_draws_of_rectangles_along_their_side_are_slots() -> None:
    """1 x 2 mm drawn 4 mm along its long side is 1 mm wide and 6 mm long; across it is no slot."""
    made = drilled("D12*\nX0Y0D02*\nY4000000D01*\nX0Y0D02*\nX4000000D01*\n")
    s = made.slots
    assert (s.x0[0], s.y0[0], s.x1[0], s.y1[0]) == pytest.approx((0, -0.5, 0, 4.5))
    assert len(s) == 1
    assert [p.id for p in made.problems] == ["drill/drawn-holes"]


def test_what_is_no_hole_is_told() -> None:
    """A square and a region make no hole and are reported."""
    made = drilled(
        "%ADD13R,1.000X1.000*%\nD13*\nX0Y0D03*\n"
        "G36*\nX0Y0D02*\nX1000000D01*\nY1000000D01*\nX0Y0D01*\nG37*\n"
        "D10*\nX3000000Y3000000D03*\n"
    )
    assert len(made.hits) == 1
    finding = next(p for p in made.problems if p.id == "drill/drawn-holes")
    assert finding.count == 2


@pytest.mark.parametrize(
    ("file", "name", "plated"),
    [
        ("%TF.FileFunction,NonPlated,1,2,NPTH,Drill*%", "holes.gbr", False),
        ("G04 nothing*", "board-npth.gbr", False),
        ("G04 nothing*", "holes.gbr", None),
    ],
)
def test_plating(file: str, name: str, plated: bool | None) -> None:
    """Plating follows the attribute, then the name, else stays open."""
    made = drilled("D10*\nX0Y0D03*\n", file=file, name=name)
    assert made.plated is plated


def test_empty_image() -> None:
    """An image without objects is a drill file without holes."""
    made = drilled("")
    assert (len(made.hits), len(made.slots), made.tools) == (0, 0, ())
    assert np.array_equal(made.slots.path, np.empty(0))
