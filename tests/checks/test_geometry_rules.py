"""Rules of copper, mask and holes on the smallest boards: one that fires, one at the limit.

Places and measures are closed forms of the drawing; figures are those of published maker guides
and of common practice, as the bundled house sheet states them.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sin
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from rules.set_cases import (
    LINK,
    LINKED,
    SOUND,
    dots,
    drill,
    frame,
    job,
    layer,
    line,
    netlist,
    placement,
)

from fabkit.base.findings import Consequence, Place, Severity
from fabkit.board.build import build_board
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case, CheckOptions, State
from fabkit.checks.runner import run_check
from fabkit.checks.worst import Measures, group
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.rules import load_rule
from fabkit.sheets.house import load_house

PROFILE = layer("Profile,NP", frame(30, 20), pen=0.1)


def board_of(**changes):
    """The sound, invented board of 30 x 20 mm with files changed; None takes a file out."""
    named = {
        name.replace("_", "-", 1) if "mask" in name else name: t for name, t in changes.items()
    }
    files = SOUND | {name.replace("_", "."): text for name, text in named.items()}
    members = tuple(Member(n, t.encode()) for n, t in sorted(files.items()) if t is not None)
    return build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))


def told(rule, options=None, **changes):
    """Findings of one rule on the changed board."""
    board = board_of(**changes)
    case = Case(board, load_house(), options or CheckOptions())
    (check,) = [c for c in CHECKS if any(r.id == rule for r in c.rules)]
    outcome = run_check(check, case)
    assert outcome.state in (State.PASSED, State.FOUND), outcome
    return [f for f in outcome.findings if f.id == rule]


def at(finding, x, y):
    """Whether the first place of a finding is there, within 0.01 mm."""
    place = finding.places[0]
    return (place.x_mm, place.y_mm) == (pytest.approx(x, abs=0.01), pytest.approx(y, abs=0.01))


def copper(function, body, pen):
    """A copper layer of the sound pads and a body drawn with its own pen."""
    pads = layer(function, dots((5, 5), (25, 15))).removesuffix("M02*\n")
    return f"{pads}%ADD11C,{pen}*%\nD11*\n{body}M02*\n"


@pytest.mark.parametrize(("angle", "fires"), [(30.0, True), (45.0, False), (90.0, False)])
def test_acute_corner_between_tracks(angle, fires):
    """Two tracks 0.2 mm wide that part at 30 degrees leave a corner of 30 degrees; 45 is kept."""
    turn = radians(angle)
    away = (10 + 8 * cos(turn), 10 + 8 * sin(turn))
    top = copper("Copper,L1,Top", line((18, 10), (10, 10), away), 0.2)
    found = told("copper/acid-trap", top_gbr=top)

    assert bool(found) is fires
    if fires:
        half = radians(angle / 2)
        reach = 0.1 / sin(half)
        assert found[0].severity is Severity.NOTE
        assert found[0].measured == pytest.approx(angle, abs=0.1)
        assert at(found[0], 10 + reach * cos(half), 10 + reach * sin(half))


def test_the_edge_of_a_cut_out_is_named():
    """A track 0.1 mm from a cut-out of 4 x 4 mm is near its edge, one beside the outline is not."""
    hole = line((13, 8), (17, 8), (17, 12), (13, 12), (13, 8))
    profile = layer("Profile,NP", frame(30, 20) + hole, pen=0.1)
    for x, words in ((17.2, "at a cut-out on top copper"), (29.8, "edge on top copper")):
        top = copper("Copper,L1,Top", line((x, 9), (x, 11)), 0.2)
        (found,) = told("copper/edge-near", top_gbr=top, profile_gbr=profile)
        assert words in found.message


@pytest.mark.parametrize(
    ("value", "limit", "unit", "words"),
    [
        (39.308, 45.0, "deg", "39.3"),
        (44.98, 45.0, "deg", "44.98"),
        (1.533, 2.0, "", "1.53"),
        (0.1264, 0.13, "mm", "0.126"),
        (1.5, None, "", "1.5"),
    ],
)
def test_measures_have_the_decimals_that_matter(value, limit, unit, words):
    """Angles to a tenth, ratios to a hundredth, and more where that would read as the limit."""
    rule = load_rule("copper/acid-trap")
    measures = Measures(np.array([value]), [Place(file="a")].__getitem__)
    (found,) = group(rule, measures, "it is {worst}", limit=limit, unit=unit)

    assert found.message == f"it is {words} {unit}".strip()


@pytest.mark.parametrize(("gap", "fires"), [(0.3, True), (0.5, False)])
def test_copper_beside_a_score_line(gap, fires):
    """A track 0.3 mm beside a score line is a warning there; 0.5 mm is kept."""
    x = 15 + gap + 0.1
    found = told(
        "copper/score-near",
        top_gbr=copper("Copper,L1,Top", line((x, 8), (x, 12)), 0.2),
        vcut_gbr=layer("Vcut", line((15, 0), (15, 20)), pen=0.2),
    )

    assert bool(found) is fires
    if fires:
        assert found[0].severity is Severity.WARNING
        assert found[0].measured == pytest.approx(gap, abs=0.002)
        assert at(found[0], 15 + gap / 2, 10)


def test_copper_across_a_score_line():
    """A track 0.2 mm wide across a score line is cut there, over 0.2 mm, and is told once."""
    files = {
        "top_gbr": copper("Copper,L1,Top", line((10, 10), (20, 10)), 0.2),
        "vcut_gbr": layer("Vcut", line((15, 0), (15, 20)), pen=0.2),
    }
    (found,) = told("copper/score-cut", **files)

    assert found.measured == pytest.approx(0.2, abs=0.002)
    assert at(found, 15, 10)
    assert told("copper/score-near", **files) == []


@pytest.mark.parametrize(("cover", "fires"), [(0.03, True), (0.05, False)])
def test_mask_between_an_opening_and_foreign_copper(cover, fires):
    """0.03 mm of mask between an opening of 2.1 mm and a foreign track is a note; 0.05 is kept."""
    x = 5 + 1.05 + cover + 0.1
    top = copper("Copper,L1,Top", line((x, 3), (x, 7), (25, 15)), 0.2)
    found = told("mask/cover-thin", top_gbr=top)

    assert bool(found) is fires
    if fires:
        assert found[0].severity is Severity.NOTE
        assert found[0].measured == pytest.approx(cover, abs=0.003)
        assert at(found[0], 5 + 1.05 + cover / 2, 5)


@pytest.mark.parametrize(("wall", "fires"), [(0.2, True), (0.25, False)])
def test_foreign_inner_copper_beside_a_plated_hole(wall, fires):
    """A track on an inner layer 0.2 mm off the wall of a plated hole is told; 0.25 is kept."""
    x = 5 + 0.5 + wall + 0.1
    found = told(
        "hole/inner-copper-near",
        inner_gbr=layer("Copper,L2,Inr", line((x, 3), (x, 7)), pen=0.2),
        inner3_gbr=layer("Copper,L3,Inr", "", pen=0.2),
        bottom_gbr=layer("Copper,L4,Bot", dots((5, 5), (25, 15))),
        holes_drl=drill((5, 5), (25, 15), function="Plated,1,4,PTH"),
    )

    assert bool(found) is fires
    if fires:
        assert found[0].severity is Severity.WARNING
        assert found[0].measured == pytest.approx(wall, abs=0.002)
        assert at(found[0], 5, 5)


def test_paste_whose_edges_lie_on_copper_edges_is_on_copper():
    """Paste drawn exactly on its pad's edges lies on the pad, however the pad is clipped."""
    area = "G36*\n" + line((9, 9), (11, 9), (11, 10), (9, 10), (9, 9)) + "G37*\n"
    wider = "G36*\n" + line((9, 9), (11, 9), (11, 12), (9, 12), (9, 9)) + "G37*\n"
    found = told(
        "mask/paste-off-pad",
        top_gbr=layer("Copper,L1,Top", dots((5, 5), (25, 15)) + wider),
        mask_top_gbr=layer(
            "Soldermask,Top", dots((5, 5), (25, 15)) + wider, polarity="Negative", pen=2.1
        ),
        paste_gbr=layer("Paste,Top", area),
    )

    assert found == []


