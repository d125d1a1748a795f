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
from fabkit.geometry.curves import Contour, arc_sweep, circle
from fabkit.pictures.looks import Rgb
from fabkit.pictures.scene import Node, Scene, Sheet, sheet_of
from fabkit.pictures.vectors import Run, VectorWriter

POINTS_PER_MM = 72 / INCH_MM
ROUND = "1 J 1 j"
"""Operators for round ends and joins of strokes."""

MAX_ARC_RAD = pi / 2
"""One cubic stands for at most a quarter circle: off by less than 0.03 % of the radius."""


def _um(value: float) -> str:
    """Micrometres with a decimal where there is one.

    >>> _um(0.0254), _um(-0.00001), _um(12)
    ('25.4', '0', '12000')
    """
    text = f"{value * 1000:.1f}"
    whole = text[:-2]
    return text if text[-1] != "0" else "0" if whole == "-0" else whole


def _point(x: float, y: float) -> str:
    return f"{_um(x)} {_um(y)}"


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


class _Document:
    """Numbered objects, gathered and written in order."""

    def __init__(self) -> None:
        self.objects: list[bytes] = []

    def add(self, body: bytes) -> int:
        self.objects.append(body)
        return len(self.objects)

    def stream(self, head: str, content: str) -> int:
        # The best compression takes three times as long for 1 % less (a dense keyboard).
        packed = zlib.compress(content.encode("ascii"), 6)
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


class PdfWriter(VectorWriter):
    """Turns one scene into form objects of a document."""

    WHITE, BLACK = "1 g 1 G", "0 g 0 G"

    def __init__(self, document: _Document, scene: Scene) -> None:
        super().__init__(scene)
        self.document = document
        self.forms: dict[str, int] = {}
        self.states: dict[str, str] = {}
        # Every form of a scene refers to one resource dictionary, written last.
        self.resources = document.add(b"")
        x0, y0, x1, y1 = scene.frame
        self._box = f"[{_point(x0, y0)} {_point(x1, y1)}]"
        self._rect = f"{_point(x0, y0)} {_point(x1 - x0, y1 - y0)} re f"

    def tone(self, rgb: Rgb) -> str:
        """Operators that set a colour."""
        text = " ".join(format_number(c / 255, digits=4) for c in rgb)
        return f"{text} rg {text} RG"

    def run(self, run: Run) -> str:
        """Operators of a run."""
        flashes = (f"q {_pose_matrix(f.pose, f.x, f.y)} /a{f.symbol} Do Q" for f in run.flashes)
        return "\n".join(filter(None, (*self.written(run), *flashes)))

    def write(self, run: Run) -> tuple[str, str]:
        """Operators of fills, and of strokes."""
        fills = _paths((*run.fills, *(circle(*d) for d in run.discs)), closed=True)
        strokes = (
            f"{_um(width)} w\n{_paths(chains, closed=False)}\nS"
            for width, chains in run.strokes.items()
        )
        return f"{fills}\nf" if fills else "", "\n".join(strokes)

    def toned(self, tone: str, shapes: str) -> str:
        """Operators after those of their tone."""
        return f"{tone}\n{shapes}"

    def frame(self, tone: str, mask: str = "") -> str:
        """Fill the frame as a rectangle."""
        filled = f"{tone} {self._rect}"
        return f"q /{mask} gs {filled} Q" if mask else filled

    def define_shapes(self, key: str, runs: list[str]) -> None:
        """Keep shapes as a form object."""
        self._form(key, "\n".join((ROUND, *runs)))

    def use(self, key: str, tone: str) -> str:
        """Place a form object."""
        return f"{tone} /{key} Do"

    def define_mask(self, key: str, content: list[str]) -> None:
        """Keep a graphics state whose soft mask shows the content (11.5.3, luminosity)."""
        group = " /Group << /S /Transparency /CS /DeviceGray /I true >>"
        form = self._form(f"m-{key}", "\n".join((ROUND, *content)), group=group)
        self.states[key] = f"<< /SMask << /S /Luminosity /G {form} 0 R >> >>"

    def masked(self, key: str, body: str) -> str:
        """Paint a transparency group under a graphics state."""
        name = f"g{len(self.forms)}"
        self._form(name, body, group=" /Group << /S /Transparency /CS /DeviceRGB /I true >>")
        return f"q /{key} gs /{name} Do Q"

    def coat(self, body: str) -> str:
        """Operators after which the colour is what it was before."""
        return f"q {body} Q"

    def titled(self, node: Node, body: str) -> str:
        """Paint the body, faint if the node is; paper has no titles and nothing to switch on."""
        if node.hidden:
            return ""
        if node.opacity == 1:
            return body
        state = f"opacity{round(node.opacity * 1000)}"
        self.states[state] = f"<< /ca {node.opacity:.3g} >>"
        return self.masked(state, body)

    def _form(self, name: str, content: str, *, group: str = "") -> int:
        head = (
            f"/Type /XObject /Subtype /Form /BBox {self._box}"
            f" /Resources {self.resources} 0 R{group}"
        )
        self.forms[name] = self.document.stream(head, content)
        return self.forms[name]

    def form(self, x_mm: float, y_mm: float, scale: float) -> tuple[int, str]:
        """Make the scene a form object, and give the operators that put it on the page."""
        scene = self.scene
        x0, y0, x1, _ = scene.frame
        body = self.nodes(scene.nodes)
        for k, shape in enumerate(self.symbols.contours):
            self._symbol(k, shape)
        unit = scale * POINTS_PER_MM / 1000
        sign, left = (-1.0, x1) if scene.mirrored else (1.0, -x0)
        move = ((left * scale + x_mm) * POINTS_PER_MM, (y_mm - y0 * scale) * POINTS_PER_MM)
        matrix = " ".join(format_number(v, digits=9) for v in (sign * unit, 0.0, 0.0, unit, *move))
        whole = self._form("whole", body)
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
    placed = [PdfWriter(document, p.scene).form(p.x_mm, p.y_mm, p.scale) for p in sheet.placed]
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
    """Join the titles of the pages, with the name of the board once."""
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
