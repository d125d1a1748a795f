"""Hole patterns are found in any rotation, mirrored and doubled, and look-alikes are not.

Dimensions are of the trade (common practice, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fabkit.board.model import Holes
from fabkit.keyboard.patterns import Pattern, find_sites, load_patterns

CATALOGUE = load_patterns()
SHAPED = [p for p in CATALOGUE if p.holes]
MANY = [p for p in SHAPED if len(p.required) > 1]
Rows = list[tuple[float, float, float]]


def make_holes(rows: Rows) -> Holes:
    """A hole table of (x, y, diameter) rows."""
    table = np.array(rows, dtype=float).reshape(-1, 3)
    n = len(table)
    zeros = np.zeros(n)
    return Holes(
        x=table[:, 0],
        y=table[:, 1],
        diameter=table[:, 2],
        plated=zeros,
        file=zeros,
        tool=zeros,
        first=zeros + 1,
        last=zeros + 2,
        function=zeros,
        offset=zeros,
    )


def place(
    pattern: Pattern,
    x: float,
    y: float,
    degrees: float,
    *,
    mirrored: bool = False,
    required_only: bool = False,
) -> Rows:
    """The pattern's holes at a place, with diameters in the middle of their ranges."""
    turn = np.radians(degrees)
    rows = []
    for hole in pattern.required if required_only else pattern.holes:
        hx = -hole.x_mm if mirrored else hole.x_mm
        rows.append(
            (
                x + np.cos(turn) * hx - np.sin(turn) * hole.y_mm,
                y + np.sin(turn) * hx + np.cos(turn) * hole.y_mm,
                sum(hole.diameter_mm) / 2,
            )
        )
    return rows


def mirror_is_itself(pattern: Pattern) -> bool:
    """Whether a pattern's required holes equal their mirror image, perhaps turned by a half."""
    holes = {(round(h.x_mm, 3), round(h.y_mm, 3)) for h in pattern.required}
    return {(-x, y) for x, y in holes} == holes


@pytest.mark.parametrize("pattern", SHAPED, ids=lambda p: p.key)
@pytest.mark.parametrize("mirrored", [False, True], ids=["plain", "mirrored"])
@given(
    degrees=st.floats(0, 359.99),
    x=st.floats(-200, 200),
    y=st.floats(-200, 200),
    seed=st.integers(0, 2**31),
)
@settings(max_examples=12, deadline=None)
def test_every_pattern_in_any_rotation_with_noise(
    pattern: Pattern, mirrored: bool, degrees: float, x: float, y: float, seed: int
) -> None:
    """Found once, in place, at its turn, with every hole 0.03 mm off and vias strewn around."""
    rng = np.random.default_rng(seed)
    rows = place(pattern, x, y, degrees, mirrored=mirrored)
    rows = [
        (a + dx, b + dy, d)
        for (a, b, d), (dx, dy) in zip(rows, rng.uniform(-0.02, 0.02, (len(rows), 2)), strict=True)
    ]
    reach = 8.0 if pattern.clear_mm else 0.5
    vias: Rows = []
    centres = np.array(rows)[:, :2]
    for at in np.array([x, y]) + rng.uniform(-40, 40, (120, 2)):
        if len(vias) < 40 and np.hypot(*(centres - at).T).min() > reach:
            vias.append((float(at[0]), float(at[1]), 0.3))
    sites = find_sites(make_holes([*vias, *rows]), [pattern])

    assert len(sites) == 1
    site = sites[0]
    assert np.hypot(site.x_mm - x, site.y_mm - y) < 0.06
    assert site.doubled is False
    assert set(site.holes) == set(range(len(vias), len(vias) + len(rows)))
    if not mirror_is_itself(pattern):
        assert site.mirrored is mirrored
        turn = abs(site.rotation_deg - degrees) % 360
        assert min(turn, 360 - turn) < 1.5


@pytest.mark.parametrize(
    "pattern", [p for p in MANY if not mirror_is_itself(p)], ids=lambda p: p.key
)
@pytest.mark.parametrize("degrees", [0.0, 90.0, 180.0, 270.0, 13.0, 201.5])
def test_doubled_site_is_one(pattern: Pattern, degrees: float) -> None:
    """A part's holes and their mirror image around one centre are one site, marked doubled."""
    plain = place(pattern, 30, 40, degrees)
    image = place(pattern, 30, 40, degrees, mirrored=True)
    rows = [
        *plain,
        *(r for r in image if all(np.hypot(r[0] - p[0], r[1] - p[1]) > 0.01 for p in plain)),
    ]
    sites = find_sites(make_holes(rows), [pattern])

    assert len(sites) == 1
    assert sites[0].doubled
    assert set(sites[0].holes) == set(range(len(rows)))


