"""What the paths of an outline are: boards, panels, frames, stray loops.

Sizes are those the fixtures here are drawn with; that score lines run straight across and that
rails, tabs and rows of small holes make a panel is common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import shapely
from test_board_build import FRAME, Points, board, circle, drill, ids, layer, line, pads

from fabkit.base.errors import UsageError
from fabkit.base.findings import Severity
from fabkit.base.units import OUTLINE_JOIN_MM
from fabkit.board.model import Board, PathKind, size_words
from fabkit.board.single import choose_edge

SPOTS: Points = ((3, 3), (17, 3), (3, 11), (12, 7), (8, 10), (16, 12), (5, 6), (10, 4))
"""Pads of one board of 20 x 15 mm, without any symmetry."""


def moved(points: Points, x: float, y: float) -> Points:
    """Points moved."""
    return [(a + x, b + y) for a, b in points]


def mirrored(points: Points) -> Points:
    """Points seen from the back of a board 20 mm wide."""
    return [(20 - a, b) for a, b in points]


def rectangle(x0: float, y0: float, x1: float, y1: float) -> list[str]:
    """Four lines."""
    return line([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])


def made(profile: Sequence[str], spots: Points = SPOTS, **files: bytes) -> Board:
    """A board of one copper layer."""
    top = layer("Copper,L1,Top", pads(spots), pad_mm=0.8)
    return board(profile, t__gbr=top, b__gbr=b"", **files)


def grid(across: int, up: int, *, gap: float = 0) -> list[tuple[float, float]]:
    """Corners of boards of 20 x 15 mm in a grid."""
    return [(i * (20 + gap), j * (15 + gap)) for i in range(across) for j in range(up)]


def all_spots(corners: Points) -> Points:
    """Pads of a board at each corner."""
    return [spot for corner in corners for spot in moved(SPOTS, *corner)]


def test_score_lines_across_the_profile() -> None:
    """Six boards parted by lines that run straight across: six equal boards, one panel."""
    lines = [*rectangle(0, 0, 60, 30), *line([(0, 15), (60, 15)])]
    lines += [*line([(20, 0), (20, 30)]), *line([(40, 0), (40, 30)])]
    found = made(lines, all_spots(grid(3, 2)))

    assert found.panel is not None
    assert (found.panel.count, found.panel.equal) == (6, True)
    assert found.size_mm == pytest.approx((60, 30))
    assert found.panel.boards[0].bounds == pytest.approx((0, 0, 20, 15))
    assert len(found.panel.score_lines) >= 3
    assert "profile/panel" in ids(found)


def test_score_lines_in_a_layer_with_rails() -> None:
    """Score lines of their own layer part six boards and two rails that hold no pads."""
    score = [*line([(0, 0), (60, 0)]), *line([(0, 15), (60, 15)])]
    score += [*line([(0, 30), (60, 30)])]
    score += [*line([(20, -8), (20, 38)]), *line([(40, -8), (40, 38)])]
    found = made(rectangle(0, -8, 60, 38), all_spots(grid(3, 2)), v__gbr=layer("Vcut", score))

    assert found.panel is not None
    assert (found.panel.count, found.panel.equal) == (6, True)
    assert found.panel.size_mm == pytest.approx((60, 46))
    assert found.edge.of(PathKind.RAIL)
    assert found.edge.of(PathKind.SCORE)


def frame_with_channels(*, bites: bool, off: float = 0) -> Board:
    """A board of 20 x 15 mm in a frame, cut free by two channels that leave two tabs.

    Rows of holes lie `off` mm outside its edge.
    """
    lower = [(8, -2), (-2, -2), (-2, 17), (8, 17), (8, 15), (0, 15), (0, 0), (8, 0), (8, -2)]
    upper = [(20 - x, y) for x, y in lower]
    lines = [*rectangle(-10, -10, 30, 25), *line(lower), *line(upper)]
    holes = [(8.4 + 0.8 * i, y) for i in range(5) for y in (-off, 15 + off)]
    extra = {"n__drl": drill(*holes, size_mm=0.5)} if bites else {}
    return made(lines, **extra)


@pytest.mark.parametrize("bites", [True, False])
def test_board_in_a_routed_frame(bites: bool) -> None:
    """Tabs with and without holes in them hold one board in a frame without pads."""
    found = frame_with_channels(bites=bites)

    assert found.panel is not None
    assert found.panel.count == 1
    assert found.size_mm == pytest.approx((40, 35))
    x0, y0, x1, y1 = found.panel.boards[0].bounds
    assert (x1 - x0, y1 - y0) == pytest.approx((20, 15), abs=0.1)
    assert found.edge.of(PathKind.RAIL)
    assert bool(found.edge.of(PathKind.PERFORATION)) == bites


@pytest.mark.parametrize("off", [0, 0.1, 0.3, 0.5])
def test_rows_of_holes_outside_the_edge_leave_no_stub(off: float) -> None:
    """The edge goes on straight across a tab, wherever the holes beside it lie."""
    panel = frame_with_channels(bites=True, off=off).panel

    assert panel is not None
    (alone,) = panel.boards
    assert alone.bounds == pytest.approx((0, 0, 20, 15), abs=1e-6)
    assert alone.area == pytest.approx(20 * 15, abs=1e-3)
    (frame,) = panel.rails
    assert frame.area + sum(tab.area for tab in panel.tabs) == pytest.approx(
        40 * 35 - (24 * 19 - 2 * 4 * 2), abs=1e-3
    )


@pytest.mark.parametrize("short", [0.02, 0.1, 0.2])
@pytest.mark.parametrize("bites", [True, False])
def test_walls_of_tabs_that_stop_short(short: float, bites: bool) -> None:
    """Lines that all but join a board and two rails are a tab if a row of holes runs across."""
    lines = [*line(FRAME), *rectangle(-2, -10, 22, -2), *rectangle(-2, 17, 22, 25)]
    for x in (8, 12):
        lines += [*line([(x, 0), (x, -2 + short)]), *line([(x, 15), (x, 17 - short)])]
    holes = [(8.4 + 0.8 * i, y) for i in range(5) for y in (-0.2, 15.2)]
    found = made(lines, n__drl=drill(*holes, size_mm=0.5) if bites else drill((3, 3)))

    assert found.profile is not None
    joined = bites or short < OUTLINE_JOIN_MM
    assert len(found.profile.geoms) == (1 if joined else 3)
    assert ("profile/stray-lines" in ids(found)) != joined
    if joined:
        assert found.area_mm2 == pytest.approx(20 * 15 + 2 * 24 * 8 + 2 * 4 * 2, abs=0.02)
        assert "profile/ends-apart" in ids(found)
    if bites:
        assert found.panel is not None
        assert found.panel.boards[0].bounds == pytest.approx((0, 0, 20, 15), abs=1e-6)
        assert (len(found.panel.rails), len(found.panel.tabs)) == (2, 2)
        assert found.size_mm == pytest.approx((24, 35))


def test_break_off_holes_flashed_in_the_profile() -> None:
    """Flashes in rows across tabs perforate them; others are no part of the outline."""
    lower = [(8, -2), (-2, -2), (-2, 17), (8, 17), (8, 15), (0, 15), (0, 0), (8, 0), (8, -2)]
    upper = [(20 - x, y) for x, y in lower]
    holes = [(8.4 + 0.8 * i, y) for i in range(5) for y in (-0.2, 15.2)]
    lines = [*rectangle(-10, -10, 30, 25), *line(lower), *line(upper)]
    drawn = layer("Profile,NP", [*lines, *pads([*holes, (-6, -6)])], pad_mm=0.5)
    found = made(lines, p__gbr=drawn)

    assert found.panel is not None
    assert found.panel.boards[0].bounds == pytest.approx((0, 0, 20, 15), abs=1e-6)
    notes = [p for p in found.problems if p.id == "profile/flashes"]
    assert [(p.count, p.assumed) for p in notes] == [
        (10, "a perforation, in rows from edge to edge"),
        (1, "not part of the outline"),
    ]
    assert len(found.edge.of(PathKind.PERFORATION)) == 1


def test_flashes_that_may_be_openings_are_a_decision() -> None:
    """A square of 3 mm on the board, where nothing is, may be a window; a pad or a disc is none."""

    def flashed(tool: bytes, *spots: tuple[float, float]) -> list[tuple[Severity, int]]:
        drawn = layer("Profile,NP", [*rectangle(0, 0, 20, 15), *pads(spots)], pad_mm=3)
        notes = made([], p__gbr=drawn.replace(b"C,3*", tool)).problems
        return [(p.severity, p.count) for p in notes if p.id == "profile/flashes"]

    square = b"R,3X3*"
    assert flashed(square, (15.5, 7.5), (6, 13)) == [(Severity.WARNING, 2)]
    assert flashed(square, (3, 3)) == [(Severity.NOTE, 1)]
    assert flashed(square, (-6, -6)) == [(Severity.NOTE, 1)]
    assert flashed(b"C,3*", (15.5, 7.5)) == [(Severity.NOTE, 1)]


@pytest.mark.parametrize("inside", [0.001, 0.013, 0.025])
def test_rows_of_holes_on_an_edge_that_was_rounded(inside: float) -> None:
    """Two coarse inch formats move hole and edge by 0.0127 mm each: the row is still on it."""
    panel = frame_with_channels(bites=True, off=-inside).panel

    assert panel is not None
    (alone,) = panel.boards
    assert alone.bounds == pytest.approx((0, 0, 20, 15), abs=1e-6)
    assert alone.area == pytest.approx(20 * 15, abs=2 * 4.1 * inside)
    assert len(panel.rails) == 1
    assert [path.count for path in panel.paths if path.kind is PathKind.PERFORATION] == [2]


def test_edge_that_steps_at_a_tab_is_not_continued() -> None:
    """With the edge at unequal levels beside a tab nothing says where it goes on."""
    lower = [(8, -2), (-2, -2), (-2, 17), (8, 17), (8, 15), (0, 15), (0, 0), (8, 0), (8, -2)]
    upper = [(12, 17), (22, 17), (22, -2), (12, -2), (12, 0.4), (20, 0.4), (20, 15), (12, 15)]
    holes = [(8.2 + 0.9 * i, y) for i in range(5) for y in (-0.3, 15.3)]
    lines = [*rectangle(-10, -10, 30, 25), *line(lower), *line([*upper, (12, 17)])]
    panel = made(lines, n__drl=drill(*holes, size_mm=0.5)).panel

    assert panel is not None
    assert panel.boards[0].bounds == pytest.approx((0, -0.3, 20, 15), abs=1e-3)


def test_pads_on_a_tongue_keep_it() -> None:
    """A tongue with pads between the edge and a row of holes belongs to the board."""
    lower = [(8, -2), (-2, -2), (-2, 17), (8, 17), (8, 15), (0, 15), (0, 0), (8, 0), (8, -2)]
    upper = [(20 - x, y) for x, y in lower]
    holes = [(8.2 + 0.9 * i, y) for i in range(5) for y in (-0.9, 15)]
    lines = [*rectangle(-10, -10, 30, 25), *line(lower), *line(upper)]
    panel = made(lines, [*SPOTS, (10, -0.4)], n__drl=drill(*holes, size_mm=0.5)).panel

    assert panel is not None
    assert panel.boards[0].bounds == pytest.approx((0, -0.9, 20, 15), abs=1e-3)


def test_opening_drawn_around_board_and_tabs() -> None:
    """The opening of the frame ends at the board where tabs are: frame and board are material."""
    notches = [(-2, -2), (8, -2), (8, 0), (12, 0), (12, -2), (22, -2), (22, 17)]
    notches += [(12, 17), (12, 15), (8, 15), (8, 17), (-2, 17), (-2, -2)]
    lines = [*rectangle(-8, -8, 28, 23), *line(notches), *line(FRAME)]
    found = made(lines)

    assert found.size_mm == pytest.approx((36, 31))
    assert found.area_mm2 == pytest.approx(36 * 31 - (24 * 19 - 20 * 15 - 2 * 4 * 2))
    assert found.panel is not None
    assert found.panel.boards[0].bounds == pytest.approx((0, 0, 20, 15))
    assert len(found.edge.of(PathKind.PANEL_EDGE)) == 1
    assert found.edge.readings[1].size_mm == pytest.approx((20, 15))


def test_frame_far_around_is_no_panel() -> None:
    """A drawing sheet is left out and is no second reading; a near frame is one."""
    sheet = made([*line(FRAME), *rectangle(-60, -60, 120, 90)])
    near = made([*line(FRAME), *rectangle(-5, -5, 25, 20)])

    assert sheet.size_mm == near.size_mm == pytest.approx((20, 15))
    assert sheet.edge.of(PathKind.SHEET)
    assert near.edge.of(PathKind.FRAME)
    assert [r.size_mm for r in near.edge.readings] == [
        pytest.approx((20, 15)),
        pytest.approx((30, 25)),
    ]
    assert len(sheet.edge.readings) == 1
    assert "profile/two-readings" in ids(near)
    assert "profile/two-readings" not in ids(sheet)
    assert choose_edge(near, "2").size_mm == pytest.approx((30, 25))
    with pytest.raises(UsageError, match="no edge '3'"):
        choose_edge(near, "3")
    assert sheet.panel is near.panel is None


def test_half_holes_are_no_marks_on_a_rail() -> None:
    """Pads and holes on the board's own rim leave the frame around it a drawing."""
    rim = [(x, y) for x in (0.0, 20.0) for y in (4.5, 10.5)]
    inside = [(2.0 + 2 * i, 2.0 + 2 * j) for i in range(9) for j in range(5)]
    found = made([*line(FRAME), *rectangle(-12, -12, 32, 27)], [*inside, *rim])

    assert found.size_mm == pytest.approx((20, 15))
    assert found.panel is None


