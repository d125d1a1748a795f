"""Coverage of pixels against closed forms and an independent polygon fill."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from draftsman import Draftsman
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from fabkit.board.model import Board
from fabkit.pictures.finished import finished_face
from fabkit.pictures.looks import PreviewOptions
from fabkit.pictures.paint_png import Canvas, grid_for
from fabkit.pictures.scene import Fill, Film, Letters, Part, Pen, Stencil
from fabkit.pictures.vectors import polygon_rings

FRAME = (0.0, 0.0, 10.0, 8.0)


def covered(*parts: Part, scale: float = 20.0, mirrored: bool = False, inverted: bool = False):
    """Coverage of parts over the frame, 0 to 255."""
    grid = grid_for(FRAME, scale, mirrored=mirrored)
    canvas = Canvas(grid, grid.rows)
    cover = canvas.cover(canvas.prepare(Stencil(parts, inverted=inverted)), 0, grid.rows)
    return np.full((grid.rows, grid.columns), cover, dtype=np.uint8)


def fill(*shapes: shapely.Geometry) -> Fill:
    """A fill of some shapes."""
    return Fill(np.array(shapes, dtype=object))


def area(cover: np.ndarray, scale: float = 20.0) -> float:
    """Area that a coverage stands for, mm²."""
    return float(cover.sum(dtype=np.int64)) / 255 / scale**2


@given(
    x=st.floats(0.5, 4), y=st.floats(0.5, 3), w=st.floats(0.3, 4), h=st.floats(0.3, 4),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_rectangle_area_is_width_times_height(x: float, y: float, w: float, h: float) -> None:
    """A rectangle anywhere between pixels covers its closed-form area within grey steps."""
    found = area(covered(fill(shapely.box(x, y, x + w, y + h))))
    # Half a grey step on each pixel of the rim, and the 1/256 pixel grid of the rasteriser.
    assert found == pytest.approx(w * h, abs=(w + h) * 2 / 20 * (1 / 255 + 1 / 256) + 1e-4)


@pytest.mark.parametrize("diameter", [0.3, 1.0, 3.7])
def test_disc_area_is_closed_form(diameter: float) -> None:
    """A disc covers pi d^2 / 4 but for the grey steps of its rim's pixels."""
    disc = Pen.discs(np.array([5.013]), np.array([4.007]), diameter)
    rim = np.pi * diameter / 20 * (1 / 255 + 1 / 256)
    assert area(covered(disc)) == pytest.approx(np.pi * diameter**2 / 4, abs=rim)


def test_abutting_shapes_have_no_seam() -> None:
    """Tiles that share edges off the pixel grid cover everything between them fully."""
    edges = np.linspace(1.003, 9.007, 24)
    tiles = [shapely.box(a, 1, b, 7) for a, b in pairwise(edges)]
    cover = covered(fill(*tiles))
    assert (cover[22:138, 22:178] == 255).all()


def test_overlaps_count_once_and_holes_stay_open() -> None:
    """Overlapping polygons with holes cover exactly their union."""
    ring = shapely.box(1, 1, 6, 6).difference(shapely.box(2, 2, 5, 5))
    other = shapely.box(4, 4, 9, 7)
    cover = covered(fill(ring, other, other))
    assert area(cover) == pytest.approx(shapely.union(ring, other).area, rel=1e-3)


def test_clear_erases_only_what_came_before() -> None:
    """Dark, clear, dark in file order: the last dark object is whole."""
    pen = Draftsman()
    big, small = pen.aperture("R", 6.0, 6.0), pen.aperture("R", 2.0, 2.0)
    pen.flash(big, 5, 4)
    pen.dark = False
    pen.flash(small, 5, 4)
    pen.dark = True
    dot = pen.aperture("R", 1.0, 1.0)
    pen.flash(dot, 5, 4)
    assert area(covered(Film(pen.file()))) == pytest.approx(36 - 4 + 1, rel=1e-6)


def test_clear_of_one_file_spares_another() -> None:
    """Two files on one side are united: the clear objects of one do not erase the other."""
    first, second = Draftsman(), Draftsman()
    first.flash(first.aperture("R", 6.0, 6.0), 5, 4)
    second.flash(second.aperture("R", 1.0, 1.0), 9, 1)
    second.dark = False
    second.flash(second.aperture("R", 2.0, 2.0), 5, 4)
    found = area(covered(Film(first.file()), Film(second.file())))
    assert found == pytest.approx(37, rel=1e-6)


