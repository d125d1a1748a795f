"""Programs against the published sample, its computed counts and the fact tables behind it.

Source, where not said otherwise: Excellon part programming reference (CNC-7); "computed" means
worked out by hand from its rules.
"""

from __future__ import annotations

import numpy as np
import pytest

from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import read

INCH_LZ = "M48\nINCH,LZ\nFMAT,2\nT1C.032\nT2C.125\n%\nT1\n"
MM = "M48\nMETRIC\nT1C1.0\nT2C3.0\n%\nT1\n"


def program(body: str, head: str = INCH_LZ) -> DrillFile:
    return read(f"{head}{body}\nM30\n".encode(), name="sample.drl")


def ids(file: DrillFile) -> set[str]:
    return {p.id for p in file.problems}


def inches(file: DrillFile) -> list[tuple[float, float]]:
    points = np.column_stack((file.hits.x, file.hits.y)) / 25.4
    return [(round(float(x), 6), round(float(y), 6)) for x, y in points]


ABSOLUTE = "XY\nY01\nY02\nX012Y032\nX024Y044\nX034"
INCREMENTAL = "G91\nXY\nY01\nY01\nX012Y012\nX012Y012\nX01"
SEQUENCE = [(0, 0), (0, 1), (0, 2), (1.2, 3.2), (2.4, 4.4), (3.4, 4.4)]


@pytest.mark.parametrize("body", [ABSOLUTE, INCREMENTAL, "ICI,ON\n" + INCREMENTAL[4:]])
def test_coordinate_sequence(body: str) -> None:
    """Absolute and incremental spelling of the printed sequence reach the same points."""
    assert inches(program(body)) == SEQUENCE


@pytest.mark.parametrize(
    ("block", "length", "overall", "area"),
    [
        ("X03Y05G85X03Y047", 0.3000, 0.3320, 0.010404),
        ("X026Y046G85X03Y045", 0.4123, 0.4443, 0.013998),
        ("X029Y049G85X027Y043", 0.6325, 0.6645, 0.021043),
    ],
)
def test_published_slots(block: str, length: float, overall: float, area: float) -> None:
    """Slots of the sample have their computed length and stadium area, tool 0.032 in."""
    slots = program(block).slots
    assert len(slots) == 1
    assert not slots.routed[0]
    made = float(np.hypot(slots.x1 - slots.x0, slots.y1 - slots.y0)[0]) / 25.4
    width = 0.032
    assert made == pytest.approx(length, abs=5e-5)
    assert made + width == pytest.approx(overall, abs=5e-5)
    assert made * width + np.pi * width**2 / 4 == pytest.approx(area, abs=5e-7)


@pytest.mark.parametrize("block", ["X03Y05G85X03Y05", "X03Y05G85X030002Y05"])
def test_zero_length_slot_is_a_hole(block: str) -> None:
    """A slot whose ends are a few micrometres apart is a round hole, and is reported."""
    file = program(block)
    assert (len(file.hits), len(file.slots)) == (1, 0)
    assert "drill/zero-length-slot" in ids(file)


@pytest.mark.parametrize(
    ("start", "end", "radius", "code", "centre", "sweep", "length"),
    [
        ((10, 10), (15, 15), 5, "G02", (15, 10), 90, 7.8540),
        ((10, 10), (15, 15), 5, "G03", (10, 15), 90, 7.8540),
        ((0, 0), (4, 0), 2, "G02", (2, 0), 180, 6.2832),
        ((0, 0), (4, 0), 2.5, "G03", (2, 1.5), 106.260, 4.6365),
        ((0, 0), (5, 0), 2, "G02", (2.5, 0), 180, 7.8540),
    ],
)
def test_arcs_by_radius(
    start: tuple[float, float],
    end: tuple[float, float],
    radius: float,
    code: str,
    centre: tuple[float, float],
    sweep: float,
    length: float,
) -> None:
    """Centre, sweep and length of the computed arcs; a short radius becomes a half circle."""

    body = f"G00X{start[0]}.Y{start[1]}.\nM15\n{code}X{end[0]}.Y{end[1]}.A{float(radius)}\nM16\nG05"
    file = program(body, MM)
    s = file.slots
    assert (float(s.cx[0]), float(s.cy[0])) == pytest.approx(centre, abs=1e-9)
    made = abs(float(s.sweeps()[0]))
    assert np.degrees(made) == pytest.approx(sweep, abs=1e-3)
    true_radius = np.hypot(start[0] - centre[0], start[1] - centre[1])
    assert made * true_radius == pytest.approx(length, abs=5e-5)
    assert ("drill/arc-radius-too-small" in ids(file)) == (radius == 2 and end == (5, 0))


