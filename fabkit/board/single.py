"""A board made from another: one of a panel, a part of its material, or the board turned."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.errors import UsageError
from fabkit.board.copper import NO_NET
from fabkit.board.model import Board, Component, Layer, PathKind, size_words
from fabkit.board.panel import PERFORATION_MM
from fabkit.formats.gerber.model import Attributes, GerberFile, Kind, object_boxes, object_shapes
from fabkit.geometry.segments import Placing

_ON_ROW_MM: Final = 0.05
_BEYOND_MM: Final = 0.5
"""What begins this near outside a board belongs to it: half holes, legend at the edge."""


def single_board(board: Board) -> Board:
    """Take the board that a panel gives several times, or the one in its frame.

    Layers, holes, slots and components are those on that board.  A board that is no panel, and
    a panel of different boards, are given back as they are.

    Parameters
    ----------
    board
        As read; its profile is the whole panel's.
    """
    panel = board.panel
    if panel is None or not panel.equal:
        return board
    return cut_out(board, shapely.MultiPolygon([panel.boards[0]]))


def cut_out(board: Board, profile: shapely.MultiPolygon) -> Board:
    """Cut the part of a board that lies on some of its material, as a separate board."""
    near = _around(profile)
    holes, slots = _rows_on(board, near)
    box = np.array(near.bounds)
    cut = replace(
        board,
        profile=profile,
        layers=tuple(_layer_on(layer, box, near) for layer in board.layers),
        holes=board.holes.take(holes),
        slots=board.slots.take(slots),
        components=tuple(
            part
            for part in board.components
            if part.x_mm is None
            or part.y_mm is None
            or bool(shapely.contains_xy(near, part.x_mm, part.y_mm))
        ),
        panel=None,
    )
    return cut if board.panel is None else _renamed(cut)


_PREFIX: Final = re.compile(r"\d+-(?=.)")
"""What names each board's nets and parts apart on a panel, before their own name."""


def _renamed(board: Board) -> Board:
    """Take away what all names of nets and parts begin with on one board of a panel."""
    shapely.prepare(board.profile)
    used = [
        layer.file.attribute_sets[row]
        for layer in board.layers
        for row in np.unique(_attributes_on(layer, board.profile)).tolist()
        if row < len(layer.file.attribute_sets)
    ]
    names = {
        name
        for held in used
        for key in (".N", ".C", ".P")
        for name in (held.get(key, ()) if key == ".N" else held.get(key, ())[:1])
        if name not in NO_NET
    }
    names |= {part.ref for part in board.components if part.x_mm is not None}
    found = {m[0] if (m := _PREFIX.match(name)) else "" for name in names}
    prefix = found.pop() if len(found) == 1 else ""
    if not prefix:
        return board

    def short(name: str) -> str:
        return name.removeprefix(prefix)

    def layer_of(layer: Layer) -> Layer:
        sets = tuple(renamed(held, short) for held in layer.file.attribute_sets)
        return replace(layer, file=replace(layer.file, attribute_sets=sets))

    return replace(
        board,
        layers=tuple(map(layer_of, board.layers)),
        components=tuple(
            replace(
                part,
                ref=short(part.ref),
                pins=tuple((pin, short(net)) for pin, net in part.pins),
            )
            for part in board.components
            if part.ref.startswith(prefix)
        ),
    )


def renamed(attributes: Attributes, rename: Callable[[str], str]) -> Attributes:
    """Give nets and components other names; what names none stays."""
    out = dict(attributes)
    if ".N" in out:
        out[".N"] = tuple(n if n in NO_NET else rename(n) for n in out[".N"])
    for key in (".C", ".P"):
        if out.get(key, ("",))[0]:
            out[key] = (rename(out[key][0]), *out[key][1:])
    return out


def _attributes_on(layer: Layer, profile: BaseGeometry) -> Ints:
    """Attribute sets of the objects whose middle lies on a board."""
    boxes = object_boxes(layer.file)
    on = shapely.contains_xy(profile, *((boxes[:, :2] + boxes[:, 2:]) / 2).T)
    rows: Ints = layer.file.objects.attributes[on]
    return rows


