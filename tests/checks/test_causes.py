"""One cause is named once: what follows from it is folded under it, never hidden."""

from __future__ import annotations

import graphlib
from types import SimpleNamespace

import pytest
from checks.test_geometry_rules import board_of
from rules.set_cases import PADS, drill, layer, line

import fabkit
from fabkit.base.findings import Consequence, Finding, Place
from fabkit.checks.judging import check
from fabkit.checks.model import State
from fabkit.checks.runner import fold
from fabkit.package.model import Role, RoleKind
from fabkit.rules import load_rule, load_rules

RULES = {rule.id: rule for rule in load_rules()}


def explained(name):
    """Ids that a rule explains, groups written out."""
    entries = RULES[name].explains
    return [
        i
        for i in RULES
        if i != name and any(i == e or (e.endswith("/") and i.startswith(e)) for e in entries)
    ]


def test_what_a_rule_explains_exists():
    """Every entry names a rule or a group that there is."""
    for rule in RULES.values():
        for entry in rule.explains:
            assert entry in RULES or any(entry.endswith("/") and i.startswith(entry) for i in RULES)


def test_no_rule_explains_itself_over_others():
    """Following what explains what never leads back: each echo has one root."""

    roots = {rule.id for rule in RULES.values() if rule.explains}

    graphlib.TopologicalSorter(
        {name: roots.intersection(explained(name)) for name in roots}
    ).prepare()


FILES = SimpleNamespace(
    files=[
        SimpleNamespace(name="top", role=Role(kind=RoleKind.COPPER, side="top")),
        SimpleNamespace(name="bottom", role=Role(kind=RoleKind.COPPER, side="bottom")),
        SimpleNamespace(name="mask", role=Role(kind=RoleKind.MASK, side="top")),
    ],
    left_out=[SimpleNamespace(name="legend-top.gbr"), SimpleNamespace(name="copper-top.gbr")],
)


@pytest.mark.parametrize(
    ("lost", "follows"),
    [("legend-top.gbr", ""), ("mask", ""), ("copper-top.gbr", "package/incomplete-file")],
)
def test_a_short_does_not_follow_from_a_file_that_joins_nothing(lost, follows):
    """A legend or a mask that cannot be read hides no short between nets, lost copper may."""
    short = found("net/short", Place(file="bottom"))
    _, said = fold([found("package/incomplete-file", Place(file=lost)), short], FILES)
    assert (said.follows or "") == follows


def found(rule, *places):
    return Finding.of(load_rule(rule), rule, *places)


@pytest.mark.parametrize(("side", "follows"), [("top", True), ("bottom", False), (None, True)])
def test_a_layer_explains_its_own_face_alone(side, follows):
    """A top copper that fits nothing explains rings on top, not those on the bottom."""
    cause = found("register/no-fit", Place(file="top"))
    echo = found("hole/ring-broken", Place(file="drill", side=side, x_mm=1.0, y_mm=1.0))
    cause, echo = fold((cause, echo), FILES)
    assert echo.follows == (cause.id if follows else "")
    assert cause.consequence is (Consequence.STOP if follows else Consequence.DECIDE)


def test_a_frame_around_the_board_explains_no_hole():
    """A title block in one file hides neither small holes nor thin rings of the board itself."""
    frame, letters, hole = fold(
        (
            found("package/file-much-larger", Place(file="profile")),
            found("profile/lettering", Place(file="profile")),
            found("hole/plated-too-small", Place(file="drill", x_mm=1.0, y_mm=1.0)),
        ),
        FILES,
    )
    assert (letters.follows, hole.follows) == (frame.id, "")


def test_an_outline_in_copper_does_not_hide_copper_at_the_edge():
    """The line itself is left out of what is measured to the edge, so the rest is other copper."""
    outline, near = fold(
        (
            found("copper/outline-drawn", Place(file="top", side="top")),
            found("copper/edge-near", Place(file="top", side="top", x_mm=1.0, y_mm=1.0)),
        ),
        FILES,
    )
    assert near.follows == ""
    assert outline.consequence is Consequence.KNOW


def test_a_chain_has_one_root():
    """A file that is not there explains the missing layer, and through it the open net."""
    listed, copper, net = fold(
        (found("job/file-missing"), found("package/missing-copper"), found("net/open")), FILES
    )
    assert (copper.follows, net.follows) == (listed.id, listed.id)
    assert not listed.follows


def test_a_lost_tool_table_is_one_stop():
    """Without its tools a drill file lacks sizes and unit too: the verdict names the one cause."""
    whole = drill(*PADS, body="G00X8.0Y10.0\nM15\nG01X12.0Y10.0\nM16\n")
    headless = whole[whole.index("%\n") :]
    assert "T1C" not in headless
    result = check(board_of(holes_drl=headless))
    assert not result.in_state(State.BROKEN)
    assert [group[0].id for group in result.causes(Consequence.STOP)] == ["drill/tool-undefined"]
    assert any(f.follows == "drill/tool-undefined" for f in result)
    assert result.verdict.startswith("do not order: 1 stop")


def test_what_is_only_worth_knowing_takes_no_fine_class() -> None:
    """A thin legend line needs no surcharge: the board is fit to order without it."""
    board = board_of(
        legend_gbr=layer("Legend,Top", line((5, 10), (9, 10)), pen=0.12),
    )
    result = fabkit.check(board, options=fabkit.CheckOptions(only=("legend/line",)))
    (thin,) = result.findings
    assert (thin.consequence, thin.choice) == (Consequence.KNOW, "fine class")
    assert not result.needs_fine

    narrow = board_of(top_gbr=layer("Copper,L1,Top", line((5, 10), (9, 10)), pen=0.12))
    assert fabkit.check(narrow, options=fabkit.CheckOptions(only=("copper/width",))).needs_fine
