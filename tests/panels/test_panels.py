"""Several boards on one panel: laid, held, written, and cut apart again.

Areas are measured by shapely, an engine that is not ours; sizes of interlocking shapes are worked
out by hand beside their test.
"""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import replace
from decimal import Decimal
from itertools import combinations

import numpy as np
import pytest
import shapely
from jsonschema import Draft202012Validator
from panel_boards import FIXTURES, assert_given_back, read

import fabkit
from fabkit.base.errors import UsageError
from fabkit.base.findings import Finding, Place, Severity
from fabkit.board.model import PathKind
from fabkit.compare.boards import PANEL
from fabkit.outputs import panel
from fabkit.outputs.atomic import digest
from fabkit.outputs.panel import panel_files
from fabkit.outputs.terminal import Terminal, print_panel_verdict
from fabkit.package.model import RoleKind
from fabkit.panels.build import lay_boards, plan_panel
from fabkit.panels.nesting import lay_boxes, nest
from fabkit.rules import load_rule
from fabkit.schemas import load_schema


def area(width, height):
    return width * height


def keeps_gap(outlines, gap_mm):
    return all(a.distance(b) >= gap_mm - 1e-6 for a, b in combinations(outlines, 2))


@pytest.fixture(scope="module")
def halves():
    return [read("pair/left"), read("pair/right")]


@pytest.fixture(scope="module")
def made(halves, tmp_path_factory):
    """Left and right half on one panel with rails."""
    out = tmp_path_factory.mktemp("panel") / "panel.zip"
    order = fabkit.load_order(FIXTURES / "pair" / "order.toml")
    options = fabkit.PanelOptions(rails=True)
    return fabkit.panel(halves, out, order=order, options=options)


# Laying


def test_two_angles_interlock():
    # Arms of 10 mm on sides of 30: turned by half, the second lies over the first, 10 + 2 mm
    # aside, so the box is 42 x 30; beside each other they need 62 x 30.
    angle = shapely.Polygon([(0, 0), (30, 0), (30, 10), (10, 10), (10, 30), (0, 30)])
    laid = nest([angle, angle], gap_mm=2.0, cost=area)
    assert keeps_gap(laid.outlines, 2.0)
    width, height = np.sort(laid.bounds[2:] - laid.bounds[:2])
    assert (width, height) == pytest.approx((30.0, 42.0), abs=0.15)
    assert lay_boxes([angle, angle], gap_mm=2.0, cost=area).cost == pytest.approx(62 * 30)


def test_size_and_waste_are_known_without_a_panel():
    # Boards of 40 x 60 mm with the house's gap of 2 mm; rails of 5 mm lie 2 mm off the long sides.
    box = shapely.box(0, 0, 40, 60)
    options = fabkit.PanelOptions(rails=True)
    house = fabkit.load_house()
    width, height, waste = lay_boards([box, box], ["a", "b"], house=house, options=options)
    assert sorted((width, height)) == pytest.approx([74, 82], abs=0.15)
    assert waste == pytest.approx(1 - 4800 / (74 * 82), abs=0.003)


def test_boxes_are_laid_as_boxes():
    box = shapely.box(0, 0, 40, 20)
    laid = nest([box] * 4, gap_mm=2.0, cost=area)
    # No arrangement of four equal boxes is smaller than two by two: 82 x 42 (or 166 x 20).
    assert laid.cost == pytest.approx(min(82 * 42, 166 * 20), rel=0.005)
    assert keeps_gap(laid.outlines, 2.0)


def test_nothing_is_laid_where_it_does_not_fit():
    box = shapely.box(0, 0, 40, 20)

    def small(width, height):
        return np.where(np.maximum(width, height) <= 41, width * height, np.inf)

    assert nest([box] * 3, gap_mm=2.0, cost=small) is None
    assert nest([box], gap_mm=2.0, cost=small).cost == 800


# The panel as it is read back


def test_panel_is_fit_and_read_as_a_panel(made):
    assert made.result.verdict == "fit to order"
    found = made.board.panel
    assert found.count == 2
    assert len(found.rails) == 2
    # Of the panel's own making, so as the plan has them: counted without our reader's pads.
    assert len(found.paths) >= 3
    rows = [p for p in found.paths if p.kind is PathKind.PERFORATION]
    ends = sum(1 if tab.other is None else 2 for tab in made.plan.frame.tabs)
    assert sum(p.count for p in rows) == ends