@pytest.mark.parametrize("pattern", MANY, ids=lambda p: p.key)
def test_look_alikes_are_left_alone(pattern: Pattern) -> None:
    """One required hole 0.5 mm off, missing, or of another size: not the part."""
    good = place(pattern, 10, 20, 33.0, required_only=True)
    for i in range(len(good)):
        x, y, d = good[i]
        moved = [*good[:i], (x + 0.4, y + 0.3, d), *good[i + 1 :]]
        missing = [*good[:i], *good[i + 1 :]]
        wider = [*good[:i], (x, y, d + 1.5), *good[i + 1 :]]
        for rows in (moved, missing, wider):
            assert find_sites(make_holes(rows), [pattern]) == ()


def test_mirror_image_of_a_one_sided_part_is_not_plain() -> None:
    """A mirrored pattern says so: the part goes onto the other face."""
    pattern = next(p for p in CATALOGUE if p.key == "switch-low-soldered")
    (site,) = find_sites(make_holes(place(pattern, 0, 0, 90, mirrored=True)), [pattern])

    assert site.mirrored


def test_catalogue_distinguishes_switches() -> None:
    """Each switch pattern is recognised as itself by the whole catalogue."""
    for i, pattern in enumerate(p for p in CATALOGUE if p.kind == "key"):
        sites = find_sites(make_holes(place(pattern, 20.0 * i, 5.0, 10.0 * i)), CATALOGUE)

        assert [s.pattern.key for s in sites if s.pattern.kind == "key"] == [pattern.key]


def test_block_of_keys() -> None:
    """A staggered block of 5 x 4 reversible low-profile keys at 18 x 17 mm: twenty sites."""
    pattern = next(p for p in CATALOGUE if p.key == "switch-low-socket")
    rows: Rows = []
    for column in range(5):
        for row in range(4):
            at = (18.0 * column, 17.0 * row + 3.0 * (column % 3))
            plain = place(pattern, *at, 0)
            rows += plain + [r for r in place(pattern, *at, 0, mirrored=True) if r not in plain]
    rows = list(dict.fromkeys((round(x, 3), round(y, 3), d) for x, y, d in rows))
    sites = [s for s in find_sites(make_holes(rows), CATALOGUE) if s.pattern.kind == "key"]

    assert len(sites) == 20
    assert all(s.doubled for s in sites)


@given(
    count=st.integers(3, 20),
    degrees=st.floats(0, 359.9),
    seed=st.integers(0, 2**31),
)
@settings(max_examples=40, deadline=None)
def test_rows_of_any_length_and_turn(count: int, degrees: float, seed: int) -> None:
    """A row of holes at 2.54 mm is one header with all its pins, whatever its direction."""
    pattern = next(p for p in CATALOGUE if p.key == "header-2.54")
    rng = np.random.default_rng(seed)
    along = np.arange(count) * 2.54
    turn = np.radians(degrees)
    noise: NDArray[np.float64] = rng.uniform(-0.02, 0.02, (count, 2))
    rows = [
        (float(a * np.cos(turn) + n[0]), float(a * np.sin(turn) + n[1]), 1.0)
        for a, n in zip(along, noise, strict=True)
    ]
    order = rng.permutation(count)
    (site,) = find_sites(make_holes([rows[i] for i in order]), [pattern])

    assert site.pins == count


def test_grid_of_holes_is_shared_out_once() -> None:
    """A 2 x 5 block at 2.54 mm gives two rows of five; no hole belongs to two."""
    pattern = next(p for p in CATALOGUE if p.key == "header-2.54")
    rows = [(2.54 * i, 2.54 * j, 1.0) for i in range(5) for j in range(2)]
    sites = find_sites(make_holes(rows), [pattern])

    assert sorted(s.pins for s in sites) == [5, 5]
    assert sorted(h for s in sites for h in s.holes) == list(range(10))


def test_controller_is_a_module_not_two_headers() -> None:
    """Two rows of twelve, 15.24 mm apart, are one module."""
    pattern = next(p for p in CATALOGUE if p.key == "module-2x12")
    sites = find_sites(make_holes(place(pattern, 5, 6, 90)), CATALOGUE)

    assert [(s.pattern.key, len(s.holes)) for s in sites] == [("module-2x12", 24)]


def test_screw_hole_needs_room() -> None:
    """A 2.2 mm hole alone or ringed by vias is a screw hole, one with a like neighbour is not."""
    pattern = next(p for p in CATALOGUE if p.key == "screw-m2")

    assert len(find_sites(make_holes([(0, 0, 2.2), (30, 0, 2.2)]), [pattern])) == 2
    assert len(find_sites(make_holes([(0, 0, 2.2), (2, 0, 0.5), (0, 2, 0.5)]), [pattern])) == 1
    assert find_sites(make_holes([(0, 0, 2.2), (3, 0, 1.6)]), [pattern]) == ()


def test_no_holes_no_sites() -> None:
    """A board without holes has no sites."""
    assert find_sites(make_holes([]), CATALOGUE) == ()