@pytest.mark.parametrize(
    ("width", "height", "fires"), [(1, 2, True), (2.6, 1.3, False), (1.4, 0.7, False)]
)
def test_paste_that_is_turned_against_its_pads(width, height, fires):
    """Prints of 1 x 2 mm on three pads of 2 x 1 mm; larger or smaller all round is a choice."""
    spots = ((10, 5), (10, 10), (10, 15))

    def three(function, w, h, polarity="Positive"):
        body = layer(function, dots((5, 5), (25, 15)), polarity=polarity).removesuffix("M02*\n")
        return f"{body}%ADD11R,{w}X{h}*%\nD11*\n{dots(*spots)}M02*\n"

    found = told(
        "mask/paste-off-pad",
        top_gbr=three("Copper,L1,Top", 2, 1),
        mask_top_gbr=three("Soldermask,Top", 2.8, 1.8, "Negative"),
        paste_gbr=three("Paste,Top", width, height),
    )

    assert [f.count for f in found] == ([3] if fires else [])


@pytest.mark.parametrize(
    ("off", "pen", "found"), [(0.3, 2.0, [0.3]), (0.08, 2.0, []), (0.3, 1.2, [])]
)
def test_a_print_of_the_size_of_its_pad_lies_on_it(off, pen, found):
    """Pads of 2 mm at (5, 5) and (25, 15); a smaller print may lie to one side on purpose."""
    pads = dots((5, 5), (25, 15))
    said = told(
        "mask/paste-off-pad",
        mask_top_gbr=layer("Soldermask,Top", pads, polarity="Negative", pen=2.6),
        paste_gbr=layer("Paste,Top", dots((5 + off, 5), (25, 15)), pen=pen),
    )
    assert [f.measured for f in said] == pytest.approx(found)


def row_of_holes(count, size=0.5):
    """Bare holes every 0.75 mm, beginning on the right edge."""
    return drill(
        *((30 - 0.75 * k, 10) for k in range(count)),
        size=size,
        function="NonPlated,1,2,NPTH",
    )


def test_row_to_break_boards_at_has_thin_walls_on_purpose():
    """Five bare holes 0.25 mm apart at the edge are a break row; without the edge a thin wall."""
    rows = told("hole/crosses-edge", bare_drl=row_of_holes(5))

    assert [(f.severity, f.count) for f in rows] == [(Severity.NOTE, 5)]
    assert told("hole/wall-thin", bare_drl=row_of_holes(5)) == []
    inside = drill((15, 10), (15.75, 10), (16.5, 10), size=0.5, function="NonPlated,1,2,NPTH")
    assert [f.count for f in told("hole/wall-thin", bare_drl=inside)] == [2]


