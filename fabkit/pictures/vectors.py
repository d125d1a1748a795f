"""Scenes as outlines: closed rings for pixels; for vectors one walk, with arcs and strokes kept.

Rings are such that non-zero winding fills exactly the union of the parts of a stencil.
:class:`VectorWriter` goes through a scene and decides what is a shape, what a mask and what a
group.  A format (``paint_svg``, ``paint_pdf``) only gives the text of each, so two formats cannot
show different pictures.  ``paint_png`` does not draw shape by shape: it asks how much of each
pixel every stencil covers, and mixes the colours once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import ClassVar

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.once import once_per
from fabkit.base.units import CHORD_ERROR_MM
from fabkit.formats.gerber.model import (
    GerberFile,
    Kind,
    Pose,
    contour_rings,
    object_shapes,
    pen_widths,
)
from fabkit.geometry.curves import Contour, Segment, circle, ring_contour
from fabkit.geometry.segments import Segments, Strokes, widened
from fabkit.pictures.looks import Rgb
from fabkit.pictures.scene import Fill, Film, Group, Letters, Node, Part, Pen, Scene, Stencil


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed rings of one polarity.

    Parameters
    ----------
    dark
        Polarity.
    apart
        True when they must not share a path with others, because they cross themselves and
        their winding could cancel a neighbour's.
    points : (m, 2) float64
    starts : (rings + 1,) int64
        Bounds of each ring's points.
    low, high : (rings,) float64
        Extent of each ring in y.
    """

    dark: bool
    apart: bool
    points: Floats
    starts: Ints
    low: Floats
    high: Floats

    @classmethod
    def of(cls, points: Floats, starts: Ints, *, dark: bool = True, apart: bool = False) -> Rings:
        """Rings with their vertical extent."""
        y = points[:, 1]
        first = starts[:-1]
        if not len(first):
            return cls(dark, apart, points, starts, np.empty(0), np.empty(0))
        low, high = np.minimum.reduceat(y, first), np.maximum.reduceat(y, first)
        return cls(dark, apart, points, starts, low, high)

    def between(self, low: float, high: float) -> tuple[Floats, Ints]:
        """Points and ring starts of the rings that reach between ``low`` and ``high``."""
        hit = (self.low < high) & (self.high > low)
        if hit.all():
            return self.points, self.starts[:-1]
        # Work is for the rings that are hit, not for the whole layer: a band meets few of them.
        first, last = self.starts[:-1][hit], self.starts[1:][hit]
        ends = np.cumsum(last - first)
        begins = ends - (last - first)
        index = np.repeat(first - begins, last - first)
        index += np.arange(len(index))
        return self.points.take(index, axis=0), begins


def polygon_rings(shapes: NDArray[np.object_]) -> tuple[Floats, Ints]:
    """Rings of polygons, exteriors counter-clockwise and holes clockwise.

    Returns
    -------
    points : (m, 2) float64, mm
    starts : (rings + 1,) int64
    """
    parts = shapely.get_parts(shapes)
    kinds = shapely.get_type_id(parts)
    if (kinds == 6).any() or (kinds == 7).any():  # MultiPolygon inside a collection
        parts = shapely.get_parts(parts)
        kinds = shapely.get_type_id(parts)
    parts = parts[(kinds == 3) & ~shapely.is_empty(parts)]
    rings, owner = shapely.get_rings(parts, return_index=True)
    if not len(rings):
        return np.empty((0, 2)), np.zeros(1, dtype=np.int64)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    counts = np.bincount(ring, minlength=len(rings))
    starts = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    exterior = np.concatenate(([True], owner[1:] != owner[:-1]))
    return oriented(points, starts, exterior), starts


