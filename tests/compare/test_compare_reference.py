"""Areas against plain set operations of whole layers, random edits, and the mirror image."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import shapely
from compare_boards import edit_layer, mirrored, shifted
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import fabkit
from fabkit.compare.areas import differing, layer_difference, thick
from fabkit.compare.model import SLIVER_MM
from fabkit.formats.gerber.model import Kind

LAYERS = (
    *("top copper", "bottom copper", "top solder mask", "bottom solder mask"),
    *("top legend", "bottom legend", "top paste", "bottom paste"),
)


def _image(board, name):
    return next(a for a in board.layers if a.name == name).file.image


@pytest.mark.parametrize("name", LAYERS)
def test_areas_are_those_of_whole_layers(rev_a, rev_b, name):
    """Added and removed areas are the differences of the two whole images, to a thousandth.

    The reference is a general geometry library's difference of the complete layers.
    """
    files = [next(a for a in b.layers if a.name == name).file for b in (rev_a, rev_b)]
    added, removed = layer_difference(*files, (0.0, 0.0))
    old, new = (f.image for f in files)

    assert shapely.area(added).sum() == pytest.approx(new.difference(old).area, abs=1e-3)
    assert shapely.area(removed).sum() == pytest.approx(old.difference(new).area, abs=1e-3)
    assert shapely.union_all(added).difference(new).area == pytest.approx(0, abs=1e-6)
    assert shapely.union_all(removed).difference(old).area == pytest.approx(0, abs=1e-6)
    assert shapely.union_all(added).intersection(old).area == pytest.approx(0, abs=1e-6)


def _key(change):
    """What must be the same of a change and of its mirror image."""
    return (
        change.kind,
        change.subject,
        change.side,
        change.before,
        change.after,
        change.x_mm and round(change.x_mm, 3),
        change.y_mm and round(change.y_mm, 3),
        round(change.added_mm2, 5),
        round(change.removed_mm2, 5),
        change.moved_mm and tuple(round(v, 5) + 0.0 for v in change.moved_mm),
        round(change.turned_deg, 3) + 0.0,
    )


def mirror_agrees(old, new):
    """Whether comparing the other way round gives every change mirrored."""
    there, back = fabkit.compare_boards(old, new), fabkit.compare_boards(new, old)
    other_way = Counter(_key(mirrored(c, there.alignment)) for c in there.changes)
    return other_way == Counter(_key(c) for c in back.changes)


def test_the_demonstration_mirrors(rev_a, rev_b):
    """compare(A, B) is compare(B, A) with old and new exchanged, also between two origins."""
    assert mirror_agrees(rev_a, rev_b)


def test_it_mirrors_between_origins(rev_a, rev_b):
    """The same when the old board has another origin: kinds and areas, places within rounding."""
    old = shifted(rev_a, 12.5, -40.25)
    there, back = fabkit.compare_boards(old, rev_b), fabkit.compare_boards(rev_b, old)

    assert np.allclose(there.alignment.shift_mm, -np.array(back.alignment.shift_mm))
    assert Counter(mirrored(c, there.alignment).kind for c in there.changes) == Counter(
        c.kind for c in back.changes
    )


@st.composite
def _edits(draw):
    """What happens to some objects and holes: gone, moved, or doubled somewhere else."""
    rows = st.integers(0, 10_000)
    step = st.floats(0.02, 2.0).map(lambda v: round(v, 3))
    one = st.tuples(rows, st.sampled_from(("remove", "move", "add")), step, step)
    return draw(st.lists(one, min_size=1, max_size=5, unique_by=lambda e: e[0]))


def _edited(objects, edits):
    """Objects with edits applied to flashes and strokes."""
    plain = np.flatnonzero((objects.kind != Kind.REGION) & objects.dark)
    keep = np.ones(len(objects), dtype=bool)
    shift = np.zeros((len(objects), 2))
    extra = []
    for number, what, dx, dy in edits:
        row = int(plain[number % len(plain)])
        if what == "remove":
            keep[row] = False
        elif what == "move":
            shift[row] += (dx, dy)
        else:
            extra.append((row, dx, dy))

    def moved(table, dx, dy):
        return table.with_columns(
            **{n: getattr(table, n) + dx for n in ("x0", "x1", "cx")},
            **{n: getattr(table, n) + dy for n in ("y0", "y1", "cy")},
        )

    parts = [moved(objects, shift[:, 0], shift[:, 1]).take(keep)]
    parts += [moved(objects.take(np.array([row])), dx, dy) for row, dx, dy in extra]
    return type(objects).concat(*parts)


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(edits=_edits(), name=st.sampled_from(("top copper", "bottom copper", "top legend")))
def test_random_edits_are_found_where_they_are(half, edits, name):
    """Random edits of a layer: areas are those of the whole images, and only there."""
    new = edit_layer(half, name, lambda o: _edited(o, edits))
    comparison = fabkit.compare_boards(half, new)
    before, after = _image(half, name), _image(new, name)
    plus, minus = after.difference(before), before.difference(after)
    places = [c for c in comparison.changes if c.is_area]
    slack = 1e-3 + SLIVER_MM * (plus.length + minus.length) / 2

    assert {c.subject for c in comparison.changes if c.what != "connection"} <= {name}
    assert sum(c.added_mm2 for c in places) == pytest.approx(plus.area, abs=slack)
    assert sum(c.removed_mm2 for c in places) == pytest.approx(minus.area, abs=slack)
    if max(plus.area, minus.area) > slack:
        assert places
    truth = shapely.union_all([plus, minus]).buffer(1e-6)
    assert all(truth.contains(shapely.Point(c.x_mm, c.y_mm)) for c in places)
    assert mirror_agrees(half, new)


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_random_edits_of_holes_are_each_found(half, data):
    """Holes that are gone, moved a little, or resized: as many changes as edits, of their kinds."""
    h = half.holes
    rows = data.draw(st.lists(st.integers(0, len(h) - 1), min_size=1, max_size=6, unique=True))
    kinds = [data.draw(st.sampled_from(("removed", "moved", "resized"))) for _ in rows]
    x, diameter, keep = h.x.copy(), h.diameter.copy(), np.ones(len(h), dtype=bool)
    for row, kind in zip(rows, kinds, strict=True):
        if kind == "removed":
            keep[row] = False
        elif kind == "moved":
            x[row] += 0.05
        else:
            diameter[row] += 0.05
    new = replace(half, holes=h.with_columns(x=x, diameter=diameter).take(keep))
    found = [c for c in fabkit.compare_boards(half, new).changes if c.what == "hole"]

    assert Counter(c.verb.value for c in found) == Counter(kinds)
    assert {(round(c.x_mm, 2), round(c.y_mm, 2)) for c in found} == {
        (round(float(x[r]), 2), round(float(h.y[r]), 2)) for r in rows
    }


@pytest.mark.parametrize(("width", "kept"), [(0.005, False), (0.0065, True), (0.02, True)])
def test_slivers_up_to_the_stated_width_are_left_out(width, kept):
    """A strip narrower than the tolerance is rounding; a wider one is kept with all its area."""
    strip = shapely.box(0, 0, 10, width)
    found = thick(np.array([strip], dtype=object))

    assert bool(len(found)) is kept
    if kept:
        assert shapely.area(found).sum() == pytest.approx(strip.area, rel=1e-6)


def test_equal_polygons_are_set_aside():
    """Polygons of both sets cancel, also when their rings start elsewhere."""
    a = shapely.box(0, 0, 1, 1)
    same = shapely.Polygon([(1, 1), (0, 1), (0, 0), (1, 0)])
    other = shapely.box(5, 5, 6, 6)
    left, right = differing(np.array([a, other], dtype=object), np.array([same], dtype=object))

    assert len(right) == 0
    assert [s.bounds for s in left] == [(5.0, 5.0, 6.0, 6.0)]