@pytest.mark.parametrize(("function", "met"), [("NonPlated,1,2,NPTH", 9), ("Plated,1,2,PTH", 5)])
def test_a_row_that_makes_a_slot_leaves_no_walls(function, met):
    """Holes of 1 mm every 0.4 mm are one slot: no wall is left to the next but one or two."""
    row = drill(*((12 + 0.4 * k, 10) for k in range(6)), function=function)

    assert [f.count for f in told("hole/joined", row_drl=row)] == [met]
    assert told("hole/overlap", row_drl=row) == []
    assert told("hole/wall-thin", row_drl=row) == []


def test_holes_of_a_break_row_may_be_small():
    """Five of 0.3 mm that break boards apart need no fine class; below every drill they do."""
    (found,) = told("hole/non-plated-too-small", bare_drl=row_of_holes(5, 0.3))
    assert (found.consequence, found.choice, found.count) == (Consequence.KNOW, "", 5)

    (found,) = told("hole/non-plated-too-small", bare_drl=row_of_holes(5, 0.1))
    assert found.consequence > Consequence.KNOW
    (found,) = told(
        "hole/non-plated-too-small",
        bare_drl=drill((15, 10), size=0.3, function="NonPlated,1,2,NPTH"),
    )
    assert found.consequence is Consequence.DECIDE


def test_two_holes_on_the_edge_are_no_break_row():
    """Two small bare holes are no row: the one on the edge is a warning."""
    (found,) = told("hole/crosses-edge", bare_drl=row_of_holes(2))

    assert found.severity is Severity.WARNING
    assert at(found, 30, 10)


def test_outline_drawn_in_a_copper_layer():
    """A frame of 0.1 mm on the edge is told as the outline, not as copper too near the edge."""
    top = copper("Copper,L1,Top", frame(30, 20), 0.1)
    (found,) = told("copper/outline-drawn", top_gbr=top)

    assert found.places[0].side == "top"
    assert found.severity is Severity.NOTE  # it touches no copper; houses delete it
    assert told("copper/edge-near", top_gbr=top) == []
    assert told("copper/edge-cut", top_gbr=top) == []


def test_outline_taken_from_a_copper_layer_is_not_drawn_there_once_more():
    """Without a profile the frame of the copper layer is the only outline there is."""
    top = copper("Copper,L1,Top", frame(30, 20), 0.1)
    assert told("copper/outline-drawn", top_gbr=top, profile_gbr=None) == []


def test_track_along_the_edge_is_no_outline():
    """A frame 0.1 mm inside the edge is copper too near the edge."""
    body = frame(29.7, 19.7, 0.15, 0.15)
    top = copper("Copper,L1,Top", body, 0.1)

    assert told("copper/outline-drawn", top_gbr=top) == []
    assert told("copper/edge-near", top_gbr=top)[0].measured == pytest.approx(0.1, abs=0.002)


def test_pad_as_large_as_its_plated_hole():
    """Pads of 1 mm round plated holes of 1 mm leave no copper: told once, not as broken rings."""
    files = {
        "top_gbr": layer("Copper,L1,Top", dots((5, 5), (25, 15)), pen=1.0),
        "bottom_gbr": layer("Copper,L2,Bot", dots((5, 5), (25, 15)), pen=1.0),
    }
    (found,) = told("hole/plated-without-copper", **files)

    assert found.count == 2
    assert told("hole/ring-broken", **files) == []


def test_pad_open_on_the_other_side_alone():
    """A plated hole masked on the top but open on the bottom is soldered from there: a note."""
    functions = "%TA.AperFunction,ComponentPad*%\n"
    top = layer("Copper,L1,Top", "").replace("%ADD10", functions + "%ADD10")
    top = top.replace("M02*\n", dots((5, 5), (25, 15)) + "M02*\n")
    closed = layer("Soldermask,Top", dots((25, 15)), polarity="Negative", pen=2.1)
    (found,) = told("mask/opening-missing", top_gbr=top, mask_top_gbr=closed)
    assert found.severity is Severity.NOTE
    assert at(found, 5, 5)

    both = layer("Soldermask,Bot", dots((25, 15)), polarity="Negative", pen=2.1)
    found = told("mask/opening-missing", top_gbr=top, mask_top_gbr=closed, mask_bottom_gbr=both)
    assert found[0].severity is Severity.WARNING


def test_opening_that_covers_its_pad_is_not_shifted():
    """An opening 0.3 mm off its pad covers it when 0.7 mm larger; 0.1 mm larger it is shifted."""
    covering = layer("Soldermask,Top", dots((5.3, 5), (25, 15)), polarity="Negative", pen=2.7)
    assert told("mask/opening-shifted", mask_top_gbr=covering) == []
    shifted = layer("Soldermask,Top", dots((5.3, 5), (25, 15)), polarity="Negative", pen=2.1)
    (found,) = told("mask/opening-shifted", mask_top_gbr=shifted)
    assert found.measured == pytest.approx(0.3, abs=0.002)


