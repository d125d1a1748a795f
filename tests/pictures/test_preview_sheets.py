"""Sheets: halves, drill map, findings, nets, islands, measures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from fabkit.base.findings import Finding, Place, Rule, Severity, Source
from fabkit.board.connectivity import Pieces
from fabkit.board.model import Board
from fabkit.pictures import looks
from fabkit.pictures.drill_map import SYMBOLS, drill_sheet, fitting_sizes, symbol_pen, tool_rows
from fabkit.pictures.finding_sheet import FLAG, TONES, finding_sheet, place_flags
from fabkit.pictures.finished import render_faces
from fabkit.pictures.looks import PreviewOptions
from fabkit.pictures.paint_pdf import pictures_pdf
from fabkit.pictures.paint_png import paint, paint_sheet
from fabkit.pictures.paint_svg import picture_svg
from fabkit.pictures.scene import (
    Coat,
    Scene,
    SceneDraft,
    Sheet,
    fitted,
    letters,
    sheet_of,
    text_width,
    wrapped,
)
from fabkit.pictures.sheets import (
    halves_sheet,
    island_tones,
    islands_sheet,
    layer_sheet,
    lit_sheet,
    measured_face,
    side_by_side,
)


def rule(severity: Severity) -> Rule:
    """A rule for these tests."""
    return Rule(
        id="test/rule",
        title="t",
        why="w",
        source=Source("common practice"),
        severity=severity,
        advice="Do something about it.",
    )


FINDINGS = (
    Finding.of(
        rule(Severity.ERROR), "Ring too thin",
        Place(side="top", x_mm=107, y_mm=57), Place(side="bottom", x_mm=107, y_mm=57),
    ),
    Finding.of(rule(Severity.WARNING), "Legend on metal", Place(side="top", x_mm=125, y_mm=66)),
    Finding.of(rule(Severity.NOTE), "No job file"),
)  # fmt: skip


@pytest.fixture(scope="module")
def pieces() -> Pieces:
    """Four pieces of copper, the first and last joined."""
    boxes = [(103, 53, 110, 60), (112, 53, 118, 60), (103, 62, 118, 66), (107, 52, 127, 53)]
    polygons = np.array([shapely.box(*b) for b in boxes], dtype=object)
    return Pieces(
        polygons=polygons,
        layer=np.array([0, 0, 0, 1], np.int32),
        island=np.array([0, 1, 2, 0], np.int32),
        joints=np.empty((0, 2), np.int32),
    )


KINDS: dict[str, Callable[[Board, Pieces], Scene | Sheet]] = {
    "halves": lambda board, _: halves_sheet(board),
    "layer": lambda board, _: layer_sheet(board, board.layers[1]),
    "lit": lambda board, pieces: lit_sheet(board, pieces, [0], "GND"),
    "islands": islands_sheet,
    "measured": lambda board, _: measured_face(board, "bottom"),
    "drill": lambda board, _: drill_sheet(board),
    "findings": lambda board, _: finding_sheet(board, FINDINGS),
}
"""One picture of each kind."""


@pytest.mark.parametrize("kind", KINDS)
def test_every_picture_in_every_format(board: Board, pieces: Pieces, kind: str) -> None:
    """PNG opaque and not blank; SVG and PDF written, deterministic."""
    picture = KINDS[kind](board, pieces)
    pixels = paint_sheet(sheet_of(picture), 8)
    assert (pixels[..., 3] == 255).all()
    # A pixel is one number here: rows of four sort a hundred times as slowly.
    assert len(np.unique(np.ascontiguousarray(pixels).view(np.uint32))) > 8
    again = KINDS[kind](board, pieces)
    assert picture_svg(picture) == picture_svg(again)
    assert pictures_pdf([picture]) == pictures_pdf([again])


@pytest.mark.parametrize("kind", KINDS)
def test_pictures_agree_across_formats(board: Board, pieces: Pieces, kind: str) -> None:
    """The SVG through a general renderer shows what the PNG shows, but for edges."""
    resvg = pytest.importorskip("resvg_py")
    import io

    from PIL import Image

    sheet = sheet_of(KINDS[kind](board, pieces))
    ours = paint_sheet(sheet, 10)[..., :3].astype(int)
    data = bytes(resvg.svg_to_bytes(svg_string=picture_svg(sheet), dpi=254))
    theirs = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    rows, columns = (min(a, b) for a, b in zip(ours.shape[:2], theirs.shape[:2], strict=True))
    assert abs(ours.shape[0] - theirs.shape[0]) <= 1
    difference = np.abs(ours[:rows, :columns] - theirs[:rows, :columns]).max(axis=2)
    # Scenes are placed on whole pixels, so edges may move by half a pixel.
    assert (difference > 140).mean() < 5e-3
    # The renderer rounds the size of a sheet down, ours rounds up: compare what both show.
    means = [p[:rows, :columns].mean(axis=(0, 1)) for p in (ours, theirs)]
    assert np.abs(means[0] - means[1]).max() < 0.8


def test_halves_show_both_faces_as_painted_alone(board: Board) -> None:
    """Each face on the sheet is the face itself, pixel by pixel."""
    sheet = halves_sheet(board, PreviewOptions(px_per_mm=10))
    picture = paint_sheet(sheet, 10)
    faces = render_faces(board, PreviewOptions(px_per_mm=10))
    solid = faces.front[..., 3] == 255
    rows, columns = solid.shape
    part = picture[:rows, :columns]
    assert (part[solid] == faces.front[solid]).all()
    assert (picture[:rows, -columns:][faces.back[..., 3] == 255][:, 3] == 255).all()


def test_drill_map_counts_every_hole_once(board: Board) -> None:
    """Rows are one a diameter and plating; counts add up; every row has its own symbol."""
    rows = tool_rows(board)
    assert [(r.diameter_mm, r.plated, len(r.holes), r.paths) for r in rows] == [
        (0.5, 1, 1, 0), (0.8, 0, 0, 1), (1.2, 0, 2, 0),
    ]  # fmt: skip
    assert sum(len(r.holes) for r in rows) == len(board.holes)
    none = replace(board, holes=board.holes.take(np.array([], int)),
                   slots=board.slots.take(np.array([], int)))  # fmt: skip
    assert tool_rows(none) == ()
    assert drill_sheet(none).width_mm > 0


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 40)), min_size=2, max_size=60, unique=True
    ),
    st.integers(1, 4),
)
def test_symbols_of_neighbours_do_not_touch(spots: list[tuple[int, int]], tools: int) -> None:
    """No two symbols overlap unless their holes do, or the least size is reached: all pairs."""
    points = np.array(spots) / 10
    tool = np.arange(len(points)) % tools
    diameters = np.array([0.05, 0.08, 0.2, 0.5])[:tools]
    usual = np.clip(diameters, 0.4, 1.2)
    sizes, overlapping = fitting_sizes(points, tool, diameters, usual, 0.0)
    assert overlapping == 0
    assert (sizes <= usual).all()
    gap = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    holes, marks = diameters[tool], sizes[tool]
    apart = gap > (holes[:, None] + holes[None]) / 2
    touch = (marks[:, None] + marks[None]) / 2 >= gap
    assert not (touch & apart & ~np.eye(len(points), dtype=bool)).any()


def test_symbols_that_must_overlap_are_counted() -> None:
    """The least size is kept, and symbols that touch at it are told, each once."""
    points = np.array([(0.0, 0.0), (0.3, 0.0), (5.0, 0.0)])
    one = np.array([0.1])
    sizes, overlapping = fitting_sizes(points, np.zeros(3, int), one, np.array([1.0]), 0.5)
    assert (sizes.tolist(), overlapping) == ([0.5], 2)
    alone, none = fitting_sizes(points[:1], np.zeros(1, int), one, np.array([1.0]), 0.5)
    assert (alone.tolist(), none) == ([1.0], 0)


def test_symbols_differ_in_form() -> None:
    """No two symbols of the drill map paint the same picture, whatever their colour."""
    at = np.array([1.0])
    seen = set()
    for k in range(len(SYMBOLS)):
        from fabkit.pictures.scene import Stencil

        stencil = Stencil((symbol_pen(k, at, at, 1.6, 0.1),))
        nodes = (Coat(title="s", rgb=(0, 0, 0), inside=("s",)),)
        seen.add(paint(Scene("s", (0, 0, 2, 2), False, {"s": stencil}, nodes), 24).tobytes())
    assert len(seen) == len(SYMBOLS) >= 30


def test_findings_are_numbered_on_their_face(board: Board) -> None:
    """Marks in the consequence's tone at the place on both faces; unplaced findings are listed."""
    sheet = finding_sheet(board, FINDINGS)
    views = [p.scene for p in sheet.placed if "finished" in p.scene.title]
    assert len(views) == 2
    front = [n.title for n in views[0].nodes]
    back = [n.title for n in views[1].nodes]
    assert "places of stop" in front
    assert "places of decide" in front
    assert "places of stop" in back
    assert "places of decide" not in back
    listed = sheet.placed[-1].scene
    assert {n.title for n in listed.nodes} >= {f"marks of {w}" for w in ("stop", "decide", "know")}
    only_front = finding_sheet(board, FINDINGS[1:])
    assert len([p for p in only_front.placed if "finished" in p.scene.title]) == 1
    assert finding_sheet(board, ()).height_mm > 0


