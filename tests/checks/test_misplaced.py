"""Bare holes and the outline have no counterpart, but where they belong they run into nothing."""

from __future__ import annotations

import pytest
from checks.test_geometry_rules import board_of, told
from rules.set_cases import PADS, dots, drill, frame, layer, line

from fabkit.checks.model import Case
from fabkit.checks.runner import gather
from fabkit.sheets.house import load_house

HOLES = ((3, 10), (3, 13), (3, 16), (8, 16), (8, 12), (12, 16), (12, 12))
TRACKS = "".join(line((30 - x + 0.4, 8), (30 - x + 0.4, 18)) for x in (3, 8, 12))
TOP = layer("Copper,L1,Top", dots(*PADS)).removesuffix("M02*\n")
TOP += f"%ADD11C,0.2*%\nD11*\n{TRACKS}M02*\n"


def bare(*holes):
    """A drill file of bare holes of 1 mm."""
    return drill(*holes, function="NonPlated,1,2,NPTH")


def test_bare_holes_where_they_belong():
    """Holes beside three tracks run into nothing."""
    assert not told("register/bare-holes-off", top_gbr=TOP, bare_drl=bare(*HOLES))


def test_mirrored_bare_holes_are_named_with_their_file():
    """The same holes on the other side of x = 15 cut the tracks; mirrored back, none does."""
    (found,) = told(
        "register/bare-holes-off", top_gbr=TOP, bare_drl=bare(*((30 - x, y) for x, y in HOLES))
    )
    assert found.measured == len(HOLES)
    assert found.places[0].file == "bare.drl"
    assert "mirrored about the board's upright middle line, 0 do" in found.message


def test_bare_holes_beside_their_openings():
    """Openings show where holes belong: 0.4 mm off, all of them, is the file's fault."""
    more = [(18 + k, 4 + (k % 2)) for k in range(8)]
    spots = dots(*PADS, *more, *((x + 0.4, y) for x, y in HOLES))
    openings = layer("Soldermask,Top", spots, polarity="Negative", pen=0.6)
    copper = layer("Copper,L1,Top", dots(*PADS, *more), pen=0.5)
    files = {"top_gbr": copper, "mask_top_gbr": openings, "bare_drl": bare(*HOLES)}
    (found,) = told("register/bare-holes-off", **files)
    assert found.measured == pytest.approx(0.4, abs=0.01)


def test_bare_holes_in_their_openings_are_not_blamed_for_tracks_across_them():
    """Where the mask is open around all of them, it is the copper that is off."""
    holes = tuple((30 - x, y) for x, y in HOLES)
    opened = layer("Soldermask,Top", dots(*PADS, *holes), polarity="Negative")
    assert not told(
        "register/bare-holes-off", top_gbr=TOP, mask_top_gbr=opened, bare_drl=bare(*holes)
    )


def test_holes_crowded_on_one_spot_are_no_cure():
    """Holes off by half a track meet it; at a tenth of their size they would not."""
    assert not told(
        "register/bare-holes-off",
        top_gbr=TOP,
        bare_drl=bare(*((30 - x - 0.4, y) for x, y in HOLES), (29, 1), (29, 19), (1, 19)),
    )


@pytest.mark.parametrize(("layer_of", "severity"), [("Legend,Top", 2), ("Copper,L1,Top", 3)])
def test_a_missing_profile_is_to_decide_where_a_legend_draws_the_outline(layer_of, severity):
    """A frame in the legend is the outline; one in copper is the rim of a pour, or near it."""
    drawn = layer(layer_of, frame(30, 20) + dots(*PADS), pen=0.2)
    name = "legend_gbr" if "Legend" in layer_of else "top_gbr"
    board = board_of(profile_gbr=None, **{name: drawn})
    (found,) = [
        f for f in gather(Case(board, load_house()), ()) if f.id == "package/missing-profile"
    ]
    assert found.severity == severity


MANY = tuple((4 + 4 * k, y) for k in range(6) for y in (4, 10, 16))


@pytest.mark.parametrize(("at", "fires"), [(0, False), (12, True)])
def test_an_outline_that_does_not_hold_the_board(at, fires):
    """A triangle over the lower left half leaves holes and pads outside when it is turned over."""
    corner = ((0, 0), (30, 0), (0, 20), (0, 0))
    turned = tuple((30 - x, y) for x, y in corner)
    spots = ((3, 3), (3, 6), (3, 9), (3, 12), (6, 3), (9, 3), (12, 3))
    copper = layer("Copper,L1,Top", dots(*spots), pen=1.6)
    outline = layer("Profile,NP", line(*(turned if fires else corner)), pen=0.1)
    found = told(
        "profile/misplaced",
        profile_gbr=outline,
        top_gbr=copper,
        bottom_gbr=copper.replace("L1,Top", "L2,Bot"),
        holes_drl=drill(*spots, size=0.6),
    )
    assert bool(found) is fires
    if fires:
        assert found[0].places[0].file == "profile.gbr"
        assert "mirrored about the board's upright middle line, it holds them" in found[0].message


@pytest.mark.parametrize(
    ("outline", "rule"),
    [
        (layer("Profile,NP", frame(30, 20), pen=0.1).replace("MOMM", "MOIN"), "other-unit"),
        (layer("Profile,NP", frame(3, 2), pen=0.1), "other-unit"),
        (layer("Profile,NP", frame(30, 20, x=9), pen=0.1), "shifted"),
    ],
    ids=["inch", "digits", "shift"],
)
def test_an_outline_that_fits_elsewhere_is_laid_there(outline, rule):
    """Read in the right size or moved back, the outline holds holes and copper: one stop."""
    holes = tuple((x, y) for x in (1.5, 15, 28.5) for y in (1.5, 10, 18.5))
    copper = layer("Copper,L1,Top", dots(*holes), pen=1.6)
    board = board_of(
        profile_gbr=outline,
        top_gbr=copper,
        bottom_gbr=copper.replace("L1,Top", "L2,Bot"),
        mask_top_gbr=None,
        mask_bottom_gbr=None,
        holes_drl=drill(*holes, size=0.8),
    )
    (found,) = [p for p in board.package.problems if p.id.startswith("register/")]
    assert found.id == f"register/{rule}"
    assert found.places[0].file == "profile.gbr"
    assert board.size_mm == pytest.approx((30, 20), abs=0.01)
    assert board.profile.covers(board.opening)
