"""Which piece of copper an object is part of, against shapely's own overlay."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from fabkit.board.copper import object_pieces
from fabkit.formats.gerber.model import object_shapes
from fabkit.formats.gerber.reader import read

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.4*%\nG01*\n"


def at(x, y):
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}"


def region(corners):
    first, *others = corners
    lines = [f"{at(*first)}D02*", *(f"{at(*c)}D01*" for c in [*others, first])]
    return "G36*\n" + "\n".join(lines) + "\nG37*\n"


def random_layer(seed):
    """Blocks and strokes apart from each other, some of them cut by later erasing strokes."""
    rng = np.random.default_rng(seed)
    text = HEAD + "D10*\n"
    for column in range(8):
        for row in range(8):
            x, y = 5.0 * column, 5.0 * row
            w, h = rng.uniform(1.0, 4.0, 2)
            if rng.random() < 0.6:
                text += region([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
            else:
                text += f"{at(x, y)}D02*\n{at(x + w, y + h)}D01*\n"
    text += "%LPC*%\n"
    for _ in range(6):
        (x, u), (y, v) = rng.uniform(-1, 41, 2), rng.uniform(-1, 41, 2)
        text += f"{at(x, y)}D02*\n{at(u, v)}D01*\n"
    text += "%LPD*%\n" + region([(50, 0), (54, 0), (54, 3), (50, 3)])
    return read((text + "M02*\n").encode(), name="random.gbr")


@pytest.mark.parametrize("seed", range(8))
def test_an_object_is_part_of_a_polygon_it_shares_much_area_with(seed):
    """No polygon holds more than twice as much of an object as the one it is said to be part of."""
    file = random_layer(seed)
    polygons = shapely.get_parts(file.image)
    shapes = object_shapes(file)
    found = object_pieces(file, polygons)
    shared = shapely.area(shapely.intersection(shapes[:, None], polygons[None]))
    for k in np.flatnonzero(file.objects.dark):
        if shared[k].max() > 1e-6:
            assert shared[k, found[k]] > 0.5 * shared[k].max() - 1e-9
        else:
            assert found[k] == -1
    assert (found[~file.objects.dark] == -1).all()


def test_a_region_counts_where_its_edges_are_however_long_the_way_round():
    """A comb's middle lies outside it, and its longest edge touches only its own polygon."""
    comb = [(0, 0), (30, 0), (30, 8), (29, 8), (29, 1), (1, 1), (1, 8), (0, 8)]
    text = HEAD + region(comb) + region([(10, 3), (20, 3), (20, 6), (10, 6)]) + "M02*\n"
    file = read(text.encode(), name="comb.gbr")
    polygons = shapely.get_parts(file.image)
    found = object_pieces(file, polygons)
    assert [round(polygons[k].area) for k in found] == [44, 30]