def oriented(points: Floats, starts: Ints, counter_clockwise: Bools) -> Floats:
    """Points with rings turned round where they do not run as wanted."""
    # Twice the signed area by the shoelace formula; a ring repeats its first point, so the term
    # that would run into the next ring is cut out.  Measured from each ring's first point, for
    # a small ring far from the origin would drown in rounding.
    counts = np.diff(starts)
    local = points - np.repeat(points[starts[:-1]], counts, axis=0)
    x, y = local[:, 0], local[:, 1]
    cross = np.zeros(len(points))
    cross[:-1] = x[:-1] * y[1:] - x[1:] * y[:-1]
    cross[starts[1:] - 1] = 0.0
    wrong = (np.add.reduceat(cross, starts[:-1]) > 0) != counter_clockwise
    if not wrong.any():
        return points
    index = np.arange(len(points))
    back = np.repeat(starts[:-1] + starts[1:] - 1, counts) - index
    return points[np.where(np.repeat(wrong, counts), back, index)]


def stroke_shapes(pen: Pen, chord_error_mm: float) -> NDArray[np.object_]:
    """Areas of strokes; strokes that continue each other become one shape.

    Curves are often drawn as many strokes shorter than the pen is wide.  Their edges nearly
    coincide, and winding would count a pixel on such an edge once for each of them.

    Returns
    -------
    (chains,) object array of polygons, mm.
    """
    if not len(pen):
        return np.empty(0, dtype=object)
    follows = (
        (pen.x1[:-1] == pen.x0[1:])
        & (pen.y1[:-1] == pen.y0[1:])
        & (pen.width[:-1] == pen.width[1:])
    )
    chain = np.concatenate(([0], np.cumsum(~follows)))
    long = np.bincount(chain)[chain] > 1
    alone = pen.take(~long)
    single = alone.shapes(chord_error_mm=chord_error_mm)
    joined_up = long & (pen.width > 0)
    if not joined_up.any():
        return single
    p = pen.take(joined_up)
    points, offsets = p.flatten(chord_error_mm=chord_error_mm / 2)
    owner = np.repeat(chain[joined_up], np.diff(offsets))
    ids, first = np.unique(chain[joined_up], return_index=True)
    starts = p.starts()[first]
    # Each chain's first point goes before the points of its strokes.
    every = np.concatenate((starts, points))
    number = np.concatenate((np.arange(len(ids)), np.searchsorted(ids, owner)))
    order = np.argsort(number, kind="stable")
    lines = shapely.linestrings(every[order], indices=number[order])
    out = widened(lines, p.width[first], chord_error_mm=chord_error_mm / 2)
    return np.concatenate((single, out))


@dataclass(frozen=True, eq=False)
class _Contours:
    """Contours of regions; ``owner`` is the place of each one's region among the rows asked."""

    points: Floats
    starts: Ints
    owner: Ints
    tidy: Bools

    def pick(self, wanted: Bools) -> tuple[Floats, Ints]:
        """Points and bounds of some contours."""
        counts = np.diff(self.starts)
        starts = np.concatenate(([0], np.cumsum(counts[wanted])))
        return self.points[np.repeat(wanted, counts)], starts


def _contours(file: GerberFile, rows: Ints, chord_error_mm: float) -> _Contours:
    """Contours of region objects, counter-clockwise, without repairing any.

    Regions of pours hold tens of thousands of points and run along themselves where a hole is
    cut in; winding fills them as they are.  Only contours that cross or touch themselves are
    marked as not tidy.
    """
    first, last = file.objects.first[rows], file.objects.last[rows]
    held = np.flatnonzero((file.objects.kind[rows] == Kind.REGION) & (last > first))
    if not len(held):
        empty = np.zeros(0, np.int64)
        return _Contours(np.empty((0, 2)), np.zeros(1, np.int64), empty, empty.astype(bool))
    low, high = int(first[held].min()), int(last[held].max())
    points, ring, begins = contour_rings(file, low, high, chord_error_mm)
    counts = np.bincount(ring)
    order = held[np.argsort(first[held], kind="stable")]
    at = np.searchsorted(first[order], begins, side="right") - 1
    owner = order[np.maximum(at, 0)]
    wanted = (at >= 0) & (begins < last[owner]) & (counts >= 4)
    starts = np.concatenate(([0], np.cumsum(counts[wanted]))).astype(np.int64)
    points = points[np.repeat(wanted, counts)]
    if not wanted.any():
        return _Contours(points, starts, owner[wanted], wanted[wanted])
    numbers = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    tidy = shapely.is_valid(shapely.polygons(shapely.linearrings(points, indices=numbers)))
    points = oriented(points, starts, np.ones(len(starts) - 1, dtype=bool))
    return _Contours(points, starts, owner[wanted], tidy)


