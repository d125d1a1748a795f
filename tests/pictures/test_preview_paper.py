"""The paper template measured in the PDF itself."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from itertools import pairwise

import numpy as np
import pytest
import shapely
from pypdf import PdfReader
from pypdf.generic import ContentStream

from fabkit.board.model import Board
from fabkit.keyboard.model import Key
from fabkit.pictures.paper import (
    OVERLAP_MM,
    Paper,
    PaperHalf,
    paper_sheets,
    render_paper,
)


def two_halves(board: Board) -> tuple[PaperHalf, PaperHalf]:
    """A board used with either face up."""
    return (
        PaperHalf(board=board, side="top", name="left half", keys=KEYS),
        PaperHalf(board=board, side="bottom", name="right half", keys=KEYS),
    )


KEYS = (Key(x_mm=110, y_mm=60, rotation_deg=10, refs=("SW1",)),)


def _times(a: list[float], b: list[float]) -> list[float]:
    """PDF matrices: first a, then b (ISO 32000-1:2008, 8.3.4)."""
    return [
        a[0] * b[0] + a[1] * b[2], a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2], a[2] * b[1] + a[3] * b[3],
        a[4] * b[0] + a[5] * b[2] + b[4], a[4] * b[1] + a[5] * b[3] + b[5],
    ]  # fmt: skip


def strokes_mm(page) -> list[tuple[float, float, float, float]]:
    """Every stroked straight line of a page in mm from its lower left corner, forms included."""
    found: list[tuple[float, float, float, float]] = []

    def run(stream, resources, matrix: list[float]) -> None:
        stack, path, here = [], [], (0.0, 0.0)
        forms = resources.get("/XObject", {})
        for operands, operator in ContentStream(stream, page.pdf).operations:
            numbers = [float(o) for o in operands if isinstance(o, int | float)]
            if operator == b"q":
                stack.append(matrix)
            elif operator == b"Q":
                matrix = stack.pop()
            elif operator == b"cm":
                matrix = _times(numbers, matrix)
            elif operator in (b"m", b"l", b"c"):
                spot = _times([1, 0, 0, 1, *numbers[-2:]], matrix)[4:]
                if operator == b"l":
                    path.append((*here, *spot))
                here = tuple(spot)
            elif operator == b"S":
                found.extend(tuple(v * 25.4 / 72 for v in line) for line in path)
                path = []
            elif operator == b"f":
                path = []
            elif operator == b"Do":
                form = forms[operands[0]].get_object()
                run(form, form.get("/Resources", {}), matrix)

    run(page.get_contents(), page["/Resources"], [1, 0, 0, 1, 0, 0])
    return found


@pytest.fixture(scope="module")
def pages(board: Board):
    """Pages of the template of the sample board."""
    return PdfReader(BytesIO(render_paper(two_halves(board)))).pages


@pytest.mark.parametrize("index", [0, 1])
def test_lengths_on_paper_are_true(pages, index: int) -> None:
    """Bars of 100 and 50 mm, the outline's sides and the switch square to 0.01 mm."""
    lines = strokes_mm(pages[index])
    lengths = np.array([np.hypot(x1 - x0, y1 - y0) for x0, y0, x1, y1 in lines])
    across = [length for length, (_, y0, _, y1) in zip(lengths, lines, strict=True) if y0 == y1]
    assert min(abs(length - 100) for length in across) < 0.01
    assert np.abs(lengths - 50).min() < 0.01
    assert (np.abs(lengths - 26) < 0.01).sum() == 2  # straight sides between corners of 2 mm
    assert (np.abs(lengths - 16) < 0.01).sum() == 2
    assert (np.abs(lengths - 14) < 0.01).sum() >= 3  # the square a switch is pushed through


@pytest.mark.parametrize(("side", "from_left"), [("top", 10), ("bottom", 20)])
def test_key_lies_where_it_will_be(board: Board, side: str, from_left: float) -> None:
    """Front up, the key is 10 mm from the left side; turned over, 10 mm from the right."""
    half = PaperHalf(board=board, side=side, name="half", keys=KEYS)
    (page,) = PdfReader(BytesIO(render_paper([half]))).pages
    lines = strokes_mm(page)
    arms = [s for s in lines if abs(np.hypot(s[2] - s[0], s[3] - s[1]) - 6) < 0.01]
    assert len(arms) == 2
    x, y = (arms[0][0] + arms[0][2]) / 2, (arms[0][1] + arms[0][3]) / 2
    sides = [s for s in lines if abs(s[0] - s[2]) < 1e-6 and abs(abs(s[3] - s[1]) - 16) < 0.01]
    assert x - min(s[0] for s in sides) == pytest.approx(from_left, abs=0.01)
    assert y - min(min(s[1], s[3]) for s in sides) == pytest.approx(8, abs=0.01)


@pytest.mark.parametrize(
    ("paper", "size"), [(Paper.A4, (210, 297)), (Paper.LETTER, (215.9, 279.4))]
)
def test_page_sizes(board: Board, paper: Paper, size: tuple[float, float]) -> None:
    """Pages have the standard's size, upright or lying."""
    pdf = PdfReader(BytesIO(render_paper(two_halves(board), paper=paper)))
    for page in pdf.pages:
        found = sorted(float(v) * 25.4 / 72 for v in page.mediabox[2:])
        assert found == pytest.approx(sorted(size), abs=0.001)


@pytest.mark.parametrize(("width", "height"), [(100, 100), (300, 100), (200, 400), (620, 420)])
@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("side", ["top", "bottom"])
def test_tiles_cover_the_board_and_share_a_strip(
    board: Board, width: float, height: float, paper: Paper, side: str
) -> None:
    """Tiles stay on their page, cover everything, and neighbours share exactly the overlap."""
    large = replace(board, profile=shapely.MultiPolygon([shapely.box(0, 0, width, height)]))
    sheets = paper_sheets([PaperHalf(board=large, side=side, name="half")], paper=paper)
    tiles = [s.placed[1] for s in sheets]
    for sheet, tile in zip(sheets, tiles, strict=True):
        w, h = tile.scene.size_mm
        assert tile.x_mm >= 8
        assert tile.y_mm >= 8 + 26 - 1e-9
        assert tile.x_mm + w <= sheet.width_mm - 8 + 1e-9
        assert tile.y_mm + h <= sheet.height_mm - 8 + 1e-9
    union = shapely.union_all([shapely.box(*t.scene.frame) for t in tiles])
    assert union.covers(shapely.box(0, 0, width, height))
    spans = sorted({(t.scene.frame[0], t.scene.frame[2]) for t in tiles})
    for (_, end), (start, _) in pairwise(spans):
        assert end - start == pytest.approx(OVERLAP_MM)
