"""Regions printed in the layer format specification 2021.02, section 4.10.4."""

from __future__ import annotations

from math import pi

import pytest
from gerber_layers import counts, expect, ids, path, read_layer, xy

Points = list[tuple[float, float]]
Q: Points = [(0, 5), (0, 10), (10, 10), (10, 0), (0, 0), (0, 5)]


def closed(points: Points) -> Points:
    """The same points, back to the first."""
    return [*points, points[0]]


def region(*contours: Points) -> str:
    """A region statement of straight contours."""
    return "G36*" + "\n".join(path(c) for c in contours) + "G37*"


@pytest.mark.parametrize(
    ("contours", "box", "area", "pieces", "holes"),
    [
        pytest.param(
            [closed([(2, 3), (7, 3), (7, 1), (11, 5), (7, 9), (7, 7), (2, 7)])],
            (2, 1, 11, 9), 36, 1, 0, id="4.10.4.1 arrow",
        ),
        pytest.param(
            [Q, closed([(-1, 5), (-5, 1), (-9, 5), (-5, 9)])],
            (-9, 0, 10, 10), 132, 2, 0, id="4.10.4.2 apart",
        ),
        pytest.param(
            [Q, closed([(1, 5), (5, 1), (9, 5), (5, 9)])],
            (0, 0, 10, 10), 100, 1, 0, id="4.10.4.3 inside: union, no hole",
        ),
        pytest.param(
            [Q, closed([(0, 5), (-5, 1), (-9, 5), (-5, 9)])],
            (-9, 0, 10, 10), 136, None, 0, id="4.10.4.4 touching in a point",
        ),
        pytest.param(
            [Q, closed([(0, 5), (5, 1), (9, 5), (5, 9)])],
            (0, 0, 10, 10), 100, 1, 0, id="4.10.4.5 inside, touching",
        ),
        pytest.param(
            [[(0, 5), (0, 10), (10, 10), (10, 0), (0, 0), (0, 5), (-1, 5), (-5, 1), (-9, 5),
              (-5, 9), (-1, 5), (0, 5)]],
            (-9, 0, 10, 10), 132, 2, 0, id="4.10.4.8 cut-in outwards",
        ),
        pytest.param(
            [[(0, 5), (0, 10), (10, 10), (10, 0), (0, 0), (0, 5), (1, 5), (5, 1), (9, 5),
              (5, 9), (1, 5), (0, 5)]],
            (0, 0, 10, 10), 68, 1, 1, id="4.10.4.8 cut-in to a hole",
        ),
        pytest.param(
            [[(1.22, 2.57), (1.22, 2.72), (1.31, 2.72), (1.31, 2.57), (1.25, 2.57),
              (1.25, 2.60), (1.29, 2.60), (1.29, 2.64), (1.25, 2.64), (1.25, 2.67),
              (1.29, 2.67), (1.29, 2.70), (1.25, 2.70), (1.25, 2.67), (1.25, 2.64),
              (1.25, 2.60), (1.25, 2.57), (1.22, 2.57)]],
            (1.22, 2.57, 1.31, 2.72), 0.0107, 1, 2, id="4.10.4.9 fully coincident",
        ),
    ],
)  # fmt: skip
def test_printed_regions(
    contours: list[Points],
    box: tuple[float, float, float, float],
    area: float,
    pieces: int | None,
    holes: int,
) -> None:
    """Area, box, pieces and holes of each printed region are those of its drawing."""
    file = read_layer(region(*contours))
    expect(file, area=area, box=box, pieces=pieces, holes=holes)
    assert len(file.segments) == sum(len(c) - 1 for c in contours)
    assert counts(file) == {"R": 1}
    assert not ids(file)


def test_holes_by_polarity() -> None:
    """Section 4.10.4.6: dark and clear regions in turn; the area after each is a closed form."""

    def circle(start: tuple[float, float], i: float) -> str:
        return f"G36*{xy(*start)}D02*G75*G03*{xy(*start)}I{round(i * 1e6)}J0D01*G01*G37*"

    square = region(closed([(2.5, 2.5), (17.5, 2.5), (17.5, 17.5), (2.5, 17.5)]))
    small = region(closed([(7.5, 7.5), (12.5, 7.5), (12.5, 12.5), (7.5, 12.5)]))
    steps = [
        f"%LPD*%{square}",
        f"%LPC*%{circle((5, 10), 5)}",
        f"%LPD*%{small}",
        f"%LPC*%{circle((11.5, 10), 2.5)}",
    ]
    areas = [225, 225 - 25 * pi, 250 - 25 * pi, 162.75728993]
    for count, area in enumerate(areas, start=1):
        expect(read_layer("".join(steps[:count])), area=area)
    file = read_layer("".join(steps))
    assert counts(file) == {"R": 2, "R-c": 2}
    expect(file, box=(2.5, 2.5, 17.5, 17.5))


def test_cut_in_to_a_circle() -> None:
    """Section 4.10.4.7: a cut-in that leads to a full circle leaves a round hole."""
    body = (
        f"G36*{path([(2, 10), (12, 10), (12, 2), (2, 2), (2, 6), (5, 6)])}"
        f"G75*G03*{xy(5, 6)}I3000000J0D01*G01*{xy(2, 6)}D01*{xy(2, 10)}D01*G37*"
    )
    file = read_layer(body)
    expect(file, area=80 - 9 * pi, box=(2, 2, 12, 10), pieces=1, holes=1)
    assert len(file.segments) == 8
    assert not ids(file)
