"""Finished faces: colours, areas, openings, and the same board through independent renderers."""

from __future__ import annotations

import io
import struct
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
import shapely
from PIL import Image
from pypdf import PdfReader

from fabkit.base.errors import UsageError
from fabkit.board.model import Board
from fabkit.package.model import RoleKind
from fabkit.pictures import looks
from fabkit.pictures.finished import both_faces, finished_face, render_faces
from fabkit.pictures.looks import Finish, MaskColour, PreviewOptions, Surroundings
from fabkit.pictures.paint_pdf import pictures_pdf
from fabkit.pictures.paint_png import paint, png_bytes
from fabkit.pictures.paint_svg import picture_svg
from fabkit.pictures.scene import Fill, Group, SceneDraft

LIGHT = PreviewOptions(px_per_mm=30, surroundings=Surroundings.LIGHT)
SIDES = [("top", "front"), ("bottom", "back")]


def at(picture: np.ndarray, board: Board, x: float, y: float, scale: float, *, back: bool = False):
    """Pixel at board coordinates."""
    x0, _, x1, y1 = board.bounds
    u = (x1 + 1 - x) if back else (x - x0 + 1)
    return tuple(int(v) for v in picture[int((y1 + 1 - y) * scale), int(u * scale)])


def test_colours_lie_where_the_board_says(board: Board) -> None:
    """Mask, copper under mask, bare metal, laminate, legend, hole and outside, each in place."""
    options = PreviewOptions(px_per_mm=20, mask=MaskColour.BLUE, finish=Finish.GOLD)
    front = render_faces(board, options).front
    tones = looks.MASKS[MaskColour.BLUE]
    for place, colour in {
        (120, 60): tones.on_laminate,
        (113, 66): tones.on_copper,
        (114, 64): tones.on_laminate,  # cleared from the pour
        (112, 56): looks.FINISHES[Finish.GOLD],
        (119, 58): looks.LEGENDS[tones.legend],
    }.items():
        assert at(front, board, *place, 20) == (*colour, 255), place
    for place in ((107, 57), (120, 65), (114, 53), (102.5, 52.5), (99.5, 49.5)):
        assert at(front, board, *place, 20)[3] == 0, place
    # Legend over the opening is clipped: the metal shows.
    assert at(front, board, 114, 58, 20) == (*looks.FINISHES[Finish.GOLD], 255)


def test_back_is_turned_about_the_vertical_axis(board: Board) -> None:
    """The back shows its strip mirrored; seen through the front it is not, and is the flip."""
    tone = (*looks.MASKS[MaskColour.GREEN].on_copper, 255)
    turned = render_faces(board, PreviewOptions(px_per_mm=20)).back
    through = render_faces(board, PreviewOptions(px_per_mm=20, through=True)).back
    assert at(turned, board, 126, 52, 20, back=True) == tone
    assert at(through, board, 126, 52, 20) == tone
    differs = np.abs(turned[:, ::-1].astype(int) - through).max(axis=2) > 8
    assert differs.mean() < 1e-3


def test_exposed_copper_area_is_the_geometrys(board: Board) -> None:
    """Pixels in the finish's colours add up to copper in openings less holes, within 0.2 %."""
    options = PreviewOptions(px_per_mm=40)
    front = render_faces(board, options).front.astype(int)
    metal = [looks.FINISHES[options.finish], looks.BARRELS[options.finish]]
    # No colour but metal's is nearest to metal, so counting nearest colours is a fair vote.
    others = [
        looks.MASKS[options.mask].on_laminate, looks.MASKS[options.mask].on_copper,
        looks.LAMINATE, looks.LEGENDS[looks.MASKS[options.mask].legend], looks.CUT_EDGE,
    ]  # fmt: skip
    colours = np.array([*metal, *others])
    far = np.stack([((front[..., :3] - c) ** 2).sum(axis=2) for c in colours])
    counted = ((far.argmin(axis=0) < 2) & (front[..., 3] > 127)).sum() / 40**2
    pour = shapely.box(101, 51, 119, 69)
    pour = shapely.box(103, 53, 117, 67).buffer(2, quad_segs=90)
    copper = shapely.union_all(
        [
            pour.difference(shapely.box(104, 54, 110, 60)),
            shapely.LineString([(105, 55), (109, 59), (109, 55)]).buffer(0.15, quad_segs=90),
            shapely.Point(107, 57).buffer(0.5, quad_segs=90),
            shapely.box(122, 52.4, 124, 53.6),
        ]
    )
    openings = shapely.union_all(
        [
            shapely.box(121.9, 52.3, 124.1, 53.7),
            shapely.Point(107, 57).buffer(0.6, quad_segs=90),
            shapely.box(112, 56, 116, 60).buffer(1, quad_segs=90),
        ]
    )
    hole = shapely.Point(107, 57).buffer(0.25, quad_segs=90)
    truth = copper.intersection(openings).difference(hole).area
    assert counted == pytest.approx(truth, rel=2e-3)