@pytest.mark.parametrize("count", [1, 40, 300])
def test_long_lists_run_in_columns(board: Board, count: int) -> None:
    """Every finding is listed and numbered, and a long list does not run off the sheet."""
    sheet = finding_sheet(board, FINDINGS[1:2] * count)
    assert max(sheet.width_mm, sheet.height_mm) < 8 * min(sheet.width_mm, sheet.height_mm)
    listed = sheet.placed[-1].scene
    (marks,) = (n for n in listed.nodes if n.title == "marks of decide")
    assert len(listed.stencils[marks.inside[-1]].parts[0]) == count


def test_tones_of_consequences_are_of_the_published_palette() -> None:
    """Overlay tones are those of Okabe and Ito (2008), all different."""
    assert len(set(looks.OVERLAYS)) == 7
    assert set(TONES.values()) <= set(looks.OVERLAYS)
    assert len(set(TONES.values())) == 3


def test_island_tones_differ_between_neighbours(pieces: Pieces) -> None:
    """A row of close islands never has two of one tone side by side."""
    strips = np.array([shapely.box(k, 0, k + 0.6, 5 + k % 3) for k in range(40)], dtype=object)
    many = Pieces(strips, np.zeros(40, np.int32), np.arange(40, dtype=np.int32),
                  np.empty((0, 2), np.int32))  # fmt: skip
    tones = island_tones(many)
    assert all(tones[k] != tones[k + 1] for k in range(39))
    assert len(set(tones.values())) == 7
    assert len(island_tones(pieces)) == 3


