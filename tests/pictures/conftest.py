"""A small board made by hand, object by object, so that these tests need no reader."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from draftsman import Draftsman

from fabkit.board.model import Board, BoardSlots, Holes, Layer
from fabkit.package.model import Package, RoleKind

NAN = float("nan")


def _holes(rows: list[tuple[float, float, float, int]]) -> Holes:
    x, y, d, plated = (np.array(c) for c in zip(*rows, strict=True))
    n = np.zeros(len(x))
    return Holes(x=x, y=y, diameter=d, plated=plated, file=n, tool=plated, first=n + 1,
                 last=n + 2, function=n, offset=n)  # fmt: skip


def _slots(rows: list[tuple[float, ...]]) -> BoardSlots:
    x0, y0, x1, y1, d = (np.array(c, dtype=float) for c in zip(*rows, strict=True))
    n = np.zeros(len(x0))
    return BoardSlots(x0=x0, y0=y0, x1=x1, y1=y1, cx=n + NAN, cy=n + NAN, turn=n, diameter=d,
                      plated=n, file=n, tool=n + 9, first=n + 1, last=n + 2, function=n,
                      path=np.arange(len(x0)), offset=n)  # fmt: skip


def make_board() -> Board:
    """A 30 by 20 mm board with every kind of object, off the origin."""
    copper = Draftsman("copper-top")
    track, pad, via = (copper.aperture(*a) for a in (("C", 0.3), ("R", 2.0, 1.2), ("C", 1.0)))
    oval = copper.aperture("O", 2.4, 1.0)
    copper.use_net("GND")
    copper.rounded_region(101, 51, 119, 69, 2.0)
    copper.dark = False
    copper.region((104, 54), (110, 54), (110, 60), (104, 60))
    copper.flash(via, 114, 64)
    copper.dark = True
    copper.use_net("ROW")
    copper.draw(track, (105, 55), (109, 59), (109, 55))
    copper.arc(track, (122, 56), (126, 60), (122, 60), 1)
    copper.arc(track, (125, 66), (125, 66), (123, 66), 2)
    copper.flash(pad, 123, 53)
    copper.flash(oval, 127, 53, 1)
    copper.flash(via, 107, 57)
    openings = Draftsman("mask-top")
    big, round_ = openings.aperture("R", 2.2, 1.4), openings.aperture("C", 1.2)
    openings.flash(big, 123, 53)
    openings.flash(round_, 107, 57)
    openings.rounded_region(111, 55, 117, 61, 1.0)
    legend = Draftsman("legend-top")
    ink = legend.aperture("C", 0.15)
    legend.draw(ink, (120, 51), (128, 51), (128, 55), (120, 55), (120, 51))
    legend.draw(ink, (112, 58), (121, 58))
    back = Draftsman("copper-bottom")
    strip = back.aperture("C", 0.5)
    back.draw(strip, (107, 57), (112, 52), (127, 52))
    mask_back = Draftsman("mask-bottom")
    mask_back.flash(mask_back.aperture("C", 1.2), 107, 57)
    profile = shapely.MultiPolygon(
        [shapely.box(102, 52, 128, 68).buffer(2, quad_segs=32).difference(
            shapely.box(119, 62, 121, 67))]
    )  # fmt: skip
    layers = (
        Layer(RoleKind.COPPER, "top", 1, copper.file()),
        Layer(RoleKind.COPPER, "bottom", 2, back.file()),
        Layer(RoleKind.MASK, "top", 1, openings.file()),
        Layer(RoleKind.MASK, "bottom", 1, mask_back.file()),
        Layer(RoleKind.LEGEND, "top", 1, legend.file()),
    )
    return Board(
        name="sample",
        package=Package("sample", "sample", (), (), ()),
        profile=profile,
        layers=layers,
        holes=_holes([(107, 57, 0.5, 1), (102.5, 52.5, 1.2, 0), (127, 67, 1.2, 0)]),
        slots=_slots([(112.5, 53, 115.5, 53, 0.8)]),
        drill_names=("drill",),
        hole_functions=((),),
        components=(),
        thickness_mm=1.6,
        problems=(),
    )


@pytest.fixture(scope="session")
def board() -> Board:
    """The sample board."""
    return make_board()