@pytest.mark.parametrize("strokes", [12, 90, 720])
def test_circle_of_short_strokes_is_as_thin_as_the_pen(strokes: int) -> None:
    """However many strokes draw a circle, it covers the area of their union, by shapely."""
    pen = Draftsman()
    tool = pen.aperture("C", 0.12)
    angle = np.linspace(0, 2 * np.pi, strokes + 1)
    points = np.column_stack((5 + 3 * np.cos(angle), 4 + 3 * np.sin(angle)))
    pen.draw(tool, *map(tuple, points.tolist()))
    truth = shapely.LineString(points).buffer(0.06, quad_segs=64).area
    assert area(covered(Film(pen.file()))) == pytest.approx(truth, rel=4e-3)


def test_flashes_on_flashes_stay_soft() -> None:
    """A pad put down three times paints what it paints once."""
    once, thrice = Draftsman(), Draftsman()
    for pen, times in ((once, 1), (thrice, 3)):
        tool = pen.aperture("C", 1.37)
        for _ in range(times):
            pen.flash(tool, 5.013, 4.021)
    assert (covered(Film(once.file())) == covered(Film(thrice.file()))).all()


def test_inverted_is_the_rest() -> None:
    """An inverted stencil and its original add up to full coverage."""
    shape = fill(shapely.Point(5, 4).buffer(2.3))
    assert (covered(shape).astype(int) + covered(shape, inverted=True) == 255).all()


def test_mirrored_is_flipped() -> None:
    """A mirrored scene is the unmirrored picture flipped left to right."""
    shape = fill(shapely.Point(3, 5).buffer(1.7), shapely.box(6, 1, 7.03, 3))
    flipped = covered(shape)[:, ::-1].astype(int)
    assert np.abs(covered(shape, mirrored=True) - flipped).max() <= 2


@pytest.mark.parametrize("band", [16, 37, 160])
def test_bands_do_not_show(board: Board, band: int) -> None:
    """Painting in bands of any height gives the picture painted in one."""
    scene = finished_face(board, "top", PreviewOptions())
    grid = grid_for(scene.frame, 8, mirrored=False)
    whole = Canvas(grid, grid.rows)
    banded = Canvas(grid, band)
    for name in ("copper", "openings", "legend", "profile", "holes"):
        one = whole.cover(whole.prepare(scene.stencils[name]), 0, grid.rows)
        prepared = banded.prepare(scene.stencils[name])
        parts = []
        for top in range(0, grid.rows, band):
            rows = min(band, grid.rows - top)
            cover = banded.cover(prepared, top, rows)
            parts.append(np.full((rows, grid.columns), cover) if isinstance(cover, int) else cover)
        difference = np.abs(np.concatenate(parts).astype(int) - one)
        assert difference.max() <= 1, name


def test_matches_polygon_fill_of_another_library() -> None:
    """Against Pillow's polygon fill at eight times the scale, only edge pixels differ."""
    rng = np.random.default_rng(4)
    shapes = [
        shapely.Point(*rng.uniform((1, 1), (9, 7))).buffer(r, quad_segs=24)
        for r in rng.uniform(0.2, 1.2, 30)
    ]
    cover = covered(fill(*shapes)).astype(int)
    big = Image.new("L", (200 * 8, 160 * 8))
    draw = ImageDraw.Draw(big)
    for shape in shapes:
        points = (np.array(shape.exterior.coords) * (1, -1) + (0, 8)) * 160
        draw.polygon([tuple(p) for p in points - 0.5], fill=255)
    other = np.asarray(big.resize((200, 160), Image.Resampling.BOX)).astype(int)
    edge = ((cover > 0) & (cover < 255)) | ((other > 0) & (other < 255))
    assert edge.mean() < 0.1
    assert (cover == other)[~edge].all()
    # Pillow also fills the pixels its outline touches: half a fine pixel along every rim.
    assert 0 <= other.sum() - cover.sum() < 0.02 * cover.sum()


def test_rings_are_oriented_whatever_they_were() -> None:
    """Exteriors run counter-clockwise, holes clockwise, multipolygons and collections included."""
    clockwise = shapely.Polygon([(0, 0), (0, 4), (4, 4), (4, 0)], [[(1, 1), (2, 1), (2, 2)]])
    shapes = np.array(
        [
            clockwise,
            shapely.MultiPolygon([shapely.box(5, 5, 6, 6)]),
            shapely.GeometryCollection(
                [shapely.MultiPolygon([shapely.box(7, 7, 8, 8)]), shapely.Point(0, 0)]
            ),
            shapely.Polygon(),
        ],
        dtype=object,
    )
    points, starts = polygon_rings(shapes)
    signs = [shapely.LinearRing(points[a:b]).is_ccw for a, b in pairwise(starts)]
    assert signs == [True, False, True, True]


def test_nothing_covers_nothing() -> None:
    """Stencils without shapes are even."""
    empty = (Fill(np.array([], dtype=object)), Letters({}, ()), Film(Draftsman().file()))
    assert (covered(*empty) == 0).all()
