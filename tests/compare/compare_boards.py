"""Boards read, edited and shifted on purpose."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from boards import board_at

import fabkit
from fabkit.compare.model import MIRRORED

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


def mirrored(change, alignment):
    """A change from old to new as it is the other way round; ``alignment`` is from old to new."""

    def back(points):
        return tuple(map(tuple, alignment.back(np.reshape(points, (-1, 2))).tolist()))

    moved, place = np.array(change.moved_mm or (0.0, 0.0)), None
    if change.x_mm is not None:
        # What moved is listed where it is now: the other way round, where it was.
        place = back(np.array((change.x_mm, change.y_mm)) - moved)[0]
    box = None
    if change.box_mm is not None:
        corners = np.array(back(change.box_mm))
        box = (*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist())
    (x0, y0), (x1, y1) = back(((0.0, 0.0), moved))
    return replace(
        change,
        verb=MIRRORED.get(change.verb, change.verb),
        x_mm=place and place[0],
        y_mm=place and place[1],
        box_mm=box,
        before=change.after,
        after=change.before,
        added_mm2=change.removed_mm2,
        removed_mm2=change.added_mm2,
        moved_mm=None if change.moved_mm is None else (x0 - x1, y0 - y1),
        turned_deg=-change.turned_deg,
        ends_mm=None if change.ends_mm is None else back(change.ends_mm),
        amount_mm=None if change.amount_mm is None else -change.amount_mm,
    )
