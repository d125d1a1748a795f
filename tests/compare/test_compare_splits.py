"""What is together in one partition and apart in another, against sets of pairs."""

from __future__ import annotations

from itertools import combinations

import networkx as nx
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fabkit.compare.joins import count_places, find_splits, nearest_ends

LABELS = st.integers(0, 5)


@st.composite
def _partitions(draw):
    """Two partitions of the same things, and where these lie."""
    count = draw(st.integers(0, 14))
    labels = [draw(st.lists(LABELS, min_size=count, max_size=count)) for _ in range(2)]
    at = draw(st.lists(st.tuples(LABELS, LABELS), min_size=count, max_size=count))
    return np.array(labels, dtype=np.int64), np.array(at, dtype=np.float64).reshape(-1, 2)


@given(case=_partitions())
def test_pairs_are_those_of_plain_sets(case):
    """Pairs that a split names, with those of the same group, are just those together in one
    partition and apart in the other (reference: all pairs, one by one)."""
    (together, apart), at = case
    wanted = {
        (i, j)
        for i, j in combinations(range(len(at)), 2)
        if together[i] == together[j] and apart[i] != apart[j]
    }
    sets: dict[int, list[frozenset[int]]] = {}
    for split in find_splits(together, apart, at):
        sets.setdefault(split.group, [frozenset(split.rest.tolist())])
        assert sets[split.group][0] == frozenset(split.rest.tolist())
        sets[split.group].append(frozenset(split.cut.tolist()))
    told = {
        tuple(sorted((i, j)))
        for shares in sets.values()
        for a, b in combinations(shares, 2)
        for i in a
        for j in b
    }

    assert told == wanted


@given(case=_partitions())
def test_as_many_as_groups_of_a_graph_ask_for(case):
    """A group that falls into n is listed n - 1 times (reference: connected components of the graph
    of those that are together in both)."""
    (together, apart), at = case
    graph = nx.Graph()
    graph.add_nodes_from(range(len(at)))
    graph.add_edges_from(
        (i, j)
        for i, j in combinations(range(len(at)), 2)
        if together[i] == together[j] and apart[i] == apart[j]
    )
    groups = nx.number_connected_components(graph) if len(at) else 0

    assert len(list(find_splits(together, apart, at))) == groups - len(set(together.tolist()))


@given(case=_partitions(), shift=st.tuples(LABELS, LABELS))
def test_neither_order_nor_origin_matters(case, shift):
    """Things in another order, from another origin, with other labels: the same splits."""
    (together, apart), at = case

    def told(a, b, places, names):
        return {
            (frozenset(names[s.cut].tolist()), frozenset(names[s.rest].tolist()))
            for s in find_splits(a, b, places)
        }

    # Places are made distinct: of shares that lie alike either may stay.
    at = at + np.arange(len(at))[:, None] * (0.37, 0.011)
    names = np.arange(len(at))
    back = names[::-1]
    plain = told(together, apart, at, names)

    assert told(7 - together[back], 9 - apart[back], at[back] + shift, back) == plain


def test_the_largest_share_stays_and_places_count_once():
    """Both faces of a pad are one place, so three pads outweigh two pads with two faces each."""
    at = np.array([[0, 0], [0, 0], [1, 0], [1, 0], [5, 0], [6, 0], [7, 0]], dtype=float)
    (split,) = find_splits(np.zeros(7, np.int64), np.array([1, 1, 1, 1, 2, 2, 2]), at)

    assert split.cut.tolist() == [0, 1, 2, 3]
    assert count_places(at[split.cut]) == 2
    assert [p.tolist() for p in nearest_ends(at[split.cut], at[split.rest])] == [[1, 0], [5, 0]]