@pytest.mark.parametrize("offset", ["I5.J0.", "I-5.J0."])
def test_arc_centre_sign_is_found(offset: str) -> None:
    """I and J lead to the centre whichever way their sign is meant."""
    file = program(f"G00X10.Y10.\nM15\nG02X15.Y15.{offset}\nM16", MM)
    assert (file.slots.cx[0], file.slots.cy[0]) == (15, 10)
    assert "drill/arc-ends-differ" not in ids(file)


def test_full_circle_by_centre() -> None:
    """Equal ends with a centre are a full circle."""
    file = program("G00X10.Y10.\nM15\nG03X10.Y10.I5.J0.\nM16", MM)
    assert file.slots.turn.tolist() == [2]


def test_full_circle_by_radius_says_nothing() -> None:
    """Equal ends with a radius have no centre: nothing is cut, and it is reported."""
    file = program("G00X10.Y10.\nM15\nG03X10.Y10.A5.\nM16", MM)
    assert len(file.slots) == 0
    assert "drill/arc-without-centre" in ids(file)


BASE = "M25\nX01Y018\nR8Y-001\nR4X001\nM01\n"
COPIES = [
    ("M02X002Y002M70", (1.2, 2.0, 1.2, 1.6)),
    ("M02X043M90M70", (2.7, 3.5, 1.2, 1.6)),
    ("M02X002Y-002M80", (3.3, 3.7, 1.0, 1.8)),
    ("M02X-002Y038M80M90M70", (2.7, 3.5, 2.4, 2.8)),
    ("M02X002Y002M80M90", (3.3, 3.7, 2.2, 3.0)),
    ("M02X-047M90", (1.0, 1.4, 2.2, 3.0)),
    ("M02X002Y-002M80M70", (1.2, 2.0, 2.4, 2.8)),
]


def test_step_and_repeat_of_the_sample() -> None:
    """All 8 x 13 hits of the printed array are where mirror, then swap, then step puts them."""
    file = program(BASE + "\n".join(block for block, _ in COPIES) + "\nM08")
    points = np.array(inches(file)).reshape(8, 13, 2)  # 104 hits, the count the sample prints
    boxes = [(1.0, 1.4, 1.0, 1.8), *(box for _, box in COPIES)]
    for made, (x0, x1, y0, y1) in zip(points, boxes, strict=True):
        assert made.min(axis=0) == pytest.approx((x0, y0), abs=1e-6)
        assert made.max(axis=0) == pytest.approx((x1, y1), abs=1e-6)
    assert not ids(file) & {"drill/repeat-order", "drill/unknown-command"}


def test_nested_step_and_repeat() -> None:
    """M01 again makes the pattern of everything so far (20 x 3 x 3 x 3 of the sample's array)."""
    body = (
        "M25\nX042Y01\nR9X0005\nY0105\nR9X-0005\nM01\n"
        "R2M02XY001\nM01\nR2M02X007Y\nM01\nR2M02XY007\nM08"
    )
    file = program(body)
    assert len(file.hits) == 20 * 27
    assert len(set(inches(file))) == 20 * 27


def test_bare_m02_clears_the_counter() -> None:
    """M02 without coordinates starts counting steps from the pattern again."""
    file = program("M25\nX01Y01\nM01\nM02X01\nM02X01\nM02\nM02Y01\nM08")
    assert inches(file) == [(1, 1), (2, 1), (3, 1), (1, 2)]


def test_percent_opens_a_pattern() -> None:
    """In the body a percent sign is M25."""
    file = program("%\nX01Y01\nM01\nM02X01\nM08")
    assert inches(file) == [(1, 1), (2, 1)]


def test_mirrored_arc_turns_over() -> None:
    """A mirrored copy of a clockwise arc is counter-clockwise, and a path of its own."""
    body = "M25\nG00X10.Y10.\nM15\nG02X15.Y15.A5.\nM16\nG05\nM01\nM02X50.M80\nM08"
    slots = program(body, MM).slots
    assert slots.turn.tolist() == [-1, 1]
    assert len(set(slots.path.tolist())) == 2
    assert (slots.cx[1], slots.cy[1]) == (35, 10)


