"""The board's outline: what a router can cut, how many boards there are, what size costs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Shapes, rows_by
from fabkit.base.findings import Finding, Place
from fabkit.base.units import CHORD_ERROR_MM, counted, format_mm, format_number
from fabkit.checks.copper_facts import padded_cuts
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, PlaceOf, group
from fabkit.geometry.areas import touched
from fabkit.geometry.facing import facets_of, find_gaps, find_widths
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

CORNER_DEPTH_MM: Final = 0.05
"""Material a router leaves in a corner that is thinner than this is not worth a word."""

SHARP_DEG: Final = 30.0
"""An outline that turns by more than this at one point has a corner there, not part of an arc."""

STRIP_MM: Final = 1.0
"""Narrower strips of board break when it is routed or handled (common practice, from memory)."""

TIER_NEAR_MM: Final = 10.0
"""A board this little over a price tier is worth shrinking (common practice)."""

SLOT: Final = load_rule("profile/cut-too-narrow")
PADDED: Final = load_rule("profile/cut-in-pads")
CORNER: Final = load_rule("profile/inner-corner")
STRIP: Final = load_rule("profile/strip-thin")
TIER: Final = load_rule("profile/price-tier")


def _file(case: Case) -> str:
    files = case.board.package.of(RoleKind.PROFILE)
    return files[0].name if files else ""


def _places(case: Case, x: Floats, y: Floats) -> PlaceOf:
    file = _file(case)
    return lambda row: case.place(file, x_mm=x[row], y_mm=y[row])


def inner_corners(profile: BaseGeometry, bit_mm: float) -> tuple[Floats, Floats, Floats, Shapes]:
    """Give what a round bit leaves standing in inner corners and narrow cuts.

    Returns
    -------
    radius : (n,) float64, mm
        Of each corner as drawn; 0 where it is sharp.
    depth : (n,) float64, mm
        How far the leftover reaches from the wanted corner to the bit; inf where no bit gets in.
    corner : (n, 2) float64, mm
        The wanted corner; the middle of its arc where it is round.
    left : (n,) object
        The leftover itself, a polygon.
    """
    radius = bit_mm / 2
    turning = _Turning.of(profile)
    # Grown and shrunk by the bit's radius, the board fills every place that the bit cannot enter.
    reached = shapely.buffer(shapely.buffer(profile, radius, quad_segs=64), -radius, quad_segs=64)
    left = shapely.get_parts(shapely.difference(reached, profile))
    left = left[shapely.area(left) > CORNER_DEPTH_MM**2 / 10]
    rim, wide = shapely.boundary(profile), shapely.buffer(profile, CHORD_ERROR_MM)
    shapely.prepare(rim)
    corners, piece_of = shapely.get_coordinates(left, return_index=True)
    corners = shapely.points(corners)
    on_rim = shapely.dwithin(rim, corners, np.nextafter(CHORD_ERROR_MM, 0))
    corners, piece_of = corners[on_rim], piece_of[on_rim]
    radii, depth, corner, pieces = [], [], [], []
    for row, mine in rows_by(piece_of).items():
        piece, on_profile = left[row], corners[mine]
        # The bit's edge is the rest of the leftover's rim; the corner is what is furthest from it.
        arc = shapely.difference(shapely.boundary(piece), wide)
        far = np.full(len(on_profile), np.inf)
        if not arc.is_empty:
            far = shapely.distance(on_profile, arc)
        pick = int(np.argmax(far))
        radii.append(round(turning.radius_at(on_profile[pick]), 4))
        depth.append(float(far[pick]))
        corner.append((on_profile[pick].x, on_profile[pick].y))
        pieces.append(piece)
    spots = np.array(corner).reshape(-1, 2)
    order = np.lexsort((spots[:, 1], spots[:, 0], np.array(radii)))
    shapes = np.array(pieces, dtype=object)
    return np.array(radii)[order], np.array(depth)[order], spots[order], shapes[order]


@dataclass(frozen=True, eq=False)
class _Turning:
    """How an outline turns at each of its vertices."""

    tree: PointTree
    radius: Floats

    @classmethod
    def of(cls, profile: BaseGeometry) -> _Turning:
        """Measure the turns of all rings.

        The radius at a vertex is that of the circle through it and its two neighbours.
        """
        spots, radii = [], []
        for ring in shapely.get_rings(shapely.get_parts(profile)):
            xy = shapely.get_coordinates(ring)[:-1]
            before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
            chord = np.hypot(*(before + after).T)
            turn = np.abs(
                np.angle((after[:, 0] + 1j * after[:, 1]) / (before[:, 0] + 1j * before[:, 1]))
            )
            arc = chord / (2 * np.maximum(np.sin(turn), 1e-9))
            radii.append(np.where(turn > np.radians(SHARP_DEG), 0.0, arc))
            spots.append(xy)
        return cls(PointTree(np.concatenate(spots)), np.concatenate(radii))

    def radius_at(self, point: BaseGeometry) -> float:
        """Radius at the vertex nearest to a point."""
        _, row = self.tree.query(shapely.get_coordinates(point))
        return float(self.radius[row[0]])


@check(id="profile/pads", rules=(PADDED,), needs=("profile", "outer-copper"))
def pads(case: Case) -> Iterator[Finding]:
    """Slots that are to be plated are drilled, not drawn as cut-outs."""
    cuts, panel = case.shared(padded_cuts), case.board.panel
    if panel is not None and len(panel.rails):
        # Nothing is soldered on a rail: what is cut into pads there are marks of the panel.
        cuts = cuts[~touched(cuts, panel.rails)]
    x, y = shapely.get_coordinates(shapely.centroid(cuts)).reshape(-1, 2).T
    many = counted(len(cuts), "cut-out")
    yield from group(
        PADDED,
        Measures(shapely.area(cuts), _places(case, x, y)),
        f"{many} of the profile {'lies' if len(cuts) == 1 else 'lie'} in pads of both faces, "
        "largest {worst}: the walls stay bare",
        most=True,
        unit="mm²",
    )


@check(id="profile/routing", rules=(SLOT, CORNER, STRIP), needs=("profile",))
def routing(case: Case) -> Iterator[Finding]:
    """A router can cut the outline as drawn."""
    profile = case.board.profile
    bits = case.house.options.router_bits_mm
    if not bits or profile is None:
        return
    parts = shapely.get_parts(profile)
    facets = facets_of(parts)
    # A cut-out just as wide as the bit is possible, also where chords make its ends narrower.
    cuts = find_gaps(facets, bits[0] - CHORD_ERROR_MM)
    cuts = cuts.thinned(2.0)
    spots = shapely.points(cuts.x, cuts.y)
    radius, depth, xy, left = inner_corners(profile, bits[0])
    deep = depth > bits[0]
    cuts = cuts.take(
        # A small circle in the outline is a hole to drill.
        ~touched(spots, _small_circles(parts, bits[0]))
        # A slot to be drilled and plated has a finding of its own.
        & ~touched(spots, case.shared(padded_cuts))
        # A bay no deeper than the bit is wide, such as half a hole of a broken-off tab, is a
        # corner that stays round, not a cut-out that cannot be made.
        & touched(spots, left[deep], within_mm=CHORD_ERROR_MM)
    )
    yield from group(
        SLOT,
        Measures(cuts.distance, _places(case, cuts.x, cuts.y)),
        f"cut-out only {{worst}} wide; the smallest router bit is {format_mm(bits[0])}",
        limit=bits[0],
    )
    radius, depth, xy = radius[~deep], depth[~deep], xy[~deep]
    if len(xy):
        sharp = depth > CORNER_DEPTH_MM
        if len(cuts):
            # The corners of a cut-out that is too narrow are found with it.
            near = shapely.distance(
                shapely.points(xy)[:, None], shapely.points(cuts.x, cuts.y)[None]
            ).min(axis=1)
            sharp &= near > 2.0
        if sharp.any():
            spots, least = xy[sharp], float(radius[sharp].min())
            bit = f"rounded by {format_mm(least)}, for a bit of {format_mm(2 * least)}"
            drawn = bit if least > 0 else "sharp"
            many = counted(len(spots), "inner corner")
            yield from group(
                CORNER,
                Measures(radius[sharp], _places(case, *spots.T)),
                f"{many} drawn {drawn}; the smallest router bit has a radius of "
                f"{format_mm(bits[0] / 2)} and leaves up to {format_mm(depth.max())} there",
                limit=bits[0] / 2,
            )
    strips = find_widths(facets, STRIP_MM).thinned(2.0)
    yield from group(
        STRIP,
        Measures(strips.distance, _places(case, strips.x, strips.y)),
        "strips of board down to {worst} wide",
        limit=STRIP_MM,
    )


def _small_circles(parts: Shapes, bit_mm: float) -> Shapes:
    """Cut-outs that are round and smaller than a bit."""
    rings = shapely.get_rings(parts)
    rings = shapely.polygons(rings[shapely.minimum_bounding_radius(rings) < bit_mm / 2])
    radius = shapely.minimum_bounding_radius(rings)
    return np.asarray(rings[shapely.area(rings) > 0.95 * np.pi * radius**2], dtype=object)


@check(id="profile/price-tier", rules=(TIER,), needs=("profile",))
def price_tier(case: Case) -> Iterator[Finding]:
    """The board is not just over the size of a cheaper tier."""
    rates = case.house.rates
    if rates is None:
        return
    x0, y0, _, _ = case.board.bounds
    short, long = sorted(case.board.size_mm)
    for tier in sorted(rates.tiers, key=lambda t: t.width_mm * t.height_mm):
        low, wide = sorted((tier.width_mm, tier.height_mm))
        over = max(long - float(wide), short - float(low))
        if over <= 0:
            return
        if over <= TIER_NEAR_MM:
            yield Finding.of(
                TIER,
                f"the board ({format_number(long, digits=1)} × {format_mm(short, digits=1)}) is "
                f"{format_mm(over, digits=2)} over the tier of {wide} × {low} mm",
                case.place(_file(case), x_mm=x0, y_mm=y0),
                measured=over,
                limit=0.0,
                unit="mm",
            )
            return


NOT_CLOSED: Final = load_rule("profile/not-closed")
SEVERAL: Final = load_rule("profile/several-boards")
BOARD_SIZE: Final = load_rule("profile/board-size")


@check(id="profile/closed", rules=(NOT_CLOSED, SEVERAL))
def find_profile_problems(case: Case) -> Iterator[Finding]:
    """The profile is closed and encloses one board."""
    board = case.board
    files = board.package.of(RoleKind.PROFILE)
    if board.profile is None:
        if files:
            yield Finding.of(
                NOT_CLOSED,
                "the lines of the profile enclose no area",
                *(Place(file=f.name) for f in files),
            )
        return
    parts = sorted(board.profile.geoms, key=lambda part: part.area)
    if len(parts) > 1:
        centres = shapely.point_on_surface(parts)
        yield Finding.of(
            SEVERAL,
            f"the profile holds {len(parts)} separate boards",
            *(
                Place(
                    file=files[0].name if files else None, x_mm=float(point.x), y_mm=float(point.y)
                )
                for point in centres[:20]
            ),
            measured=float(len(parts)),
            limit=1.0,
            unit="boards",
        )


@check(
    id="profile/size",
    rules=(BOARD_SIZE,),
    limits=("board_min_mm", "board_max_mm"),
    needs=("profile",),
)
def find_size_problems(case: Case) -> Iterator[Finding]:
    """The board is of a size the house makes."""
    short, long = sorted(case.board.size_mm)
    for key, side, words in (
        ("board_min_mm", short, "shortest side is {}; the house makes at least {}"),
        ("board_max_mm", long, "longest side is {}; the house makes at most {}"),
    ):
        broken = case.judge(key, side)
        if broken is not None:
            severity, limit = broken
            yield Finding(
                rule=BOARD_SIZE,
                severity=severity,
                message=words.format(format_mm(side), format_mm(limit.value)),
                measured=side,
                limit=limit.value,
                unit="mm",
            )
