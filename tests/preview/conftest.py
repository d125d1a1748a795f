"""A small board made by hand, object by object, so that these tests need no reader."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely

from fabkit.board.model import Board, BoardSlots, Holes, Layer
from fabkit.gerber.model import Aperture, GerberFile, Kind, Objects, Pose, Segments
from fabkit.package.model import Package, RoleKind

NAN = float("nan")


@dataclass
class Draftsman:
    """Draws a Gerber file in memory."""

    name: str = "sample"
    objects: list[dict[str, Any]] = field(default_factory=list)
    segments: list[dict[str, Any]] = field(default_factory=list)
    apertures: list[Aperture] = field(default_factory=list)
    sets: list[dict[str, tuple[str, ...]]] = field(default_factory=lambda: [{}])
    dark: bool = True
    net: int = 0

    def use_net(self, name: str) -> None:
        """Attach a net name to what follows."""
        self.sets.append({".N": (name,)})
        self.net = len(self.sets) - 1

    def aperture(self, template: str, *parameters: float) -> int:
        """Define a standard aperture."""

        def build(chord_error_mm: float) -> Any:
            if template == "C":
                quads = max(16, round(4 / np.sqrt(chord_error_mm / parameters[0])))
                return shapely.Point(0, 0).buffer(parameters[0] / 2, quad_segs=quads)
            w, h = parameters
            if template == "R":
                return shapely.box(-w / 2, -h / 2, w / 2, h / 2)
            reach = abs(w - h) / 2
            line = [(-reach, 0), (reach, 0)] if w > h else [(0, -reach), (0, reach)]
            return shapely.LineString(line).buffer(min(w, h) / 2, quad_segs=48)

        d = parameters[0] if template == "C" else None
        size = (parameters[0], parameters[-1])
        self.apertures.append(
            Aperture(10 + len(self.apertures), template, parameters, d, size, {}, 0, build)
        )
        return len(self.apertures) - 1

    def _add(self, kind: Kind, **values: Any) -> None:
        row = dict.fromkeys(("x0", "y0", "x1", "y1", "cx", "cy"), NAN)
        row |= dict.fromkeys(("turn", "pose", "first", "last", "offset"), 0)
        row |= {"kind": kind, "aperture": -1, "dark": self.dark, "attributes": self.net}
        self.objects.append(row | values)

    def flash(self, aperture: int, x: float, y: float, pose: int = 0) -> None:
        """Flash."""
        self._add(Kind.FLASH, x0=x, y0=y, x1=x, y1=y, aperture=aperture, pose=pose)

    def draw(self, aperture: int, *points: tuple[float, float]) -> None:
        """Straight strokes through points."""
        for (x0, y0), (x1, y1) in pairwise(points):
            self._add(Kind.DRAW, x0=x0, y0=y0, x1=x1, y1=y1, aperture=aperture)

    def arc(self, aperture: int, a: Any, b: Any, c: Any, turn: int) -> None:
        """One arc stroke from a to b about c."""
        self._add(
            Kind.ARC, x0=a[0], y0=a[1], x1=b[0], y1=b[1], cx=c[0], cy=c[1], turn=turn,
            aperture=aperture,
        )  # fmt: skip

    def _segment(self, contour: int, a: Any, b: Any, centre: Any) -> None:
        cx, cy = centre or (NAN, NAN)
        row = (a[0], a[1], b[0], b[1], cx, cy, 1 if centre else 0, contour, 0)
        self.segments.append(dict(zip(Segments.DTYPES, row, strict=True)))

    def region(self, *points: tuple[float, float]) -> None:
        """A region of straight segments; the contour is closed here."""
        first = len(self.segments)
        for a, b in zip(points, (*points[1:], points[0]), strict=True):
            self._segment(first, a, b, None)
        self._add(Kind.REGION, first=first, last=len(self.segments))

    def rounded_region(self, x0: float, y0: float, x1: float, y1: float, r: float) -> None:
        """A rectangle with arc corners as a region, counter-clockwise."""
        first = len(self.segments)
        stops = [
            ((x0 + r, y0), (x1 - r, y0), None), ((x1 - r, y0), (x1, y0 + r), (x1 - r, y0 + r)),
            ((x1, y0 + r), (x1, y1 - r), None), ((x1, y1 - r), (x1 - r, y1), (x1 - r, y1 - r)),
            ((x1 - r, y1), (x0 + r, y1), None), ((x0 + r, y1), (x0, y1 - r), (x0 + r, y1 - r)),
            ((x0, y1 - r), (x0, y0 + r), None), ((x0, y0 + r), (x0 + r, y0), (x0 + r, y0 + r)),
        ]  # fmt: skip
        for a, b, c in stops:
            self._segment(first, a, b, c)
        self._add(Kind.REGION, first=first, last=len(self.segments))

    def file(self) -> GerberFile:
        """The finished file."""
        o = {k: np.array([r[k] for r in self.objects]) for k in Objects.DTYPES}
        s = {k: np.array([r[k] for r in self.segments]) for k in Segments.DTYPES}
        return GerberFile(
            name=self.name, size_bytes=0, objects=Objects(**o), segments=Segments(**s),
            apertures=tuple(self.apertures),
            poses=(Pose(), Pose(mirror_x=True, rotation_deg=30.0, scale=1.5)),
            attribute_sets=tuple(self.sets), attributes={}, unit_mm=1.0, decimals=6,
            problems=(), complete=True,
        )  # fmt: skip


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