def test_lit_copper_is_lit_where_it_is(board: Board, pieces: Pieces) -> None:
    """The net's copper has the bright tone on its faces, other copper the pale one."""
    sheet = lit_sheet(board, pieces, [0], "GND")
    picture = paint(sheet.placed[1].scene, 10)
    x0, _, _, y1 = board.bounds
    assert tuple(picture[int((y1 + 1 - 54) * 10), int((105 - x0 + 1) * 10), :3]) == looks.BLUE
    assert tuple(picture[int((y1 + 1 - 65) * 10), int((105 - x0 + 1) * 10), :3]) == (
        looks.GHOST_COPPER
    )


def with_inner_copper(board: Board) -> Board:
    """The sample board with its back copper again as an inner layer."""
    front, back, *others = board.layers
    inner = replace(back, side=None, index=2)
    return replace(board, layers=(front, inner, replace(back, index=3), *others))


def test_inner_copper_of_a_net_is_shown(board: Board) -> None:
    """What joins a net inside the board is seen; inner layers without it are left out."""
    many = with_inner_copper(board)
    boxes = np.array([shapely.box(103, 53, 110, 60), shapely.box(107, 52, 127, 53)], dtype=object)
    for layer, views in ((1, 3), (2, 2)):
        pieces = Pieces(boxes, np.array([0, layer], np.int32), np.zeros(2, np.int32),
                        np.empty((0, 2), np.int32))  # fmt: skip
        sheet = lit_sheet(many, pieces, [0], "GND")
        scenes = [p.scene for p in sheet.placed[1:]]
        assert len(scenes) == views
        titles = [n.title for s in scenes for g in s.nodes for n in getattr(g, "children", ())]
        assert titles.count("lit copper") == 2
    assert [p.scene.mirrored for p in islands_sheet(many, pieces).placed[1:]] == [
        False,
        True,
        False,
    ]


