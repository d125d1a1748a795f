"""Every planted defect is found, at its place, with its measure; the clean boards are silent."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import pytest
import shapely

import fabkit
from fabkit.base.findings import Finding, Severity
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case
from fabkit.checks.runner import run_check

FIXTURES = Path(__file__).parents[2] / "fixtures"
DEFECTS = {
    d["name"]: d
    for d in tomllib.loads((FIXTURES / "defects" / "defects.toml").read_text())["defect"]
}
PLACE_MM = 0.05
"""A planted defect is placed within this."""

FOUND_AS = {
    "inner-corner-tight": "profile/inner-corner",
    "netlist-disagrees": "net/netlist-short",
    "layer-shifted": "register/shifted",
    "layer-mirrored": "register/mirrored",
    "track-thin": "copper/track-narrow",
    "gap-small": "copper/gap-small",
    "copper-near-edge": "copper/edge-near",
    "net-open": "net/open",
    "net-short": "net/short",
    "ground-split": "net/open",
    "island": "copper/floating",
    "stub": "copper/loose-end",
    "pour-neck": "copper/sliver",
    "ring-thin": "hole/ring-thin",
    "ring-broken": "hole/ring-broken",
    "bare-hole-near-copper": "hole/copper-near-bare",
    "holes-close": "hole/wall-thin",
    "hole-without-copper": "hole/plated-without-copper",
    "hole-through-track": "hole/bare-through-copper",
    "hole-near-edge": "hole/edge-near",
    "hole-twice": "hole/duplicate",
    "hole-two-sizes": "hole/concentric",
    "drill-small": "hole/plated-too-small",
    "drill-large": "hole/too-large",
    "drill-off-step": "hole/odd-size",
    "drill-wrong-unit": "drill/format-misfit",
    "slot-narrow": "hole/slot-too-narrow",
    "slot-short": "hole/slot-too-short",
    "aspect-ratio": "hole/aspect-ratio",
    "mask-web-thin": "mask/web-thin",
    "mask-opening-shifted": "mask/opening-shifted",
    "mask-opening-missing": "mask/opening-missing",
    "mask-opening-small": "mask/opening-small",
    "mask-exposes-neighbour": "mask/neighbour-bared",
    "mask-over-track": "mask/track-bared",
    "mask-inverted": "mask/inverted",
    "legend-line-thin": "legend/line-thin",
    "legend-text-small": "legend/text-low",
    "legend-on-pad": "legend/on-copper",
    "legend-off-board": "legend/off-board",
    "legend-mirrored": "legend/mirrored",
    "paste-without-pad": "mask/paste-off-pad",
    "battery-swap": "half/battery-polarity",
    "copper-doubled": "package/doubled-same",
    "copper-missing": "package/missing-copper",
    "drill-missing": "package/missing-drill",
    "mask-missing": "package/missing-mask",
    "profile-missing": "package/missing-profile",
    "hole-outside": "hole/outside-board",
    "hole-plated-and-bare": "board/plated-and-not",
    "job-disagrees": "job/size-differs",
    "profile-crossing": "profile/crossing",
    "profile-open": "profile/gap",
    "two-boards": "profile/several-boards",
}
"""Which rule tells each planted defect."""


@cache
def findings(package: str) -> tuple[Finding, ...]:
    board = fabkit.build_board(fabkit.open_package(FIXTURES / package))
    case = Case(board, fabkit.load_house())
    outcomes = [run_check(c, case) for c in CHECKS]
    assert not [o.trace for o in outcomes if o.trace]
    return (*board.package.problems, *board.problems, *(f for o in outcomes for f in o.findings))


@pytest.mark.parametrize("name", sorted(FOUND_AS))
def test_planted_defect_is_found_placed_and_measured(name):
    """Found by its rule, placed within 0.05 mm, measured within 1 um or 1 %."""
    defect = DEFECTS[name]
    found = [f for f in findings(f"defects/{name}") if f.id == FOUND_AS[name]]
    assert found, f"not found: {defect['what']}"
    worst = found[0]
    if "side" in defect and worst.places and worst.places[0].side:
        assert worst.places[0].side == defect["side"]
    if "x_mm" in defect and "y_mm" in defect:
        ends = [
            (defect["x_mm"], defect["y_mm"]),
            (defect.get("x2_mm", defect["x_mm"]), defect.get("y2_mm", defect["y_mm"])),
        ]
        place = worst.places[0]
        spot = shapely.Point(place.x_mm, place.y_mm)
        assert spot.distance(shapely.LineString(ends)) <= PLACE_MM
    if "measured" in defect:
        assert worst.measured == pytest.approx(defect["measured"], rel=0.01, abs=0.001)


def test_every_planted_defect_is_looked_for():
    """No defect of the table is left out."""
    assert sorted(FOUND_AS) == sorted(DEFECTS)


@pytest.mark.parametrize(
    "package", ["defects/clean", "defects/reversible-clean", "../fabkit/demo/rev-b"]
)
def test_clean_boards_are_silent(package):
    """No warning and no error on a board without defects."""
    loud = [f for f in findings(package) if f.severity > Severity.NOTE]
    assert [f"{f.id}: {f.message}" for f in loud] == []


def test_reversible_demo_is_known_as_such():
    """The demo half is reversible, and says which face is up on the left."""
    told = [f for f in findings("../fabkit/demo/rev-b") if f.id == "half/reversible"]
    assert len(told) == 1
    assert told[0].measured == 1.0
    assert "left half" in told[0].message


def test_battery_swap_carries_its_caution():
    """Whoever reads about swapped polarity is told to measure before connecting a cell."""
    told = [f for f in findings("defects/battery-swap") if f.id == "half/battery-polarity"]
    assert told[0].severity is Severity.ERROR
    assert "meter" in told[0].remedy