@pytest.mark.parametrize(
    ("covered", "severity"),
    [
        ((3, 7, 11), Severity.WARNING),
        ((3, 6, 9), Severity.NOTE),
        (tuple(range(9)), Severity.NOTE),
    ],
    ids=["some of each", "all of one", "most of each"],
)
def test_pads_of_several_sizes_open_and_covered(covered, severity):
    """Pads of 0.8, 0.9 and 1.0 mm in turn; one size may be treated in two ways, vias covered."""
    spots = [(3.0 + 2 * k, 10.0) for k in range(12)]
    pads = "".join(
        f"%ADD{11 + n}C,{0.8 + 0.1 * n:.1f}*%\nD{11 + n}*\n{dots(*spots[n::3])}" for n in range(3)
    )
    open_ = dots(*(spot for k, spot in enumerate(spots) if k not in covered))
    (found,) = told(
        "mask/opening-missing",
        top_gbr=layer("Copper,L1,Top", pads),
        mask_top_gbr=layer("Soldermask,Top", open_, polarity="Negative", pen=1.2),
    )
    assert (found.severity, found.count) == (severity, len(covered))


@pytest.mark.parametrize(
    ("x", "pen", "found"),
    [(7.5, 2.1, [2.5]), (7.5, 3.1, []), (7.5, 1.5, []), (9.0, 2.1, [])],
    ids=["its size", "a larger one", "a smaller one", "far off"],
)
def test_an_opening_wholly_beside_its_pad_is_shifted(x, pen, found):
    """A pad of 2 mm at (5, 5) is covered; what lies beside has neither pad nor hole of its own."""
    mask = layer("Soldermask,Top", dots((25, 15)), pen=2.1, polarity="Negative")
    beside = f"%ADD11C,{pen}*%\nD11*\n{dots((x, 5))}M02*\n"
    files = {"mask_top_gbr": mask.removesuffix("M02*\n") + beside}
    assert [f.measured for f in told("mask/opening-shifted", **files)] == pytest.approx(found)
    assert len(told("mask/opening-missing", **files)) == (not found)


def test_pads_of_a_size_that_is_covered_throughout_have_no_shifted_opening():
    """Vias under mask are no pads that lost their opening, whatever opens beside them."""
    small = f"%ADD12C,0.8*%\nD12*\n{dots((15, 10))}M02*\n"
    copper = SOUND["top.gbr"].removesuffix("M02*\n") + small
    mask = layer("Soldermask,Top", dots((5, 5), (25, 15)), pen=2.1, polarity="Negative")
    beside = f"%ADD11C,0.9*%\nD11*\n{dots((16, 10))}M02*\n"
    files = {"top_gbr": copper, "mask_top_gbr": mask.removesuffix("M02*\n") + beside}
    assert not told("mask/opening-shifted", **files)


def test_rim_round_a_bare_hole_is_told_once():
    """A pad of 2.0 mm round a bare hole of 1.9 mm leaves a rim of 0.05 mm: one place a layer."""
    pads = dots((5, 5), (25, 15), (15, 10))
    bare = drill((15, 10), size=1.9, function="NonPlated,1,2,NPTH")
    (found,) = told("copper/rim-thin", top_gbr=layer("Copper,L1,Top", pads), bare_drl=bare)

    assert found.count == 1
    assert found.measured == pytest.approx(0.05, abs=0.006)


def test_outline_routed_by_the_drill_file_is_no_slot():
    """A router path along the whole outline is left to the profile, and told."""
    path = (
        "T2\nG00X0.0Y0.0\nM15\nG01X30.0Y0.0\nG01X30.0Y20.0\nG01X0.0Y20.0\nG01X0.0Y0.0\nM16\nG05\n"
    )
    text = drill((15, 10), size=1.0, function="NonPlated,1,2,NPTH", body=path)
    board = board_of(bare_drl=text.replace("T1C1.000\n", "T1C1.000\nT2C2.000\n"))

    assert [p.id for p in board.problems if p.id == "board/outline-routed"]
    assert len(board.slots) == 0
    assert board.area_mm2 == pytest.approx(600, rel=0.01)


def test_slot_inside_the_board_stays_a_slot():
    """A router path off the outline is a slot."""
    path = "T2\nG00X10.0Y5.0\nM15\nG01X20.0Y5.0\nM16\nG05\n"
    text = drill((15, 10), size=1.0, function="NonPlated,1,2,NPTH", body=path)
    board = board_of(bare_drl=text.replace("T1C1.000\n", "T1C1.000\nT2C2.000\n"))

    assert len(board.slots) == 1


def test_film_text_beside_the_board_is_no_layer_out_of_place():
    """Openings all over the board and many more beside it: the film's frame, no wrong origin."""
    on_board = [(2 + 4 * k, 3 + 14 * (k % 2)) for k in range(7)]
    beside = [(40 + k, 30) for k in range(20)]
    mask = layer("Soldermask,Top", dots(*on_board, *beside), polarity="Negative")
    assert told("register/off-profile", mask_top_gbr=mask) == []

    only_beside = layer("Soldermask,Top", dots(*beside), polarity="Negative")
    assert told("register/off-profile", mask_top_gbr=only_beside)


def castellated(function):
    """Files with three plated holes of 1 mm in pads of 2 mm, halved by the right edge."""
    spots = ((30, 6), (30, 10), (30, 14))
    return {
        "top_gbr": layer("Copper,L1,Top", dots((5, 5), (25, 15), *spots)),
        "bottom_gbr": layer("Copper,L2,Bot", dots((5, 5), (25, 15), *spots)),
        "half_drl": drill(*spots, function=function),
    }