@pytest.mark.parametrize(("side", "face"), SIDES)
def test_picture_equals_independent_svg_renderer(board: Board, side: str, face: str) -> None:
    """Our PNG and our SVG through a general SVG renderer differ at edge pixels only, slightly."""
    resvg = pytest.importorskip("resvg_py")
    ours = getattr(render_faces(board, LIGHT), face)[..., :3].astype(int)
    svg = picture_svg(finished_face(board, side, LIGHT))
    rows, columns = ours.shape[:2]
    svg = svg.replace('width="32mm" height="22mm"', f'width="{columns}" height="{rows}"', 1)
    data = bytes(resvg.svg_to_bytes(svg_string=svg))
    theirs = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    _assert_only_edges_differ(ours, theirs)


@pytest.mark.parametrize(("page", "face"), [(0, "front"), (1, "back")])
def test_picture_equals_independent_pdf_renderer(board: Board, page: int, face: str) -> None:
    """Our PNG and our PDF through a general PDF renderer differ at edge pixels only."""
    pdfium = pytest.importorskip("pypdfium2")
    ours = getattr(render_faces(board, LIGHT), face)[..., :3].astype(int)
    document = pdfium.PdfDocument(pictures_pdf(both_faces(board, LIGHT)))
    # The renderer keeps sizes in single precision and rounds up: stay just below whole pixels.
    image = document[page].render(scale=30 * 25.4 / 72 * (1 - 1e-6)).to_pil().convert("RGB")
    theirs = np.asarray(image).astype(int)
    _assert_only_edges_differ(ours, theirs, share=0.05)


def _assert_only_edges_differ(ours: np.ndarray, theirs: np.ndarray, share: float = 0.01) -> None:
    assert ours.shape == theirs.shape
    differs = np.abs(ours - theirs).max(axis=2) > 6
    flat = np.ones(ours.shape[:2], dtype=bool)
    reach = 2 if share > 0.01 else 1
    for axis in (0, 1):
        for shift in range(-reach, reach + 1):
            flat &= (np.roll(ours, shift, axis=axis) == ours).all(axis=2)
    assert not (differs & flat).any()
    assert differs.mean() < share


def test_png_states_its_physical_size(board: Board) -> None:
    """The pHYs chunk says pixels per metre (ISO/IEC 15948:2004, 11.3.5.3), and no date is in."""
    data = png_bytes(render_faces(board, LIGHT).front, 30)
    i = data.index(b"pHYs")
    assert struct.unpack(">IIB", data[i + 4 : i + 13]) == (30_000, 30_000, 1)
    assert b"tIME" not in data
    assert b"tEXt" not in data


def test_width_in_pixels_sets_the_scale(board: Board) -> None:
    """A picture of a stated width is exactly that wide."""
    faces = render_faces(board, PreviewOptions(width_px=777))
    assert faces.front.shape[1] == faces.back.shape[1] == 777
    assert faces.px_per_mm == pytest.approx(777 / 32)


@pytest.mark.parametrize("options", [PreviewOptions(), LIGHT], ids=["transparent", "light"])
def test_pictures_are_the_same_twice(board: Board, options: PreviewOptions) -> None:
    """PNG, SVG and PDF are byte-identical when made again."""
    one, two = render_faces(board, options), render_faces(board, options)
    assert png_bytes(one.front, 30) == png_bytes(two.front, 30)
    assert picture_svg(finished_face(board, "top", options)) == picture_svg(
        finished_face(board, "top", options)
    )
    assert pictures_pdf(both_faces(board, options)) == pictures_pdf(both_faces(board, options))


def test_a_png_holds_the_pixels_as_they_were_painted(board: Board) -> None:
    """Lossless (ISO/IEC 15948:2004, 4): what a general reader decodes is what was painted."""
    picture = render_faces(board, PreviewOptions(px_per_mm=5)).front

    with Image.open(io.BytesIO(png_bytes(picture, 5))) as image:
        assert (np.asarray(image) == picture).all()


def test_svg_has_one_titled_group_a_layer_and_keeps_arcs(board: Board) -> None:
    """Well-formed, unique ids, every group named, arcs as arcs, flashes as references, small."""
    text = picture_svg(finished_face(board, "top", PreviewOptions()))
    root = ET.fromstring(text)  # noqa: S314 - our own output
    space = "{http://www.w3.org/2000/svg}"
    titles = [t.text for t in root.iter(f"{space}title")]
    for layer in ("laminate", "bare metal", "solder mask", "copper under mask", "legend"):
        assert titles.count(layer) == 1
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    paths = "".join(p.get("d", "") for p in root.iter(f"{space}path"))
    assert paths.count("a") >= 4
    assert "url(#" in text
    assert sum(1 for u in root.iter(f"{space}use") if u.get("x")) >= 4
    assert root.get("width") == "32mm"
    assert len(text) < 10_000


def test_without_mask_layer_nothing_is_masked(board: Board) -> None:
    """A board without mask files shows laminate and metal."""
    bare = replace(board, layers=tuple(a for a in board.layers if a.kind is not RoleKind.MASK))
    front = render_faces(bare, PreviewOptions(px_per_mm=20)).front
    assert at(front, board, 120, 60, 20) == (*looks.LAMINATE, 255)
    assert at(front, board, 113, 66, 20) == (*looks.FINISHES[Finish.TIN], 255)


