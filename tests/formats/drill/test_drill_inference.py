"""The number format told from the board, against the worked case with its scores (computed)."""

from __future__ import annotations

import numpy as np
import pytest

from fabkit.base.findings import Severity
from fabkit.formats.drill.inference import read_with_board, score_formats
from fabkit.formats.drill.model import NumberFormat
from fabkit.formats.drill.reader import read

HITS = [
    (5000, 5000),
    (95000, 5000),
    (95000, 55000),
    (5000, 55000),
    (50000, 30000),
    (52540, 30000),
    (55080, 30000),
    (12700, 40640),
]
BODY = "".join(f"X{x}Y{y}\n" for x, y in HITS)
DATA = f"M48\nT1\n%\nT1\n{BODY}M30\n".encode()
PADS = np.array(HITS) / 1000
BOX = (0.0, 0.0, 100.0, 60.0)
MOVED = np.array([300.0, 200.0])
EMPTY = np.empty((0, 2))


@pytest.mark.parametrize(
    ("unit", "zeros", "relevant", "total"),
    [
        ("mm", "trailing", 3, 0.980),
        ("mm", "leading", 2, 0.793),
        ("inch", "trailing", 5, 0.483),
        ("mm", "trailing", 4, 0.463),
        ("mm", "trailing", 2, 0.144),
        ("inch", "trailing", 4, 0.144),
    ],
)
def test_worked_scores(unit: str, zeros: str, relevant: int, total: float) -> None:
    """Each candidate of the worked case has its computed score."""
    scores = [s for s, _ in score_formats(read(DATA, name="a"), DATA, PADS, BOX)]
    found = [
        s.total
        for s in scores
        if (s.format.unit, s.format.zeros) == (unit, zeros)
        and (s.format.integers if zeros == "leading" else s.format.decimals) == relevant
    ]
    assert found == [pytest.approx(total, abs=6e-4)]


def test_worked_case_is_resolved() -> None:
    """The worked case is read as millimetres with three decimals, and says so."""
    file = read_with_board(DATA, name="a", pads=PADS, box=BOX)
    assert (file.format.unit, file.format.zeros, file.format.decimals) == ("mm", "trailing", 3)
    assert np.column_stack((file.hits.x, file.hits.y)) == pytest.approx(PADS)
    assert "drill/format-inferred" in {p.id for p in file.problems}
    assert not file.needs_format
    assert not any(p.severity is Severity.ERROR and p.id.endswith("missing") for p in file.problems)


def test_without_a_board_it_stays_open() -> None:
    """Nothing to compare with: no answer, and an error that says so."""
    nowhere = (float("nan"),) * 4
    assert read_with_board(DATA, name="a", pads=EMPTY, box=nowhere).needs_format
    file = read_with_board(DATA, name="a", pads=EMPTY, box=None)
    finding = next(p for p in file.problems if p.id == "drill/format-unresolved")
    assert finding.severity is Severity.ERROR


@pytest.mark.parametrize(
    ("header", "severity"), [(b"", Severity.WARNING), (b"METRIC,TZ\n", Severity.NOTE)]
)
def test_sibling_settles_what_the_board_does_not(header: bytes, severity: Severity) -> None:
    """A format found for another file is taken, and weighs little where digits alone are open."""
    sibling = NumberFormat(unit="mm", zeros="trailing", integers=3, decimals=3)
    data = DATA.replace(b"M48\n", b"M48\n" + header)
    file = read_with_board(data, name="a", pads=EMPTY, box=None, sibling=sibling)
    finding = next(p for p in file.problems if p.id == "drill/format-from-sibling")
    assert file.hits.x[1] == 95.0
    assert finding.severity is severity


def test_stated_unit_restricts_the_candidates() -> None:
    """What the file states is not up for inference."""
    data = DATA.replace(b"M48\n", b"M48\nINCH,TZ\n")
    scores = [s for s, _ in score_formats(read(data, name="a"), data, PADS, BOX)]
    assert {(s.format.unit, s.format.zeros) for s in scores} == {("inch", "trailing")}


def test_stated_format_that_misses_the_board_gives_way() -> None:
    """A stated format that misses the board gives way to the one that fits, as an error."""
    data = DATA.replace(b"M48\n", b"M48\nINCH,TZ,00.0000\n")
    file = read_with_board(data, name="a", pads=PADS, box=BOX)
    assert np.column_stack((file.hits.x, file.hits.y)) == pytest.approx(PADS)
    finding = next(p for p in file.problems if p.id == "drill/format-misfit")
    assert finding.severity is Severity.ERROR


def test_stated_format_that_fits_is_silent() -> None:
    """A right statement gives no finding about the format."""
    data = DATA.replace(b"M48\n", b"M48\nMETRIC,TZ,000.000\n")
    file = read_with_board(data, name="a", pads=PADS, box=BOX)
    assert not any("format" in p.id for p in file.problems)


def test_moved_origin_still_tells_the_format() -> None:
    """Holes that fit only after one shift give the format; how far they are off is told later."""
    file = read_with_board(DATA, name="a", pads=PADS + MOVED, box=(300, 200, 400, 260))
    assert (file.format.unit, file.format.decimals) == ("mm", 3)
    finding = next(p for p in file.problems if p.id == "drill/format-inferred")
    assert "300.000, 200.000" in finding.message


def test_work_zero_that_does_not_fit() -> None:
    """G93 that moves the holes off their pads is reported."""
    text = DATA.replace(b"M48\n", b"M48\nMETRIC,TZ,000.000\n").replace(
        b"%\n", b"%\nG93X20000Y10000\n"
    )
    file = read_with_board(text, name="a", pads=PADS, box=BOX)
    assert "drill/work-zero-misfit" in {p.id for p in file.problems}


def test_points_without_a_unit() -> None:
    """With decimal points only the unit is open."""
    body = "".join(f"X{x / 25400:.4f}Y{y / 25400:.4f}\n" for x, y in HITS)
    data = f"M48\nT1\n%\nT1\n{body}M30\n".encode()
    file = read_with_board(data, name="a", pads=PADS, box=BOX)
    assert file.format.unit == "inch"
    assert file.hits.x[1] == pytest.approx(95.0, abs=0.002)