def _film_rings(film: Film, chord_error_mm: float) -> Iterator[Rings]:
    rows = film.chosen
    if not len(rows):
        return
    objects = film.file.objects
    contours = _contours(film.file, rows, chord_error_mm)
    dark = objects.dark[rows]
    edges = np.flatnonzero(np.diff(dark)) + 1
    for first, last in zip([0, *edges], [*edges, len(rows)], strict=True):
        tone = bool(dark[first])
        yield Rings.of(
            *polygon_rings(_run_shapes(film.file, rows[first:last], chord_error_mm)), dark=tone
        )
        mine = (contours.owner >= first) & (contours.owner < last)
        yield Rings.of(*contours.pick(mine & contours.tidy), dark=tone)
        for k in np.flatnonzero(mine & ~contours.tidy):
            ring = contours.points[contours.starts[k] : contours.starts[k + 1]]
            yield Rings.of(ring, np.array([0, len(ring)]), dark=tone, apart=True)


def _run_shapes(file: GerberFile, rows: Ints, chord_error_mm: float) -> NDArray[np.object_]:
    """Areas of the flashes and strokes of one polarity, each flash once however often put down."""
    o = file.objects
    flashes = rows[o.kind[rows] == Kind.FLASH]
    if len(flashes):
        keys = np.column_stack((o.aperture[flashes], o.pose[flashes], o.x0[flashes], o.y0[flashes]))
        flashes = flashes[np.sort(np.unique(keys, axis=0, return_index=True)[1])]
    lines = rows[(o.kind[rows] == Kind.DRAW) | (o.kind[rows] == Kind.ARC)]
    widths = pen_widths(file, lines)
    odd = np.isnan(widths)
    pen = Pen.by(o.take(lines[~odd]), widths[~odd])
    others = np.concatenate((flashes, lines[odd]))
    shapes = object_shapes(file, others, chord_error_mm=chord_error_mm)
    return np.concatenate((shapes, stroke_shapes(pen, chord_error_mm)))


def part_rings(part: Part, chord_error_mm: float) -> Iterator[Rings]:
    """Rings of a part in mm, in the order they are painted."""
    if isinstance(part, Letters):
        points = np.concatenate(part.contours) if part.contours else np.empty((0, 2))
        counts = [len(c) for c in part.contours]
        yield Rings.of(points, np.concatenate(([0], np.cumsum(counts))).astype(np.int64))
    elif isinstance(part, Film):
        yield from _film_rings(part, chord_error_mm)
    elif isinstance(part, Fill):
        yield Rings.of(*polygon_rings(part.shapes))
    else:
        yield Rings.of(*polygon_rings(stroke_shapes(part, chord_error_mm)))


def joined(runs: list[Rings]) -> Iterator[Rings]:
    """Merge neighbouring runs of one polarity that may share a path; drop empty ones."""
    runs = [r for r in runs if len(r.low)]
    at = 0
    while at < len(runs):
        end = at + 1
        while (
            end < len(runs)
            and runs[end].dark == runs[at].dark
            and not (runs[end].apart or runs[at].apart)
        ):
            end += 1
        if end == at + 1:
            yield runs[at]
        else:
            same = runs[at:end]
            counts = np.concatenate([np.diff(r.starts) for r in same])
            starts = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
            points = np.concatenate([r.points for r in same])
            yield Rings.of(points, starts, dark=same[0].dark)
        at = end


@dataclass(frozen=True, slots=True)
class Flash:
    """A symbol put down."""

    symbol: int
    x: float
    y: float
    pose: Pose