def test_plated_holes_halved_by_the_edge_are_told_once():
    """Half holes that no file calls castellated are a warning, and no rings or copper cut open."""
    files = castellated("Plated,1,2,PTH")
    (found,) = told("hole/crosses-edge", **files)

    assert (found.severity, found.count) == (Severity.WARNING, 3)
    assert "castellated" in found.message
    for rule in ("copper/edge-cut", "copper/edge-near", "hole/ring-thin", "hole/ring-broken"):
        assert told(rule, **files) == []


def test_half_holes_called_castellated_by_their_pads_or_the_job_file_are_meant():
    files = castellated("Plated,1,2,PTH")
    pads = files["top_gbr"].replace("%ADD10", "%TA.AperFunction,CastellatedPad*%\n%ADD10")
    stated = job(GeneralSpecs__Castellated=True)
    for meant in (files | {"top_gbr": pads}, files | {"x_gbrjob": stated}):
        (found,) = told("hole/crosses-edge", **meant)
        assert (found.severity, found.count) == (Severity.NOTE, 3)


@pytest.mark.parametrize(("size", "fires"), [(0.3, False), (1.0, True)])
def test_a_mask_may_cover_a_face_of_vias_alone(size, fires):
    """Six pads of 2 mm and a mask that draws nothing: vias are covered, leads are not."""
    spots = tuple((5.0 + 4 * k, 10.0) for k in range(6))
    found = told(
        "package/empty-layer",
        top_gbr=layer("Copper,L1,Top", dots(*spots)),
        bottom_gbr=layer("Copper,L2,Bot", dots(*spots)),
        holes_drl=drill(*spots, size=size),
        mask_bottom_gbr=layer("Soldermask,Bot", "", polarity="Negative"),
    )
    assert [f.message for f in found] == ["the bottom solder mask has no opening"] * fires


@pytest.mark.parametrize(("ref", "joined", "fires"), [
    ("NT1", True, False), ("NT1", False, True), ("R1", True, True)
])  # fmt: skip
def test_the_mask_may_cover_what_joins_two_nets_in_the_copper(ref, joined, fires):
    """A part of two pads, 2 mm apart, without openings."""
    pads = "".join(f"%TO.P,{ref},{n}*%\n{dots((x, 10))}" for n, x in ((1, 14), (2, 16.5)))
    bar = line((14, 10), (16.5, 10)) if joined else ""
    top = layer("Copper,L1,Top", dots((5, 5), (25, 15)) + pads + "%TD*%\n" + bar)
    top = top.replace("%ADD10", "%TA.AperFunction,SMDPad,CuDef*%\n%ADD10")
    assert bool(told("mask/opening-missing", top_gbr=top)) is fires


def test_parts_of_a_board_of_one_layer_lie_on_its_face():
    """A netlist gives the only layer of copper the number 1."""
    found = told(
        "placement/other-side",
        bottom_gbr=None,
        top_gbr=layer("Copper,L1,Top", dots(*LINK)),
        table_csv=placement("R1,15.5,10,0,top")["positions.csv"],
        nets_ipc=netlist(*LINKED)["board.ipc"],
    )
    assert found == []


@pytest.mark.parametrize(("stated", "fires"), [(False, True), (True, False)])
def test_job_file_that_states_no_castellated_edges(stated, fires):
    """Three half holes disagree with a job file that states none, and agree with one that does."""
    found = told(
        "job/castellated-differs",
        x_gbrjob=job(GeneralSpecs__Castellated=stated),
        **castellated("Plated,1,2,PTH"),
    )

    assert bool(found) is fires
    if fires:
        assert found[0].count == 3
        assert at(found[0], 30, 6)


def test_plated_hole_that_touches_the_edge_is_no_half_hole():
    """A hole whose middle lies 0.3 mm inside the edge crosses it, and is not called castellated."""
    (found,) = told("hole/crosses-edge", near_drl=drill((29.7, 10)))

    assert "castellated" not in found.message


def test_pad_of_a_plated_hole_that_crosses_the_edge_is_told_with_it():
    """A hole 0.3 mm inside the edge has its pad cut: one finding; a pad without has its own."""
    top = layer("Copper,L1,Top", dots((29.7, 10), (5, 5)))
    assert told("copper/edge-cut", top_gbr=top, near_drl=drill((29.7, 10))) == []
    assert [f.count for f in told("copper/edge-cut", top_gbr=top)] == [1]


def test_bare_hole_at_a_cut_out_crosses_no_edge():
    """In a cut-out of 1 x 3 mm a bare hole is milled with it or widens it; a plated one is cut."""
    profile = layer("Profile,NP", frame(30, 20) + frame(1, 3, 14.5, 8.5), pen=0.1)
    bare = "NonPlated,1,2,NPTH"
    for x in (15, 15.3):
        assert (
            told("hole/crosses-edge", profile_gbr=profile, bare_drl=drill((x, 10), function=bare))
            == []
        )
    (found,) = told("hole/crosses-edge", profile_gbr=profile, via_drl=drill((15.3, 10)))
    assert at(found, 15.3, 10)


