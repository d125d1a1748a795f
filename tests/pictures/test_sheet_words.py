"""Words on sheets: whole, apart from each other, and true."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from test_preview_sheets import FINDINGS, rule

import fabkit
from fabkit.base.findings import Consequence, Finding, Place, Severity
from fabkit.board.copper import trace_copper
from fabkit.board.model import Board
from fabkit.keyboard.model import Key
from fabkit.outputs.drawings import SheetChoice, build_sheet
from fabkit.package.model import RoleKind
from fabkit.pictures.drill_map import drill_sheet
from fabkit.pictures.finding_sheet import finding_sheet
from fabkit.pictures.looks import PreviewOptions, Surroundings
from fabkit.pictures.paint_svg import picture_svg
from fabkit.pictures.paper import halves_of, paper_sheets
from fabkit.pictures.scene import Letters, Pen, Scene, SceneDraft, Sheet, wrapped
from fabkit.pictures.sheets import (
    SIDES,
    face_name,
    halves_sheet,
    islands_sheet,
    layer_sheet,
    lit_sheet,
    measures_sheet,
    side_by_side,
)


def words_of(scene: Scene) -> list[tuple[str, float, float, float]]:
    """Text without blanks, left and right end, and height of the base line of each line."""
    found = []
    for stencil in scene.stencils.values():
        for part in stencil.parts:
            if isinstance(part, Letters) and part.places:
                points = np.concatenate(part.contours)
                text = "".join(name[0] for name, _, _ in part.places)
                low, high = points[:, 0].min(), points[:, 0].max()
                found.append((text, float(low), float(high), part.places[0][2]))
    return found


def leaving(sheet: Sheet) -> list[str]:
    """Scenes and sides where a letter would be cut, because it reaches over the scene's frame."""
    found = []
    for placed in sheet.placed:
        x0, y0, x1, y1 = placed.scene.frame
        for stencil in placed.scene.stencils.values():
            for part in stencil.parts:
                if isinstance(part, Letters) and part.places:
                    ink = np.concatenate(part.contours)
                    (low, down), (high, up) = ink.min(axis=0), ink.max(axis=0)
                    over = {
                        "left": x0 - low,
                        "below": y0 - down,
                        "right": high - x1,
                        "top": up - y1,
                    }
                    found += [f"{placed.scene.title}: {s}" for s, v in over.items() if v > 1e-6]
    return found


def words_on(sheet: Sheet) -> list[str]:
    """All text of a sheet without blanks."""
    return [text for placed in sheet.placed for text, *_ in words_of(placed.scene)]


def test_columns_of_the_drill_table_stand_apart(board: Board) -> None:
    """Bold headings, too, keep a clear gap to their neighbours."""
    holes = board.holes.take(np.flatnonzero(board.holes.plated == 1))
    plated = replace(board, holes=holes, slots=board.slots.take(np.array([], int)))
    table = words_of(drill_sheet(plated).placed[-1].scene)
    top = max(row for *_, row in table)
    head = sorted((w for w in table if w[3] == top), key=lambda word: word[1])
    assert [w[0] for w in head] == ["diameter", "plating", "holes", "slots", "file"]
    gaps = [b[1] - a[2] for a, b in pairwise(head)]
    # Rows stand 2.2 heights apart, and a gap is 1.6 wide: letters leave a little more or less.
    height = (top - max(row for *_, row in table if row < top)) / 2.2
    assert min(gaps) > 1.4 * height


def test_drill_map_tells_what_it_cannot_show(board: Board) -> None:
    """Holes off the board are counted, those outside the map by themselves; slots are at size."""
    h = board.holes
    quiet = "".join(words_on(drill_sheet(board)))
    assert "offtheboard" not in quiet
    assert "Slotsaredrawnattheirsize." in quiet
    beside = replace(board, holes=replace(h, x=h.x + np.array([0.0, -3.4, 500.0])))
    assert "2ofthemlieofftheboard,1outsidethismap" in "".join(words_on(drill_sheet(beside)))


