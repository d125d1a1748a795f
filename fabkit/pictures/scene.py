"""A picture before it is painted: stencils in millimetres, and coats of colour through them.

A stencil is a black and white image made of parts.  A coat is one colour, laid where all its
``inside`` stencils are open and none of its ``outside`` stencils is.  A group is a stack of coats
that is cut as a whole, so that colours below do not shine through along a shared edge.  Painters
know nothing else; tests compare scenes.  Text is set as outlines, the same in every format and on
every machine.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Ints
from fabkit.formats.gerber.model import GerberFile
from fabkit.geometry.curves import Contour, ring_contour
from fabkit.geometry.segments import Strokes
from fabkit.pictures.looks import Rgb

if TYPE_CHECKING:
    from matplotlib.ft2font import FT2Font

Frame = tuple[float, float, float, float]
"""Least x, least y, greatest x, greatest y, mm."""


@dataclass(frozen=True, eq=False)
class Film:
    """Objects of a Gerber file in file order, dark and clear; ``rows`` picks some of them."""

    file: GerberFile
    rows: Ints | None = None

    @property
    def chosen(self) -> Ints:
        """Rows of ``file.objects`` that are drawn, ascending."""
        return np.arange(len(self.file.objects)) if self.rows is None else self.rows

    @property
    def clears(self) -> bool:
        """True when a drawn object erases."""
        return not bool(self.file.objects.dark[self.chosen].all())


@dataclass(frozen=True, eq=False)
class Fill:
    """Polygons; a pixel covered by any of them is covered.

    ``shapes`` is an object array of shapely polygons or multipolygons, mm.
    """

    shapes: NDArray[np.object_]


@dataclass(frozen=True, slots=True, eq=False)
class Pen(Strokes):
    """Strokes of a round pen, mm; a stroke without length is a disc."""

    @classmethod
    def discs(cls, x: Floats, y: Floats, diameter: Floats | float) -> Pen:
        """Discs about ``x, y``."""
        return cls.lines(x, y, x, y, diameter)

    @classmethod
    def lines(cls, x0: Floats, y0: Floats, x1: Floats, y1: Floats, width: Floats | float) -> Pen:
        """Straight strokes."""
        x0, y0, x1, y1 = (np.asarray(a, dtype=np.float64) for a in (x0, y0, x1, y1))
        nothing = np.full(len(x0), np.nan)
        wide = np.broadcast_to(np.asarray(width, dtype=np.float64), x0.shape)
        return cls(x0, y0, x1, y1, nothing, nothing, np.zeros(len(x0), np.int8), wide)

    @classmethod
    def between(cls, start: Floats, end: Floats, width: float) -> Pen:
        """Straight strokes between points, (n, 2) float64."""
        (x0, y0), (x1, y1) = start.T, end.T
        return cls.lines(x0, y0, x1, y1, width)

    @classmethod
    def circles(cls, x: Floats, y: Floats, diameter: Floats, width: float) -> Pen:
        """Outlines of circles, the pen running on the circle."""
        x, y, diameter = (np.asarray(a, dtype=np.float64) for a in (x, y, diameter))
        start = x + diameter / 2
        wide = np.full(len(x), width)
        return cls(start, y, start, y, x, y, np.full(len(x), 2, np.int8), wide)

    @classmethod
    def along(cls, shapes: shapely.Geometry | NDArray[np.object_], width: float) -> Pen:
        """Lead a pen along the edges of polygons; arcs are found again."""
        rings = shapely.get_rings(shapely.get_parts(shapes))
        return cls.around([ring_contour(shapely.get_coordinates(r)) for r in rings], width)

    @classmethod
    def around(cls, contours: Iterable[Contour], width: float) -> Pen:
        """Lead a pen around closed contours."""
        rows = [row for contour in contours for row in contour.rows()]
        table = np.array(rows, dtype=np.float64).reshape(-1, 7).T
        ax, ay, bx, by, cx, cy, turns = table
        return cls(ax, ay, bx, by, cx, cy, turns.astype(np.int8), np.full(len(ax), width))


@dataclass(frozen=True, eq=False)
class Letters:
    """Lettering: outlines of characters, each put down where it stands.

    Parameters
    ----------
    outlines
        By a name that holds character, size and direction: (n, 2) float64 closed rings about the
        start of the character's base line, mm; covered where the winding number is not zero.
    places
        Name, x, y, mm, of each character.
    """

    outlines: Mapping[str, tuple[Floats, ...]]
    places: tuple[tuple[str, float, float], ...]

    @property
    def contours(self) -> tuple[Floats, ...]:
        """Closed rings where they stand."""
        return tuple(
            ring + np.array((x, y)) for name, x, y in self.places for ring in self.outlines[name]
        )


Part = Film | Fill | Pen | Letters


@dataclass(frozen=True, eq=False)
class Stencil:
    """A black and white image; its parts are united, then inverted when asked."""

    parts: tuple[Part, ...]
    inverted: bool = False

    @property
    def plain(self) -> bool:
        """True when it is a set of dark shapes, which can be painted directly."""
        return not self.inverted and not any(isinstance(p, Film) and p.clears for p in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """What stencils, named by their key in the scene, leave of a coat or group.

    Parameters
    ----------
    title
        What it stands for.
    inside, outside
        Stencils that must be open here, and those that must not be.
    opacity
        How much it hides of what lies below, 0 to 1.
    hidden
        Not shown unless a page switches it on.
    """

    title: str
    inside: tuple[str, ...] = ()
    outside: tuple[str, ...] = ()
    opacity: float = 1.0
    hidden: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Coat(Cut):
    """One colour through stencils."""

    rgb: Rgb


@dataclass(frozen=True, slots=True, kw_only=True)
class Group(Cut):
    """Coats and groups, bottom first, cut as a whole."""

    children: tuple[Coat | Group, ...]


Node = Coat | Group


@dataclass(frozen=True, eq=False)
class Scene:
    """A picture in board millimetres.

    Parameters
    ----------
    title
        What the picture shows, in words.
    frame
        Min x, min y, max x, max y, mm, in board coordinates.
    mirrored
        True when the board is seen after turning about a vertical axis.
    stencils
        Images that the nodes name.
    nodes
        What is painted, bottom first.
    """

    title: str
    frame: Frame
    mirrored: bool
    stencils: Mapping[str, Stencil]
    nodes: tuple[Node, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the frame."""
        x0, y0, x1, y1 = self.frame
        return x1 - x0, y1 - y0


