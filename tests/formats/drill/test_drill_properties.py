"""Properties: spelling does not move holes, and no bytes make the reader fail."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.formats.drill.inference import read_with_board
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import looks_like_drill, read

Point = tuple[int, int]
points = st.lists(
    st.tuples(st.integers(-99_999, 99_999), st.integers(-99_999, 99_999)), min_size=1, max_size=25
)


def leading(value: int, digits: int) -> str:
    text = f"{abs(value):0{digits}d}".rstrip("0") or "0"
    return f"{'-' if value < 0 else ''}{text}"


def spell(made: list[Point], style: str) -> bytes:
    """The same holes (in 0.001 mm, or 0.0001 in) in one of several spellings."""
    unit = "INCH" if style.startswith("inch") else "METRIC"
    digits, decimals = (6, 4) if unit == "INCH" else (6, 3)
    pattern = "00.0000" if unit == "INCH" else "000.000"
    mode = style.split()[1]
    lines = []
    last = (0, 0)
    for x, y in made:
        dx, dy = (x - last[0], y - last[1]) if mode == "incremental" else (x, y)
        last = (x, y)
        if mode == "LZ":
            lines.append(f"X{leading(dx, digits)}Y{leading(dy, digits)}")
        elif mode == "point":
            scale = 10**decimals
            lines.append(f"X{dx / scale:.{decimals}f}Y{dy / scale:.{decimals}f}")
        else:
            lines.append(f"X{dx}Y{dy}")
    zeros = ",LZ" if mode == "LZ" else ",TZ"
    start = "ICI,ON\n" if mode == "incremental" else ""
    head = f"M48\n{unit}{zeros},{pattern}\n{start}T1C0.03\n%\nT1\n"
    return (head + "\n".join(lines) + "\nM30\n").encode()


@pytest.mark.parametrize("mode", ["LZ", "TZ", "point", "incremental"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
@given(made=points)
def test_spelling_moves_nothing(made: list[Point], unit: str, mode: str) -> None:
    """Unit, zero rule, points and increments spell the same holes."""
    step = 0.001 if unit == "mm" else 0.00254
    file = read(spell(made, f"{unit} {mode}"), name="a")
    found = np.column_stack((file.hits.x, file.hits.y))
    assert found == pytest.approx(np.array(made) * step, abs=1e-8)


def check(data: bytes, file: DrillFile) -> None:
    for table in (file.hits, file.slots):
        assert {len(getattr(table, n)) for n in table.DTYPES} == {len(table)}
        assert np.all((table.offset >= 0) & (table.offset <= len(data)))
        assert np.all((table.tool >= -1) & (table.tool < len(file.tools)))
        assert np.all((table.attributes >= 0) & (table.attributes < len(file.attribute_sets)))
    for problem in file.problems:
        for place in problem.places:
            assert place.offset is None or 0 <= place.offset <= len(data)


@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    """Arbitrary bytes never raise."""
    check(data, read(data, name="a"))
    assert 0.0 <= looks_like_drill(data) <= 1.0


COMMANDS = r"""
    M48 METRIC,TZ,000.000 INCH INCH,LZ % M95 M30 M00 M02 M01 M25 M08 T1 T1C0.3 T02C.5 T0 T0102
    X100Y200 X5 Y-7.5 X1.Y1.G85X2.Y2. XYG85XY G85X1Y1 G00X0Y0 G00 M15 M16 M17 G01X50Y50 G02X5Y5A3
    G03X1Y1I1J1 G02 G05 G81 G82 G83 G84X5 X1Y1G84X. G32X1Y1A2 R5X10 R3M02X5Y5 P4X7 R M02X5M80M70
    G93X1Y1 G90 G91 ICI,ON FMAT,1 FMAT,2 VER,4 M71 M72 M47,HELLO M45,A\ M97,ABC M99,NAME G41 G40
    /X5Y5 / 1/2/3 N10X5Y5 ;comment ;#@!TO.N,GND ;#@!TD ;#@!TF.FileFunction,Plated,1,2,PTH
    ;Holesize_1=0.3 ;FILE_FORMAT=2:4 CP,1,0.5 Z+5 X--5 X.5.5 X9999999999999999999999Y1 M8888 G0G1G2
    M08M30 M71X5 T999999999 C0.5 A5 I1J1 %%%% \xff\xfe ;#@!TA.AperFunction,NonPlated,NPTH
"""
PIECES = st.sampled_from(COMMANDS.split())


@settings(deadline=None)
@given(st.lists(PIECES, max_size=40), st.sampled_from(["\n", "\r\n", "\r"]))
def test_any_program(pieces: list[str], end: str) -> None:
    """Any jumble of commands never raises, and columns stay sound."""
    data = end.join(pieces).encode("latin-1")
    check(data, read(data, name="a"))


SOUND = spell([(i * 1000, i * i * 10) for i in range(60)], "mm TZ")


@settings(deadline=None, max_examples=60)
@given(st.integers(0, len(SOUND)), st.integers(0, 40), st.binary(max_size=6), st.booleans())
def test_mutilated_program(at: int, cut: int, put: bytes, board: bool) -> None:
    """A sound file with a piece cut out or replaced never raises, with or without a board."""
    data = SOUND[:at] + put + SOUND[at + cut :]
    if board:
        pads = np.array([[1.0, 0.01], [2.0, 0.04]])
        check(data, read_with_board(data, name="a", pads=pads, box=(0.0, 0.0, 60.0, 40.0)))
    else:
        check(data, read(data, name="a"))