def test_stated_size_separates_frame_from_panel() -> None:
    """The job file's size decides what a near frame is (job file format, GeneralSpecs.Size)."""
    job = b'{"Header": {}, "GeneralSpecs": {"Size": {"X": 30, "Y": 25}}}'
    found = made([*line(FRAME), *rectangle(-5, -5, 25, 20)], j__gbrjob=job)

    assert found.size_mm == pytest.approx((30, 25))
    assert found.edge.readings[1].size_mm == pytest.approx((20, 15))


def test_boards_drawn_inside_a_frame() -> None:
    """Four equal boards in a rectangle are boards, not openings."""
    corners = grid(2, 2, gap=3)
    lines = [part for x, y in corners for part in line(moved(FRAME, x, y))]
    found = made([*lines, *rectangle(-7, -7, 50, 40)], all_spots(corners))

    assert found.panel is not None
    assert (found.panel.count, found.panel.equal) == (4, True)
    assert found.size_mm == pytest.approx((57, 47))
    assert found.edge.readings[1].size_mm == pytest.approx((43, 33))


def test_mirror_images_are_no_equal_boards() -> None:
    """A left and a right half beside each other are no equal boards."""
    spots = [*SPOTS, *moved(mirrored(SPOTS), 25, 0)]
    found = made([*line(FRAME), *line(moved(FRAME, 25, 0))], spots)

    assert found.panel is not None
    assert (found.panel.count, found.panel.equal) == (2, False)
    assert found.panel.mirrored.tolist() == [False, True]
    assert "mirror images" in found.panel.words


