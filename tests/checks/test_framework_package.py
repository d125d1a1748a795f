"""The coarse checks: what a package leaves unsaid, files out of place, outline, choices.

Each rule has a board that fires, with place and measure, and one that is silent at the limit.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from fabkit.base.findings import Severity
from fabkit.board.build import build_board
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case, CheckOptions, State
from fabkit.checks.runner import run_check
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house

BY_ID = {check.id: check for check in CHECKS}


def layer(function, *parts):
    """A layer in mm with 6 decimals."""
    head = f"%TF.FileFunction,{function}*%\n%FSLAX46Y46*%\n%MOMM*%\nG01*\n%ADD10C,0.1*%\nD10*\n"
    return head + "".join(parts) + "M02*\n"


def frame(width, height, x=0.0, y=0.0):
    """Outline of a rectangle, mm."""
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)]
    return "".join(
        f"X{a * 1e6:.0f}Y{b * 1e6:.0f}D0{1 if n else 2}*\n" for n, (a, b) in enumerate(corners)
    )


def dots(*points):
    """Flashes, mm."""
    return "".join(f"X{x * 1e6:.0f}Y{y * 1e6:.0f}D03*\n" for x, y in points)


def drill(*holes, size=1.0, head="; #@! TF.FileFunction,Plated,1,2,PTH\n"):
    """A drill file in mm with one tool."""
    hits = "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in holes)
    return f"M48\n{head}METRIC\nT1C{size:.3f}\n%\nG05\nT1\n{hits}M30\n"


def files_of(**changes):
    """A sound package of 30 x 20 mm; None takes a file out."""
    files = {
        "top.gbr": layer("Copper,L1,Top", dots((5, 5), (25, 15))),
        "bottom.gbr": layer("Copper,L2,Bot", dots((5, 5), (25, 15))),
        "legend.gbr": layer("Legend,Top", dots((10, 10))),
        "profile.gbr": layer("Profile,NP", frame(30, 20)),
        "holes.drl": drill((5, 5), (25, 15)),
    }
    files |= {name.replace("_", "."): text for name, text in changes.items()}
    return {name: text for name, text in files.items() if text is not None}


def findings(check_id, files=None, *, house=None, **options):
    """What one check finds on a package."""
    texts = files_of() if files is None else files
    members = tuple(Member(name, text.encode()) for name, text in sorted(texts.items()))
    package = read_package(Intake(name="p", source="p", members=members, left_out=()))
    case = Case(build_board(package), house or load_house(), CheckOptions(**options))
    outcome = run_check(BY_ID[check_id], case)
    assert outcome.state in (State.PASSED, State.FOUND), outcome
    return list(outcome.findings)


MINE = [
    "package/legend",
    "package/plating",
    "package/layers-offered",
    "package/alignment",
    "hole/inside-board",
    "profile/closed",
    "profile/size",
    "order/choices",
]


@pytest.mark.parametrize("check_id", MINE)
def test_a_sound_package_is_silent(check_id):
    """Nothing is found on a sound package with usual choices."""
    assert findings(check_id, colour="green", finish="enig", copper_oz=1.0) == []


def test_no_legend():
    """A package without any legend file is noted."""
    (found,) = findings("package/legend", files_of(legend_gbr=None))

    assert (found.id, found.severity) == ("package/no-legend", Severity.NOTE)


def test_unknown_plating():
    """A drill file that names no plating and meets no copper is pointed out; pads settle it."""
    elsewhere = {
        "top_gbr": layer("Copper,L1,Top", dots((15, 10))),
        "bottom_gbr": layer("Copper,L2,Bot", dots((15, 10))),
    }
    ring = "%ADD11C,2*%\nD11*\n" + dots((5, 5))
    pads = {
        "top_gbr": layer("Copper,L1,Top", ring),
        "bottom_gbr": layer("Copper,L2,Bot", ring),
    }
    unsaid = drill((5, 5), head="")
    (found,) = findings("package/plating", files_of(**elsewhere, holes_drl=unsaid))

    assert found.message == "holes.drl does not state the plating of its 1 hole"
    assert (found.id, found.places[0].file) == ("package/plating-unknown", "holes.drl")
    assert findings("package/plating", files_of(**pads, holes_drl=unsaid)) == []


def test_plating_without_copper():
    """A plate without copper layers has nothing to plate its holes for."""
    bare = files_of(top_gbr=None, bottom_gbr=None, holes_drl=drill((5, 5), head=""))

    assert findings("package/plating", bare) == []


def test_layers_not_offered():
    """Three copper layers are refused by a house that offers 1, 2 and 4."""
    files = files_of(
        top_gbr=layer("Copper,L1,Top", dots((5, 5))),
        inner_gbr=layer("Copper,L2,Inr", dots((5, 5))),
        bottom_gbr=layer("Copper,L3,Bot", dots((5, 5))),
    )
    (found,) = findings("package/layers-offered", files)

    assert (found.id, found.measured) == ("package/layers-not-offered", 3)


def test_a_hole_outside_the_board():
    """A hole 3 mm off the board is found with its place and distance; one inside is not."""
    files = files_of(holes_drl=drill((5, 5), (33, 10)))
    (found,) = findings("hole/inside-board", files)

    # Its centre lies 3 mm beyond the edge at x = 30.
    assert found.measured == pytest.approx(3.0, abs=0.002)
    assert (found.places[0].x_mm, found.places[0].y_mm) == (33, 10)
    assert (found.places[0].file, found.places[0].line) == ("holes.drl", 9)
    assert found.count == 1


def test_a_hole_that_touches_the_edge_is_on_the_board():
    """A hole that reaches into the board is there, if only half (another check judges edges)."""
    assert findings("hole/inside-board", files_of(holes_drl=drill((30, 10), (5, 5)))) == []


def test_a_file_out_of_place():
    """A layer wholly beside the board is an error, with the distance between the centres."""
    files = files_of(legend_gbr=layer("Legend,Top", dots((115, 10), (115, 11))))
    (found,) = findings("package/alignment", files)

    assert found.id == "package/file-out-of-place"
    # From (15, 10) to (115, 10.5).
    assert found.measured == pytest.approx((100**2 + 0.5**2) ** 0.5, abs=1e-6)
    assert found.places[0].file == "legend.gbr"


def test_a_file_much_larger():
    """A layer more than three times the board is a warning; just up to three times is not."""
    big = files_of(legend_gbr=layer("Legend,Top", frame(90.5, 10)))
    fits = files_of(legend_gbr=layer("Legend,Top", frame(89.8, 10)))

    assert [f.id for f in findings("package/alignment", big)] == ["package/file-much-larger"]
    assert findings("package/alignment", fits) == []


def test_a_profile_that_is_not_closed():
    """Lines that enclose nothing are an error at the profile file."""
    open_line = "X0Y0D02*\nX30000000Y0D01*\nX30000000Y20000000D01*\n"
    (found,) = findings("profile/closed", files_of(profile_gbr=layer("Profile,NP", open_line)))

    assert (found.id, found.places[0].file) == ("profile/not-closed", "profile.gbr")


def test_several_boards():
    """Two separate outlines are two boards, each with a place inside it."""
    both = layer("Profile,NP", frame(30, 20), frame(30, 20, x=40))
    (found,) = findings("profile/closed", files_of(profile_gbr=both))

    assert found.id == "profile/several-boards"
    assert "2 separate boards" in found.message
    assert sorted(p.x_mm > 35 for p in found.places) == [False, True]


@pytest.mark.parametrize(
    ("width", "height", "severity"),
    [
        (10, 20, None),
        (9.9, 20, Severity.WARNING),
        (4.9, 20, Severity.ERROR),
        (500, 20, None),
        (501, 20, Severity.ERROR),
    ],
)
def test_board_size(width, height, severity):
    """Sides are judged by the sheet: 10 to 500 mm, from 5 mm in the fine class."""
    files = {"profile.gbr": layer("Profile,NP", frame(width, height))}
    files |= {"top.gbr": layer("Copper,L1,Top", dots((1, 1)))}
    found = findings("profile/size", files)

    assert [f.severity for f in found] == ([] if severity is None else [severity])
    for finding in found:
        assert finding.measured == pytest.approx(width, abs=1e-6)


@pytest.mark.parametrize(
    ("thickness", "ids"),
    [(1.6, []), (1.2, []), (1.5, ["thickness/not-offered"]), (0.1, ["thickness/not-offered"])],
)
def test_thickness_offered(thickness, ids):
    """Only thicknesses of the sheet are offered, and the nearest one is named."""
    found = findings("thickness/offered", thickness_mm=thickness)

    assert [f.id for f in found] == ids
    for finding in found:
        nearest = min(load_house().options.thickness_mm, key=lambda t: abs(t - thickness))
        assert finding.limit == nearest


@pytest.mark.parametrize(
    ("options", "ids"),
    [
        ({"colour": "black", "finish": "osp", "copper_oz": 2.0}, []),
        ({"colour": "sky"}, ["order/colour-not-offered"]),
        ({"finish": "platinum"}, ["order/finish-not-offered"]),
        ({"copper_oz": 5.0}, ["order/copper-not-offered"]),
        ({"finish": "hasl"}, ["order/finish-with-lead"]),
    ],
)
def test_choices(options, ids):
    """What the sheet does not offer is an error; a finish with lead is a warning."""
    found = findings("order/choices", **options)

    assert [f.id for f in found] == ids


def test_notes_on_the_order() -> None:
    """What a text asks for is compared with what is chosen; before that it is only shown."""
    note = {"order.txt": "PCB thickness: 1.2 mm\nSolder mask: black\n"}
    texts = files_of() | note

    (shown,) = findings("order/notes", texts)
    assert shown.id == "order/note"
    (differs,) = findings("order/notes", texts, thickness_mm=1.6, colour="green")
    assert differs.id == "order/note-differs"
    assert "asks for black mask and 1.2 mm; ordered: green, 1.6 mm;" in differs.message
    assert "'PCB thickness: 1.2 mm'" in differs.message
    assert {(p.file, p.line) for p in differs.places} == {("order.txt", 1), ("order.txt", 2)}
    followed = findings("order/notes", texts, thickness_mm=1.2, colour="black")
    assert [f.id for f in followed] == ["order/note"]
    assert findings("order/notes") == []


def test_the_sheet_decides_not_the_check():
    """Another sheet with other options gives another verdict."""
    house = load_house()
    narrow = replace(house, options=replace(house.options, thickness_mm=(1.0,)))

    assert findings("thickness/offered", house=narrow, thickness_mm=1.0) == []
    assert findings("thickness/offered", house=narrow, thickness_mm=1.6) != []
