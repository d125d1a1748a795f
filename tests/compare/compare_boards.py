"""Boards read, edited and shifted on purpose."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from boards import board_at

import fabkit

ROOT = Path(__file__).parents[2]
WHEATEAR = ROOT / "fabkit" / "demo"
DIALECTS = ROOT / "fixtures" / "dialects"


def read(path):
    """The board of a package; one of the fixtures or the demonstration is read once."""
    if ROOT in path.parents:
        return board_at(path)
    return fabkit.build_board(fabkit.open_package(path))


def edit_layer(board, name, change):
    """The board with the objects of one layer replaced by what a function makes of them."""
    layers = []
    for layer in board.layers:
        if layer.name == name:
            file = replace(layer.file, objects=change(layer.file.objects))
            layer = replace(layer, file=file)
        layers.append(layer)
    return replace(board, layers=tuple(layers))


def _moved(table, dx, dy):
    steps = dict.fromkeys(("x", "x0", "x1", "cx"), dx) | dict.fromkeys(("y", "y0", "y1", "cy"), dy)
    return table.with_columns(
        **{n: getattr(table, n) + step for n, step in steps.items() if hasattr(table, n)}
    )


def shifted(board, dx, dy):
    """The board as if exported from another origin."""
    layers = tuple(
        replace(
            a,
            file=replace(
                a.file,
                objects=_moved(a.file.objects, dx, dy),
                segments=_moved(a.file.segments, dx, dy),
            ),
        )
        for a in board.layers
    )
    components = tuple(
        replace(c, x_mm=c.x_mm + dx, y_mm=c.y_mm + dy) if c.x_mm is not None else c
        for c in board.components
    )
    return replace(
        board,
        layers=layers,
        profile=shapely.transform(board.profile, lambda points: points + np.array((dx, dy))),
        holes=_moved(board.holes, dx, dy),
        slots=_moved(board.slots, dx, dy),
        components=components,
    )