def test_boards_of_one_size_are_counted_together() -> None:
    """Two designs of one size are named once; sizes that differ are named each."""
    sheet = made(
        [*line(FRAME), *line(moved(FRAME, 25, 0))], [*SPOTS, *moved(mirrored(SPOTS), 25, 0)]
    )
    panel = sheet.panel
    assert panel is not None
    designs = replace(panel, design=np.array([0, 1]), mirrored=np.zeros(2, bool))
    larger = replace(designs, boards=np.array([panel.boards[0], shapely.box(0, 0, 9, 7)]))

    size = size_words(panel.boards[0])
    assert designs.words == f"panel of 2 different boards of {size}"
    assert larger.words == f"panel of 2 boards: 1 of {size}, 1 of 9 × 7 mm"


def test_copper_across_a_row_of_holes_makes_one_board() -> None:
    """What tracks join is one board: its outer part may be broken off, but need not be."""
    holes = [(9, 0.5 + 0.8 * i) for i in range(19)]
    parted = made(line(FRAME), n__drl=drill(*holes, size_mm=0.5))
    track = [*pads(SPOTS), *line([(8, 10), (12, 7)])]
    joined = board(
        line(FRAME),
        t__gbr=layer("Copper,L1,Top", track, pad_mm=0.8),
        b__gbr=b"",
        n__drl=drill(*holes, size_mm=0.5),
    )

    assert parted.panel is not None
    assert parted.panel.count == 2
    assert joined.panel is None