@dataclass(eq=False)
class Run:
    """What one part draws in one polarity; the order inside does not matter.

    Parameters
    ----------
    fills
        Closed contours, filled by non-zero winding as one.
    strokes
        Open contours by pen width, round ends and joins.
    discs
        x, y, diameter.
    written
        What formats have written of all but the flashes, by format; runs of one film share it.
    """

    dark: bool = True
    fills: list[Contour] = field(default_factory=list)
    strokes: dict[float, list[Contour]] = field(default_factory=dict)
    discs: list[tuple[float, float, float]] = field(default_factory=list)
    flashes: list[Flash] = field(default_factory=list)
    written: dict[str, tuple[str, str]] = field(default_factory=dict)


class Symbols:
    """Shapes that are drawn once and put down often, numbered as they come."""

    def __init__(self) -> None:
        self._numbers: dict[tuple[int, int] | str, int] = {}
        self.contours: list[tuple[Contour, ...]] = []
        self._files: list[GerberFile] = []  # keeps ids alive and so unique

    def number(self, file: GerberFile, aperture: int) -> int:
        """Return the number of an aperture's symbol."""
        key = (id(file), aperture)
        known = self._numbers.get(key)
        if known is None:
            tool = file.apertures[aperture]
            if tool.template == "C" and tool.diameter_mm:
                shape: tuple[Contour, ...] = (circle(0.0, 0.0, tool.diameter_mm),)
            else:
                shape = polygon_contours(np.array([tool.shape_at(CHORD_ERROR_MM)], dtype=object))
            # Different apertures of one shape share a symbol.
            known = self.contours.index(shape) if shape in self.contours else self._add(shape)
            self._numbers[key] = known
            self._files.append(file)
        return known

    def outline(self, name: str, rings: tuple[Floats, ...]) -> int:
        """Return the number of a character's symbol; the name stands for the shape."""
        if name not in self._numbers:
            self._numbers[name] = self._add(tuple(_plain(ring) for ring in rings))
        return self._numbers[name]

    def _add(self, shape: tuple[Contour, ...]) -> int:
        self.contours.append(shape)
        return len(self.contours) - 1


def polygon_contours(shapes: NDArray[np.object_]) -> tuple[Contour, ...]:
    """Rings of polygons as contours, exteriors counter-clockwise and holes clockwise."""
    points, starts = polygon_rings(shapes)
    return tuple(ring_contour(points[a:b]) for a, b in pairwise(starts) if b - a > 3)


@once_per
def fill_contours(fill: Fill) -> tuple[Contour, ...]:
    """Find the contours of a fill, once: arcs are looked for in every ring."""
    return polygon_contours(fill.shapes)


@once_per
def _plain_runs(stencil: Stencil) -> tuple[Run, ...]:
    """Make the runs of a stencil without symbols, once: several pictures may show it."""
    symbols = Symbols()
    return tuple(r for part in stencil.parts for r in part_vectors(part, symbols))


def part_vectors(part: Part, symbols: Symbols) -> Iterator[Run]:
    """Split a part into runs of one polarity each, in order."""
    if isinstance(part, Film):
        yield from _film(part, symbols)
    elif isinstance(part, Fill):
        yield Run(fills=list(fill_contours(part)))
    elif isinstance(part, Letters):
        numbers = {name: symbols.outline(name, rings) for name, rings in part.outlines.items()}
        yield Run(flashes=[Flash(numbers[name], x, y, Pose()) for name, x, y in part.places])
    else:
        run = Run()
        _add_strokes(run, part)
        yield run


def _plain(ring: Floats) -> Contour:
    rest = tuple((x, y, 0.0, 0.0, 0) for x, y in ring[1:-1].tolist())
    return Contour((float(ring[0, 0]), float(ring[0, 1])), rest)


def _add_strokes(run: Run, pens: Strokes) -> None:
    """Chain strokes of one width that continue each other; strokes without length are discs."""
    start: tuple[float, float] = (np.nan, np.nan)
    chain: list[Segment] = []
    pen = -1.0

    def finish() -> None:
        if chain:
            run.strokes.setdefault(pen, []).append(Contour(start, tuple(chain)))

    columns = Strokes.by(pens, pens.width).by_name().values()
    for x0, y0, x1, y1, cx, cy, turn, wide in zip(*(c.tolist() for c in columns), strict=True):
        if wide <= 0:
            continue
        if x0 == x1 and y0 == y1 and abs(turn) != 2:
            run.discs.append((x0, y0, wide))
            continue
        at_end = chain and chain[-1][0] == x0 and chain[-1][1] == y0
        if wide != pen or not at_end:
            finish()
            start, chain, pen = (x0, y0), [], wide
        chain.append((x1, y1, cx, cy, turn))
    finish()


