"""Properties of every layer: how a program is written changes nothing about its image."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from gerber_layers import layer, path
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import layer_programs, spoiled, write_layer

from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.formats.gerber.conformance import examine
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes, object_shapes
from fabkit.formats.gerber.reader import read

few = settings(max_examples=25, deadline=None)
SMALL = replace(DEFAULT_LIMITS, objects=2000, segments=5000)


def same_image(one: GerberFile, other: GerberFile) -> bool:
    """True when the images differ by less than numerical dust."""
    return one.image.symmetric_difference(other.image).area < 1e-6


@few
@given(layer_programs(), st.tuples(st.integers(-9999, 9999), st.integers(-9999, 9999)))
def test_translation_moves_the_image(groups: list, shift: tuple[int, int]) -> None:
    """Adding a vector to all coordinates moves the image by it."""
    still = read(write_layer(groups), name="a")
    moved = read(write_layer(groups, shift_um=shift), name="b")
    back = shapely.transform(moved.image, lambda p: p - np.array(shift) / 1000)
    assert still.image.symmetric_difference(back).area < 1e-5


@few
@given(layer_programs(), st.booleans(), st.booleans(), st.sampled_from(["", "\n", "\r\n", "\r"]))
def test_dialect_does_not_matter(groups: list, combined: bool, omit: bool, line_end: str) -> None:
    """Combined words, omitted coordinates, line ends and decimals leave the columns unchanged."""
    plain = read(write_layer(groups), name="a").objects
    other = read(
        write_layer(groups, combined=combined, omit=omit, line_end=line_end, decimals=5), name="b"
    ).objects
    for name in ("kind", "x0", "y0", "x1", "y1", "aperture", "dark", "pose"):
        assert getattr(plain, name).tolist() == getattr(other, name).tolist()


@few
@given(layer_programs())
def test_order_of_painting(groups: list) -> None:
    """The image is what painting the objects one after the other gives."""
    file = read(write_layer(groups), name="a")
    painted = shapely.Polygon()
    for shape, dark in zip(object_shapes(file), file.objects.dark.tolist(), strict=True):
        painted = painted.union(shape) if dark else painted.difference(shape)
    assert file.image.symmetric_difference(painted).area < 1e-6


@few
@given(layer_programs())
def test_boxes_hold_their_shapes(groups: list) -> None:
    """Boxes are those of the shapes, within the chord error."""
    file = read(write_layer(groups), name="a")
    boxes, shapes = object_boxes(file), object_shapes(file)
    assert boxes == pytest.approx(shapely.bounds(shapes), abs=2e-3, nan_ok=True)


@few
@given(layer_programs())
def test_inches_and_millimetres(groups: list) -> None:
    """The same numbers in inches give an image 25.4 times as large."""
    metric = write_layer(groups)
    inch = metric.replace(b"MOMM", b"MOIN")
    one, other = read(metric, name="a"), read(inch, name="b")
    assert other.objects.x1 == pytest.approx(one.objects.x1 * 25.4, rel=1e-12, abs=1e-9)
    box = object_boxes(other)
    assert box == pytest.approx(object_boxes(one) * 25.4, rel=1e-9, abs=1e-6, nan_ok=True)


@few
@given(
    st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=2, max_size=8),
    st.integers(1, 3),
)
def test_splitting_a_draw(points: list[tuple[int, int]], parts: int) -> None:
    """A draw cut into several covers the same area."""
    whole = [(6.0 * x, 6.0 * y) for x, y in points]
    cut = [whole[0]]
    for (ax, ay), (bx, by) in pairwise(whole):
        cut += [(ax + (bx - ax) * k / parts, ay + (by - ay) * k / parts)
                for k in range(1, parts + 1)]  # fmt: skip
    start = "%ADD10C,0.8*%D10*"
    one = read(layer(start + path(whole)), name="a")
    other = read(layer(start + path(cut)), name="b")
    assert one.image.symmetric_difference(other.image).area < 1e-3


@few
@given(layer_programs(), st.integers(1, 3), st.integers(1, 3))
def test_repeats_are_copies(groups: list, nx: int, ny: int) -> None:
    """A repeat, and the same objects inside a block flashed on its grid, give the same columns."""
    body = write_layer(groups)
    head, middle = body.split(b"G01*\n", 1)
    inner = middle.removesuffix(b"M02*\n")
    grid = f"X{nx}Y{ny}I50J40".encode()
    repeated = head + b"G01*%SR" + grid + b"*%" + inner + b"%SR*%M02*"
    flashes = b"".join(
        f"X{50 * i * 10**6}Y{40 * j * 10**6}D03*".encode() for i in range(nx) for j in range(ny)
    )
    blocked = head + b"G01*%ABD99*%" + inner + b"%AB*%%LPD*%D99*" + flashes + b"M02*"
    one, other = read(repeated, name="a").objects, read(blocked, name="b").objects
    for name in ("kind", "aperture", "dark"):
        assert getattr(one, name).tolist() == getattr(other, name).tolist()
    for name in ("x0", "y0", "x1", "y1"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-9)


@settings(max_examples=75, deadline=None)
@given(st.data())
def test_spoiled_layers_never_raise(data: st.DataObject) -> None:
    """Whatever happens to a layer, reading it gives whole columns with places inside the file."""
    raw = data.draw(spoiled(write_layer(data.draw(layer_programs()))))
    file = read(raw, name="spoiled.gbr", limits=SMALL)
    o = file.objects
    drawn = o.kind != Kind.REGION
    assert np.isfinite(o.x1[drawn]).all()
    assert ((o.offset >= 0) & (o.offset < len(raw))).all()
    assert len(o) <= SMALL.objects
    assert all(p.remedy and str(p.places[0]) for p in file.problems)
    examine(file, raw)


@settings(max_examples=75, deadline=None)
@given(st.binary(max_size=300), st.booleans())
def test_arbitrary_bytes_never_raise(raw: bytes, headed: bool) -> None:
    """Any bytes at all, also behind a proper header, are read without an exception."""
    data = b"%FSLAX46Y46*%%MOMM*%%ADD10C,1*%D10*" + raw if headed else raw
    file = read(data, name="noise", limits=SMALL)
    assert len(file.objects) == len(file.objects.offset)