@dataclass(frozen=True, slots=True)
class Placed:
    """A scene on a sheet: its frame's lower left corner lies at ``x_mm, y_mm``.

    ``scale`` is what a millimetre of the scene is on the sheet.
    """

    scene: Scene
    x_mm: float
    y_mm: float
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Sheet:
    """Scenes side by side, each at its scale and cut to its frame.

    Parameters
    ----------
    title
        What the sheet shows, in words.
    width_mm, height_mm
        Size; the origin is the lower left corner.
    placed
        Bottom first.
    """

    title: str
    width_mm: float
    height_mm: float
    placed: tuple[Placed, ...]


def sheet_of(picture: Scene | Sheet) -> Sheet:
    """Make a sheet of a scene's size from a scene alone; a sheet stays as it is."""
    if isinstance(picture, Sheet):
        return picture
    return Sheet(picture.title, *picture.size_mm, (Placed(picture, 0.0, 0.0),))


class SceneDraft:
    """A scene that grows coat by coat, each with its own stencil."""

    def __init__(
        self,
        title: str,
        frame: Frame,
        *,
        mirrored: bool = False,
        stencils: Mapping[str, Stencil] | None = None,
    ) -> None:
        self.title = title
        self.frame = frame
        self.mirrored = mirrored
        self.stencils: dict[str, Stencil] = dict(stencils or {})
        self.nodes: list[Node] = []

    @classmethod
    def over(cls, face: Scene, frame: Frame) -> SceneDraft:
        """Begin with what another scene shows, in a frame of its own."""
        made = cls(face.title, frame, mirrored=face.mirrored, stencils=face.stencils)
        made.nodes += face.nodes
        return made

    def board(self, *coats: Node) -> None:
        """Lay coats and groups on the board: cut by its stencils ``profile`` and ``holes``."""
        cut = Group(title="board", children=coats, inside=("profile",), outside=("holes",))
        self.nodes.append(cut)

    def coat(
        self,
        title: str,
        rgb: Rgb,
        *parts: Part,
        opacity: float = 1.0,
        inside: tuple[str, ...] = (),
        outside: tuple[str, ...] = (),
    ) -> None:
        """Paint parts, or else what ``inside`` leaves, in one colour; nothing without either."""
        if not parts and not inside:
            return
        if parts:
            name = f"p{len(self.stencils)}"
            self.stencils[name] = Stencil(parts)
            inside = (*inside, name)
        self.nodes.append(
            Coat(title=title, rgb=rgb, opacity=opacity, inside=inside, outside=outside)
        )

    def ground(self, rgb: Rgb) -> None:
        """Paint everything in one colour."""
        self.nodes.append(Coat(title="ground", rgb=rgb))

    def scene(self) -> Scene:
        """Return what has been drawn so far as a scene."""
        return Scene(
            title=self.title,
            frame=self.frame,
            mirrored=self.mirrored,
            stencils=dict(self.stencils),
            nodes=tuple(self.nodes),
        )


def named_stencils(nodes: tuple[Node, ...]) -> tuple[str, ...]:
    """Names of all stencils that nodes use, sorted."""

    def walk(node: Node) -> Iterator[str]:
        yield from (*node.inside, *node.outside)
        if isinstance(node, Group):
            for child in node.children:
                yield from walk(child)

    return tuple(sorted({name for node in nodes for name in walk(node)}))


CAP_SHARE = 0.729
"""Height of capitals over the em of DejaVu Sans, the font that comes with matplotlib."""

_CURVE_STEPS = 6

_UNIT = re.compile(r"(?<=\d) (?=(?:mm²?|µm|deg|%)(?![^\W_]))")
"""The blank between a number and its unit."""