def test_boards_cut_apart_are_those_that_went_in(made, halves):
    assert_given_back(made, halves)


def test_names_are_there_once(made):
    refs = [part.ref for part in made.board.components]
    assert len(refs) == len(set(refs))
    assert {ref.split("-")[0] for ref in refs if "-" in ref} == {"1", "2"}


def test_zip_holds_all_that_is_needed(made):
    with zipfile.ZipFile(made.packed.path) as archive:
        names = archive.namelist()
        readme = archive.read("readme.txt").decode()
    for ending in ("profile.gbr", "job.gbrjob", "netlist.ipc", "placement.csv", "parts.csv"):
        assert any(name.endswith(ending) for name in names)
    assert "dust mask" in readme
    assert "splinter" in readme


def test_panel_document_fits_its_schema(made):
    document = json.loads(made.packed.path.with_suffix(".json").read_text())
    assert document["path"] == made.packed.path.name
    assert not any("/" in board["package"] for board in document["boards"])
    assert not list(Draft202012Validator(load_schema("panel")).iter_errors(document))
    box = document["width_mm"] * document["height_mm"]
    boards = sum(shapely.area(copy.board.profile) for copy in made.plan.copies)
    assert document["waste_share"] == pytest.approx(1 - boards / box, abs=1e-6)
    assert made.packed.path.with_suffix(".png").read_bytes()[:4] == b"\x89PNG"


def test_tabs_keep_clear(made, halves):
    # No perforation comes nearer to copper than the house's distance, no tab near a hole or pad.
    for tab in made.plan.frame.tabs:
        holes = shapely.buffer(shapely.points(tab.holes), made.plan.measures.bite / 2)
        for layer in made.board.copper:
            near = shapely.distance(shapely.union_all(holes), layer.file.image)
            assert near >= made.plan.measures.copper - 1e-3


def test_compare_knows_a_panel_of_one_board(tmp_path):
    board = read("card")
    done = fabkit.panel([board], tmp_path / "two.zip")
    found = fabkit.compare_boards(board, done.board)
    assert [change.subject for change in found.changes] == [PANEL]
    assert found.changes[0].after == "panel of 2 boards"


def test_decisions_on_the_boards_are_no_stops_of_their_panel(tmp_path, monkeypatch):
    """Plating that is inferred of a board is stated on its panel; its holes stay as doubtful."""

    def judge(board, *_, **__):
        few = fabkit.check(board, options=fabkit.CheckOptions(only=("package/nets",)))
        severity = Severity.WARNING if board.panel is None else Severity.ERROR
        overlap = replace(Finding.of(load_rule("hole/overlap"), "holes overlap"), severity=severity)
        return replace(few, findings=(overlap, *few.findings))

    monkeypatch.setattr(panel, "check", judge)
    done = fabkit.panel([read("card")], tmp_path / "two.zip")
    assert done.result.verdict == "decide before ordering: 1 decision"


def test_same_boards_give_the_same_bytes(made, halves):
    labels, counts = ["left", "right"], [1, 1]
    house, options = fabkit.load_house(), fabkit.PanelOptions(rails=True)
    plan = plan_panel(halves, labels=labels, counts=counts, house=house, options=options)
    again = {name: digest(data) for name, data in panel_files(plan, made.board.name).items()}
    legend = {name for name in again if "top-legend" in name}  # labels are added later
    assert len(legend) == 1
    kept = {name: made.packed.members[name] for name in again.keys() - legend}
    assert kept == {name: again[name] for name in kept}


def test_panels_are_priced_beside_single_boards(made):
    # The bundled, invented card: 5 pieces of 82 x 99 mm at set-up 8.00, size 3.00, a further
    # design 5.00, a panel 4.00, 0.55 for each dm2; singly two designs of 68 x 48.5 mm.
    on_panels, singly = made.prices
    area = Decimal("0.82") * Decimal("0.99") * 5 * Decimal("0.55")
    alone = Decimal("0.68") * Decimal("0.485") * 5 * Decimal("0.55")
    options = on_panels.amount - (Decimal("20.00") + area)
    assert on_panels.boards == singly.boards == 10
    # Colour and finish cost the same for each set of files.
    assert singly.amount == pytest.approx(
        2 * (Decimal("11.00") + alone + options), abs=Decimal("0.02")
    )