def test_diameters_stand_point_under_point(board: Board) -> None:
    """All diameters of the table have as many decimals as the finest needs."""
    h = board.holes
    finer = replace(board, holes=replace(h, diameter=np.array([0.305, 1.2, 1.0])))
    words = words_on(drill_sheet(finer))
    assert {"0.305mm", "1.200mm", "1.000mm", "0.800mm"} <= set(words)


def test_name_wider_than_its_picture_is_not_cut() -> None:
    """A long name below a narrow picture gets the room it needs; the picture stands above it."""
    narrow = SceneDraft("narrow", (0.0, 0.0, 3.0, 9.0)).scene()
    sheet = side_by_side("narrow", [narrow, narrow], ["A long name below it", "Short"], 1.0)
    (_, low, high, _), _ = words_of(sheet.placed[0].scene)
    assert low > 0
    assert high < sheet.placed[2].x_mm
    # Letters do not fill their advance, so the middle of the ink is off by a little.
    assert sheet.placed[1].x_mm + 1.5 == pytest.approx((low + high) / 2, abs=0.2)


def test_the_sheet_of_findings_counts_what_is_only_to_know() -> None:
    """Only causes to act on are numbered, as in the report; the rest is one line."""
    demo = fabkit.build_board(fabkit.open_package("demo/rev-a"))
    result = fabkit.check(demo)
    words = words_on(build_sheet(demo, SheetChoice(kind="findings"), result=result))  # type: ignore[arg-type]
    acted = result.causes(Consequence.STOP) + result.causes(Consequence.DECIDE)
    quiet = len(result.causes(Consequence.KNOW) + result.causes(Consequence.FORM))

    assert acted
    assert sum(word.startswith(("stop:", "decide:")) for word in words) == len(acted)
    assert not any(word.startswith(("know:", "form:")) for word in words)
    assert f"{quiet}moreonlytoknow:see`fabkitcheck--all`" in "".join(words)


def test_no_letter_is_cut(board: Board) -> None:
    """Every letter, with what hangs below its line, lies inside the scene that clips it."""
    pieces = trace_copper(board).pieces
    sheets = {
        "no findings": finding_sheet(board, []),
        "findings": finding_sheet(board, FINDINGS),
        "drills": drill_sheet(board),
        "halves": halves_sheet(board),
        "measures": measures_sheet(board),
        "layer": layer_sheet(board, board.layers[0]),
        "islands": islands_sheet(board, pieces),
        "net": lit_sheet(board, pieces, {0}, "net y_gpq,"),
        **{f"page {k}": page for k, page in enumerate(paper_sheets(halves_of(board)))},
    }
    assert {name: leaving(sheet) for name, sheet in sheets.items() if leaving(sheet)} == {}


def test_halves_are_never_seen_through(board: Board) -> None:
    """No half is used as seen through its front, whatever is asked of other pictures."""
    through = halves_sheet(board, PreviewOptions(through=True))
    assert picture_svg(through) == picture_svg(halves_sheet(board))


def test_sheets_have_one_light_ground(board: Board) -> None:
    """No face stands on a dark plate of its own, whatever surroundings are asked for."""
    dark = PreviewOptions(surroundings=Surroundings.DARK)
    assert picture_svg(halves_sheet(board, dark)) == picture_svg(halves_sheet(board))
    assert picture_svg(measures_sheet(board, dark)) == picture_svg(measures_sheet(board))


def test_sheets_name_the_face_they_show(board: Board) -> None:
    """Findings, drill map and single layers say which face is seen and from where."""
    assert {"Front,drawn3:1", "Back,drawn3:1"} <= set(words_on(finding_sheet(board, FINDINGS)))
    assert words_on(drill_sheet(board))[0].startswith("Seenfromthefront")
    bottom = next(a for a in board.layers if a.side == "bottom")
    through = PreviewOptions(through=True)
    assert words_on(layer_sheet(board, bottom))[-1].endswith(",seenfromtheback")
    assert words_on(layer_sheet(board, bottom, through))[-1].endswith(",seenfromthefront")
    assert [face_name(side, PreviewOptions()) for side in SIDES] == ["front", "back"]
    assert face_name("bottom", through) == "back, seen through the front"