def test_copper_around_a_small_cut_out_is_placed_beside_it():
    """A pour 0.1 mm off the edge of a cut-out of 2 mm square: the place is no middle of a hole."""
    around = line((8, 8), (22, 8), (22, 14), (8, 14), (8, 8))
    clear = line((13.9, 9.9), (16.1, 9.9), (16.1, 12.1), (13.9, 12.1), (13.9, 9.9))
    top = layer("Copper,L1,Top", f"G36*\n{around}G37*\n%LPC*%\nG36*\n{clear}G37*\n")
    outline = layer("Profile,NP", frame(30, 20) + frame(2, 2, 14, 10), pen=0.1)
    found = told("copper/edge-near", top_gbr=top, profile_gbr=outline)
    x, y = found[0].places[0].x_mm, found[0].places[0].y_mm

    assert found[0].measured == pytest.approx(0.1, abs=0.003)
    assert max(abs(x - 15), abs(y - 11)) == pytest.approx(1.05, abs=0.01)


@pytest.mark.parametrize(("pins", "severity"), [(16, Severity.NOTE), (15, Severity.ERROR)])
def test_grounds_of_a_module_are_joined_in_it(pins, severity):
    """Two of 16 pins 2.54 mm apart on GND and on no track: the module may join them."""
    pads = "".join(
        f"%TO.N,{'GND' if n in (0, 9) else f'N{n}'}*%\n%TO.P,U1,{n + 1}*%\n"
        + dots((5 + 2.54 * (n % 8), 5 + 7.62 * (n // 8)))
        for n in range(pins)
    )
    (found,) = told("net/open", top_gbr=layer("Copper,L1,Top", pads, pen=1.5))

    assert found.severity is severity
    assert found.message.startswith("ground net GND: U1 pin ")


@pytest.mark.parametrize(
    ("other", "severity"), [("J1,S1", Severity.NOTE), ("J1,S2", Severity.ERROR)]
)
def test_open_between_tabs_of_one_pin(other, severity):
    """Tabs of one pin with nothing else on their net are joined by the part: a note, not an error.

    Net and pin are stated as in the Gerber Layer Format Specification 2021.02, 5.6.13 and 5.6.14.
    """
    tabs = "".join(
        f"%TO.N,SHIELD*%\n%TO.P,{pin}*%\n" + dots(spot)
        for pin, spot in (("J1,S1", (5, 5)), (other, (25, 15)))
    )
    (found,) = told("net/open", top_gbr=layer("Copper,L1,Top", tabs))

    assert found.severity is severity
    assert found.measured == pytest.approx(500**0.5 - 2, abs=0.005)


def test_connections_are_not_judged_without_plated_holes():
    """Without a drill file nothing joins the layers, and the missing file is told by itself."""
    tabs = "%TO.N,A*%\n" + dots((5, 5), (25, 15))
    board = board_of(top_gbr=layer("Copper,L1,Top", tabs), holes_drl=None)
    (check,) = [c for c in CHECKS if c.id == "net/connections"]
    outcome = run_check(check, Case(board, load_house()))

    assert outcome.state is State.NOT_JUDGED
    assert "plated holes" in outcome.reason


def test_outline_drawn_in_every_layer_is_no_legend_on_copper():
    """An outline drawn in copper, mask and legend lies on itself, and is not told as ink."""
    top = copper("Copper,L1,Top", frame(30, 20), 0.1)
    mask = layer("Soldermask,Top", frame(30, 20), polarity="Negative", pen=0.1)
    legend = layer("Legend,Top", frame(30, 20), pen=0.1)
    assert told("legend/on-copper", top_gbr=top, mask_top_gbr=mask, legend_gbr=legend) == []

    opened = layer("Soldermask,Top", dots((5, 5)), polarity="Negative", pen=2.1)
    ink = layer("Legend,Top", line((4, 5), (6, 5)), pen=0.2)
    (found,) = told("legend/on-copper", mask_top_gbr=opened, legend_gbr=ink)
    assert at(found, 5, 5)


def test_pad_drawn_with_a_stroke_is_at_home_in_its_opening():
    """Two pads in one opening are both meant, though one is a stroke known by its hole alone."""
    top = copper("Copper,L1,Top", line((9, 10), (11, 10)) + dots((15, 10)), 1.6)
    mask = layer(
        "Soldermask,Top", line((9, 10), (15, 10)) + dots((5, 5), (25, 15)), polarity="Negative"
    )
    holes = drill((5, 5), (25, 15), (10, 10))
    assert told("mask/neighbour-bared", top_gbr=top, mask_top_gbr=mask, holes_drl=holes) == []

    (found,) = told("mask/neighbour-bared", top_gbr=top, mask_top_gbr=mask)
    assert found.measured == pytest.approx(1.6, abs=0.01)


@pytest.mark.parametrize(("colour", "better"), [("green", False), ("black", True)])
def test_green_mask_is_advised_only_where_it_helps(colour, better):
    """A web of 0.06 mm, too thin in any colour; published guides allow thinner webs in green.

    The openings reach 0.2 mm beyond their pads, which leave room for a wider web.
    """
    (found,) = told(
        "mask/web-thin",
        CheckOptions(colour=colour),
        top_gbr=layer("Copper,L1,Top", dots((5, 5), (6.06, 5), (25, 15)), pen=0.6),
        mask_top_gbr=layer("Soldermask,Top", dots((5, 5), (6.06, 5), (25, 15)), pen=1.0),
    )

    assert found.severity is Severity.WARNING
    assert found.measured == pytest.approx(0.06, abs=0.002)
    assert ("choose green mask" in found.advice) is better


def test_a_thin_web_between_near_pads_is_only_to_know():
    """Openings 0.05 mm larger than pads 0.16 mm apart leave 0.06 mm: the house leaves it out."""
    spots = dots((5, 5), (6.06, 5), (25, 15))
    (found,) = told(
        "mask/web-thin",
        top_gbr=layer("Copper,L1,Top", spots, pen=0.9),
        mask_top_gbr=layer("Soldermask,Top", spots, pen=1.0),
    )
    assert found.severity is Severity.NOTE


BARE = "NonPlated,1,2,NPTH"


@pytest.mark.parametrize(("x", "severity"), [(15, Severity.WARNING), (22, Severity.NOTE)])
def test_a_bare_hole_that_cuts_a_track_in_two(x, severity):
    """A hole on the middle of a track parts it; on its end it takes an end away."""
    (found,) = told(
        "hole/bare-through-copper",
        top_gbr=copper("Copper,L1,Top", line((8, 10), (22, 10)), 0.4),
        bare_drl=drill((x, 10), size=1.0, function=BARE),
    )
    assert found.severity is severity
    assert at(found, x, 10)


@pytest.mark.parametrize(
    ("size", "tracks", "severity"),
    [
        (1.0, line((15, 10), (22, 10)), Severity.WARNING),
        (2.5, line((15, 10), (22, 10)), Severity.ERROR),
        (1.0, line((15, 13), (22, 13)), Severity.NOTE),
    ],
    ids=["a ring is left", "no pad is left", "no track leads there"],
)
def test_a_bare_hole_in_pads_on_two_layers_that_tracks_lead_to(size, tracks, severity):
    """Pads of 2 mm on both faces at (15, 10): a pin's joint, unless nothing is led to it."""
    pads = layer("Copper,L1,Top", dots((15, 10)), pen=2.0).removesuffix("M02*\n")
    found = told(
        "hole/bare-through-copper",
        top_gbr=f"{pads}%ADD12C,0.3*%\nD12*\n{tracks}M02*\n",
        bottom_gbr=layer("Copper,L2,Bot", dots((15, 10)), pen=2.0),
        bare_drl=drill((15, 10), size=size, function=BARE),
    )
    assert [f.severity for f in found] == [severity]
    assert at(found[0], 15, 10)


def test_a_bare_hole_that_takes_the_bend_of_a_track_parts_it():
    (found,) = told(
        "hole/bare-through-copper",
        top_gbr=copper("Copper,L1,Top", line((8, 10), (15, 10), (15, 16)), 0.3),
        bare_drl=drill((15, 10), size=2.0, function=BARE),
    )
    assert found.severity is Severity.WARNING
    assert "in two" in found.message


@pytest.mark.parametrize(("y", "found"), [(10, ["decide"]), (12.95, ["know"]), (13.5, [])])
def test_a_bare_hole_in_a_pour_that_keeps_no_clearance(y, found):
    """A pour from y = 8 to 12; a hole of 2 mm inside, one that it only nibbles, one beside."""
    pour = "G36*\n" + line((5, 8), (25, 8), (25, 12), (5, 12), (5, 8)) + "G37*\n"
    said = told(
        "hole/bare-through-copper",
        top_gbr=layer("Copper,L1,Top", pour + dots((6, 10))),
        bare_drl=drill((15, y), size=2.0, function=BARE),
    )
    assert [f.consequence.word for f in said] == found


def test_a_ring_of_tracks_is_not_parted_by_one_hole():
    """The other way round still joins the ends."""
    ring = line((8, 8), (22, 8), (22, 12), (8, 12), (8, 8))
    (found,) = told(
        "hole/bare-through-copper",
        top_gbr=copper("Copper,L1,Top", ring, 0.4),
        bare_drl=drill((15, 8), size=1.0, function=BARE),
    )
    assert found.severity is Severity.NOTE


def test_a_track_on_the_edge_is_no_outline():
    """A third of one side is a track that is cut; all round is the outline drawn along."""
    track = {"top_gbr": copper("Copper,L1,Top", line((10, 0), (20, 0)), 0.2)}
    outline = {"top_gbr": copper("Copper,L1,Top", frame(30, 20), 0.2)}
    assert [f.severity for f in told("copper/edge-cut", **track)] == [Severity.WARNING]
    assert told("copper/outline-drawn", **track) == []
    assert told("copper/edge-cut", **outline) == []
    assert len(told("copper/outline-drawn", **outline)) == 1


SIX = tuple((4.0 + 4 * k, 10.0) for k in range(6))


@pytest.mark.parametrize(
    ("lost", "severity", "function"),
    [
        (1, Severity.WARNING, "Plated,1,2,PTH"),
        (3, Severity.NOTE, "Plated,1,2,PTH"),
        (1, Severity.WARNING, ""),
    ],
)
def test_a_pad_that_few_holes_of_a_size_lack_is_forgotten(lost, severity, function):
    """One of six is a slip, three of six are meant; a tool of plated holes needs no name."""
    (found,) = told(
        "hole/pad-missing",
        top_gbr=layer("Copper,L1,Top", dots(*SIX)),
        bottom_gbr=layer("Copper,L2,Bot", dots(*SIX[lost:])),
        holes_drl=drill(*SIX, function=function),
    )
    assert found.severity is severity
    assert found.count == lost
    assert at(found, 4, 10)


def slot_of_a_pad(*faces, bare=True):
    """A cut-out of 0.6 x 1.2 mm in the profile, in a pad of 1.6 x 2.2 mm on some faces."""
    pad = line((14.5, 9.1), (14.5, 10.3)) + line((15.1, 9.1), (15.1, 10.3))
    pad += line((14.8, 9.1), (14.8, 10.3))
    files = {"profile_gbr": layer("Profile,NP", frame(30, 20) + frame(0.6, 1.2, 14.5, 9.1), pen=0)}
    for face, number in (("Top", 1), ("Bot", 2)):
        body = dots((5, 5), (25, 15)) + (pad if face in faces else "")
        name = {"Top": "top_gbr", "Bot": "bottom_gbr"}[face]
        files[name] = layer(f"Copper,L{number},{face}", body, pen=1.0)
        opened = layer(f"Soldermask,{face}", body if bare else dots((5, 5)), pen=1.0)
        files[f"mask_{name}"] = opened
    return files


def test_slot_of_a_pad_drawn_in_the_profile_is_to_be_plated():
    """Pads on both faces make it a plated slot: that is said, not that copper meets the edge."""
    files = slot_of_a_pad("Top", "Bot")
    (found,) = told("profile/cut-in-pads", **files)
    assert (found.count, found.measured) == (1, pytest.approx(0.72))
    assert at(found, 14.8, 9.7)
    for rule in ("profile/cut-too-narrow", "copper/edge-cut", "copper/edge-near"):
        assert told(rule, **files) == []

    # An opening that every layer repeats has no pad around it.
    same = slot_of_a_pad("Top", "Bot")
    for name, function in (("top_gbr", "Copper,L1,Top"), ("bottom_gbr", "Copper,L2,Bot")):
        body = dots((5, 5), (25, 15)) + "G36*\n" + frame(0.6, 1.2, 14.5, 9.1) + "G37*\n"
        same[name] = layer(function, body, pen=1.0)
    assert told("profile/cut-in-pads", **same) == []

    for other in (slot_of_a_pad("Top"), slot_of_a_pad("Top", "Bot", bare=False)):
        assert told("profile/cut-in-pads", **other) == []
        assert len(told("profile/cut-too-narrow", **other)) == 1
        assert len(told("copper/edge-cut", **other)) == 1


def test_marks_of_a_panel_that_the_profile_cuts_are_no_slots_of_parts():
    """On a rail nothing is soldered, so no wall there has to be plated."""
    board = board_of(**slot_of_a_pad("Top", "Bot"))
    rails = np.array([shapely.box(10, 0, 30, 20)])
    framed = replace(board, panel=SimpleNamespace(rails=rails))
    case = Case(framed, load_house(), CheckOptions())
    assert list(run_check(next(c for c in CHECKS if c.id == "profile/pads"), case).findings) == []


def test_copper_far_beyond_the_edge_runs_over_it():
    """A pour that ends 1 mm beyond the board or lies over a cut-out has no border at the edge."""
    wide = "G36*\n" + frame(32, 22, -1, -1) + "G37*\n"
    (found,) = told("copper/edge-cut", top_gbr=layer("Copper,L1,Top", wide))
    assert found.count == 1

    profile = layer("Profile,NP", frame(30, 20) + frame(4, 4, 13, 8), pen=0)
    pour = layer("Copper,L1,Top", "G36*\n" + frame(28, 18, 1, 1) + "G37*\n")
    (found,) = told("copper/edge-cut", top_gbr=pour, profile_gbr=profile)
    assert (found.count, "at a cut-out" in found.message) == (1, True)
    assert "cut-outs" in found.advice


def test_a_drill_size_in_mils_is_the_size_it_rounds():
    """32 mil is a drill of 0.8 mm; 0.83 mm lies between the steps of the bundled sheet."""
    assert told("hole/odd-size", holes_drl=drill((5, 5), (25, 15), size=0.8128)) == []
    (found,) = told("hole/odd-size", holes_drl=drill((5, 5), (25, 15), size=0.83))
    assert found.measured == pytest.approx(0.83)


def test_a_hole_beside_its_pad_breaks_out_by_what_lies_outside():
    """A hole of 1 mm, 0.7 mm beside the middle of a pad of 2 mm, reaches 0.2 mm beyond it."""
    found = told("hole/ring-broken", holes_drl=drill((5.7, 5), (25, 15), size=1.0))
    assert found[0].measured == pytest.approx(-0.2, abs=0.005)
    assert "by up to 0.2" in found[0].message


@pytest.mark.parametrize(("size", "severity"), [(0.4, Severity.NOTE), (0.8, Severity.WARNING)])
def test_a_via_drilled_twice_is_to_know(size, severity):
    """The house drops one of two equal vias; two holes of a part may be two parts."""
    (found,) = told("hole/duplicate", holes_drl=drill((5, 5), (5, 5), (25, 15), size=size))
    assert found.severity is severity


@pytest.mark.parametrize(("x", "words"), [(15, "by cut-outs in"), (30, "by the board's edge in")])
def test_legend_is_cut_by_what_cuts_it(x, words):
    """A line of 4 mm across the rim of a cut-out of 4 mm, or across the edge of the board."""
    profile = layer("Profile,NP", frame(30, 20) + frame(4, 4, 13, 8), pen=0)
    mark = layer("Legend,Top", line((x, 10), (x + 4, 10)), pen=0.3)
    found = told("legend/off-board", profile_gbr=profile, legend_gbr=mark)
    assert [words in f.message for f in found] == [True]
