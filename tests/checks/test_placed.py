"""Tables of parts, and diodes, against named pads: slips are found, sound packages are silent."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from yardstick import nets, tables  # noqa: F401 -- kinds are entered by their import
from yardstick.kind import KINDS
from yardstick.parcel import Parcel, load_parcel

import fabkit
from fabkit.base.findings import Consequence
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case, State
from fabkit.checks.placed import _odd
from fabkit.checks.runner import run_check

FIXTURES = Path(__file__).parents[2] / "fixtures"
MINE = [c for c in CHECKS if c.id in ("placement/pads", "partslist/pads", "net/diodes")]


def found_in(parcel: Parcel, folder: Path) -> dict[str, str]:
    """Messages by rule of what these checks find."""
    board = fabkit.build_board(fabkit.open_package(parcel.written(folder)))
    case = Case(board, fabkit.load_house())
    outcomes = [run_check(check, case) for check in MINE]
    assert all(o.state in (State.PASSED, State.FOUND) for o in outcomes)
    findings = [f for o in outcomes for f in o.findings if f.consequence >= Consequence.KNOW]
    return {f.id: f.message for f in findings}


def package(name: str) -> Parcel:
    return load_parcel(FIXTURES / name, name.replace("/", "-"))


@pytest.mark.parametrize("name", ["card", "pair/left", "linnet/rev-1"])
def test_sound_tables_need_nothing(name, tmp_path):
    assert found_in(package(name), tmp_path) == {}


@pytest.mark.parametrize(
    ("name", "kind_id", "rule", "words"),
    [
        (
            "card",
            "tables/face-mirrored",
            "placement/mirrored",
            "on the bottom are mirrored left to right",
        ),
        ("card", "tables/side-exchanged", "placement/other-side", "all pads are on the bottom"),
        ("card", "tables/part-moved", "placement/off-pads", ": placed off the pads"),
        ("card", "tables/part-turned", "placement/turned", ": turned otherwise than others"),
        ("card", "tables/row-lost", "placement/part-missing", ": not in the table"),
        ("card", "tables/stranger", "placement/part-unknown", "99: no pad carries the name"),
        ("card", "tables/reference-lost", "partslist/part-missing", ": not in the list"),
        ("card", "tables/value-lost", "partslist/value-missing", ": neither value nor part number"),
        ("linnet/rev-1", "keyboard/diode-turned", "net/diode-reversed", "than 5 other diodes"),
    ],
)
def test_a_slip_is_found(name, kind_id, rule, words, tmp_path):
    found = found_in(KINDS[kind_id].plant(package(name)).parcel, tmp_path)
    # Turned in its layout alone, a diode no longer agrees with the placement table either.
    assert set(found) - {"placement/turned"} == {rule} - {"placement/turned"}
    assert words in found[rule]


def test_a_list_of_another_revision_names_a_part_without_pads(tmp_path):
    sheet = tables._listed(package("linnet/rev-1"))
    row = next(r for r in sheet.rows if "D1" in r[0])
    new = [[row[0].replace("D6", "D7"), *row[1:]] if r is row else r for r in sheet.rows]
    found = found_in(sheet.made(new).parcel, tmp_path)
    assert found == {
        "partslist/part-missing": "D6: not in the list, though others of the kind are",
        "partslist/part-unknown": "D7: no pad carries the name",
    }


def test_a_table_counted_from_another_origin_is_no_slip(tmp_path):
    """Thirteen parts 12 mm off, all alike: houses set the origin when they set up the machine."""
    sheet = tables._placed(package("linnet/rev-1"))
    x = sheet.column(r"x\b")
    rows = [[*r[:x], tables._added(r[x], lambda v: v + 12), *r[x + 1 :]] for r in sheet.rows]
    assert found_in(sheet.made(rows).parcel, tmp_path) == {}


@pytest.mark.parametrize(("others", "found"), [("top", []), ("Bottom", ["placement/other-side"])])
def test_switches_are_listed_on_the_face_of_the_keys(others, found, tmp_path):
    """All on top, their sockets on the bottom: the builder plugs them in.  One alone is a slip."""
    sheet = tables._placed(package("card"))
    side = sheet.column(r"side")
    faces = {"SW1": "top", **{f"SW{n}": others for n in range(2, 9)}}
    rows = [[*r[:side], faces.get(r[0], r[side]), *r[side + 1 :]] for r in sheet.rows]
    assert list(found_in(sheet.made(rows).parcel, tmp_path)) == found


def test_one_of_five_is_odd_and_two_of_five_decide_nothing():
    """Votes of equals: one in five may be a slip, two in five are two ways of doing it."""
    one = np.array([1, 1, 1, 1, -1], dtype=complex)
    two = np.array([1, 1, 1, -1, -1], dtype=complex)
    odd = _odd(one, 0.1, 0.3)
    assert odd is not None
    assert odd.tolist() == [False, False, False, False, True]
    assert _odd(two, 0.1, 0.3) is None