def crowd(board: Board, many: int) -> list[Finding]:
    """One finding at many places, close together on the front."""
    x0, y0, x1, y1 = board.bounds
    x = x0 + 4 + (x1 - x0 - 8) * (0.618034 * np.arange(many) % 1)
    y = y0 + 4 + (y1 - y0 - 8) * np.arange(many) / many
    places = [Place(side="top", x_mm=a, y_mm=b) for a, b in zip(x, y, strict=True)]
    return [Finding.of(rule(Severity.NOTE), "Crowded", *places)]


def test_no_ring_stands_without_a_number(board: Board) -> None:
    """A place without room for its number has no ring either, and the face tells how many."""
    findings = crowd(board, 150)
    sheet = finding_sheet(board, findings)
    front = next(p.scene for p in sheet.placed if "finished" in p.scene.title)
    (marks,) = (n for n in front.nodes if n.title == "places of know")
    pen = Pen.concat(*[p for p in front.stencils[marks.inside[-1]].parts if isinstance(p, Pen)])
    rings = int((pen.turn == 2).sum())
    discs = int(((pen.x0 == pen.x1) & (pen.y0 == pen.y1) & (pen.turn == 0)).sum())
    (name,) = (w for w in words_on(sheet) if w.startswith("Front"))
    told = re.search(r";(\d+)furtherplaceswithoutroom", name)
    assert rings == discs > 20
    assert told is not None
    assert 0 < int(told[1]) <= 150 - rings


def test_crowded_board_is_drawn_larger(board: Board) -> None:
    """Many marks get room by a larger board, with letters as before; few change nothing."""
    few, many = (finding_sheet(board, crowd(board, n) * n) for n in (1, 12))
    scales = [next(p.scale for p in s.placed if "finished" in p.scene.title) for s in (few, many)]
    assert scales[0] == 3
    assert scales[1] > 3
    assert scales[1] * max(board.size_mm) <= 200
    capitals = [
        {
            round(float(np.ptp(ring[:, 1])), 6)
            for stencil in sheet.placed[-1].scene.stencils.values()
            for part in stencil.parts
            if isinstance(part, Letters)
            for name, rings in part.outlines.items()
            if name.startswith("C")
            for ring in rings
        }
        for sheet in (few, many)
    ]
    assert capitals[0] == capitals[1] != set()