def test_waste_has_no_sharp_points(made):
    # A disc of 1.9 mm radius reaches into all of it: nothing is narrower, no corner is sharper.
    for piece in made.plan.frame.waste:
        reached = piece.buffer(-1.9).buffer(1.9, quad_segs=64)
        assert piece.difference(reached).area < 0.01


def test_reasons_stand_beside_the_verdict():
    text = io.StringIO()
    panel = {
        "verdict": "do not order: 1 stop",
        "causes": [
            {
                "id": "hole/plating",
                "consequence": "stop",
                "text": "a hole has no ring",
                "remedy": "Draw it.",
            },
            *(
                {"id": "a/b", "consequence": "decide", "text": str(n), "remedy": ""}
                for n in range(9)
            ),
        ],
    }
    print_panel_verdict(Terminal(text), panel, path="panel.zip")
    said = text.getvalue()
    assert "stop: a hole has no ring [hole/plating]\n    Draw it." in said
    assert "and 4 more to decide: fabkit check panel.zip" in said


# What is refused


@pytest.mark.parametrize(
    ("rule", "words"),
    [("gerber/aperture-twice", ""), ("gerber/limit", "`fabkit mend` can put it right")],
)
def test_faults_that_cannot_harm_a_panel_are_remarks(halves, rule, words):
    # The panel's files draw each aperture anew; an image that is not whole would be drawn wrong.
    problem = Finding.of(load_rule(rule), "as it is")
    package = replace(halves[0].package, remarks=(problem,))
    boards = [replace(halves[0], package=package)]
    house, options = fabkit.load_house(), fabkit.PanelOptions()

    def plan():
        return plan_panel(boards, labels=["left"], counts=[2], house=house, options=options)

    if words:
        with pytest.raises(UsageError) as caught:
            plan()
        assert words in caught.value.hint
    else:
        assert any(rule in remark for remark in plan().remarks)


def test_a_board_whose_outline_was_found_in_a_legend_goes_on_a_panel(halves):
    """The panel draws its own profile; the outline near copper or mask is none to build on."""
    house, options = fabkit.load_house(), fabkit.PanelOptions()
    missing = Finding.of(load_rule("package/missing-profile"), "no file is the profile")
    package = replace(halves[0].package, remarks=(missing,))

    def plan(kind):
        name = package.of(kind)[0].name
        found = Finding.of(load_rule("profile/inferred"), "an outline was found", Place(file=name))
        board = replace(halves[0], package=package, problems=(found,))
        return plan_panel([board], labels=["left"], counts=[2], house=house, options=options)

    assert any("compare it with the panel" in remark for remark in plan(RoleKind.LEGEND).remarks)
    with pytest.raises(UsageError, match="no file is the profile"):
        plan(RoleKind.MASK)


def test_too_many_boards_do_not_fit(halves, tmp_path):
    # 9 boards of 198 x 198 mm fill more than the bundled house's largest panel of 500 x 500 mm.
    large = replace(halves[0], profile=shapely.MultiPolygon([shapely.box(0, 0, 198, 198)]))
    with pytest.raises(UsageError, match="do not fit on one panel"):
        fabkit.panel([large], tmp_path / "no.zip", options=fabkit.PanelOptions(copies=9))
    assert not list(tmp_path.iterdir())


def test_what_cannot_be_on_one_panel_is_refused(halves, tmp_path):
    left, right = halves
    out = tmp_path / "no.zip"
    thick = replace(right, thickness_mm=0.8)
    bare = replace(left, profile=None)
    single = replace(right, layers=tuple(a for a in right.layers if a.name != "bottom copper"))
    cases = [
        ([left, thick], {}, "thick"),
        ([left, single], {}, "copper layer"),
        ([bare], {}, "no outline"),
        ([left], {"gap_mm": 0.5}, "too narrow"),
        ([left], {"gap_mm": 1e9}, "too wide"),
        ([left], {"copies": 61}, "too many"),
    ]
    for boards, options, words in cases:
        with pytest.raises(UsageError, match=words) as caught:
            fabkit.panel(boards, out, options=fabkit.PanelOptions(**options))
        assert caught.value.hint
    assert not list(tmp_path.iterdir())


def test_round_board_has_no_edge_for_tabs(halves, tmp_path):
    disc = shapely.MultiPolygon([shapely.Point(30, 20).buffer(12, quad_segs=32)])
    round_board = replace(halves[0], profile=disc)
    with pytest.raises(UsageError, match="no straight edge"):
        fabkit.panel([round_board], tmp_path / "no.zip")
    assert not list(tmp_path.iterdir())
