"""Layers of very many objects: united square by square, against all at once."""

from __future__ import annotations

import numpy as np
import shapely

from fabkit.formats.gerber import model
from fabkit.formats.gerber.model import object_shapes
from fabkit.formats.gerber.reader import read

HEAD = "%FSLAX36Y36*%%MOMM*%%ADD10C,0.5*%%ADD11R,0.3X0.9*%%ADD12C,0*%"


def test_a_crowd_is_the_union_of_its_objects(monkeypatch):
    """Random flashes and strokes, some without any image; the area is that of one union."""
    monkeypatch.setattr(model, "_CROWD", 100)
    monkeypatch.setattr(model, "_AT_ONCE", 40)
    spots = np.random.default_rng(5).integers(0, 9_000_000, (400, 3))
    body = "".join(
        f"D{10 + k % 3}*X{x}Y{y}D03*" if k % 4 else f"D10*X{x}Y{y}D02*X{z}D01*"
        for k, (x, y, z) in enumerate(spots.tolist())
    )
    layer = read((HEAD + body + "M02*").encode(), name="x")
    whole = shapely.union_all(object_shapes(layer))
    assert layer.image.is_valid
    assert shapely.symmetric_difference(layer.image, whole).area < 1e-9
    assert shapely.get_num_geometries(layer.image) == shapely.get_num_geometries(whole)