def test_dip_patterns_of_the_sample() -> None:
    """Dual in-line patterns count 16, 28, 16, 32 and 3 x 14: 134 hits, as the sample prints."""
    body = """G82
X.5Y.5
X1.2Y.8
G82X.1Y.4
X2.Y.5
X3.3Y.9
G82X.2Y.5
X4.Y1.
X5.4Y1.5
G82X.1Y.6
X6.Y2.
X7.5Y2.6
G82
X1.Y4.
X1.6Y4.3
P2X007"""
    file = program(body)
    assert len(file.hits) == 16 + 28 + 16 + 32 + 3 * 14 == 134
    first = inches(file)[:16]
    assert first[0] == (0.5, 0.5)
    assert first[8] == (1.2, 0.8)
    assert (0.6, 0.5) in first
    tail = inches(file)[-14:]
    assert min(x for x, _ in tail) == pytest.approx(1.0 + 2 * 0.7)


def test_circle_pattern() -> None:
    """G83 makes 8 holes on the circle over two opposite ones."""
    points = np.array(inches(program("G83\nX1.Y2.\nX3.Y2.")))
    assert len(points) == 8
    assert np.hypot(points[:, 0] - 2, points[:, 1] - 2) == pytest.approx(np.ones(8), abs=1e-6)
    assert (3.0, 2.0) in {tuple(p) for p in points}


def test_stored_pattern_repeats() -> None:
    """A stored pattern repeated by P: 16 hits, 3 more copies and 12 singles make 76 (computed)."""
    body = (
        "M25\nX01Y01\nR15X001\nM01\nM08\nP3Y002\n"
        + "\n".join(f"X0{i}5Y09" for i in range(10))
        + "\nX105Y09\nX115Y09"
    )
    assert len(program(body).hits) == 64 + 12 == 76


def test_incremental_squares_and_diamond() -> None:
    """Squares of 20, written out and by R, the diamond of 16 and one hole make 57 (computed).

    The printed listing of the squares is damaged in the copy at hand; their spelling is ours.
    """
    steps = ["X.1"] * 5 + ["Y.1"] * 5 + ["X-.1"] * 5 + ["Y-.1"] * 4
    body = "\n".join(
        [
            "G91",
            "X.2Y4.2",
            *steps,
            "G90",
            "X.9Y4.2",
            "R5X.1",
            "R5Y.1",
            "R5X-.1",
            "R4Y-.1",
            "X1.6Y4.6",
            "R4X.1Y.1",
            "R4X.1Y-.1",
            "R4X-.1Y-.1",
            "R3X-.1Y.1",
            "X3.Y3.",
        ]
    )
    points = inches(program(body))
    assert len(points) == 20 + 20 + 16 + 1 == 57
    diamond = np.array(points[40:56])
    assert diamond.min(axis=0) == pytest.approx((1.6, 4.2), abs=1e-6)
    assert diamond.max(axis=0) == pytest.approx((2.4, 5.0), abs=1e-6)
    assert points[55] == pytest.approx((1.7, 4.5), abs=1e-6)
    assert len(set(points[40:56])) == 16


def test_last_tool_of_the_sample() -> None:
    """Tool 8 of the sample drills three holes of 0.250 in."""
    file = program("X.5Y4.1\nX.9Y4.6\nX1.3Y4.1", "M48\nINCH,LZ\nT8C.250\n%\nT8\n")
    assert inches(file) == [(0.5, 4.1), (0.9, 4.6), (1.3, 4.1)]
    assert file.tools[0].diameter_mm == pytest.approx(6.35)


def test_second_published_listing() -> None:
    """The listing of a trade design guide: spaced tool lines, a unit line with a blank."""
    text = """M48
M72, LZ
T03C0.038 T04C0.125
T06C0.046
T12C0.063
T16C0.250
%
T03
X00581Y0122
X01657Y03295
T04
X00585Y03311
X00873Y02691
X00625Y02191
M30
"""
    file = read(text.encode(), name="plated.drl")
    assert inches(file) == [
        (0.581, 1.22),
        (1.657, 3.295),
        (0.585, 3.311),
        (0.873, 2.691),
        (0.625, 2.191),
    ]
    sizes = {t.number: t.diameter_mm for t in file.tools}
    assert sizes[4] == pytest.approx(3.175)
    assert sizes[16] == pytest.approx(6.35)


@pytest.mark.parametrize(
    ("block", "diameter"), [("X05Y05G84X005", 0.5), ("G32X5.Y5.A.25", 0.5), ("G33X5.Y5.A.25", 0.5)]
)
def test_large_openings(block: str, diameter: float) -> None:
    """G84, G32 and G33 leave one round opening of the finished diameter at its centre."""
    file = program(block, INCH_LZ.replace("\nT1\n", "\nT2\n"))
    tool = file.tools[int(file.hits.tool[0])]
    assert inches(file) == [(5, 5)]
    assert tool.diameter_mm == pytest.approx(diameter * 25.4)
    assert file.tools[tool.opening_of or 0].number == 2


