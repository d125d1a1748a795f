"""Small keyboards made as text, and boards of the fixtures changed on purpose.

Places and sizes are common practice of the trade: switches 19.05 mm apart; a soldered full-height
switch has a bare centre hole of 4 mm, guide holes of 1.7 mm at 5.08 mm and contact holes of 1.5 mm
at -3.81, 2.54 and 2.54, 5.08 mm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

import fabkit
from fabkit.board.model import Board, Layer
from fabkit.keyboard.build import find_keyboard
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member

PITCH_MM = 19.05

Hole = tuple[float, float, float, bool]
"""x, y, diameter, mm, and whether it is plated."""

Place = tuple[float, float, float]
"""x, y, mm, and turn counter-clockwise, degrees."""


@dataclass(frozen=True)
class Footprint:
    """Holes and lands of one switch; a land is x, y, width, height, mm, and 1 top or -1 bottom."""

    holes: tuple[Hole, ...]
    lands: tuple[tuple[float, float, float, float, int], ...] = ()


FULL = Footprint(
    (
        (0, 0, 4.0, False),
        (-5.08, 0, 1.7, False),
        (5.08, 0, 1.7, False),
        (-3.81, 2.54, 1.5, True),
        (2.54, 5.08, 1.5, True),
    )
)
BOTH_FACES = Footprint((*FULL.holes, (3.81, 2.54, 1.5, True), (-2.54, 5.08, 1.5, True)))
STABILISER: tuple[Hole, ...] = tuple(
    (s * 11.94, y, d, False) for s in (-1, 1) for y, d in ((8.255, 4.0), (-6.985, 3.05))
)


def grid(columns: int, rows: int) -> list[Place]:
    """Keys in straight rows, from the top."""
    return [(c * PITCH_MM, -r * PITCH_MM, 0.0) for r in range(rows) for c in range(columns)]


def half(columns: int = 5, rows: int = 3, thumbs: int = 3) -> list[Place]:
    """A left half: columns staggered, thumb keys below on the right, turned a little."""
    stagger = (0.0, 2.4, 6.0, 3.0, 1.2, 0.0)
    keys = [(c * PITCH_MM, stagger[c] - r * PITCH_MM, 0.0) for r in range(rows)
            for c in range(columns)]  # fmt: skip
    low = -rows * PITCH_MM - 3
    return keys + [((columns - 2 + t) * PITCH_MM, low - 2.0 * t, -10.0 * t) for t in range(thumbs)]


def make(
    places: Sequence[Place],
    footprint: Footprint = FULL,
    *,
    also: Iterable[Hole] = (),
    joined: Iterable[tuple[Place, Place]] = (),
) -> Board:
    """A board with one switch at each place, read as its files would be.

    A track joins every two neighbours, and on the bottom each two places that are ``joined``.
    """
    holes: list[Hole] = list(also)
    lands = []
    for x, y, turn in places:
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        for a, b, d, plated in footprint.holes:
            holes.append((x + c * a - s * b, y + s * a + c * b, d, plated))
        for a, b, w, h, face in footprint.lands:
            lands.append((x + c * a - s * b, y + s * a + c * b, w, h, face))
    lands += [(x, y, d + 0.8, d + 0.8, f) for x, y, d, p in holes if p for f in (1, -1)]
    near = [
        (a, b)
        for n, a in enumerate(places)
        for b in places[n + 1 :]
        if np.hypot(a[0] - b[0], a[1] - b[1]) < 1.4 * PITCH_MM
    ]
    xs, ys = [p[0] for p in places], [p[1] for p in places]
    box = (min(xs) - 12, min(ys) - 12, max(xs) + 12, max(ys) + 12)
    files = {
        "siskin.gtl": _copper(lands, 1, near),
        "siskin.gbl": _copper(lands, -1, tuple(joined)),
        "siskin.gko": _outline(box),
        "siskin-pth.drl": _drill([h for h in holes if h[3]]),
        "siskin-npth.drl": _drill([h for h in holes if not h[3]]),
    }
    members = tuple(Member(name, text.encode()) for name, text in sorted(files.items()))
    return fabkit.build_board(
        read_package(Intake(name="siskin", source="siskin", members=members, left_out=()))
    )


def _xy(x: float, y: float) -> str:
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}"


def _copper(
    lands: Sequence[tuple[float, float, float, float, int]],
    face: int,
    tracks: Sequence[tuple[Place, Place]],
) -> str:
    sizes = sorted({(w, h) for _, _, w, h, f in lands if f == face})
    lines = ["%FSLAX46Y46*%", "%MOMM*%", "%LPD*%"]
    lines += [f"%ADD{10 + n}R,{w:.3f}X{h:.3f}*%" for n, (w, h) in enumerate(sizes)]
    for x, y, w, h, f in lands:
        if f == face:
            lines.append(f"D{10 + sizes.index((w, h))}*\n{_xy(x, y)}D03*")
    lines += ["%ADD99C,0.25*%", "D99*"]
    lines += [f"{_xy(*a[:2])}D02*\n{_xy(*b[:2])}D01*" for a, b in tracks]
    return "\n".join([*lines, "M02*", ""])


def _outline(box: tuple[float, float, float, float]) -> str:
    x0, y0, x1, y1 = box
    corners = ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
    draws = [_xy(*at) + ("D02*" if n == 0 else "D01*") for n, at in enumerate(corners)]
    return "\n".join(["%FSLAX46Y46*%", "%MOMM*%", "%ADD10C,0.1*%", "D10*", *draws, "M02*", ""])


def _drill(holes: Sequence[Hole]) -> str:
    sizes = sorted({h[2] for h in holes})
    lines = ["M48", "METRIC,TZ"]
    lines += [f"T{n}C{size:.3f}" for n, size in enumerate(sizes, 1)]
    lines += ["%", "G90", "G05"]
    for n, size in enumerate(sizes, 1):
        lines += [f"T{n}", *(f"X{x:.3f}Y{y:.3f}" for x, y, d, _ in holes if d == size)]
    return "\n".join([*lines, "T0", "M30", ""])


# What may happen to a board between its design and what is read.

Change = Callable[[Board], Board]


def coarse(board: Board) -> Board:
    """Drills in steps of 0.01 in."""
    x, y = (np.round(v / 0.254) * 0.254 for v in (board.holes.x, board.holes.y))
    return replace(board, holes=board.holes.with_columns(x=x, y=y))


def unplated(board: Board) -> Board:
    """All holes in one file that does not say which are plated."""
    return replace(board, holes=board.holes.with_columns(plated=np.full(len(board.holes), -1)))


def anonymous(board: Board) -> Board:
    """Without attributes and tables."""
    layers = tuple(
        replace(a, file=replace(a.file, attribute_sets=tuple({} for _ in a.file.attribute_sets)))
        for a in board.layers
    )
    return replace(board, layers=layers, components=())


def centres(diameter_mm: float) -> Change:
    """Centre holes of another usual size."""

    def change(board: Board) -> Board:
        places = np.array([(k.x_mm, k.y_mm) for k in find_keyboard(board).keys])
        h = board.holes
        away = np.hypot(h.x[:, None] - places[:, 0], h.y[:, None] - places[:, 1]).min(axis=1)
        return replace(
            board,
            holes=h.with_columns(
                diameter=np.where((away < 0.5) & (h.diameter > 3), diameter_mm, h.diameter)
            ),
        )

    return change


def jittered(board: Board) -> Board:
    """Every hole up to 0.1 mm off, in any direction."""
    chance = np.random.default_rng(5)
    turn = chance.uniform(0, 2 * np.pi, len(board.holes))
    off = 0.1 * np.sqrt(chance.uniform(0, 1, len(board.holes)))
    x, y = board.holes.x + off * np.cos(turn), board.holes.y + off * np.sin(turn)
    return replace(board, holes=board.holes.with_columns(x=x, y=y))


def _near_key(board: Board, key: int, reach_mm: float = 8.0) -> np.ndarray:
    at, h = find_keyboard(board).keys[key], board.holes
    return np.hypot(h.x - at.x_mm, h.y - at.y_mm) < reach_mm


def guide_missing(board: Board) -> Board:
    """One guide hole (else one contact hole) of the first key is lost."""
    at, h = find_keyboard(board).keys[0], board.holes
    away = np.hypot(h.x - at.x_mm, h.y - at.y_mm)
    rows = np.flatnonzero((away > 3) & (away < 7) & (h.diameter > 1))
    rows = rows[np.argsort(h.plated[rows], kind="stable")][:1]
    return replace(board, holes=h.take(np.setdiff1d(np.arange(len(h)), rows)))


def _on_layers(board: Board, change: Callable[[Layer], Layer]) -> Board:
    return replace(board, layers=tuple(change(a) for a in board.layers))


def key_deleted(board: Board) -> Board:
    """The last key is not there: no holes, no lands, no component."""
    at = find_keyboard(board).keys[-1]
    refs = set(at.refs)

    def cut(layer: Layer) -> Layer:
        o = layer.file.objects
        keep = np.hypot(o.x1 - at.x_mm, o.y1 - at.y_mm) >= 8
        return replace(layer, file=replace(layer.file, objects=o.take(np.flatnonzero(keep))))

    keep = np.flatnonzero(~_near_key(board, len(find_keyboard(board).keys) - 1))
    parts = tuple(c for c in board.components if c.ref not in refs)
    return _on_layers(replace(board, holes=board.holes.take(keep), components=parts), cut)


def moved(turn_deg: int = 0, *, mirrored: bool = False) -> Change:
    """The whole board turned by quarter turns, or seen in a mirror."""
    c, s = round(np.cos(np.radians(turn_deg))), round(np.sin(np.radians(turn_deg)))
    m = -1 if mirrored else 1

    def points(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return c * m * x - s * y, s * m * x + c * y

    def table(columns: object) -> object:
        pairs = [("x", "y"), ("x0", "y0"), ("x1", "y1"), ("cx", "cy")]
        new = {}
        for a, b in pairs:
            if hasattr(columns, a):
                new[a], new[b] = points(getattr(columns, a), getattr(columns, b))
        if mirrored and hasattr(columns, "turn"):
            new["turn"] = -columns.turn
        return columns.with_columns(**new)

    def layer(one: Layer) -> Layer:
        f = one.file
        poses = tuple(replace(p, rotation_deg=m * p.rotation_deg + turn_deg) for p in f.poses)
        file = replace(f, objects=table(f.objects), segments=table(f.segments), poses=poses)
        return replace(one, file=file)

    def change(board: Board) -> Board:
        parts = tuple(
            replace(
                p,
                x_mm=None if p.x_mm is None else float(c * m * p.x_mm - s * p.y_mm),
                y_mm=None if p.x_mm is None else float(s * m * p.x_mm + c * p.y_mm),
                rotation_deg=(m * (p.rotation_deg or 0) + turn_deg) % 360,
            )
            for p in board.components
        )
        profile = board.profile
        if profile is not None:
            profile = shapely.affinity.affine_transform(profile, [c * m, -s, s * m, c, 0, 0])
        return replace(
            _on_layers(board, layer),
            holes=table(board.holes),
            slots=table(board.slots),
            components=parts,
            profile=profile,
            panel=None,
        )

    return change


def stacked(board: Board) -> Board:
    """What stands right of the middle is moved below the rest."""
    x0, y0, x1, y1 = board.bounds
    middle, dx, dy = (x0 + x1) / 2, -(x1 - x0) / 2, -(y1 - y0) - 10

    def table(columns: object) -> object:
        new = {}
        for a, b in (("x", "y"), ("x0", "y0"), ("x1", "y1"), ("cx", "cy")):
            if hasattr(columns, a):
                x, y = getattr(columns, a), getattr(columns, b)
                right = (columns.x if hasattr(columns, "x") else x) > middle
                new[a], new[b] = x + dx * right, y + dy * right
        return columns.with_columns(**new)

    def layer(one: Layer) -> Layer:
        f = one.file
        return replace(one, file=replace(f, objects=table(f.objects), segments=table(f.segments)))

    parts = tuple(
        replace(p, x_mm=p.x_mm + dx, y_mm=p.y_mm + dy)
        if p.x_mm is not None and p.x_mm > middle
        else p
        for p in board.components
    )
    profile = shapely.MultiPolygon(
        [
            shapely.affinity.translate(g, dx, dy) if g.centroid.x > middle else g
            for g in board.profile.geoms
        ]
    )
    return replace(
        _on_layers(board, layer),
        holes=table(board.holes),
        slots=table(board.slots),
        components=parts,
        profile=profile,
    )


def thumbs_turned(turn_deg: float) -> Change:
    """The three lowest keys turned, each about its middle."""

    def change(board: Board) -> Board:
        keys = sorted(find_keyboard(board).keys, key=lambda k: k.y_mm)[:3]
        c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))

        def table(columns: object, a: str, b: str) -> object:
            x, y = getattr(columns, a).copy(), getattr(columns, b).copy()
            for k in keys:
                dx, dy = x - k.x_mm, y - k.y_mm
                near = np.hypot(dx, dy) < 8
                x[near] = k.x_mm + (c * dx - s * dy)[near]
                y[near] = k.y_mm + (s * dx + c * dy)[near]
            return columns.with_columns(**{a: x, b: y})

        def layer(one: Layer) -> Layer:
            return replace(one, file=replace(one.file, objects=table(one.file.objects, "x1", "y1")))

        return replace(_on_layers(board, layer), holes=table(board.holes, "x", "y"))

    return change
