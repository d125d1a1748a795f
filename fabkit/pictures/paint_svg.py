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
from fabkit.pictures.curves import Contour, arc_sweep
from fabkit.pictures.palette import Rgb
from fabkit.pictures.scene import Coat, Film, Node, Scene, Sheet, sheet_of
from fabkit.pictures.vectors import Flash, Run, Symbols, part_vectors


def _hex(rgb: Rgb) -> str:
    return "#{:02x}{:02x}{:02x}".format(*rgb)


def _um(value: float) -> int:
    return round(value * 1000)


class PathText:
    """Path data in whole micrometres, relative, without superfluous letters and blanks."""

    def __init__(self) -> None:
        self._out: list[str] = []
        self._letter = ""
        self._x = self._y = 0

    def _emit(self, letter: str, *numbers: object) -> None:
        # After "m" a bare pair means "l".
        implied = letter == self._letter or (letter == "l" and self._letter == "m")
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
        dx, dy = x - self._x, y - self._y
        if dx and dy:
            self._emit("l", dx, dy)
        elif dx:
            self._emit("h", dx)
        elif dy:
            self._emit("v", dy)
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


def _run_text(run: Run, prefix: str) -> str:
    """Elements of a run; fill and stroke colours are inherited."""
    out = []
    fills = [f'<path d="{path_text(run.fills, closed=True)}"/>'] if run.fills else []
    fills += [_circle(*disc) for disc in run.discs]
    fills += [_flash(flash, prefix) for flash in run.flashes]
    if fills:
        out.append(f'<g stroke="none">{"".join(fills)}</g>')
    if run.strokes:
        paths = [
            f'<path stroke-width="{format_number(width * 1000, digits=1)}"'
            f' d="{path_text(chains, closed=False)}"/>'
            for width, chains in run.strokes.items()
        ]
        out.append(
            f'<g fill="none" stroke-linecap="round" stroke-linejoin="round">{"".join(paths)}</g>'
        )
    return "".join(out)


WHITE, BLACK = "#fff", "#000"


class _Writer:
    """One scene; ids start with ``prefix`` so that several scenes can share a document."""

    def __init__(self, scene: Scene, prefix: str) -> None:
        self.scene = scene
        self.prefix = prefix
        self.symbols = Symbols()
        self._defs: dict[str, str] = {}
        x0, y0, x1, y1 = scene.frame
        self._box = (
            f'x="{_um(x0)}" y="{_um(y0)}" width="{_um(x1) - _um(x0)}" height="{_um(y1) - _um(y0)}"'
        )

    def _shapes(self, name: str) -> str:
        """Reference to a plain stencil's shapes."""
        key = f"{self.prefix}s-{name}"
        if key not in self._defs:
            runs = [
                r for p in self.scene.stencils[name].parts for r in part_vectors(p, self.symbols)
            ]
            self._defs[key] = (
                f'<g id="{key}">{"".join(_run_text(r, self.prefix) for r in runs)}</g>'
            )
        return key

    def _mask(self, name: str, *, outside: bool) -> str:
        """Mask that is white inside (or outside) a stencil."""
        key = f"{self.prefix}{'o' if outside else 'i'}-{name}"
        if key in self._defs:
            return key
        stencil = self.scene.stencils[name]
        swapped = outside != stencil.inverted
        on, off = (BLACK, WHITE) if swapped else (WHITE, BLACK)
        body = [f'<rect {self._box} fill="{WHITE}"/>'] if swapped else []
        if stencil.plain:
            body.append(f'<use href="#{self._shapes(name)}" fill="{on}" stroke="{on}"/>')
        else:
            for k, part in enumerate(stencil.parts):
                runs = "".join(
                    f'<g fill="{c}" stroke="{c}">{_run_text(r, self.prefix)}</g>'
                    for r in part_vectors(part, self.symbols)
                    for c in [on if r.dark else off]
                )
                if k and isinstance(part, Film) and part.clears:
                    # Its clear objects must not erase the parts before it.
                    runs = self._film_apart(f"{key}-{k}", part, on)
                body.append(runs)
        self._defs[key] = (
            f'<mask id="{key}" maskUnits="userSpaceOnUse" {self._box}>{"".join(body)}</mask>'
        )
        return key

    def _film_apart(self, key: str, part: Film, on: str) -> str:
        inner = "".join(
            f'<g fill="{c}" stroke="{c}">{_run_text(r, self.prefix)}</g>'
            for r in part_vectors(part, self.symbols)
            for c in [WHITE if r.dark else BLACK]
        )
        self._defs[key] = f'<mask id="{key}" maskUnits="userSpaceOnUse" {self._box}>{inner}</mask>'
        return f'<rect {self._box} fill="{on}" mask="url(#{key})"/>'

    def node(self, node: Node) -> str:
        """A coat or group with its title."""
        inside = list(node.inside)
        if isinstance(node, Coat):
            tint = _hex(node.rgb)
            direct = next((n for n in inside if self.scene.stencils[n].plain), None)
            if direct is not None:
                inside.remove(direct)
                body = f'<use href="#{self._shapes(direct)}" fill="{tint}" stroke="{tint}"/>'
            else:
                body = f'<rect {self._box} fill="{tint}"/>'
            faint = f' opacity="{node.opacity:.3g}"' if node.opacity < 1 else ""
        else:
            body = "\n".join(self.node(c) for c in node.children)
            faint = ""
        for name in node.outside:
            body = f'<g mask="url(#{self._mask(name, outside=True)})">{body}</g>'
        for name in inside:
            body = f'<g mask="url(#{self._mask(name, outside=False)})">{body}</g>'
        return f"<g{faint}><title>{escape(node.title)}</title>{body}</g>"

    def element(self, x_mm: float, top_mm: float, scale: float = 1.0) -> str:
        """The scene as a nested picture that is cut to its frame."""
        scene = self.scene
        x0, _, x1, y1 = scene.frame
        body = "\n".join(self.node(n) for n in scene.nodes)
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
            f"<defs>{symbols}{''.join(self._defs.values())}</defs>\n"
            f'<g transform="matrix({sign}.001 0 0 -.001 {left_text} {up})">\n{body}\n</g></svg>'
        )


def inline_svg(scene: Scene, prefix: str) -> str:
    """Write a scene as an SVG element for a page; its ids start with ``prefix``."""
    w, h = (format_number(v, digits=6) for v in scene.size_mm)
    body = _Writer(scene, prefix).element(0.0, 0.0)
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}">{body}</svg>'


def picture_svg(picture: Scene | Sheet) -> str:
    """Write a scene or sheet as an SVG document in millimetres."""
    sheet = sheet_of(picture)
    body = "\n".join(
        _Writer(p.scene, f"v{k}" if len(sheet.placed) > 1 else "").element(
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
