"""What the ways round whole overlays save, as ratios of one run (run this file by name)."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import shapely

from fabkit.geometry.areas import pierce, unite
from fabkit.geometry.contours import crosses_more_than, fill_nonzero
from fabkit.geometry.facing import FacetTree, facets_of
from fabkit.geometry.neighbours import FEW_PAIRS, PointTree
from fabkit.geometry.segments import Segments

CHANCE = np.random.default_rng(1)


def seconds(work: Callable[[], object], times: int = 3) -> float:
    """Processor time of the quickest of some runs."""
    taken = []
    for _ in range(times):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)


def discs(count: int, *, pitch: float, wide: float) -> np.ndarray:
    """Discs on a grid."""
    across = int(np.ceil(np.sqrt(count)))
    at = np.column_stack(np.divmod(np.arange(count), across)) * pitch
    return Segments.straight(at, at).drawn(np.full(count, wide))


def plane(count: int) -> shapely.Polygon:
    """A plane with round holes."""
    side = int(np.ceil(np.sqrt(count)))
    holes = shapely.get_exterior_ring(discs(count, pitch=1, wide=0.6))
    return shapely.Polygon(shapely.box(-1, -1, side, side).exterior, list(holes))


def test_uniting_by_islands():
    """Twenty thousand islands of two discs: no more than half the time of one union."""
    shapes = np.concatenate([discs(20_000, pitch=1, wide=0.6), discs(20_000, pitch=1, wide=0.4)])
    shapes[20_000:] = shapely.transform(shapes[20_000:], lambda p: p + 0.2)
    assert unite(shapes).area > 0
    ratio = seconds(lambda: unite(shapes), 1) / seconds(lambda: shapely.union_all(shapes), 1)
    print(f"islands against one union: {ratio:.2f}")
    assert ratio < 0.5


def test_uniting_by_halves():
    """A hatched fill of 320 lines, in dashes: a third of the time of one union."""
    at, ends = np.arange(160) / 2, np.arange(0, 80, 2.0)
    y, x = (a.ravel() for a in np.meshgrid(at, ends, indexing="ij"))
    flat = Segments.straight(np.column_stack((x, y)), np.column_stack((x + 2, y)))
    steep = Segments.straight(np.column_stack((y, x)), np.column_stack((y, x + 2)))
    shapes = Segments.concat(flat, steep).drawn(np.full(2 * len(x), 0.3))
    assert shapely.get_num_geometries(unite(shapes)) == 1
    ratio = seconds(lambda: unite(shapes), 1) / seconds(lambda: shapely.union_all(shapes), 1)
    print(f"halves against one union: {ratio:.2f}")
    assert ratio < 0.35


def test_piercing_hole_by_hole():
    """Three hundred drills through a plane with ten thousand holes: less than an overlay."""
    fill = plane(10_000)
    drills = shapely.multipolygons(discs(300, pitch=3, wide=0.1))
    cuts = shapely.transform(drills, lambda p: p + 0.5)
    whole = shapely.difference(fill, cuts)
    assert abs(pierce(fill, cuts).area - whole.area) < 1e-6
    ratio = seconds(lambda: pierce(fill, cuts)) / seconds(lambda: shapely.difference(fill, cuts))
    print(f"piercing against an overlay: {ratio:.2f}")
    assert ratio < 0.8


def test_a_tree_of_runs():
    """A tree of runs is made in less than half the time of one with a line for each facet."""
    facets = facets_of(discs(10_000, pitch=1, wide=0.5))
    rows = np.arange(len(facets))

    def singly() -> shapely.STRtree:
        return shapely.STRtree(FacetTree(facets).lines(rows))

    ratio = seconds(lambda: FacetTree(facets).runs) / seconds(singly)
    print(f"tree of runs against a tree of facets: {ratio:.2f}")
    assert ratio < 0.5


def test_comparing_all_points_with_all():
    """The largest comparison without a tree takes less time than loading the library of trees."""
    points = CHANCE.random((int(np.sqrt(FEW_PAIRS)), 2))
    load = "import time, numpy; t = time.process_time(); import scipy.spatial"
    done = subprocess.run(
        [sys.executable, "-c", load + "; print(time.process_time() - t)"],
        capture_output=True,
        text=True,
        check=True,
    )
    ratio = seconds(lambda: PointTree(points).query(points, k=2)) / float(done.stdout)
    print(f"all pairs against loading scipy.spatial: {ratio:.2f}")
    assert ratio < 1


def test_counting_crossings_before_filling():
    """Counting the 20,000 crossings of a contour takes a twentieth of filling it."""
    ring = CHANCE.random((420, 2)) * 50
    ratio = seconds(lambda: crosses_more_than(ring, 30_000)) / seconds(
        lambda: fill_nonzero(ring), 1
    )
    print(f"counting crossings against filling: {ratio:.3f}")
    assert ratio < 0.05