def _film(film: Film, symbols: Symbols) -> Iterator[Run]:
    file, rows = film.file, film.chosen
    kept = _films_of(file)
    key = rows.tobytes()
    if key not in kept:
        kept[key] = tuple(_film_runs(file, rows))
    o = file.objects
    for run, flashed in kept[key]:
        flashes = [
            Flash(symbols.number(file, aperture), x, y, file.poses[pose])
            for aperture, x, y, pose in zip(
                *(c[flashed].tolist() for c in (o.aperture, o.x0, o.y0, o.pose)), strict=True
            )
        ]
        yield replace(run, flashes=flashes)


@once_per
def _films_of(_: GerberFile) -> dict[bytes, tuple[tuple[Run, Ints], ...]]:
    """Keep runs of a file without flashes, and the rows of these, by the rows that are drawn.

    Several pictures show one layer, and the symbols of flashes alone are each picture's own.
    """
    return {}


def _film_runs(file: GerberFile, rows: Ints) -> Iterator[tuple[Run, Ints]]:
    if not len(rows):
        return
    dark = file.objects.dark[rows]
    edges = np.flatnonzero(np.diff(dark)) + 1
    for first, last in zip([0, *edges], [*edges, len(rows)], strict=True):
        run = Run(dark=bool(dark[first]))
        yield run, _film_run(run, file, rows[first:last])


def _film_run(run: Run, file: GerberFile, rows: Ints) -> Ints:
    """Add all but flashes to a run; the rows of these."""
    o = file.objects.take(rows)
    for i in np.flatnonzero(o.kind == Kind.REGION):
        run.fills.extend(_region(file, int(o.first[i]), int(o.last[i])))
    stroked = np.flatnonzero(o.stroked)
    if len(stroked):
        width = pen_widths(file, rows[stroked])
        round_pen = ~np.isnan(width)
        _add_strokes(run, Strokes.by(o.take(stroked[round_pen]), width[round_pen]))
        odd = stroked[~round_pen]
        if len(odd):
            shapes = object_shapes(file, rows[odd], chord_error_mm=CHORD_ERROR_MM)
            run.fills.extend(polygon_contours(shapes))
    flashed: Ints = rows[o.kind == Kind.FLASH]
    return flashed


def _region(file: GerberFile, first: int, last: int) -> Iterator[Contour]:
    if first == last:
        return
    s = file.segments.take(slice(first, last))
    breaks = np.flatnonzero(np.diff(s.contour)) + 1
    rows = list(zip(*(c.tolist() for c in Segments.of(s).by_name().values()), strict=True))
    for a, b in zip([0, *breaks], [*breaks, len(rows)], strict=True):
        contour = Contour((rows[a][0], rows[a][1]), tuple(r[2:] for r in rows[a:b]))
        # Contours of a region add up, so all must run the same way for non-zero winding.
        yield contour if contour.doubled_area >= 0 else contour.reversed()