@pytest.mark.parametrize("many", [7, 10, 13, 25])
def test_columns_of_the_list_are_alike(board: Board, many: int) -> None:
    """Findings as long as each other fill columns evenly: none stands alone beside a full one."""
    notes = [Finding.of(rule(Severity.NOTE), "No job file")] * many
    lines = words_of(finding_sheet(board, notes).placed[-1].scene)
    starts = [round(low, 1) for text, low, *_ in lines if text == "know:Nojobfile"]
    columns = [starts.count(x) for x in sorted(set(starts))]
    assert sum(columns) == many
    # Columns but the last hold as many as the highest; the last holds what is left.
    highest = -(-many // len(columns))
    assert max(columns) == highest
    assert sorted(columns, reverse=True) == columns


def test_one_crowded_corner_makes_the_board_larger(board: Board) -> None:
    """Few marks that all stand in one corner get room, too, though the rest is empty."""
    places = [
        Place(side="top", x_mm=106 + 2.0 * a, y_mm=56 + 2.0 * b) for a in range(3) for b in range(3)
    ]
    findings = [Finding.of(rule(Severity.NOTE), f"Corner {k}", *places) for k in range(4)]
    sheet = finding_sheet(board, findings)
    assert next(p.scale for p in sheet.placed if "finished" in p.scene.title) > 3


def test_a_unit_stays_with_its_number() -> None:
    """No line begins with a bare unit, whatever the width; other words break at every blank."""
    text = "at 100.5, -85.093 mm it is 0.2 mm² or 5 % of a mm"
    for width in range(8, 60):
        lines = wrapped(text, 1.0, float(width))
        assert not any(line.startswith(("mm²", "mm it", "%")) for line in lines)
        if width > 16:
            assert " ".join(lines).replace("\N{NO-BREAK SPACE}", " ") == text


def test_faces_without_copper_of_a_net_say_so(board: Board) -> None:
    """A face that shows nothing lit says that there is nothing."""
    pieces = trace_copper(board).pieces
    names = words_on(lit_sheet(board, pieces, set(pieces.island.tolist()), "net A"))
    assert names == ["NetA,front", "Back"]
    front_only = replace(pieces, layer=np.zeros_like(pieces.layer))
    assert words_on(lit_sheet(board, front_only, {0}, "net A")) == ["NetA,front", "Back:nonehere"]


def test_measures_are_exact_and_say_where_they_begin(board: Board) -> None:
    """Width and height keep three decimals, and the grid's corner is told in file coordinates."""
    grown = replace(board, profile=shapely.box(100, 50, 130.355, 70.4851))
    said = words_on(measures_sheet(grown))
    assert "30.355mm" in said
    assert "20.485mm" in said
    assert "Front;gridof10mmfromthecornerat100,50mm" in said


def test_layer_that_goes_on_outside_says_so(board: Board) -> None:
    """Artwork that the picture cuts is told; a layer wholly inside says nothing."""
    layer = board.layers[0]
    assert "outside" not in words_on(layer_sheet(board, layer))[-1]
    small = replace(board, profile=shapely.box(110, 52, 118, 60))
    assert words_on(layer_sheet(small, layer))[-1].endswith("itgoesonoutsidethispicture")


def test_layer_says_what_its_dark_is(board: Board) -> None:
    """Openings of the mask are called that, and a layer without anything is said to be empty."""
    mask = next(a for a in board.layers if a.kind is RoleKind.MASK and a.side == "top")
    assert words_on(layer_sheet(board, mask))[-1] == "Topsoldermask:itsopenings,seenfromthefront"
    bare = replace(mask.file, objects=mask.file.objects.take([]))
    nothing = replace(mask, kind=RoleKind.PASTE, file=bare)
    assert words_on(layer_sheet(board, nothing))[-1] == "Toppaste,seenfromthefront;itisempty"


def test_paper_tells_how_many_holes_lie_off_the_board(board: Board) -> None:
    """The page says which holes it cannot show, and nothing when it shows all."""
    h = board.holes
    pages = [
        "".join(words_on(paper_sheets([replace(halves_of(board)[0], board=b)])[0]))
        for b in (
            board,
            replace(board, holes=replace(h, x=h.x + np.array([0.0, 0.0, 500.0]))),
            replace(board, holes=replace(h, x=h.x + 500.0), slots=board.slots.take([])),
        )
    ]
    assert "offtheboard" not in pages[0]
    assert "1holeof4liesofftheboard" in pages[1]
    assert "All3holeslieofftheboard" in pages[2]


def test_paper_says_how_pages_are_put_together(board: Board) -> None:
    """Pages of a board larger than paper say what their crosses are for; a single page does not."""
    large = replace(board, profile=shapely.box(100, 50, 400, 150))
    pages = {
        b: ["".join(words_on(p)) for p in paper_sheets([replace(halves_of(board)[0], board=made)])]
        for b, made in (("small", board), ("large", large))
    }
    assert len(pages["small"]) == 1 < len(pages["large"])
    assert "Glue" not in pages["small"][0]
    assert all("Gluethepagescrossoncross." in page for page in pages["large"])


def test_paper_speaks_of_squares_only_where_there_are_any(board: Board) -> None:
    """A board without keys has no squares to push switches through, and the page says so."""
    half = replace(halves_of(board)[0], keys=(Key(x_mm=110, y_mm=60),))
    pages = [paper_sheets([h])[0] for h in (half, replace(half, keys=()))]
    with_keys, without = ("".join(words_on(page)) for page in pages)
    assert "throughthesquares" in with_keys
    assert "squares" not in without
    assert "Nokeyswerefound" in without
