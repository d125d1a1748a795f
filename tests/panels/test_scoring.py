"""Boards edge to edge, parted by score lines: which edges allow them, and what is written.

Sizes are worked out by hand beside their test; areas are measured by shapely.
"""

from __future__ import annotations

import json
import zipfile
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from jsonschema import Draft202012Validator
from panel_boards import assert_given_back, read

import fabkit
from fabkit.base.errors import UsageError
from fabkit.board.model import PathKind
from fabkit.package.model import RoleKind
from fabkit.panels.frame import build_scored_frame, with_marks
from fabkit.panels.model import Measures
from fabkit.panels.nesting import lay_scored
from fabkit.schemas import load_schema

SCORED = fabkit.PanelOptions(score=True)


@pytest.fixture(scope="module")
def card():
    return read("card")


@pytest.fixture(scope="module")
def made(card, tmp_path_factory):
    """Two cards of 85.6 x 53.98 mm with rounded corners."""
    out = tmp_path_factory.mktemp("scored") / "panel.zip"
    return fabkit.panel([card], out, options=SCORED)


def test_marks_stand_in_the_rails_of_a_nearly_square_panel():
    """Boards of 84 x 80 mm in all: rails along the 84 mm make the panel 90 mm high, and the marks
    are still in the rails."""
    boards = [shapely.box(x, 0, x + 42, 80) for x in (0, 42)]
    measures = replace(Measures.of(fabkit.load_house(), score=True), rail=5.0)
    copies = [SimpleNamespace(profile=board) for board in boards]
    frame = with_marks(build_scored_frame(copies, measures, rails=True), measures)

    assert frame.box == (0, -5, 84, 85)
    spots = shapely.points(np.concatenate((frame.tooling, frame.fiducials)))
    assert len(spots) == 7
    assert not shapely.intersects(shapely.union_all(boards), spots).any()
    assert shapely.contains(shapely.union_all(list(frame.waste)), spots).all()


def test_boards_lie_edge_to_edge(made):
    # The score line is the longer side, so the panel is the squarer one: 2 x 53.98 = 107.96.
    assert made.plan.size_mm == pytest.approx((85.6, 107.96), abs=0.005)
    assert made.plan.frame.score == pytest.approx(np.array([[0, 53.98, 85.6, 53.98]]), abs=0.005)
    assert not made.plan.frame.tabs
    # All that is no board is the room outside of eight corners rounded with 3.18 mm.
    rounded = 8 * 3.18**2 * (1 - np.pi / 4)
    assert made.plan.waste_share == pytest.approx(rounded / (85.6 * 107.96), rel=0.01)


def test_scored_panel_is_fit_and_read_as_one(made):
    assert made.result.verdict == "fit to order"
    assert made.board.panel.count == 2
    assert any(path.kind is PathKind.SCORE for path in made.board.panel.paths)
    assert any("to file off" in remark for remark in made.remarks)


def test_boards_broken_apart_are_those_that_went_in(made, card):
    assert_given_back(made, [card, card])


def test_profile_keeps_true_arcs(made):
    with zipfile.ZipFile(made.packed.path) as archive:
        (name,) = [n for n in archive.namelist() if "profile" in n]
        text = archive.read(name).decode()
    # Corners have a radius of 3.18 mm, so centres lie 3.18 mm off an end, to the nanometre.
    assert text.count("J3180000D01*") + text.count("J-3180000D01*") + text.count("J0D01*") == 8


def test_document_of_a_scored_panel_fits_its_schema(made):
    document = json.loads(made.packed.path.with_suffix(".json").read_text())
    assert not list(Draft202012Validator(load_schema("panel")).iter_errors(document))
    assert len(document["score_lines"]) == 1
    assert document["gap_mm"] == 0


def lay(outlines, *, rails=False):
    measures = Measures.of(fabkit.load_house(), score=True)
    labels = [f"board {n}" for n in range(len(outlines))]
    return lay_scored(outlines, labels, cost=lambda w, h: w + h, measures=measures, rails=rails)


def test_boards_lie_in_rows_and_columns():
    box = shapely.box(0, 0, 60, 40)
    laid = lay([box] * 4)
    # Two by two: 120 + 80; four in a row are 240 + 40 or 60 + 160.
    assert laid.cost == 200
    assert shapely.union_all(laid.outlines).area == 4 * 60 * 40


def test_board_with_one_straight_side_is_turned_to_another():
    arch = shapely.Polygon([(0, 0), (60, 0), (50, 40), (30, 60), (10, 40)])
    laid = lay([arch, arch])
    turns = sorted(placing.quarter_turns for placing in laid.placings)
    assert turns[1] - turns[0] == 2
    assert shapely.intersection(*laid.outlines).length == pytest.approx(60)
    with pytest.raises(UsageError, match="straight on bottom") as caught:
        lay([arch] * 3)
    assert "routed apart" in caught.value.hint


def test_boards_of_different_sizes_share_what_is_equal():
    # 40 mm of height are common; the score line between them crosses the whole panel.
    laid = lay([shapely.box(0, 0, 60, 40), shapely.box(0, 0, 90, 40)])
    assert laid.cost == 150 + 40
    with pytest.raises(UsageError, match="60 x 41 mm"):
        lay([shapely.box(0, 0, 60, 41), shapely.box(0, 0, 90, 40)])


def test_what_cannot_be_scored_is_refused(card, tmp_path):
    disc = shapely.MultiPolygon([shapely.Point(42, 27).buffer(24, quad_segs=32)])
    # Tracks of the card run across y = 45 mm.
    x0, y0, x1, _ = card.bounds
    tight = shapely.MultiPolygon([shapely.box(x0, y0, x1, y0 + 45)])
    cases = [
        (replace(card, profile=disc), {}, "allow no score lines"),
        (replace(card, profile=tight), {}, "copper of card 1 is 0 mm from a score line"),
        (replace(card, thickness_mm=0.6), {}, "too thin to be scored"),
        (read("defects/clean"), {}, "its sides may be 75 mm"),
    ]
    for board, options, words in cases:
        with pytest.raises(UsageError, match=words) as caught:
            fabkit.panel([board], tmp_path / "no.zip", options=replace(SCORED, **options))
        assert caught.value.hint
    both = replace(SCORED, gap_mm=3.0)
    with pytest.raises(UsageError, match="no gap"):
        fabkit.panel([card], tmp_path / "no.zip", options=both)
    assert not list(tmp_path.iterdir())


def test_score_lines_are_a_layer_of_their_own(made):
    kinds = [layer.kind for layer in made.board.layers]
    assert kinds.count(RoleKind.SCORE) <= 1
    (file,) = [f for f in made.board.package.files if f.role.kind is RoleKind.SCORE]
    assert file.gerber.attributes[".FileFunction"] == ("Vcut",)
