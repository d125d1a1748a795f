"""Cuts and shorts planted on a board whose files name no nets, listed by their pads."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
import shapely
from compare_boards import DIALECTS, edit_layer, mirrored, read, shifted
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import fabkit
from fabkit.board.single import place_board
from fabkit.compare.joins import find_spots, pair_spots
from fabkit.compare.judging import expectation_text
from fabkit.compare.model import What
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.segments import Placing


@pytest.fixture(scope="module")
def bare():
    """Revision B of the demonstration, exported without any attribute."""
    return read(DIALECTS / "no-attributes-mm")


def _found(comparison):
    return [c for c in comparison.changes if c.what is What.CONNECTION]


def _tracks(board, name="top copper"):
    """Rows of the strokes of a layer, and their ends, (n, 4)."""
    o = next(a for a in board.layers if a.name == name).file.objects
    rows = np.flatnonzero((o.kind == Kind.DRAW) & o.dark)
    return rows, np.column_stack((o.x0, o.y0, o.x1, o.y1))[rows]


def _without(board, row, name="top copper"):
    return edit_layer(board, name, lambda o: o.take(np.arange(len(o)) != row))


def _bridged(board, start, end, name="top copper"):
    """The board with one more track, drawn like the first one of the layer."""

    def add(objects):
        model = np.flatnonzero((objects.kind == Kind.DRAW) & objects.dark)[:1]
        extra = objects.take(model).with_columns(
            x0=np.array([start[0]]), y0=np.array([start[1]]),
            x1=np.array([end[0]]), y1=np.array([end[1]]),
        )  # fmt: skip
        return type(objects).concat(objects, extra)

    return edit_layer(board, name, add)


def _apart(board):
    """The two pads of the front that lie nearest to each other and are not joined."""
    spots = find_spots(board)
    top = np.flatnonzero(spots.face == 0)
    at, island = spots.at[top], spots.island[top]
    far = np.hypot(*(at[:, None] - at[None]).T)
    far[island[:, None] == island[None]] = np.inf
    i, j = np.unravel_index(np.argmin(far), far.shape)
    return tuple(at[i]), tuple(at[j])


def _long_track(board):
    """A track between two keys, 5.35 mm long, with pads at both ends of its net."""
    rows, ends = _tracks(board)
    k = int(np.flatnonzero(np.all(np.isclose(ends, (25.75, 82.5, 31.1, 82.5)), axis=1))[0])
    return int(rows[k]), ends[k]


def test_a_cut_track_parts_its_pads(bare):
    """One track less: one connection that is gone, in the middle of the track."""
    row, (x0, y0, x1, y1) = _long_track(bare)
    comparison = fabkit.compare_boards(bare, _without(bare, row))
    (change,) = _found(comparison)

    assert change.kind == "connection/removed"
    assert {c.kind for c in comparison.changes} == {"connection/removed", "copper/removed"}
    assert change.side == "top"
    assert (change.x_mm, change.y_mm) == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=0.3)
    assert change.subject == "a pad"
    assert (change.before, change.after) == ("joined to 2 pads", "apart from 2 pads")
    pads = find_spots(bare).at
    assert all(np.hypot(*(pads - end).T).min() < 1e-9 for end in change.ends_mm)


def test_a_track_that_joins_two_pads_is_a_new_connection(bare):
    """One track more, across a gap: one new connection; the other way round it is gone."""
    ends = _apart(bare)
    joined = _bridged(bare, *ends)
    (change,) = _found(fabkit.compare_boards(bare, joined))
    (back,) = _found(fabkit.compare_boards(joined, bare))

    assert (change.kind, back.kind) == ("connection/added", "connection/removed")
    assert sorted(change.ends_mm) == sorted(ends)
    assert (back.ends_mm, back.subject) == (change.ends_mm, change.subject)
    assert (back.before, back.after) == (change.after, change.before)
    assert shapely.LineString(ends).distance(
        shapely.Point(change.x_mm, change.y_mm)
    ) == pytest.approx(0, abs=0.2)


def test_a_hole_drilled_through_a_track_cuts_it(bare):
    """A bare hole wider than the track parts the same pads, though no copper file changed."""
    _, (x0, y0, x1, y1) = _long_track(bare)
    h = bare.holes
    bare_row = int(np.flatnonzero(h.plated == 0)[0])
    hole = h.take(np.array([bare_row])).with_columns(
        x=np.array([(x0 + x1) / 2]), y=np.array([(y0 + y1) / 2]), diameter=np.array([1.0])
    )
    drilled = replace(bare, holes=type(h).concat(h, hole))
    comparison = fabkit.compare_boards(bare, drilled)

    assert [c.kind for c in comparison.changes] == ["hole/added", "connection/removed"]
    assert (comparison.changes[1].x_mm, comparison.changes[1].y_mm) == pytest.approx(
        ((x0 + x1) / 2, (y0 + y1) / 2), abs=0.01
    )


def test_a_hole_that_is_no_longer_plated_parts_its_faces(bare):
    """Barrels that join both faces and are plated no more: the pads of both faces are apart."""
    h = bare.holes
    spots = find_spots(bare)
    small = np.flatnonzero((h.plated == 1) & (h.diameter > 0.5))
    told = []
    for row in small[::12].tolist():
        only = np.arange(len(h)) == row
        other = replace(bare, holes=h.with_columns(plated=np.where(only, 0, h.plated)))
        kinds = Counter(c.kind for c in fabkit.compare_boards(bare, other).changes)
        assert kinds["hole/changed"] == 1
        assert set(kinds) <= {"hole/changed", "connection/removed"}
        told.append(kinds["connection/removed"])
        assert np.hypot(*(spots.at - (h.x[row], h.y[row])).T).min() < 0.05

    assert max(told) >= 1


def test_a_pad_that_is_gone_or_new_changes_no_other(bare):
    """A pad at the end of its net taken away with its hole: nothing is joined or parted."""
    rows, _ = _tracks(bare)
    o = bare.copper[0].file.objects
    spots = find_spots(bare)
    flashes = np.flatnonzero(o.kind == Kind.FLASH)
    at = np.column_stack((o.x0, o.y0))[flashes]
    counts = Counter(spots.island.tolist())
    # A surface pad of a net with no more than one track to it: nothing passes through.
    lone = [
        int(k)
        for k in range(len(spots))
        if spots.face[k] == 0 and counts[spots.island[k]] >= 2
        and np.hypot(*(bare.holes.x - spots.at[k, 0], bare.holes.y - spots.at[k, 1])).min() > 1.0
    ]  # fmt: skip
    pad = int(flashes[np.argmin(np.hypot(*(at - spots.at[lone[0]]).T))])
    without = _without(bare, pad)

    assert len(rows)
    for comparison in (fabkit.compare_boards(bare, without), fabkit.compare_boards(without, bare)):
        assert "copper/removed" in {c.kind for c in comparison.changes} or not comparison.equal
        assert _found(comparison) == []


@pytest.mark.parametrize("name", ["inch-2-4", "macros-and-repeat", "comment-attributes"])
def test_dialects_join_the_same_pads(bare, name):
    """With one hole moved, so that copper is traced, another dialect joins the same pads."""
    other = read(DIALECTS / name)
    h = other.holes
    row = int(np.flatnonzero(np.isclose(h.diameter, 2.2, atol=0.01))[0])
    moved = replace(other, holes=h.with_columns(x=h.x + 0.1 * (np.arange(len(h)) == row)))

    assert [c.kind for c in fabkit.compare_boards(bare, moved).changes] == ["hole/moved"]


def test_names_of_one_side_are_used(rev_b, bare):
    """Where a revision was exported with names, these call the pads; also where both were."""
    row, _ = _long_track(bare)
    cut = _without(bare, row)
    for comparison in (fabkit.compare_boards(rev_b, cut), fabkit.compare_boards(cut, rev_b)):
        (change,) = _found(comparison)
        # A pin with a pad for either hand, of which one came off.
        assert change.subject == "a pad of SW2 pin 1"
        others = "J1 pin 4 and a pad of SW2 pin 1"
        assert {change.before, change.after} == {f"joined to {others}", f"apart from {others}"}
        assert "names none" in comparison.not_compared["names of nets"]
    rows, ends = _tracks(rev_b)
    named = int(rows[np.all(np.isclose(ends, (25.75, 82.5, 31.1, 82.5)), axis=1)][0])
    (change,) = _found(fabkit.compare_boards(rev_b, _without(rev_b, named)))
    assert change.kind == "connection/removed"


def test_revisions_without_names_join_the_same_pads(rev_a, bare):
    """The second column moved by 1 mm with its pads and tracks: no connection is new or gone,
    though the places of its pads are others."""
    assert _found(fabkit.compare_boards(rev_a, bare)) == []
    spots = find_spots(rev_a), find_spots(bare)
    assert 0 < len(pair_spots(*spots, ())[0]) < len(spots[0])


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_it_mirrors_also_turned_and_shifted(bare, degrees):
    """What is gone one way is new the other way, at the same places of either board."""
    row, _ = _long_track(bare)
    old = shifted(place_board(bare, Placing(quarter_turns=degrees // 90)), 3.5, -8.25)
    new = _bridged(_without(bare, row), *_apart(bare))
    there, back = fabkit.compare_boards(old, new), fabkit.compare_boards(new, old)

    def key(change):
        at = (change.x_mm, change.y_mm, *np.ravel(change.ends_mm))
        return (change.kind, change.subject, change.before, change.after, *np.round(at, 2) + 0.0)

    assert {c.kind for c in _found(there)} == {"connection/removed", "connection/added"}
    assert Counter(key(mirrored(c, there.alignment)) for c in _found(there)) == Counter(
        map(key, _found(back))
    )


def test_what_was_meant_can_be_written_and_met(bare, tmp_path):
    """Connections go into the file of expected changes, and are met by it."""
    row, _ = _long_track(bare)
    comparison = fabkit.compare_boards(bare, _without(bare, row))
    path = tmp_path / "meant.toml"
    path.write_text(expectation_text(comparison), encoding="utf-8")
    other = fabkit.compare_boards(bare, bare)

    assert 'kind = "connection/removed"' in path.read_text()
    assert fabkit.judge_changes(comparison, path).findings == ()
    assert {f.id for f in fabkit.judge_changes(other, path).findings} == {"compare/missing"}


def _groups(board, spots):
    """Label of the copper each spot is on (reference: polygons of the images, cut by bare holes,
    in a general graph library; a plated hole joins what its disc meets)."""
    graph = nx.Graph()
    first = np.unique(board.slots.path, return_index=True)[1]
    plated = np.concatenate((board.holes.plated, board.slots.plated[first]))
    bored = shapely.union_all(board.hole_shapes[plated == 0]).buffer(0.003)
    parts = [shapely.get_parts(layer.file.image.difference(bored)) for layer in board.copper]
    for layer, polygons in enumerate(parts):
        graph.add_nodes_from((layer, k) for k in range(len(polygons)))
    for cut, joins in zip(board.hole_shapes, plated, strict=True):
        met = [
            (layer, int(k))
            for layer, polygons in enumerate(parts)
            for k in np.flatnonzero(shapely.dwithin(polygons, cut, 0.003))
        ]
        if joins and met:
            graph.add_edges_from((met[0], other) for other in met[1:])
    label = {n: k for k, nodes in enumerate(nx.connected_components(graph)) for n in nodes}
    found = []
    for (x, y), face in zip(spots.at, spots.face, strict=True):
        away = shapely.distance(parts[face], shapely.Point(x, y))
        found.append(label[int(face), int(np.argmin(away))])
    return found


ROW = st.integers(0, 10_000)


@settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(gone=st.lists(ROW, max_size=3), pairs=st.lists(st.tuples(ROW, ROW), max_size=2))
def test_random_edits_part_and_join_as_a_graph_says(bare, gone, pairs):
    """Tracks taken away and drawn at random: as many connections are gone, and as many new, as
    an independent graph of the images asks for."""
    rows, _ = _tracks(bare)
    spots = find_spots(bare)
    top = np.flatnonzero(spots.face == 0)
    lost = rows[np.array(gone, dtype=int) % len(rows)]
    new = edit_layer(bare, "top copper", lambda o: o.take(~np.isin(np.arange(len(o)), lost)))
    for pair in pairs:
        i, j = top[np.array(pair) % len(top)]
        if i != j:
            new = _bridged(new, spots.at[i], spots.at[j])
    before, after = _groups(bare, spots), _groups(new, spots)
    both = len(set(zip(before, after, strict=True)))
    kinds = Counter(c.kind for c in _found(fabkit.compare_boards(bare, new)))

    assert kinds["connection/removed"] == both - len(set(before))
    assert kinds["connection/added"] == both - len(set(after))