def test_the_point_asked_for_is_ringed(board: Board, pieces: Pieces) -> None:
    """A ring stands about the point on every view, also where no copper of it lies."""
    sheet = lit_sheet(board, pieces, [0], "copper", at_mm=(105.0, 55.0))
    for placed in sheet.placed[1:]:
        scene = placed.scene
        (ring,) = (n for n in scene.nodes if n.title == "the point")
        (pen,) = scene.stencils[ring.inside[-1]].parts
        assert (pen.cx.item(), pen.cy.item()) == (105.0, 55.0)


def test_rows_of_scenes_do_not_overlap() -> None:
    """Scenes in several rows keep apart, with their names, and stay on the sheet."""
    scenes = [SceneDraft("s", (0.0, 0.0, w, h)).scene() for w, h in ((9, 4), (5, 7), (6, 3))]
    sheet = side_by_side("rows", scenes, ["a", "b", "c"], 1.0, across=2)
    boxes = [
        shapely.box(p.x_mm, p.y_mm, p.x_mm + p.scene.size_mm[0], p.y_mm + p.scene.size_mm[1])
        for p in sheet.placed[1:]
    ]
    whole = shapely.box(0, 0, sheet.width_mm, sheet.height_mm)
    assert all(whole.covers(b) for b in boxes)
    assert min(boxes[k].distance(boxes[m]) for k, m in ((0, 1), (0, 2), (1, 2))) >= 3.2
    assert boxes[2].bounds[3] < min(boxes[0].bounds[1], boxes[1].bounds[1]) - 3.2


def test_lettering_keeps_its_height_and_reads_on_the_back() -> None:
    """Capitals are as high as asked; mirrored text is the flipped text; long text is cut."""
    points = np.concatenate(letters("HILF", 3, 4, 2.5).contours)
    assert points[:, 1].min() == pytest.approx(4, abs=0.01)
    assert points[:, 1].max() == pytest.approx(6.5, abs=0.01)
    mirrored = np.concatenate(letters("HILF", 3, 4, 2.5, mirrored=True).contours)
    assert sorted(6 - mirrored[:, 0]) == pytest.approx(sorted(points[:, 0]))
    assert text_width(fitted("a long text indeed", 2, 10), 2) <= 10
    assert fitted("short", 2, 100) == "short"
    lines = wrapped("one two three four five six", 2, 20)
    assert " ".join(lines) == "one two three four five six"
    assert all(text_width(line, 2) <= 20 for line in lines)


def test_numbers_of_findings_stand_apart() -> None:
    """Discs never overlap; each number is put up at least once, however crowded the places."""
    spots = np.array([(0.0, 0.0)] * 6 + [(0.4 * k, 1.0) for k in range(20)] + [(50.0, 50.0)])
    numbers = [*range(6), *([6] * 20), 7]
    flags = place_flags(spots, numbers, 1.0, sign=1.0)
    assert {numbers[k] for k, _, _ in flags} == set(range(8))
    at = np.array([f[1:] for f in flags])
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    assert apart[~np.eye(len(at), dtype=bool)].min() >= 2 * FLAG - 1e-9
    # Alone on the board: to the upper right, close by.
    lone = next(f[1:] for f in flags if f[0] == 26)
    assert np.subtract(lone, 50.0) == pytest.approx([2.75 / 2**0.5] * 2)


def test_far_place_does_not_stretch_the_findings_sheet(board: Board) -> None:
    """A place off the board by half a metre is told in words; the sheet keeps its size."""
    near, far = (
        Finding.of(rule(Severity.ERROR), "Layer shifted", Place(side="top", x_mm=x, y_mm=57))
        for x in (107.0, 607.0)
    )
    usual, stretched = (finding_sheet(board, [f]) for f in (near, far))
    assert stretched.width_mm == pytest.approx(usual.width_mm, abs=10)


def test_repeated_characters_are_written_once() -> None:
    """Vector pictures hold one outline for each character and size, put down as often as needed."""
    draft = SceneDraft("text", (0.0, 0.0, 100.0, 10.0))
    draft.coat("words", (0, 0, 0), letters("anna anna", 1, 1, 2.0))
    text = picture_svg(draft.scene())
    assert text.count('<use href="#a') == 8
    assert text.count("<path id=") == 2
