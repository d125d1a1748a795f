"""Draws layer files in memory, object by object, so that tests of pictures need no reader."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from fabkit.formats.gerber.model import Aperture, ContourSegments, GerberFile, Kind, Objects, Pose

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
        self.segments.append(dict(zip(ContourSegments.DTYPES, row, strict=True)))

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
        s = {k: np.array([r[k] for r in self.segments]) for k in ContourSegments.DTYPES}
        return GerberFile(
            name=self.name, size_bytes=0, objects=Objects(**o), segments=ContourSegments(**s),
            apertures=tuple(self.apertures),
            poses=(Pose(), Pose(mirror_x=True, rotation_deg=30.0, scale=1.5)),
            attribute_sets=tuple(self.sets), attributes={}, unit_mm=1.0, decimals=6,
            problems=(), complete=True,
        )  # fmt: skip
