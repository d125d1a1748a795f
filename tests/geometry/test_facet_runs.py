"""Facets found by the run against every facet compared with every other."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.geometry import facing
from fabkit.geometry.facing import FacetTree, facets_of, near_pairs

rounds = st.tuples(st.floats(0, 12), st.floats(0, 12), st.floats(0.2, 2), st.integers(1, 12))


def boundary(rows):
    """Facets of the union of a few discs, some of them coarse, some pierced."""
    discs = [shapely.Point(x, y).buffer(r, n) for x, y, r, n in rows]
    whole = shapely.union_all(discs).difference(shapely.box(3, 3, 5, 3.2))
    return facets_of(shapely.get_parts(whole))


@settings(max_examples=60, deadline=None)
@given(st.lists(rounds, min_size=1, max_size=8), st.floats(0.01, 1.5))
def test_pairs_are_all_that_face_each_other(rows, reach):
    """Of all pairs, those near enough that run against each other are found, each once."""
    f = boundary(rows)
    one, other = np.concatenate([np.empty((2, 0), np.int64), *near_pairs(f, reach)], axis=1)
    assert (one < other).all()
    found = set(zip(one.tolist(), other.tolist(), strict=True))
    assert len(found) == len(one)
    lines = FacetTree(f).lines(np.arange(len(f)))
    left, right = np.triu_indices(len(f), 1)
    apart = shapely.distance(lines[left], lines[right])
    along = np.column_stack((f.x1 - f.x0, f.y1 - f.y0))
    along /= np.hypot(*along.T)[:, None]
    against = (along[left] * along[right]).sum(axis=1) < 0.2 - 1e-9
    beside = (f.after[left] == right) | (f.before[left] == right)
    wanted = (apart < reach - 1e-9) & against & ~beside
    assert found >= set(zip(left[wanted].tolist(), right[wanted].tolist(), strict=True))


@settings(max_examples=40, deadline=None)
@given(st.lists(rounds, min_size=1, max_size=8), st.lists(rounds, min_size=1, max_size=5))
def test_places_are_looked_up_as_if_all_were_measured(rows, places):
    """Distances, facets and pieces near a shape are those of comparing it with every facet."""
    f = boundary(rows)
    tree = FacetTree(f)
    lines = tree.lines(np.arange(len(f)))
    shapes = np.array([shapely.Point(x, y).buffer(r / 4, n) for x, y, r, n in places])
    apart = np.array([shapely.distance(lines, shape) for shape in shapes])
    np.testing.assert_allclose(tree.distance(shapes), apart.min(axis=1), atol=1e-12)
    shape, facet = tree.within(shapes, 0.3)
    expected = np.argwhere(apart <= 0.3)
    assert np.column_stack((shape, facet)).tolist() == expected.tolist()
    shape, piece = tree.pieces_within(shapes, 0.3)
    found = np.column_stack((expected[:, 0], f.piece[expected[:, 1]]))
    assert np.column_stack((shape, piece)).tolist() == np.unique(found, axis=0).tolist()


@settings(max_examples=40, deadline=None)
@given(st.lists(rounds, min_size=2, max_size=12), st.floats(0.001, 0.5))
def test_touching_pieces_are_those_shapely_finds_near(rows, reach):
    """Pairs of separate polygons come within reach exactly when their boundaries do."""
    polygons = shapely.get_parts(
        shapely.union_all([shapely.Point(r[:2]).buffer(r[2]) for r in rows])
    )
    one, other = FacetTree(facets_of(polygons)).touching_pieces(reach)
    left, right = np.triu_indices(len(polygons), 1)
    near = shapely.dwithin(polygons[left], polygons[right], reach)
    assert set(zip(one.tolist(), other.tolist(), strict=True)) == set(
        zip(left[near].tolist(), right[near].tolist(), strict=True)
    )


def test_no_boundary_is_far_from_everything():
    """Without polygons nothing is near and distances are infinite."""
    tree = FacetTree(facets_of(np.empty(0, dtype=object)))
    spot = np.array([shapely.Point(0, 0)])
    assert tree.distance(spot).tolist() == [np.inf]
    assert len(tree.within(spot, 1.0)[0]) == len(tree.pieces_within(spot, 1.0)[0]) == 0
    assert len(tree.touching_pieces(1.0)[0]) == len(list(near_pairs(tree.facets, 1.0))) == 0


def test_runs_are_kept_while_they_are_few(monkeypatch):
    """Of trees with more runs than are kept, those made longest ago let go; asked, they answer."""
    monkeypatch.setattr(facing, "_RUNS_KEPT", 25)
    monkeypatch.setattr(facing, "_kept", [])
    trees = [FacetTree(boundary([(6.0, 6.0, r, 32)])) for r in (1.0, 1.5, 2.0)]
    spot = np.array([shapely.Point(6, 6)], dtype=object)
    first = [tree.distance(spot)[0] for tree in trees]
    assert sum(len(tree.starts) for tree in trees if tree._runs is not None) <= 25
    assert trees[-1]._runs is not None
    assert trees[0]._runs is None
    assert [tree.distance(spot)[0] for tree in trees] == first
