"""Neighbours and groups agree with scipy's trees and graphs, an independent engine."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from fabkit.geometry import neighbours
from fabkit.geometry.neighbours import PointTree, label_groups


@pytest.fixture(params=["all with all", "tree"])
def way(request, monkeypatch):
    """Both ways of answering."""
    if request.param == "tree":
        monkeypatch.setattr(neighbours, "FEW_PAIRS", 0)
        monkeypatch.setattr(neighbours, "_FEWER_PAIRS", 0)


def cloud(count, seed, dimensions=2):
    """Points at random, so that no two distances are equal."""
    return np.random.default_rng(seed).uniform(-10, 10, (count, dimensions))


@pytest.mark.parametrize("p", [2.0, np.inf])
@pytest.mark.parametrize("k", [1, 2, 5])
@pytest.mark.usefixtures("way")
def test_nearest(k, p):
    """Distances and rows of the nearest points are those of the tree."""
    points, asked = cloud(60, 1), cloud(40, 2)
    distance, row = PointTree(points).query(asked, k=k, p=p)
    wanted = cKDTree(points).query(asked, k=k, p=p)

    np.testing.assert_allclose(distance, wanted[0], rtol=1e-12)
    np.testing.assert_array_equal(row, wanted[1])


@pytest.mark.usefixtures("way")
def test_too_far_is_told():
    """Beyond the bound the distance is infinite and the row is none."""
    points, asked = cloud(30, 3), cloud(30, 4)
    distance, row = PointTree(points).query(asked, within=1.0)
    wanted = cKDTree(points).query(asked, distance_upper_bound=1.0)

    assert np.isinf(distance).any()
    np.testing.assert_allclose(distance, wanted[0], rtol=1e-12)
    np.testing.assert_array_equal(row, wanted[1])


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("dimensions", [2, 4])
def test_points_far_from_all_others(dimensions):
    """Those are far whose nearest neighbour, by the tree, is beyond the reach."""
    points, asked = cloud(300, 5, dimensions), cloud(200, 6, dimensions)
    distance = cKDTree(points).query(asked)[0]
    reach = float(np.median(distance)) + 1e-9

    np.testing.assert_array_equal(PointTree(points).far_from(asked, reach), distance > reach)


@pytest.mark.usefixtures("way")
def test_fewer_points_than_asked_for():
    """What is not there is infinitely far, as in the tree; also when there is no point at all."""
    for count in (0, 1):
        points, asked = cloud(count, 8), cloud(3, 9)
        distance, row = PointTree(points).query(asked, k=2)
        wanted = cKDTree(points).query(asked, k=2)

        np.testing.assert_allclose(distance, wanted[0], rtol=1e-12)
        np.testing.assert_array_equal(row, wanted[1])


@pytest.mark.parametrize("dimensions", [2, 5])
@pytest.mark.usefixtures("way")
def test_pairs(dimensions):
    """Pairs within reach are those of the tree."""
    points = cloud(80, 5, dimensions)
    found = PointTree(points).pairs(3.0)

    assert {tuple(p) for p in found.tolist()} == cKDTree(points).query_pairs(3.0)


def test_near_one_point():
    """What is near one point is what the tree finds."""
    points = cloud(80, 6)

    assert PointTree(points).near(points[7], 4.0).tolist() == sorted(
        cKDTree(points).query_ball_point(points[7], 4.0)
    )


@given(
    st.integers(1, 40).flatmap(
        lambda n: st.tuples(
            st.just(n),
            st.lists(st.tuples(st.integers(0, n - 1), st.integers(0, n - 1)), max_size=60),
        )
    )
)
@settings(max_examples=100, deadline=None)
def test_groups(graph):
    """Groups are the connected components, numbered by their first nodes."""
    count, edges = graph
    left = np.array([a for a, _ in edges], dtype=np.int64)
    right = np.array([b for _, b in edges], dtype=np.int64)
    matrix = coo_array((np.ones(len(edges), bool), (left, right)), shape=(count, count))

    wanted = connected_components(matrix, directed=False)[1]
    np.testing.assert_array_equal(label_groups(count, left, right), wanted)


def test_a_long_chain_is_one_group():
    """A chain whose nodes are numbered at random is one group, also a long one."""
    order = np.random.default_rng(7).permutation(100_000)

    assert (label_groups(len(order), order[:-1], order[1:]) == 0).all()


def test_near_one_point_of_many():
    """Among many points the tree answers as plain distances do."""
    points = np.random.default_rng(5).uniform(0, 50, (3000, 2))
    tree = PointTree(points)
    for row in (0, 17, 2999):
        apart = np.hypot(*(points - points[row]).T)
        assert tree.near(points[row], 2.0).tolist() == np.flatnonzero(apart <= 2.0).tolist()
