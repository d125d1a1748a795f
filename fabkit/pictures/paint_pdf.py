"""Scenes as PDF pages (ISO 32000-1:2008), true to scale and all vectors.

Stencils become form objects, their erasures and cuts become luminosity soft masks (11.5.3), so
the page shows what the SVG shows.  Nothing but the scenes goes into the file: no date, no name.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from math import atan2, ceil, cos, pi, radians, sin, tan

from fabkit.base.units import INCH_MM, format_number
from fabkit.formats.gerber.model import Pose
from fabkit.pictures.curves import Contour, arc_sweep, circle
from fabkit.pictures.palette import Rgb
from fabkit.pictures.scene import Coat, Film, Node, Scene, Sheet, sheet_of
from fabkit.pictures.vectors import Run, Symbols, part_vectors

POINTS_PER_MM = 72 / INCH_MM
MAX_ARC_RAD = pi / 2
"""One cubic stands for at most a quarter circle: off by less than 0.03 % of the radius."""


def _um(value: float) -> str:
    return format_number(value * 1000, digits=1)


def _point(x: float, y: float) -> str:
    return f"{_um(x)} {_um(y)}"


def _colour(rgb: Rgb) -> str:
    text = " ".join(format_number(c / 255, digits=4) for c in rgb)
    return f"{text} rg {text} RG"


def path_operators(contour: Contour, *, closed: bool) -> str:
    """Path construction operators of a contour; arcs as cubic curves."""
    x, y = contour.start
    out = [f"{_point(x, y)} m"]
    for x1, y1, cx, cy, turn in contour.segments:
        if turn == 0:
            out.append(f"{_point(x1, y1)} l")
        else:
            radius, sweep = arc_sweep(x, y, x1, y1, cx, cy, turn)
            pieces = max(ceil(abs(sweep) / MAX_ARC_RAD - 1e-9), 1)
            step = sweep / pieces
            pull = 4 / 3 * tan(step / 4) * radius
            a = atan2(y - cy, x - cx)
            for k in range(1, pieces + 1):
                b = a + step
                end = (x1, y1) if k == pieces else (cx + radius * cos(b), cy + radius * sin(b))
                first = _point(x - pull * sin(a), y + pull * cos(a))
                second = _point(end[0] + pull * sin(b), end[1] - pull * cos(b))
                out.append(f"{first} {second} {_point(*end)} c")
                x, y = end
                a = b
        x, y = x1, y1
    if closed:
        out.append("h")
    return " ".join(out)


def _paths(contours: Iterable[Contour], *, closed: bool) -> str:
    return "\n".join(path_operators(c, closed=closed) for c in contours)


def _pose_matrix(pose: Pose, x: float, y: float) -> str:
    c, s = (
        cos(radians(pose.rotation_deg)) * pose.scale,
        sin(radians(pose.rotation_deg)) * pose.scale,
    )
    m = -1.0 if pose.mirror_x else 1.0
    numbers = " ".join(format_number(v, digits=9) for v in (c * m, s * m, -s, c))
    return f"{numbers} {_point(x, y)} cm"


def _run_operators(run: Run) -> str:
    out = []
    fills = _paths((*run.fills, *(circle(*d) for d in run.discs)), closed=True)
    if fills:
        out.append(f"{fills}\nf")
    for width, chains in run.strokes.items():
        out.append(f"{_um(width)} w\n{_paths(chains, closed=False)}\nS")
    out.extend(f"q {_pose_matrix(f.pose, f.x, f.y)} /a{f.symbol} Do Q" for f in run.flashes)
    return "\n".join(out)


class _Document:
    """Numbered objects, gathered and written in order."""

    def __init__(self) -> None:
        self.objects: list[bytes] = []

    def add(self, body: bytes) -> int:
        self.objects.append(body)
        return len(self.objects)

    def stream(self, head: str, content: str) -> int:
        packed = zlib.compress(content.encode("ascii"), 9)
        text = f"<< {head} /Filter /FlateDecode /Length {len(packed)} >>\nstream\n"
        return self.add(text.encode("ascii") + packed + b"\nendstream")

    def to_bytes(self, root: int, info: int) -> bytes:
        out = bytearray(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")
        places = []
        for number, body in enumerate(self.objects, start=1):
            places.append(len(out))
            out += b"%d 0 obj\n" % number + body + b"\nendobj\n"
        table = len(out)
        count = len(self.objects) + 1
        out += b"xref\n0 %d\n0000000000 65535 f \n" % count
        for place in places:
            out += b"%010d 00000 n \n" % place
        tail = f"trailer\n<< /Size {count} /Root {root} 0 R /Info {info} 0 R >>\n"
        out += tail.encode("ascii") + b"startxref\n%d\n%%%%EOF\n" % table
        return bytes(out)


class _SceneWriter:
    """Turns one scene into form objects."""

    def __init__(self, document: _Document, scene: Scene) -> None:
        self.document = document
        self.scene = scene
        self.symbols = Symbols()
        self.forms: dict[str, int] = {}
        self.states: dict[str, str] = {}
        # Every form of a scene refers to one resource dictionary, written last.
        self.resources = document.add(b"")
        x0, y0, x1, y1 = scene.frame
        self._box = f"[{_point(x0, y0)} {_point(x1, y1)}]"
        self._rect = f"{_point(x0, y0)} {_point(x1 - x0, y1 - y0)} re f"

    def _form(self, name: str, content: str, *, group: str = "") -> str:
        head = (
            f"/Type /XObject /Subtype /Form /BBox {self._box}"
            f" /Resources {self.resources} 0 R{group}"
        )
        self.forms[name] = self.document.stream(head, content)
        return name

    def _shapes(self, name: str) -> str:
        key = f"s-{name}"
        if key not in self.forms:
            runs = [
                r for p in self.scene.stencils[name].parts for r in part_vectors(p, self.symbols)
            ]
            self._form(key, "1 J 1 j\n" + "\n".join(_run_operators(r) for r in runs))
        return key

    def _mask(self, name: str, *, outside: bool) -> str:
        """Graphics state whose soft mask is white inside (or outside) a stencil."""
        key = f"{'o' if outside else 'i'}-{name}"
        if key in self.states:
            return key
        stencil = self.scene.stencils[name]
        swapped = outside != stencil.inverted
        on, off = ("0 g 0 G", "1 g 1 G") if swapped else ("1 g 1 G", "0 g 0 G")
        content = ["1 J 1 j", f"1 g {self._rect}" if swapped else ""]
        if stencil.plain:
            content.append(f"{on} /{self._shapes(name)} Do")
        else:
            for k, part in enumerate(stencil.parts):
                runs = list(part_vectors(part, self.symbols))
                if k and isinstance(part, Film) and part.clears:
                    apart = self._soft(
                        f"{key}-{k}",
                        "1 J 1 j\n"
                        + "\n".join(
                            f"{'1 g 1 G' if r.dark else '0 g 0 G'}\n{_run_operators(r)}"
                            for r in runs
                        ),
                    )
                    content.append(f"q /{apart} gs {on} {self._rect} Q")
                else:
                    content += [f"{on if r.dark else off}\n{_run_operators(r)}" for r in runs]
        return self._soft(key, "\n".join(content))

    def _soft(self, key: str, content: str) -> str:
        group = " /Group << /S /Transparency /CS /DeviceGray /I true >>"
        form = self.forms[self._form(f"m-{key}", content, group=group)]
        self.states[key] = f"<< /SMask << /S /Luminosity /G {form} 0 R >> >>"
        return key

    def _group(self, content: str) -> str:
        return self._form(
            f"g{len(self.forms)}",
            content,
            group=" /Group << /S /Transparency /CS /DeviceRGB /I true >>",
        )

    def node(self, node: Node) -> str:
        inside = list(node.inside)
        if isinstance(node, Coat):
            direct = next((n for n in inside if self.scene.stencils[n].plain), None)
            if direct is not None:
                inside.remove(direct)
                body = f"q {_colour(node.rgb)} /{self._shapes(direct)} Do Q"
            else:
                body = f"q {_colour(node.rgb)} {self._rect} Q"
            if node.opacity < 1:
                state = f"opacity{round(node.opacity * 1000)}"
                self.states[state] = f"<< /ca {node.opacity:.3g} >>"
                body = f"q /{state} gs /{self._group(body)} Do Q"
        else:
            body = "\n".join(self.node(c) for c in node.children)
        for name, outside in (*((n, True) for n in node.outside), *((n, False) for n in inside)):
            body = f"q /{self._mask(name, outside=outside)} gs /{self._group(body)} Do Q"
        return body

    def form(self, x_mm: float, y_mm: float, scale: float) -> tuple[int, str]:
        """The scene as a form object, and the operators that put it on the page."""
        scene = self.scene
        x0, y0, x1, _ = scene.frame
        body = "\n".join(self.node(n) for n in scene.nodes)
        for k, shape in enumerate(self.symbols.contours):
            self._symbol(k, shape)
        unit = scale * POINTS_PER_MM / 1000
        sign, left = (-1.0, x1) if scene.mirrored else (1.0, -x0)
        move = ((left * scale + x_mm) * POINTS_PER_MM, (y_mm - y0 * scale) * POINTS_PER_MM)
        matrix = " ".join(format_number(v, digits=9) for v in (sign * unit, 0.0, 0.0, unit, *move))
        whole = self.forms[self._form("whole", body)]
        forms = " ".join(f"/{k} {v} 0 R" for k, v in self.forms.items())
        states = " ".join(f"/{k} {v}" for k, v in self.states.items())
        self.document.objects[self.resources - 1] = (
            f"<< /XObject << {forms} >> /ExtGState << {states} >> >>".encode("ascii")
        )
        return whole, f"q {matrix} cm /v{whole} Do Q"

    def _symbol(self, number: int, shape: tuple[Contour, ...]) -> None:
        points = [c.start for c in shape] + [(s[0], s[1]) for c in shape for s in c.segments]
        # Room for arcs that bulge beyond their ends.
        reach = 2 * max((max(abs(x), abs(y)) for x, y in points), default=0.0) + 0.001
        box = f"[{_point(-reach, -reach)} {_point(reach, reach)}]"
        self.forms[f"a{number}"] = self.document.stream(
            f"/Type /XObject /Subtype /Form /BBox {box}", f"{_paths(shape, closed=True)}\nf"
        )


def _page(document: _Document, sheet: Sheet, parent: int) -> int:
    placed = [_SceneWriter(document, p.scene).form(p.x_mm, p.y_mm, p.scale) for p in sheet.placed]
    content = document.stream("", "\n".join(operators for _, operators in placed))
    forms = " ".join(f"/v{number} {number} 0 R" for number, _ in placed)
    size = (sheet.width_mm, sheet.height_mm)
    box = " ".join(format_number(v * POINTS_PER_MM, digits=6) for v in size)
    return document.add(
        f"<< /Type /Page /Parent {parent} 0 R /MediaBox [0 0 {box}]"
        f" /Resources << /XObject << {forms} >> >> /Contents {content} 0 R"
        " /Group << /S /Transparency /CS /DeviceRGB >> >>".encode("ascii")
    )


def _title(pages: Sequence[str]) -> str:
    """What the pages show, the name of the board once."""
    names = list(dict.fromkeys(page.partition(": ")[0] for page in pages))
    if len(names) != 1:
        return "; ".join(dict.fromkeys(pages))
    shown = dict.fromkeys(page.partition(": ")[2] for page in pages)
    return ": ".join(filter(None, (names[0], "; ".join(filter(None, shown)))))


def pictures_pdf(pictures: Sequence[Scene | Sheet]) -> bytes:
    """Write scenes or sheets as pages of a PDF, each scene at its scale on paper."""
    document = _Document()
    pages = document.add(b"")
    sheets = [sheet_of(p) for p in pictures]
    numbers = [_page(document, sheet, pages) for sheet in sheets]
    kids = " ".join(f"{n} 0 R" for n in numbers)
    document.objects[pages - 1] = f"<< /Type /Pages /Count {len(numbers)} /Kids [{kids}] >>".encode(
        "ascii"
    )
    root = document.add(f"<< /Type /Catalog /Pages {pages} 0 R >>".encode("ascii"))
    text = _title([sheet.title for sheet in sheets]).encode("utf-16-be").hex()
    info = document.add(f"<< /Title <feff{text}> >>".encode("ascii"))
    return document.to_bytes(root, info)
