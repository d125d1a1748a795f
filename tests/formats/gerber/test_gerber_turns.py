"""Objects that are dark and clear in turn on each other, against painting them one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from fabkit.formats.gerber import model
from fabkit.formats.gerber.reader import read

HEAD = "%FSLAX46Y46*%%MOMM*%%ADD10C,1*%%ADD11R,2X0.6*%"


def layer(count: int, wide: float, seed: int) -> model.GerberFile:
    """Flashes at random places of a square, each dark or clear by chance."""
    chance = np.random.default_rng(seed)
    flashes = [
        f"%LP{'DC'[chance.integers(2)]}*%D1{chance.integers(2)}*X{x}Y{y}D03*"
        for x, y in chance.integers(0, round(wide * 1e6), (count, 2)).tolist()
    ]
    return read((HEAD + "".join(flashes) + "M02*").encode(), name="turns")


def painted(file: model.GerberFile) -> shapely.Geometry:
    """Paint in file order (Gerber Layer Format Specification 2021.02, section 4.9.4)."""
    image = shapely.Polygon()
    for shape, dark in zip(model.object_shapes(file), file.objects.dark, strict=True):
        image = (shapely.union if dark else shapely.difference)(image, shape)
    return image


@pytest.mark.parametrize(("wide", "seed"), [(0.5, 1), (3, 2), (12, 3)])
def test_turns_are_joined_by_halves(
    wide: float, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Crowded or wide apart: the image is that of painting one by one."""
    file = layer(60, wide, seed)
    monkeypatch.setattr(model, "_MOST_CROWDING", -1)
    assert shapely.symmetric_difference(model.compose(file), painted(file)).area < 1e-9


def test_a_crowd_is_known_without_listing_its_pairs() -> None:
    """All on one spot: every dark object lies on every clear one; wide apart hardly any does."""
    for wide, least, most in ((0.01, 0.9, 1.0), (100, 0, 0.01)):
        file = layer(200, wide, 4)
        shapes, dark = model.object_shapes(file), file.objects.dark
        share = model.crowding(shapes[dark], shapes[~dark]) / (dark.sum() * (~dark).sum())
        assert least <= share <= most