@pytest.mark.parametrize(
    "holes",
    [
        [(9 + 0.8 * i, 8) for i in range(4)],
        [(8 + 0.8 * i, 6 + 0.8 * j) for i in range(4) for j in range(4)],
    ],
)
def test_small_holes_inside_are_no_perforation(holes: Points) -> None:
    """A short row away from the edge and a field of holes part nothing."""
    assert made(line(FRAME), n__drl=drill(*holes, size_mm=0.5)).panel is None


def test_stray_loop_is_not_the_board() -> None:
    """A loop of 2 mm is no board for pads over 14 x 9 mm; it is reported and left out."""
    found = made(circle(10, 8, 1))

    assert found.profile is None
    assert "profile/too-small" in ids(found)


def test_lost_segment_is_closed_and_reported() -> None:
    """With one side of the outline lost the board keeps its size, and the gap is an error."""
    found = made([*line(FRAME[:4]), *circle(10, 8, 1)])

    assert found.size_mm == pytest.approx((20, 15))
    assert found.area_mm2 == pytest.approx(300 - 3.1416, abs=0.01)
    gap = next(p for p in found.problems if p.id == "profile/gap")
    assert gap.measured == pytest.approx(15)


def test_lost_segment_inside_a_frame_is_not_the_frame() -> None:
    """A closed frame around an open outline does not become the board."""
    found = made([*line([*FRAME[1:], (1, 0)]), *rectangle(-30, -30, 60, 60)])

    assert found.size_mm == pytest.approx((20, 15))


