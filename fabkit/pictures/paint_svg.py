"""Scenes as SVG (W3C SVG 1.1, second edition): small, exact, one titled group a layer.

Coordinates are whole micrometres inside one scaled group: the Gerber Layer Format Specification
2021.02, section 4.14.2, lets a processor move any coordinate by half a micrometre.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import atan2, cos, pi, sin
from xml.sax.saxutils import escape

from fabkit.base.units import format_number
from fabkit.formats.gerber.model import Pose
from fabkit.geometry.curves import Contour, arc_sweep
from fabkit.pictures.looks import Rgb
from fabkit.pictures.scene import Node, Scene, Sheet, sheet_of
from fabkit.pictures.vectors import Flash, Run, VectorWriter


def _um(value: float) -> int:
    return round(value * 1000)


class PathText:
    """Path data in whole micrometres, relative, without superfluous letters and blanks."""

    def __init__(self) -> None:
        self._out: list[str] = []
        self._letter = ""
        self._x = self._y = 0

    def _emit(self, letter: str, *numbers: object) -> None:
        implied = letter == self._letter
        self._out.append("" if implied else letter)
        for k, number in enumerate(numbers):
            text = str(number)
            bare = text[0] != "-" and (k > 0 or implied)
            self._out.append(f" {text}" if bare else text)
        self._letter = letter

    def add(self, contour: Contour, *, closed: bool) -> None:
        """Append a contour."""
        x, y = contour.start
        start = _um(x), _um(y)
        self._letter = ""
        self._emit("m", start[0] - self._x, start[1] - self._y)
        self._x, self._y = start
        for x1, y1, cx, cy, turn in contour.segments:
            if turn == 0:
                self._line(_um(x1), _um(y1))
            else:
                self._arc(x, y, x1, y1, cx, cy, turn)
            x, y = x1, y1
        if closed:
            self._out.append("z")
            self._letter = "z"
            self._x, self._y = start

    def _line(self, x: int, y: int) -> None:
        # Dense fills have a million lines: their text is made here without another call.  The
        # format with a blank puts one, or the sign, before the number.
        dx, dy = x - self._x, y - self._y
        if dx and dy:
            # After "m" a bare pair means "l".
            bare = self._letter in ("l", "m")
            self._out.append(f"{dx: d}{dy: d}" if bare else f"l{dx}{dy: d}")
            self._letter = "l"
        elif dx:
            self._out.append(f"{dx: d}" if self._letter == "h" else f"h{dx}")
            self._letter = "h"
        elif dy:
            self._out.append(f"{dy: d}" if self._letter == "v" else f"v{dy}")
            self._letter = "v"
        self._x, self._y = x, y

    def _arc(
        self, x0: float, y0: float, x1: float, y1: float, cx: float, cy: float, turn: int
    ) -> None:
        radius, sweep = arc_sweep(x0, y0, x1, y1, cx, cy, turn)
        # At most half a turn at once: no flags to get wrong, full circles included.
        pieces = 1 if abs(sweep) <= pi else 2
        start = atan2(y0 - cy, x0 - cx)
        size = format_number(radius * 1000, digits=1)
        for k in range(1, pieces + 1):
            angle = start + sweep * k / pieces
            end = (x1, y1) if k == pieces else (cx + radius * cos(angle), cy + radius * sin(angle))
            x, y = _um(end[0]), _um(end[1])
            if (x, y) != (self._x, self._y):
                side = 1 if sweep > 0 else 0
                self._emit("a", size, size, 0, 0, side, x - self._x, y - self._y)
            self._x, self._y = x, y

    def __str__(self) -> str:
        return "".join(self._out)


def path_text(contours: Iterable[Contour], *, closed: bool) -> str:
    """Path data of contours."""
    text = PathText()
    for contour in contours:
        text.add(contour, closed=closed)
    return str(text)


def _circle(x: float, y: float, diameter: float) -> str:
    radius = format_number(diameter * 500, digits=1)
    return f'<circle cx="{_um(x)}" cy="{_um(y)}" r="{radius}"/>'


def _flash(flash: Flash, prefix: str) -> str:
    if flash.pose == Pose():
        return f'<use href="#{prefix}a{flash.symbol}" x="{_um(flash.x)}" y="{_um(flash.y)}"/>'
    p = flash.pose
    turned = f" rotate({p.rotation_deg:.6g})" if p.rotation_deg else ""
    scale = f"{-p.scale:.9g} {p.scale:.9g}" if p.mirror_x else f"{p.scale:.9g}"
    scaled = f" scale({scale})" if scale != "1" else ""
    move = f"translate({_um(flash.x)} {_um(flash.y)}){turned}{scaled}"
    return f'<use href="#{prefix}a{flash.symbol}" transform="{move}"/>'


class SvgWriter(VectorWriter):
    """One scene; ids start with ``prefix`` so that several scenes can share a document."""

    WHITE, BLACK = "#fff", "#000"

    def __init__(self, scene: Scene, prefix: str) -> None:
        super().__init__(scene)
        self.prefix = prefix
        self._defs: list[str] = []
        x0, y0, x1, y1 = scene.frame
        self._box = (
            f'x="{_um(x0)}" y="{_um(y0)}" width="{_um(x1) - _um(x0)}" height="{_um(y1) - _um(y0)}"'
        )

    def tone(self, rgb: Rgb) -> str:
        """Write a colour in hexadecimal."""
        return "#{:02x}{:02x}{:02x}".format(*rgb)

    def run(self, run: Run) -> str:
        """Elements of a run; fill and stroke are inherited."""
        fills, strokes = self.written(run)
        fills += "".join(_flash(flash, self.prefix) for flash in run.flashes)
        return (f'<g stroke="none">{fills}</g>' if fills else "") + strokes

    def write(self, run: Run) -> tuple[str, str]:
        """Elements of fills, and of strokes."""
        fills = [f'<path d="{path_text(run.fills, closed=True)}"/>'] if run.fills else []
        fills += [_circle(*disc) for disc in run.discs]
        if not run.strokes:
            return "".join(fills), ""
        paths = [
            f'<path stroke-width="{format_number(width * 1000, digits=1)}"'
            f' d="{path_text(chains, closed=False)}"/>'
            for width, chains in run.strokes.items()
        ]
        ends = 'stroke-linecap="round" stroke-linejoin="round"'
        return "".join(fills), f'<g fill="none" {ends}>{"".join(paths)}</g>'

    def toned(self, tone: str, shapes: str) -> str:
        """Write a group that hands its tone down."""
        return f'<g fill="{tone}" stroke="{tone}">{shapes}</g>'

    def frame(self, tone: str, mask: str = "") -> str:
        """Write the frame as a rectangle."""
        through = f' mask="url(#{self.prefix}{mask})"' if mask else ""
        return f'<rect {self._box} fill="{tone}"{through}/>'

    def define_shapes(self, key: str, runs: list[str]) -> None:
        """Keep a group among the definitions."""
        self._defs.append(f'<g id="{self.prefix}{key}">{"".join(runs)}</g>')

    def use(self, key: str, tone: str) -> str:
        """Write a reference to a group."""
        return f'<use href="#{self.prefix}{key}" fill="{tone}" stroke="{tone}"/>'

    def define_mask(self, key: str, content: list[str]) -> None:
        """Keep a mask among the definitions."""
        self._defs.append(
            f'<mask id="{self.prefix}{key}" maskUnits="userSpaceOnUse" {self._box}>'
            f"{''.join(content)}</mask>"
        )

    def masked(self, key: str, body: str) -> str:
        """Write a group seen through a mask."""
        return f'<g mask="url(#{self.prefix}{key})">{body}</g>'

    def coat(self, body: str) -> str:
        """Elements stand apart by themselves."""
        return body

    def titled(self, node: Node, body: str) -> str:
        """Write a group with a title."""
        return titled(node, body)

    def element(self, x_mm: float, top_mm: float, scale: float = 1.0) -> str:
        """Write the scene as a nested picture that is cut to its frame."""
        scene = self.scene
        x0, _, x1, y1 = scene.frame
        body = self.nodes(scene.nodes)
        symbols = "".join(
            f'<path id="{self.prefix}a{k}" d="{path_text(shape, closed=True)}"/>'
            for k, shape in enumerate(self.symbols.contours)
        )
        sign, left = ("-", x1) if scene.mirrored else ("", -x0)
        width, height = scene.size_mm
        numbers = (width, height, left, y1, x_mm, top_mm, width * scale, height * scale)
        w, h, left_text, up, x, y, across, down = (format_number(v, digits=6) for v in numbers)
        return (
            f'<svg x="{x}" y="{y}" width="{across}" height="{down}" viewBox="0 0 {w} {h}">'
            f"<title>{escape(scene.title)}</title>\n"
            f"<defs>{symbols}{''.join(self._defs)}</defs>\n"
            f'<g transform="matrix({sign}.001 0 0 -.001 {left_text} {up})">\n{body}\n</g></svg>'
        )


def titled(node: Node, body: str) -> str:
    """Write a group with a title; a page's style hides the class ``off``."""
    off = ' class="off"' if node.hidden else ""
    faint = f' opacity="{node.opacity:.3g}"' if node.opacity < 1 else ""
    return f"<g{off}{faint}><title>{escape(node.title)}</title>{body}</g>"


def inline_svg(scene: Scene, prefix: str) -> str:
    """Write a scene as an SVG element for a page; its ids start with ``prefix``."""
    w, h = (format_number(v, digits=6) for v in scene.size_mm)
    body = SvgWriter(scene, prefix).element(0.0, 0.0)
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}">{body}</svg>'


def picture_svg(picture: Scene | Sheet) -> str:
    """Write a scene or sheet as an SVG document in millimetres."""
    sheet = sheet_of(picture)
    body = "\n".join(
        SvgWriter(p.scene, f"v{k}" if len(sheet.placed) > 1 else "").element(
            p.x_mm, sheet.height_mm - p.y_mm - p.scene.size_mm[1] * p.scale, p.scale
        )
        for k, p in enumerate(sheet.placed)
    )
    w, h = (format_number(v, digits=6) for v in (sheet.width_mm, sheet.height_mm))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm"'
        f' viewBox="0 0 {w} {h}"><title>{escape(sheet.title)}</title>\n{body}\n</svg>\n'
    )