@pytest.mark.parametrize(
    "block",
    [
        "G04X500",
        "M06X1.Y1.",
        "M09X1.Y1.",
        "G35X1.Y1.",
        "M50X1.Y1.",
        "M47,MOVE TO X1.Y1.",
        "M45,FIRST\\\nX9.Y9.",
        "M97,ABC\nX1.Y1.",
        "M99,NAME\nX1.Y1.",
    ],
)
def test_not_geometry(block: str) -> None:
    """Dwells, parking places, camera targets, messages and texts drill nothing."""
    file = program(f"{block}\nX02Y02")
    assert inches(file) == [(2, 2)]
    assert ids(file) & {
        "drill/machine-setting",
        "drill/not-exchange-data",
        "drill/stored-pattern",
    }


def test_parking_place_of_the_end() -> None:
    """Coordinates behind M30 are a parking place, not a hole."""
    file = read((INCH_LZ + "X01Y01\nM30X05Y05\n").encode(), name="a")
    assert inches(file) == [(1, 1)]
    assert "drill/end-missing" not in ids(file)


def test_older_command_set() -> None:
    """FMAT,1: G81 drills, M24, M26 and M27 repeat, M02 ends."""
    text = "M48\nINCH,LZ\nFMAT,1\nT1C.032\n%\nT1\nG81\nM25\nX01Y01\nM24\nM26X01M21\nM27\nM02\n"
    file = read(text.encode(), name="a")
    assert inches(file) == [(1, 1), (0, 1)]
    assert not ids(file) & {"drill/end-missing", "drill/repeat-order", "drill/g81-depends"}


def test_g81_in_the_newer_command_set_is_a_pattern() -> None:
    """FMAT,2: G81 is the dual in-line pattern."""
    file = program("G81\nX.5Y.5\nX1.2Y.8")
    assert len(file.hits) == 16


def test_work_zero_moves_the_holes() -> None:
    """G93 shifts every later coordinate, is reported and can be taken off again."""
    file = program("G93X0325Y015\nXY\nX01Y01")
    assert inches(file) == [(3.25, 1.5), (4.25, 2.5)]
    assert file.work_zero_mm == pytest.approx((3.25 * 25.4, 1.5 * 25.4))
    assert "drill/work-zero-moved" in ids(file)


CONFORMING = """M48
; #@! TF.FileFunction,Plated,1,2,PTH,Mixed
METRIC
; #@! TA.AperFunction,Plated,PTH,ViaDrill
T1C0.300
; #@! TA.AperFunction,Plated,PTH,ComponentDrill
T2C1.000
; #@! TD
%
G05
T1
X10.0Y10.0
X12.54Y10.0
T2
X20.0Y10.0G85X22.0Y10.0
G00X30.0Y10.0
M15
G01X40.0Y10.0
G03X45.0Y15.0A5.0
M16
G05
M30
"""


def test_conforming_exchange_file() -> None:
    """An invented file in the XNC subset (from memory) reads without a problem, areas exact."""
    file = read(CONFORMING.encode(), name="plated.drl")
    assert [p.id for p in file.problems] == []
    assert file.span == (1, 2)
    assert file.plated is True
    assert file.plating_evidence == "attributes"
    assert [t.function for t in file.tools] == [("ViaDrill",), ("ComponentDrill",)]
    assert file.format.zeros == "point"
    assert not file.needs_format
    assert file.hits.x.tolist() == [10.0, 12.54]
    via = file.tools[0].diameter_mm or 0
    assert np.pi * via**2 / 4 == pytest.approx(0.070686, abs=1e-6)
    s = file.slots
    assert s.routed.tolist() == [False, True, True]
    assert s.path[1] == s.path[2] != s.path[0]
    assert (s.cx[2], s.cy[2], s.turn[2]) == (40, 15, 1)
    assert 2.0 * 1.0 + np.pi / 4 == pytest.approx(2.785398, abs=1e-6)


def test_conforming_file_sweeps_its_area() -> None:
    """The slot and the routed path sweep the closed-form areas 2.785398 and 18.639380 mm2."""
    import shapely

    s = read(CONFORMING.encode(), name="plated.drl").slots
    made = s.drawn(np.ones(len(s)))
    assert made[0].area == pytest.approx(2.785398, rel=1e-4)
    assert shapely.union_all(made[1:]).area == pytest.approx(18.639380, rel=1e-4)
