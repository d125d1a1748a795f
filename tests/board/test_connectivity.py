"""Copper islands against two engines that share no code with ours: networkx, raster labelling."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
import shapely
from PIL import Image, ImageDraw
from scipy import ndimage
from shapely.geometry import Point, box

from fabkit.board.connectivity import join_pieces, pieces_at, split_pieces

NONE = np.empty(0, dtype=object)
PIXELS = 20  # a millimetre


def random_board(seed, *, layers=2, bars=90, holes=25):
    """Layers of random bars on a half-millimetre grid, and plated holes.

    Bars are shifted across their direction, so that none touch in a corner alone, where
    engines differ on what touching is.
    """
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(layers):
        x, y = rng.integers(0, 76, bars) / 2, rng.integers(0, 76, bars) / 2
        across = rng.random(bars) < 0.5
        length = rng.integers(2, 14, bars) / 2
        w, h = np.where(across, length, 0.25), np.where(across, 0.25, length)
        x, y = x + np.where(across, 0.0, 0.1), y + np.where(across, 0.1, 0.0)
        made.append(shapely.box(x, y, np.minimum(x + w, 40), np.minimum(y + h, 40)))
    spots = rng.integers(1, 79, (holes, 2)) / 2 + 0.2
    return made, shapely.box(*(spots - 0.1).T, *(spots + 0.1).T)


def traced(layers, barrels):
    pieces = [split_pieces(shapely.union_all(a), NONE) for a in layers]
    ones = np.ones(len(barrels), int)
    return join_pieces(pieces, barrels, ones, ones * len(layers))


@pytest.mark.parametrize("seed", range(5))
def test_islands_agree_with_networkx(seed):
    """Bars are in one island exactly when a path of touching bars and barrels joins them."""
    layers, barrels = random_board(seed)
    graph = nx.Graph()
    for number, bars in enumerate(layers):
        graph.add_nodes_from((number, k) for k in range(len(bars)))
        for a in range(len(bars)):
            for b in range(a):
                if bars[a].intersects(bars[b]):
                    graph.add_edge((number, a), (number, b))
        for k, barrel in enumerate(barrels):
            for a in range(len(bars)):
                if bars[a].intersects(barrel):
                    graph.add_edge(("hole", k), (number, a))
    expected = {
        frozenset(n for n in part if n[0] != "hole") for part in nx.connected_components(graph)
    }
    expected.discard(frozenset())
    pieces = traced(layers, barrels)
    members: dict[int, set] = {}
    for number, bars in enumerate(layers):
        rows = pieces.on_layer(number)
        for k, row in enumerate(pieces_at(pieces.polygons[rows], shapely.centroid(bars))):
            members.setdefault(int(pieces.island[rows[row]]), set()).add((number, k))
    assert {frozenset(m) for m in members.values()} == expected


@pytest.mark.parametrize("seed", range(5))
def test_islands_agree_with_raster_labelling(seed):
    """Drawn with Pillow, labelled with scipy.ndimage, joined at the holes: the same count."""
    layers, barrels = random_board(seed, bars=60)
    labels, offset = [], 0
    for bars in layers:
        picture = Image.new("1", (41 * PIXELS, 41 * PIXELS))
        draw = ImageDraw.Draw(picture)
        for x0, y0, x1, y1 in shapely.bounds(bars) * PIXELS:
            draw.rectangle((x0, y0, x1, y1), fill=1)
        label, count = ndimage.label(np.array(picture), structure=np.ones((3, 3)))
        labels.append(np.where(label > 0, label + offset, 0))
        offset += count
    graph = nx.Graph()
    graph.add_nodes_from(range(1, offset + 1))
    for x0, y0, x1, y1 in np.round(shapely.bounds(barrels) * PIXELS).astype(int):
        touched = {int(v) for label in labels for v in np.unique(label[y0 : y1 + 1, x0 : x1 + 1])}
        touched.discard(0)
        nx.add_path(graph, sorted(touched))
    # The raster takes bars a pixel apart as touching; the grid keeps them further apart.
    assert traced(layers, barrels).islands == nx.number_connected_components(graph)


def test_a_bare_hole_cuts_a_track():
    """A hole wider than the track leaves two pieces."""
    track = box(0, 0, 10, 0.3)
    assert len(split_pieces(track, np.array([Point(5, 0.15).buffer(0.4)]))) == 2
    assert len(split_pieces(track, np.array([Point(5, 0.15).buffer(0.1)]))) == 1


def test_a_pad_as_large_as_its_bare_hole_leaves_nothing():
    """Two circles drawn with other chords leave no crumbs."""
    pad, hole = Point(0, 0).buffer(1.0, 30), Point(0, 0).buffer(1.0, 17)
    assert len(split_pieces(pad, np.array([hole]))) == 0


def test_a_blind_barrel_joins_only_its_span():
    """Copper on layer 3 is not joined by a hole from 1 to 2."""
    layers = [np.array([box(0, 0, 1, 1)]) for _ in range(3)]
    pieces = join_pieces(
        layers, np.array([Point(0.5, 0.5).buffer(0.2)]), np.array([1]), np.array([2])
    )
    assert pieces.island.tolist() == [0, 0, 1]