def test_what_is_drawn_beside_the_board_may_cross_itself() -> None:
    """Only where the edge of the board meets itself would the router cut a piece off."""
    bow = [(60, 0), (63, 2), (63, 0), (60, 2), (60, 0)]
    beside = made([*rectangle(0, 0, 20, 15), *line(bow)])
    assert "profile/crossing" not in ids(beside)
    assert beside.size_mm == (20, 15)
    assert "profile/crossing" in ids(made(line([(0, 0), (20, 0), (20, 15), (4, -2), (0, 0)])))


def test_outline_in_two_files() -> None:
    """The same outline in two profile files is one board."""
    found = made(line(FRAME), q__gbr=layer("Profile,NP", line(FRAME)))

    assert found.area_mm2 == pytest.approx(300)
    assert found.panel is None


def test_plain_board_has_one_reading() -> None:
    """Its outline is the one path, and nothing else is proposed."""
    found = made([*line(FRAME), *circle(10, 8, 1)])

    assert [path.kind for path in found.edge.paths] == [PathKind.BOARD_EDGE, PathKind.CUT_OUT]
    assert [reading.size_mm for reading in found.edge.readings] == [pytest.approx((20, 15))]
    assert found.panel is None


def routed(*slots: tuple[float, float, float, float], size_mm: float = 1.0) -> bytes:
    """Non-plated slots."""
    cuts = "".join(f"X{a:.3f}Y{b:.3f}G85X{c:.3f}Y{d:.3f}\n" for a, b, c, d in slots)
    stated = "; #@! TF.FileFunction,NonPlated,1,2,NPTH\n"
    return f"M48\n{stated}METRIC,TZ\nT1C{size_mm}\n%\nG90\nG05\nT1\n{cuts}M30\n".encode()


def test_overlapping_slots_are_one_cut_out() -> None:
    """Slots of 1 mm that overlap by half mill one opening of 8 x 3.5 mm with round ends."""
    slots = routed(*((6.5, y, 13.5, y) for y in (6.0, 6.5, 7.0, 7.5, 8.0, 8.5)))
    found = made(line(FRAME), [(2, 2), (18, 2), (2, 13), (18, 13)], s__drl=slots)

    assert len(found.slots) == 0
    assert len(found.profile.geoms[0].interiors) == 1
    left = found.area_mm2 - (300 - 8 * 3.5)
    assert 0 < left < 1.0  # what the round ends leave standing
    assert found.edge.of(PathKind.CUT_OUT)
    assert "profile/routed-cut-out" in ids(found)


def test_slots_that_do_not_overlap_stay_slots() -> None:
    """Two crossing slots and one apart are three slots."""
    slots = routed((6, 7, 10, 7), (8, 5, 8, 9), (14, 4, 14, 9))
    found = made(line(FRAME), [(2, 2), (18, 2), (2, 13), (18, 13)], s__drl=slots)

    assert len(found.slots) == 3
    assert found.area_mm2 == pytest.approx(300)


def test_bare_holes_widen_the_cut_out_they_run_into() -> None:
    """A relief hole at the corner of a cut-out is part of it: three quarters of it are added."""
    found = made([*line(FRAME), *rectangle(8, 6, 12, 10)], n__drl=drill((8, 6), size_mm=1.0))

    assert found.area_mm2 == pytest.approx(300 - 16 - 0.75 * 3.14159 * 0.25, abs=0.01)


def test_slot_drawn_with_a_wide_pen() -> None:
    """A stroke 1 mm wide and 6 mm long is a slot of 6 + pi/4 mm²; under pads it stays a line."""
    wide = ["%ADD20C,1.0*%", *line([(7, 8), (13, 8)])]
    wide[1] = "D20*"
    spots = [(2, 2), (18, 2), (2, 13), (18, 13)]
    found = made([*line(FRAME), *wide], spots)
    padded = made([*line(FRAME), *wide], [*spots, (10, 8)])

    assert found.area_mm2 == pytest.approx(300 - 6 - 3.14159 / 4, abs=0.01)
    assert len(found.edge.of(PathKind.SLOT)) == 1
    assert "profile/slot-drawn" in ids(found)
    assert "profile/stray-lines" not in ids(found)
    assert padded.area_mm2 == pytest.approx(300)
    assert "profile/stray-lines" in ids(padded)