class VectorWriter(ABC):
    """Writes one scene in a vector format.

    The methods of a format give its own text, in whole or as a definition that is kept for later
    and named by a key; :meth:`node` and what it calls put the texts together.

    Parameters
    ----------
    scene
        What is written.
    """

    WHITE: ClassVar[str]
    """Tone of what a mask lets through."""
    BLACK: ClassVar[str]
    """Tone of what a mask holds back."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.symbols = Symbols()
        self._known: set[str] = set()

    @abstractmethod
    def tone(self, rgb: Rgb) -> str:
        """Write a colour, for fills and strokes alike."""

    @abstractmethod
    def run(self, run: Run) -> str:
        """Shapes of a run, in the tone that surrounds them."""

    @abstractmethod
    def write(self, run: Run) -> tuple[str, str]:
        """Write the fills of a run, and its strokes; flashes depend on the document."""

    def written(self, run: Run) -> tuple[str, str]:
        """Give what :meth:`write` does, made once for all pictures of this format."""
        name = type(self).__name__
        if name not in run.written:
            run.written[name] = self.write(run)
        return run.written[name]

    @abstractmethod
    def toned(self, tone: str, shapes: str) -> str:
        """Shapes in a tone."""

    @abstractmethod
    def frame(self, tone: str, mask: str = "") -> str:
        """Fill the whole frame in a tone, through a mask when its key is given."""

    @abstractmethod
    def define_shapes(self, key: str, runs: list[str]) -> None:
        """Keep shapes for :meth:`use`."""

    @abstractmethod
    def use(self, key: str, tone: str) -> str:
        """Kept shapes in a tone."""

    @abstractmethod
    def define_mask(self, key: str, content: list[str]) -> None:
        """Keep a mask: what its content shows white is let through."""

    @abstractmethod
    def masked(self, key: str, body: str) -> str:
        """Paint what a kept mask lets through of a body, as one picture."""

    @abstractmethod
    def coat(self, body: str) -> str:
        """One colour, set apart from what is painted after it."""

    @abstractmethod
    def titled(self, node: Node, body: str) -> str:
        """Write a finished node with its title and opacity."""

    def nodes(self, nodes: tuple[Node, ...]) -> str:
        """Coats and groups, bottom first."""
        return "\n".join(filter(None, map(self.node, nodes)))

    def node(self, node: Node) -> str:
        """Paint a coat or group, cut by its stencils."""
        inside = list(node.inside)
        if isinstance(node, Group):
            body = self.nodes(node.children)
        else:
            # A set of plain shapes is filled with the colour.  As a mask it would look the same,
            # but masks are what slows viewers most.
            direct = next((n for n in inside if self.scene.stencils[n].plain), None)
            if direct is None:
                body = self.coat(self.frame(self.tone(node.rgb)))
            else:
                inside.remove(direct)
                body = self.coat(self.use(self._shapes(direct), self.tone(node.rgb)))
        for name in node.outside:
            body = self.masked(self._mask(name, outside=True), body)
        for name in inside:
            body = self.masked(self._mask(name, outside=False), body)
        return self.titled(node, body)

    def _new(self, key: str) -> bool:
        """Remember a key; True when it is met for the first time."""
        if key in self._known:
            return False
        self._known.add(key)
        return True

    def _shapes(self, name: str) -> str:
        """Key of a plain stencil's shapes."""
        key = f"s-{name}"
        if self._new(key):
            stencil = self.scene.stencils[name]
            if any(isinstance(p, Film | Letters) for p in stencil.parts):
                runs = tuple(r for p in stencil.parts for r in part_vectors(p, self.symbols))
            else:
                runs = _plain_runs(stencil)
            self.define_shapes(key, [self.run(r) for r in runs])
        return key

    def _mask(self, name: str, *, outside: bool) -> str:
        """Key of a mask that is white inside (or outside) a stencil."""
        key = f"{'o' if outside else 'i'}-{name}"
        if not self._new(key):
            return key
        stencil = self.scene.stencils[name]
        swapped = outside != stencil.inverted
        on, off = (self.BLACK, self.WHITE) if swapped else (self.WHITE, self.BLACK)
        content = [self.frame(self.WHITE)] if swapped else []
        if stencil.plain:
            content.append(self.use(self._shapes(name), on))
        else:
            for k, part in enumerate(stencil.parts):
                runs = list(part_vectors(part, self.symbols))
                if k and isinstance(part, Film) and part.clears:
                    # Its clear objects must not erase the parts before it.
                    apart = f"{key}-{k}"
                    self.define_mask(apart, self._in_tones(runs, self.WHITE, self.BLACK))
                    content.append(self.frame(on, apart))
                else:
                    content += self._in_tones(runs, on, off)
        self.define_mask(key, content)
        return key

    def _in_tones(self, runs: list[Run], dark: str, clear: str) -> list[str]:
        return [self.toned(dark if r.dark else clear, self.run(r)) for r in runs]
