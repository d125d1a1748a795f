"""Slips of mask and paste, planted one by one; unplanted packages stay silent."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import shapely
from yardstick import films  # noqa: F401 -- its kinds are entered by its import
from yardstick.kind import KINDS, edited
from yardstick.parcel import Parcel, load_parcel

import fabkit
from fabkit.base.findings import Consequence, Finding
from fabkit.checks import mask
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.mask import widest
from fabkit.checks.model import Case
from fabkit.checks.runner import run_check

FIXTURES = Path(__file__).parents[2] / "fixtures"
CHECKED = ("legend/copper", "mask/openings", "mask/paste", "mask/shared")


@cache
def package(name: str) -> Parcel:
    return load_parcel(FIXTURES / name, name)


def decided(parcel: Parcel, folder: Path, check_id: str) -> list[Finding]:
    """Findings of a check that need a decision."""
    board = fabkit.build_board(fabkit.open_package(parcel.written(folder)))
    case = Case(board, fabkit.load_house())
    outcome = run_check(next(c for c in CHECKS if c.id == check_id), case)
    assert not outcome.trace
    return [f for f in outcome.findings if f.consequence >= Consequence.DECIDE]


@pytest.mark.parametrize(
    ("kind_id", "check_id", "rules"),
    [
        ("mask/joined", "mask/shared", ("mask/opening-shared",)),
        ("mask/opening-shifted", "mask/openings", ("mask/opening-small", "mask/opening-shifted")),
        ("mask/hole-opening-lost", "mask/openings", ("mask/opening-missing",)),
        ("paste/print-lost", "mask/paste", ("mask/paste-missing",)),
        ("paste/wider-than-pad", "mask/paste", ("mask/paste-off-pad",)),
        ("legend/over-pad", "legend/copper", ("legend/on-copper",)),
    ],
)
def test_a_slip_is_found_at_its_place(kind_id, check_id, rules, tmp_path):
    plant = KINDS[kind_id].plant(package("kinds/both-equal"))
    found = [f for f in decided(plant.parcel, tmp_path, check_id) if f.id in rules]
    assert found
    x, y = plant.place
    places = [p for f in found for p in f.places]
    assert min(np.hypot(p.x_mm - x, p.y_mm - y) for p in places) <= plant.reach


def test_the_square_first_pin_of_a_row_is_the_equal_of_the_others(tmp_path):
    """Its pad is of a size of its own, its hole is not: nine pins, one covered on one face."""
    kept, name = package("card"), "dunnock-mask-bottom.gbr"
    layer = kept.gerbers[name]
    (pin,) = [m for m in layer.flashes if (m.x, m.y) == pytest.approx((80.5, 44.0))]
    parcel = edited(kept, name, layer.dropped(pin))
    (found,) = decided(parcel, tmp_path, "mask/openings")
    assert found.id == "mask/opening-missing"
    assert (found.places[0].x_mm, found.places[0].y_mm) == pytest.approx((80.5, 44.0))


@pytest.mark.parametrize("name", ["kinds/soldered", "kinds/both-equal"])
def test_openings_a_third_too_narrow_need_a_decision_once(name, tmp_path):
    parcel = KINDS["mask/all-openings-small"].plant(package(name)).parcel
    found = [f for f in decided(parcel, tmp_path, "mask/openings") if f.id == "mask/opening-small"]
    assert found
    assert sum(f.count for f in found) >= 6


@pytest.mark.parametrize("name", ["kinds/both-equal", "card", "pair/left", "defects/clean"])
@pytest.mark.parametrize("check_id", CHECKED)
def test_nothing_needs_a_decision_without_a_slip(name, check_id, tmp_path):
    assert decided(package(name), tmp_path, check_id) == []


def test_what_two_outlines_share_may_hold_lines_beside_areas():
    both = shapely.from_wkt("GEOMETRYCOLLECTION (LINESTRING (9 0, 9 1), POINT (5 5))")
    square = shapely.box(0, 0, 2, 2)
    mixed = shapely.GeometryCollection([*both.geoms, square])
    assert widest(np.array([mixed, square])) == pytest.approx([2.0, 2.0], abs=0.01)


@pytest.mark.parametrize("name", ["kinds/both-equal", "kinds/soldered"])
def test_the_copper_written_into_the_mask_is_one_image(name, tmp_path):
    parcel = KINDS["mask/is-copper"].plant(package(name)).parcel
    ids = {f.id for f in fabkit.open_package(parcel.written(tmp_path)).problems}
    assert "package/same-image" in ids


def test_the_top_copper_written_into_the_bottom_is_one_image(tmp_path):
    parcel = KINDS["layers/copper-copied"].plant(package("kinds/soldered")).parcel
    ids = {f.id for f in fabkit.open_package(parcel.written(tmp_path)).problems}
    assert "package/same-image" in ids


def test_masks_like_their_copper_without_tracks_are_two_images(tmp_path):
    ids = {f.id for f in fabkit.open_package(package("card").written(tmp_path)).problems}
    assert "package/same-image" not in ids


def test_one_covered_pad_among_ten_open_ones_isforgotten():
    assert forgotten(*[(2.0, True)] * 10, (2.0, False)) == [False] * 10 + [True]


def test_pads_covered_all_alike_are_meant():
    assert not any(forgotten(*[(2.0, True)] * 10, *[(0.3, False)] * 40))


def test_a_third_covered_is_no_slip():
    assert not any(forgotten(*[(2.0, True)] * 10, *[(2.0, False)] * 5))


def test_a_pad_of_a_size_of_its_own_says_nothing():
    assert not any(forgotten((2.0, True), (3.0, False)))


def forgotten(*pads: tuple[float, bool]) -> list[bool]:
    """Which of (area, open) are forgotten."""
    area, opened = np.array(pads).T
    return mask.forgotten(area, opened.astype(bool)).tolist()


@pytest.mark.parametrize(("halves", "found"), [(False, True), (True, False)])
def test_openings_of_through_holes_that_end_at_a_line(halves, found, tmp_path):
    """Cut off, unless the other mask opens only the others: two halves of either face."""
    kept, limit = package("kinds/soldered"), 37.5
    for side in ("bottom", "top")[: 1 + halves]:
        (name,) = kept.named("mask", side)
        layer = kept.gerbers[name]
        mine = [m for m in layer.flashes if (m.x > limit) == (side == "bottom")]
        kept = edited(kept, name, [e for m in mine for e in layer.dropped(m)])
    said = [f for f in decided(kept, tmp_path, "mask/openings") if " of x = " in f.message]
    assert [f.id for f in said] == ["mask/opening-missing"] * found
