"""Written drill files: the same holes and paths as an XNC program."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from yardstick.drill_text import read_drill as read_text

from fabkit.base.errors import UnreadableInput
from fabkit.formats.drill.from_gerber import drill_from_gerber
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import read
from fabkit.formats.drill.writer import split_plating, write_drill
from fabkit.formats.gerber.reader import read as read_gerber

FIXTURES = Path(__file__).parents[3] / "fixtures"

WRITTEN = [
    "pair/left/siskin-left-drill-plated.xnc",
    "kinds/thin-slots/serin-drill-nonplated.xnc",
    "defects/clean/sample-drill-nonplated.xnc",
]


@pytest.mark.parametrize("name", WRITTEN)
def test_same_bytes_as_an_independent_writer(name: str) -> None:
    """The fixtures' own writer of XNC, which knows nothing of fabkit, wrote the same."""
    data = (FIXTURES / name).read_bytes()
    assert write_drill(read(data, name=name)) == data


def again(text: str) -> DrillFile:
    """A program as read from what is written of it, without a finding."""
    file = read(text.encode(), name="a.drl")
    data = write_drill(file)
    made = read(data, name="b.xnc")
    assert [f.id for f in made.problems] == []
    return made


ROUTED = """M48
METRIC,TZ
FMAT,2
T1C1.0
T2C2.0
%
G90
T2
G00X0Y0
M15
G01X10000
G03X20000Y10000A10000
G02X30000Y0A10000
G03X30000Y20000I0J10000
M16
G05
T1
X5000Y5000
R2X1000
X0Y30000G85X4000Y30000
T2
X50000Y50000G84X6000
M30
"""


def test_paths_and_openings() -> None:
    """Lines and arcs of a rout, a drilled slot, repeats, and an opening of its finished size."""
    made = again(ROUTED)
    sizes = [made.tools[k].diameter_mm for k in made.hits.tool]
    assert sorted(zip(made.hits.x, made.hits.y, sizes, strict=True)) == [
        (5, 5, 1), (6, 5, 1), (7, 5, 1), (50, 50, 6)
    ]  # fmt: skip
    rout, drilled = made.slots.take(made.slots.routed), made.slots.take(~made.slots.routed)
    assert np.column_stack((drilled.starts(), drilled.ends())).tolist() == [[0, 30, 4, 30]]
    # Quarter turns of radius 10 stay; the half turn about (30, 10) is cut in two at (40, 10).
    assert rout.ends() == pytest.approx(
        np.array([[10, 0], [20, 10], [30, 0], [40, 10], [30, 20]]), abs=1e-6
    )
    assert rout.turn.tolist() == [0, 1, -1, 1, 1]
    # Centres worked out by hand: of A by the drill format, of I and J from the start.
    assert np.column_stack((rout.cx, rout.cy))[1:] == pytest.approx(
        np.array([[10, 10], [20, 0], [30, 10], [30, 10]]), abs=1e-5
    )
    assert len(np.unique(rout.path)) == 1


def test_an_independent_reader_agrees() -> None:
    """The planter's reader of text finds each hole and slot of an inch file in millimetres."""
    text = (
        "M48\nINCH,TZ\nT1C0.0400\nT2C0.1250\n%\nT1\nX10000Y20000\nX-500Y0G85X500Y0\nT2\nX1Y1\nM30\n"
    )
    before = read_text(text)
    after = read_text(write_drill(read(text.encode(), name="a.drl")).decode())
    assert after.unit == "METRIC"

    def cuts(text: object) -> list[list[float]]:
        return [[h.x, h.y, h.to_x, h.to_y, text.diameter(h)] for h in text.hits]

    assert np.array(cuts(after)) == pytest.approx(np.array(cuts(before)), abs=1e-6)


def test_full_circles_of_drill_images() -> None:
    """A whole turn is written as arcs of a third each; functions are led by the plating."""
    layer = read_gerber(
        b"%TF.FileFunction,NonPlated,1,2,NPTH,Rout*%%FSLAX46Y46*%%MOMM*%"
        b"%TA.AperFunction,MechanicalDrill*%%ADD10C,1*%D10*G75*G01*X5000000Y0D02*"
        b"G03*X5000000Y0I-5000000J0D01*M02*",
        name="rout.gbr",
    )
    data = write_drill(drill_from_gerber(layer))
    assert b"TA.AperFunction,NonPlated,NPTH,MechanicalDrill\nT10C1.000\n" in data
    made = read(data, name="b.xnc")
    assert made.plated is False
    assert made.slots.turn.tolist() == [1, 1, 1]
    assert made.slots.radii() == pytest.approx(5, abs=1e-6)
    assert np.abs(made.slots.sweeps()).sum() == pytest.approx(2 * np.pi, abs=1e-6)


def test_plating_apart() -> None:
    """One file of both becomes two, each of which states what it is."""
    file = read(
        b"M48\nMETRIC\n;TYPE=PLATED\nT1C1.0\n;TYPE=NON_PLATED\nT2C3.0\n%\nT1\nX1.0Y1.0\n"
        b"T2\nX5.0Y5.0\nT1\nX2.0Y1.0\nM30\n",
        name="both.drl",
    )
    assert file.plated is None
    parts = [read(write_drill(p), name="p.xnc") for p in split_plating(file, layers=4)]
    assert [(p.plated, p.span, p.hits.x.tolist()) for p in parts] == [
        (True, (1, 4), [1, 2]), (False, (1, 4), [5])
    ]  # fmt: skip
    # Kept together, each tool states its plating.
    mixed = read(write_drill(file), name="m.xnc")
    assert [t.plated for t in mixed.tools] == [True, False]


def test_attributes_of_holes() -> None:
    """Nets and pins stand in front of the holes they belong to."""
    made = again(
        "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\n"
        "; #@! TA.AperFunction,Plated,PTH,ComponentDrill\nT1C1.0\n; #@! TD\n%\nT1\n"
        "; #@! TO.N,A\\u002CB\nX1.0Y1.0\n; #@! TO.P,R1,1\nX2.0Y1.0\n; #@! TD\nX3.0Y1.0\nM30\n"
    )
    sets = [dict(made.attribute_sets[k]) for k in made.hits.attributes]
    assert sets == [{".N": ("A,B",)}, {".N": ("A,B",), ".P": ("R1", "1")}, {}]
    assert made.tools[0].function == ("ComponentDrill",)


def test_holes_without_a_diameter_are_not_written() -> None:
    """There is nothing to state for them."""
    file = read(b"M48\nMETRIC\nT1C1.0\n%\nT2\nX1.0Y1.0\nM30\n", name="a.drl")
    with pytest.raises(UnreadableInput, match="1 hole without a diameter"):
        write_drill(file)