def test_without_profile_the_box_is_drawn(board: Board) -> None:
    """A board without profile is drawn as the box of its copper and holes."""
    boxed = replace(board, profile=None)
    boxed.__dict__["bounds"] = board.bounds
    front = render_faces(boxed, PreviewOptions(px_per_mm=20)).front
    assert at(front, board, 100.3, 50.3, 20)[3] == 255


def test_scene_stacks_as_a_board_is_made(board: Board) -> None:
    """Laminate, metal, mask with legend, edge; the whole cut by profile and holes."""
    scene = finished_face(board, "top", PreviewOptions())
    body = next(n for n in scene.nodes if isinstance(n, Group))
    assert (body.inside, body.outside) == (("profile",), ("holes",))
    names = [n.title for n in body.children]
    assert names[:2] == ["laminate", "bare metal"]
    mask = next(n for n in body.children if isinstance(n, Group))
    assert mask.outside == ("openings",)
    assert [n.title for n in mask.children] == ["solder mask", "copper under mask", "legend"]


@pytest.mark.parametrize("mask", list(MaskColour))
def test_mask_shows_copper_and_legend(mask: MaskColour) -> None:
    """Copper under mask is lighter than mask alone, and the legend reads on both (WCAG 2.2, 1.4.3).

    4.5 to 1 is asked of text; legend strokes are text.
    """
    tones = looks.MASKS[mask]
    lum = [_luminance(c) for c in (tones.on_laminate, tones.on_copper)]
    ink = _luminance(looks.LEGENDS[tones.legend])
    assert lum[1] > lum[0]
    for ground in lum:
        light, dark = max(ink, ground), min(ink, ground)
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def _luminance(rgb: looks.Rgb) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    c = np.array(rgb) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


@pytest.mark.parametrize(
    "bad",
    [{"px_per_mm": 0}, {"px_per_mm": float("nan")}, {"width_px": 3}, {"margin_mm": -1},
     {"thickness_mm": 0}],
)  # fmt: skip
def test_senseless_options_are_refused(bad: dict[str, float]) -> None:
    """Scales, widths, margins and thicknesses out of range are usage errors."""
    with pytest.raises(UsageError):
        PreviewOptions(**bad)


def test_too_large_a_picture_says_which_scale_fits(board: Board) -> None:
    """Beyond the pixel limit the message names a scale that fits, and that scale works."""
    scene = replace(finished_face(board, "top", PreviewOptions()), frame=(0, 0, 900, 10))
    with pytest.raises(UsageError, match="the limit is") as caught:
        paint(scene, 40)
    assert "17.8" in caught.value.hint


def test_many_coats_stack_as_few_do() -> None:
    """Thirty coats, as of a drill map with thirty tools, cover each other in their order."""
    draft = SceneDraft("coats", (0.0, 0.0, 40.0, 4.0))
    tones = [(8 * k, 255 - 8 * k, 7 * k) for k in range(30)]
    for k, tone in enumerate(tones):
        draft.coat(f"coat {k}", tone, Fill(np.array([shapely.box(k, 0, k + 3.25, 4)])))
    pixels = paint(draft.scene(), 2.0)
    # Each is covered by the next from one millimetre on; the last is cut in mid pixel.
    for k, tone in enumerate(tones):
        assert tuple(pixels[3, 2 * k, :3]) == tone
    assert tuple(pixels[3, 2 * 32, :3]) == tones[29]
    assert pixels[3, 2 * 32, 3] == pytest.approx(127.5, abs=1)
    assert tuple(pixels[3, 2 * 34]) == (0, 0, 0, 0)


def test_a_document_is_named_for_all_its_pages(board: Board) -> None:
    """ISO 32000-1, 14.3.3: the title tells what is in the document, not on its first page."""
    info = PdfReader(io.BytesIO(pictures_pdf(both_faces(board)))).metadata
    assert info is not None
    parts = "front of the finished board; back of the finished board"
    assert info.title == f"{board.name}: {parts}"


def test_a_coat_of_nothing_paints_nothing() -> None:
    """Words that turn out to be none leave the picture as it was; only the ground fills it."""
    draft = SceneDraft("empty", (0.0, 0.0, 4.0, 3.0))
    draft.coat("words", looks.INK, *())
    assert not paint(draft.scene(), 5)[..., 3].any()
    draft.ground(looks.PAPER)
    assert (paint(draft.scene(), 5)[..., :3] == looks.PAPER).all()


@pytest.mark.parametrize(
    ("chosen", "size_mm", "scale"),
    [
        ({}, (120.0, 90.0), 20.0),
        ({}, (15.0, 12.5), 1000 / 15),
        ({}, (5.0, 4.0), 100.0),
        ({"px_per_mm": 20.0}, (15.0, 12.5), 20.0),
        ({"width_px": 300}, (15.0, 12.5), 20.0),
    ],
)
def test_small_boards_are_drawn_larger(chosen, size_mm, scale) -> None:
    """Unless a scale is chosen, a board the size of a nail fills a screen, too."""
    assert PreviewOptions(**chosen).scale_for(size_mm) == pytest.approx(scale)
