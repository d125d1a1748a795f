"""Scenes as vectors: one walk for every format; arcs, flashes and strokes stay what they are.

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
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Ints
from fabkit.base.once import once_per
from fabkit.base.units import CHORD_ERROR_MM
from fabkit.formats.gerber.model import GerberFile, Kind, Pose, object_shapes, pen_widths
from fabkit.geometry.curves import Contour, Segment, circle, ring_contour
from fabkit.geometry.segments import Segments, Strokes
from fabkit.pictures.palette import Rgb
from fabkit.pictures.rings import polygon_rings
from fabkit.pictures.scene import Fill, Film, Group, Letters, Node, Part, Scene, Stencil


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
