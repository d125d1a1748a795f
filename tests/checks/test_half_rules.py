"""Rules on halves and keys: each fires after one change to an invented board, and not before.

What the rules ask is common practice of builders of split keyboards.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import boards
import numpy as np
import pytest
import shapely

import fabkit
from fabkit.checks import half
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case, CheckOptions
from fabkit.checks.runner import run_check
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member

FIXTURES = Path(__file__).parents[2] / "fixtures"
DEMO = Path(__file__).parents[2] / "fabkit" / "demo" / "rev-b"
PLUS = "%ADD90C,0.2*%\nD90*\n" + "".join(
    f"X{x - 400000}Y{y}D02*\nX{x + 400000}Y{y}D01*\nX{x}Y{y - 400000}D02*\nX{x}Y{y + 400000}D01*\n"
    for x, y in ((42_000_000, 2_000_000),)
)
"""A plus sign 2 mm below the positive pad of the turned cell of ``defects/battery-swap``."""


@cache
def texts(folder: str) -> dict[str, str]:
    """Name to text of an invented package."""
    return {p.name: p.read_text("utf-8") for p in sorted((FIXTURES / folder).iterdir())}


def told(check: str, folder: str, *, thickness_mm: float | None = None, **changes: object) -> set:
    """Ids that one check tells of a package; a change maps a part of a name to a new text."""
    files = dict(texts(folder))
    for part, change in changes.items():
        (name,) = [n for n in files if part.replace("_", "-") in n]
        files[name] = change(files[name]) if callable(change) else change
    members = tuple(Member(n, t.encode()) for n, t in files.items() if t)
    package = read_package(Intake(name="p", source="p", members=members, left_out=()))
    options = CheckOptions(thickness_mm=thickness_mm)
    case = Case(fabkit.build_board(package), fabkit.load_house(), options=options)
    (one,) = [c for c in CHECKS if c.id == check]
    outcome = run_check(one, case)
    assert not outcome.trace
    return {finding.id for finding in outcome.findings}


def with_end(extra: str):
    """The change that puts something in front of the end of a layer."""
    return lambda text: text.replace("M02*", extra + "M02*")


def test_hole_that_has_no_mirror_image():
    """One of the two side holes of one key is missing: half/no-counterpart."""
    board = "../fabkit/demo/rev-b"

    def lone(text):
        return text.replace("X6.000Y68.500\n", "", 1)

    assert told("half/symmetry", board, nonplated=lone) == {
        "half/reversible",
        "half/no-counterpart",
    }
    assert told("half/symmetry", board) == {"half/reversible"}


def test_key_whose_pad_is_covered_on_one_face():
    """One pad of one key is not opened on the bottom: half/key-one-face."""
    board = "defects/reversible-clean"

    def covered(text):
        return text.replace("X18775000Y12750000D03*\n", "")

    assert told("half/keys", board, mask_bottom=covered) == {"half/key-one-face"}
    assert told("half/keys", board) == set()


def test_key_of_the_thumb_whose_pad_is_covered_on_one_face():
    """Keys turned by 10 degrees either way are compared with the upright ones, too."""
    board = "../fabkit/demo/rev-b"

    def covered(text):
        assert "X86652000Y25818000D03*\n" in text
        return text.replace("X86652000Y25818000D03*\n", "")

    assert told("half/keys", board, mask_bottom=covered) == {"half/key-one-face"}


def test_key_whose_lands_are_on_the_other_face():
    """Both lands of one socket are on the face of the keys: half/key-lands; lost ones, too."""
    spots = "X8725000Y39450000D03*\n", "X20275000Y37250000D03*\n"

    def lost(text):
        for spot in spots:
            assert spot in text
            text = text.replace(spot, "")
        return text

    moved = with_end("%ADD95R,2.6X2.6*%\nD95*\n" + "".join(spots))
    assert told("half/contacts", "card", copper_bottom=lost, copper_top=moved) == {"half/key-lands"}
    assert told("half/contacts", "card", copper_bottom=lost) == {"half/key-lands"}
    assert told("half/contacts", "card") == set()
    assert told("half/contacts", "defects/clean") == set()  # no keys, and no warning of numpy's
    bare = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,1*%\nD10*\nX0Y0D02*\nX1000000Y0D01*\nM02*\n"
    assert (
        told("half/contacts", "card", copper_top=bare, copper_bottom=bare, drill_plated="") == set()
    )


@pytest.mark.parametrize(
    ("changed", "found"),
    [([], set()), ([(0, 999)], {"half/key-dead"}), ([(0, 1), (1, 0)], {"half/key-nets"})],
)
def test_contacts_that_reach_other_copper_when_turned_over(changed, found):
    """Pads of the right half alone: one that reaches nothing, and two keys that change places."""
    case = Case(boards.board_at(DEMO), fabkit.load_house())
    sides = case.shared(half.soldered)
    node = sides["bottom"].node.copy()
    for key, other in changed:
        node[key] = sides["bottom"].node[other] if other < 999 else 999
    turned = replace(sides["bottom"], node=node, lone=node == 999)
    case._shared[half.soldered] = {**sides, "bottom": turned}

    assert {f.id for f in half.contacts.function(case)} == found


def test_key_without_a_hole_for_its_pin_on_one_half():
    """One key of a soldered reversible board has pins for one hand alone: half/key-one-face."""
    case = Case(boards.board_at(DEMO), fabkit.load_house())
    keyboard, _ = case.shared(half.keyboard_of), case.shared(half.mirror_of)
    one = replace(keyboard.keys[0], faces=("top",), held_by="soldered")
    case._shared[half.keyboard_of] = replace(keyboard, keys=(one, *keyboard.keys[1:]))

    assert [f.id for f in half.keys.function(case)] == ["half/key-one-face"]


def test_diodes_that_a_netlist_and_a_placement_table_name():
    """Without attributes the netlist gives the pins: a reversed diode is found all the same."""
    board = "linnet/rev-1"

    def plain(text):
        return "".join(a for a in text.splitlines(keepends=True) if not a.startswith("%TO"))

    def reversed_d3(text):
        one, other = "D3    -1 ", "D3    -2 "
        assert one in text
        return text.replace(one, "@").replace(other, one).replace("@", other)

    bare = {"copper_top": plain, "copper_bottom": plain, "component_top": ""}
    assert told("net/diodes", board, **bare) == set()
    assert told("net/diodes", board, **bare, netlist=reversed_d3) == {"net/diode-reversed"}


def test_plus_at_the_minus_pad():
    """The only + on the face stands at the pad on ground: legend/plus-at-minus."""
    board, legend = "defects/battery-swap", "%FSLAX46Y46*%\n%MOMM*%\n%LPD*%\n{}M02*\n"
    shifted = PLUS.replace("X41", "X43").replace("X42", "X44")
    assert told("legend/polarity", board, legend_top=legend.format(shifted)) == {
        "legend/plus-at-minus"
    }
    assert told("legend/polarity", board, legend_top=legend.format(PLUS)) == set()


def test_letters_with_a_middle_bar_are_no_plus():
    """S and E have a bar through their middle, and strokes in their corners."""
    bar = [(-0.4, 0), (0.4, 0)]
    post = [(0, -0.4), (0, 0.4)]
    frame = [(0.4, 0.5), (-0.4, 0.5), (-0.4, 0), (0.4, 0), (0.4, -0.5), (-0.4, -0.5)]
    plus, s = (
        shapely.buffer(shapely.MultiLineString(lines), 0.08) for lines in ([bar, post], [frame])
    )
    middle = np.zeros(2)
    assert half._is_plus(plus, middle, 0.96, 0.96)
    assert not half._is_plus(s, middle, 0.96, 1.16)


def test_battery_pads_that_swap_but_are_marked():
    """Marks on both faces make it a note, half/battery-marks; on one face it stays an error."""
    board = "defects/battery-swap"
    both = {"legend_top": with_end(PLUS), "legend_bottom": with_end(PLUS)}

    assert told("half/battery", board, **both) == {"half/battery-marks"}
    assert told("half/battery", board) == {"half/battery-polarity"}
    assert told("half/battery", board, legend_top=with_end(PLUS)) == {"half/battery-polarity"}


def test_rows_of_a_controller_that_change_places():
    """Two rows that are one part meet each other's nets: half/header-rows; two parts do not."""
    board = "../fabkit/demo/rev-b"

    def one_part(text):
        return text.replace("%TO.P,J2,", "%TO.P,J1,1")

    assert told("half/header", board, copper_top=one_part, copper_bottom=one_part) == {
        "half/header-rows"
    }
    assert told("half/header", board) == set()


def test_legend_on_one_face():
    """The bottom legend is missing: half/legend-one-face."""
    board = "defects/reversible-clean"

    assert told("half/legend", board, legend_bottom="") == {"half/legend-one-face"}
    assert told("half/legend", board) == set()


def test_board_that_gives_way_under_a_key():
    """Stiffness goes with the third power of the thickness: thickness/soft at 0.4 mm only."""
    board = "../fabkit/demo/rev-b"

    assert told("thickness/stiffness", board, thickness_mm=0.4) == {"thickness/soft"}
    assert told("thickness/stiffness", board, thickness_mm=1.6) == set()