_WORD = re.compile("[\\S\N{NO-BREAK SPACE}]+")


@lru_cache(maxsize=2)
def _font(bold: bool) -> FT2Font:
    from pathlib import Path

    import matplotlib as mpl
    from matplotlib.ft2font import FT2Font

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = FT2Font(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / name))
    font.set_size(64, 72)
    return font


@lru_cache(maxsize=1024)
def _glyph(character: str, bold: bool) -> tuple[float, tuple[Floats, ...]]:
    """Advance and contours of a character in ems."""
    from matplotlib.ft2font import LoadFlags

    font = _font(bold)
    glyph = font.load_char(ord(character), flags=LoadFlags.NO_HINTING)
    vertices, codes = font.get_path()
    return glyph.linearHoriAdvance / 65536 / 64, tuple(_flattened(vertices / 64, codes))


def _flattened(vertices: Floats, codes: NDArray[np.int8]) -> list[Floats]:
    """Contours with quadratic and cubic curves as chords, exteriors counter-clockwise."""
    rings: list[list[Floats]] = []
    at = 0
    t = np.linspace(0, 1, _CURVE_STEPS + 1)[1:, None]
    while at < len(codes):
        code = codes[at]
        if code == 1:
            rings.append([vertices[at]])
            at += 1
        elif code == 2:
            rings[-1].append(vertices[at])
            at += 1
        elif code == 3:
            a, b, c = rings[-1][-1], vertices[at], vertices[at + 1]
            rings[-1].extend((1 - t) ** 2 * a + 2 * t * (1 - t) * b + t**2 * c)
            at += 2
        elif code == 4:
            a, b, c, d = rings[-1][-1], vertices[at], vertices[at + 1], vertices[at + 2]
            rings[-1].extend(
                (1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b + 3 * t**2 * (1 - t) * c + t**3 * d
            )
            at += 3
        else:
            at += 1
    # TrueType runs exteriors clockwise; our polygons run them the other way.
    return [np.array([*ring, ring[0]])[::-1] for ring in rings if len(ring) > 2]


def readable_deg(turn_deg: float) -> float:
    """Turn of what is written on something turned; a quarter turn is none, so that it reads."""
    return (turn_deg + 45) % 90 - 45


def text_width(text: str, height_mm: float, *, bold: bool = False) -> float:
    """Width of a line of text whose capitals are ``height_mm`` high."""
    return sum(_glyph(c, bold)[0] for c in text) * height_mm / CAP_SHARE


def letters(
    text: str,
    x: float,
    y: float,
    height_mm: float,
    *,
    align: Literal["left", "middle", "right"] = "left",
    bold: bool = False,
    mirrored: bool = False,
    turned_deg: float = 0.0,
) -> Letters:
    """Set a line of text.

    Parameters
    ----------
    x, y
        Left end, middle or right end of the base line, mm.
    height_mm
        Height of capitals.
    mirrored
        Set it so that it reads on a mirrored scene.
    turned_deg
        Turn about ``x, y``, counter-clockwise.
    """
    scale = height_mm / CAP_SHARE
    width = text_width(text, height_mm, bold=bold)
    pen = {"left": 0.0, "middle": -width / 2, "right": -width}[align]
    sign = -1.0 if mirrored else 1.0
    c, s = float(np.cos(np.radians(turned_deg))), float(np.sin(np.radians(turned_deg)))
    how = f"{height_mm:.9g} {bold} {mirrored} {turned_deg:.9g}"
    outlines: dict[str, tuple[Floats, ...]] = {}
    places = []
    for character in text:
        advance, contours = _glyph(character, bold)
        if contours:
            name = f"{character} {how}"
            if name not in outlines:
                outlines[name] = tuple(_set(ring * scale, sign, c, s) for ring in contours)
            places.append((name, x + sign * pen * c, y + pen * s))
        pen += advance * scale
    return Letters(outlines, tuple(places))


def _set(ring: Floats, sign: float, c: float, s: float) -> Floats:
    """Turn a contour, and mirror it if ``sign`` is -1; exteriors stay counter-clockwise."""
    x, y = ring[:, 0], ring[:, 1]
    out = np.column_stack((sign * (x * c - y * s), x * s + y * c))
    return out[::-1] if sign < 0 else out


def fitted(text: str, height_mm: float, width_mm: float) -> str:
    """Text cut with an ellipsis so that it is at most ``width_mm`` wide."""
    if text_width(text, height_mm) <= width_mm:
        return text
    while text and text_width(text + "…", height_mm) > width_mm:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, height_mm: float, width_mm: float) -> list[str]:
    """Text broken at blanks into lines of at most ``width_mm``; a longer word is cut.

    A unit stays on the line of its number.
    """
    lines: list[str] = []
    for word in _WORD.findall(_UNIT.sub("\N{NO-BREAK SPACE}", text)):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, height_mm) <= width_mm:
            lines[-1] = longer
        else:
            lines.append(fitted(word, height_mm, width_mm))
    return lines
