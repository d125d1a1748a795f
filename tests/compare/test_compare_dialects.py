"""One board in other dialects, units, file orders and origins is one board."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pytest
from compare_boards import DIALECTS, edit_layer, read, shifted

import fabkit

NAMES = sorted(p.name for p in DIALECTS.iterdir())


def _package(name):
    folder = DIALECTS / name
    zips = list(folder.glob("*.zip"))
    return zips[0] if zips else folder


@pytest.mark.parametrize("name", NAMES)
def test_dialects_are_the_same_board(rev_b, name):
    """Every dialect of revision B compares as equal to it, both ways, and says what it lacks."""
    other = read(_package(name))

    for comparison in (fabkit.compare_boards(rev_b, other), fabkit.compare_boards(other, rev_b)):
        assert comparison.changes == ()
        assert comparison.equal
        assert not comparison.alignment.shifted
        assert set(comparison.not_compared) <= {
            *("parts", "names of nets", "positions of parts", "options"),
        }


def test_order_of_files_does_not_matter(rev_b, tmp_path):
    """Files under other names, so in another order, are the same board."""
    for number, path in enumerate(sorted((DIALECTS / "comment-attributes").iterdir())):
        shutil.copy(path, tmp_path / f"{90 - number}-{path.name}")

    assert fabkit.compare_boards(rev_b, read(tmp_path)).equal


def test_order_of_objects_does_not_matter(rev_b):
    """A layer drawn in another order, all dark, is the same layer; strokes may run backwards."""

    def backwards(objects):
        turned = objects.with_columns(
            x0=objects.x1, y0=objects.y1, x1=objects.x0, y1=objects.y0, turn=-objects.turn
        )
        return turned.take(np.arange(len(objects))[::-1])

    assert fabkit.compare_boards(rev_b, edit_layer(rev_b, "top copper", backwards)).equal


@pytest.mark.parametrize("shift", [(10.0, -4.0), (-118.1113, 76.2087), (0.004, 0.0)])
def test_another_origin_is_stated_and_taken_back(rev_b, shift):
    """A board exported from another origin is equal; the shift is given to a micrometre."""
    comparison = fabkit.compare_boards(rev_b, shifted(rev_b, *shift))

    assert comparison.alignment.shift_mm == pytest.approx(shift, abs=1e-5)
    assert comparison.equal


def test_two_revisions_at_another_origin(rev_a, rev_b, revised):
    """Changes are the same wherever the old board's origin lies."""
    moved = fabkit.compare_boards(shifted(rev_a, -31.5, 12.25), rev_b)

    assert moved.alignment.shift_mm == pytest.approx((31.5, -12.25), abs=1e-3)
    assert moved.alignment.method == "holes"
    assert [(c.kind, c.subject) for c in moved.changes] == [
        (c.kind, c.subject) for c in revised.changes
    ]


def test_other_boards_are_not_comparable(rev_b):
    """Boards that have nothing in common are said not to be comparable, not to differ a lot."""
    other = replace(
        rev_b,
        holes=rev_b.holes.with_columns(diameter=rev_b.holes.diameter + 3),
        layers=tuple(a for a in rev_b.layers if a.kind != "copper"),
        profile=None,
    )
    comparison = fabkit.compare_boards(rev_b, other)

    assert not comparison.alignment.comparable
    assert not comparison.equal
    assert "not comparable" in comparison.verdict
    assert comparison.layers == ()