def choose_edge(board: Board, choice: str) -> Board:
    """Give a board the edge that the user states.

    Parameters
    ----------
    choice
        ``panel``: all that is uploaded, as read; ``board``: one board of the panel; a number:
        that reading of the outline, from 1.

    Raises
    ------
    UsageError
        There is no such reading, or no single board.
    """
    if choice == "panel":
        return board
    if choice == "board":
        if board.panel is not None and not board.panel.equal:
            raise UsageError(
                f"the {board.panel.words} holds no single design",
                hint="leave --edge out, or export one board a package",
            )
        return single_board(board)
    readings = board.edge.readings
    if not choice.isascii() or not choice.isdigit() or not 1 <= int(choice) <= len(readings):
        ways = "; ".join(
            f"{n}: {size_words(r.profile)} ({r.name})" for n, r in enumerate(readings, 1)
        )
        raise UsageError(
            f"there is no edge '{choice}'", hint=f"panel, board, or a reading by number: {ways}"
        )
    if choice == "1":
        return board
    return replace(board, profile=readings[int(choice) - 1].profile, panel=None)


def single_rows(board: Board) -> tuple[Ints, Ints]:
    """Rows of the panel's holes and slots that :func:`single_board` keeps, in its order."""
    if board.panel is None:
        raise TypeError("only a panel holds single boards")
    return _rows_on(board, _around(board.panel.boards[0]))


def _rows_on(board: Board, near: BaseGeometry) -> tuple[Ints, Ints]:
    holes, slots = board.holes, board.slots
    on = shapely.contains_xy(near, holes.x, holes.y)
    if board.panel is not None:
        # Perforations belong to the tabs, and a third of each lies in the board.
        rows = [p.shape for p in board.panel.paths if p.kind is PathKind.PERFORATION]
        small = np.flatnonzero(on & (holes.diameter <= PERFORATION_MM))
        at = shapely.points(holes.x[small], holes.y[small])
        for row in rows:
            on[small] &= ~shapely.dwithin(row, at, _ON_ROW_MM)
    cut = shapely.contains_xy(near, *slots.middles().T)
    return np.flatnonzero(on), np.flatnonzero(cut)


def _around(area: BaseGeometry) -> BaseGeometry:
    near = shapely.buffer(area, _BEYOND_MM)
    shapely.prepare(near)
    return near


def _layer_on(layer: Layer, box: Floats, near: BaseGeometry) -> Layer:
    """Keep the objects of a layer that reach onto a part; boards of a panel may interlock."""
    file = layer.file
    boxes = object_boxes(file)
    low, high = (boxes[:, :2] <= box[2:]).all(axis=1), (boxes[:, 2:] >= box[:2]).all(axis=1)
    rows = np.flatnonzero(low & high)
    framed = shapely.box(*boxes[rows].T)
    on = shapely.intersects(near, framed)
    # The box of a neighbour's pour may meet the part where the pour does not.  Most pours of the
    # part itself have a corner on it, which is sooner seen than their areas are drawn.
    doubtful = np.flatnonzero(on & ~shapely.contains(near, framed))
    doubtful = doubtful[~_have_corner_on(file, rows[doubtful], near)]
    on[doubtful] = shapely.intersects(near, object_shapes(file, rows[doubtful]))
    return replace(layer, file=replace(file, objects=file.objects.take(rows[on])))


def _have_corner_on(file: GerberFile, rows: Ints, near: BaseGeometry) -> Bools:
    """Which objects are regions with a corner on an area."""
    first, last = file.objects.first[rows], file.objects.last[rows]
    regions = (file.objects.kind[rows] == Kind.REGION) & (last > first)
    inside = shapely.contains_xy(near, file.segments.x0, file.segments.y0)
    before = np.concatenate(([0], np.cumsum(inside)))
    found: Bools = regions & (before[last * regions] > before[first * regions])
    return found


def place_board(board: Board, placing: Placing) -> Board:
    """Lay a whole board elsewhere: mirrored, turned by quarter turns, shifted.

    Parameters
    ----------
    placing
        When it moves nothing, the board itself is given back.

    Notes
    -----
    Its package stays what it was read from, so positions of a netlist are not moved.
    """
    if placing == Placing():
        return board
    profile = board.profile
    return replace(
        board,
        profile=None if profile is None else shapely.transform(profile, placing.points),
        layers=tuple(replace(layer, file=layer.file.placed(placing)) for layer in board.layers),
        holes=board.holes.placed(placing),
        slots=board.slots.placed(placing),
        components=tuple(place_component(c, placing) for c in board.components),
        panel=None if placing.mirrored else board.panel,
    )


def place_component(part: Component, placing: Placing) -> Component:
    """Lay a component elsewhere; one without a place stays."""
    if part.x_mm is None or part.y_mm is None:
        return part
    x, y = placing.point(part.x_mm, part.y_mm)
    rotation = part.rotation_deg
    if rotation is not None:
        own = -rotation if placing.mirrored else rotation
        rotation = (own + 90 * placing.quarter_turns) % 360
    return replace(part, x_mm=x, y_mm=y, rotation_deg=rotation)
