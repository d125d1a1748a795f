"""Scenes as pixels, painted in bands of rows, and PNG files that know their physical size.

All shapes of one polarity go to the rasteriser as one compound path, filled by non-zero winding:
exteriors run one way, holes the other, so overlaps and abutting edges add up to exactly the union
without a geometric union, and without seams.  The rasteriser is matplotlib's Agg: exact area
coverage in 256 steps on a 1/256 pixel grid.

Almost every pixel is wholly in or out of every stencil: it takes its colour from a table with one
entry for each combination.  Only the few on an edge are mixed one by one, by the same rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.base.errors import UsageError
from fabkit.pictures.looks import MAX_PIXELS
from fabkit.pictures.scene import Coat, Frame, Node, Scene, Sheet, Stencil, named_stencils
from fabkit.pictures.vectors import Rings, joined, part_rings

if TYPE_CHECKING:
    from PIL.Image import Image

Bytes = NDArray[np.uint8]

CHORD_ERROR_PX = 0.08
"""Chords may leave their arc by this share of a pixel.

The area under an arc is kept (``fabkit.geometry.segments``), so coverage is off by at most this
share in a pixel and by nothing on the whole.
"""


@dataclass(frozen=True, eq=False)
class Grid:
    """Pixels over a frame.

    Row 0 is the top (largest y); column 0 is the smallest x, or the largest when mirrored.
    """

    left: float
    """Board x of the left edge of the picture, mm."""
    bottom: float
    """Board y of the bottom edge of the picture, mm."""
    px_per_mm: float
    columns: int
    rows: int
    mirrored: bool

    def to_pixels(self, points: Floats) -> Floats:
        """Board mm to pixels, y upwards from the bottom edge."""
        out = np.empty_like(points)
        sign = -1.0 if self.mirrored else 1.0
        out[:, 0] = (points[:, 0] - self.left) * (sign * self.px_per_mm)
        out[:, 1] = (points[:, 1] - self.bottom) * self.px_per_mm
        return out


def grid_for(frame: Frame, px_per_mm: float, *, mirrored: bool) -> Grid:
    """Smallest whole-pixel grid over a frame, the frame's centre in its centre."""
    x0, y0, x1, y1 = frame
    # A side of whole pixels must not gain one by the rounding of its last digit.
    columns = max(int(np.ceil((x1 - x0) * px_per_mm - 1e-6)), 1)
    rows = max(int(np.ceil((y1 - y0) * px_per_mm - 1e-6)), 1)
    half = columns / px_per_mm / 2
    middle = (x0 + x1) / 2
    return Grid(
        left=middle + half if mirrored else middle - half,
        bottom=(y0 + y1) / 2 - rows / px_per_mm / 2,
        px_per_mm=px_per_mm,
        columns=columns,
        rows=rows,
        mirrored=mirrored,
    )


class Canvas:
    """Paints stencils band by band on one buffer."""

    def __init__(self, grid: Grid, band_rows: int) -> None:
        from matplotlib.backends.backend_agg import RendererAgg

        self.grid = grid
        self.band_rows = min(band_rows, grid.rows)
        make: Any = RendererAgg
        self._renderer = make(grid.columns, self.band_rows, 72)
        self._pixels = np.asarray(self._renderer.buffer_rgba())
        # Little-endian whatever the machine, so that red is the low byte of a word.
        self._words = self._pixels.view("<u4")[..., 0]
        self._gc = self._renderer.new_gc()
        self._gc.set_linewidth(0)
        # Snapping would move edges to whole pixels.
        self._gc.set_snap(False)
        self.chord_error_mm = float(np.clip(CHORD_ERROR_PX / grid.px_per_mm, 0.001, 0.05))

    def prepare(self, stencil: Stencil) -> Prepared:
        """Turn a stencil into rings in pixels, once for all bands."""
        pieces: list[list[Rings]] = []
        for part in stencil.parts:
            runs = [
                Rings.of(self.grid.to_pixels(r.points), r.starts, dark=r.dark, apart=r.apart)
                for r in joined(list(part_rings(part, self.chord_error_mm)))
            ]
            # Parts that only add can share a path; one that erases must not erase the others.
            if pieces and all(r.dark for r in (*runs, *pieces[-1])):
                pieces[-1].extend(runs)
            elif runs:
                pieces.append(runs)
        return Prepared(tuple(tuple(joined(p)) for p in pieces), stencil.inverted)

    def cover(self, prepared: Prepared, top: int, rows: int) -> Bytes | int:
        """Cover rows ``top`` to ``top + rows``.

        Returns
        -------
        (rows, columns) uint8, or a number if the coverage is even.
        """
        out = np.empty((rows, self.grid.columns), dtype=np.uint8)
        touched = False
        for runs in prepared.pieces:
            if not self._paint(runs, top, rows):
                continue
            if touched:
                layer = self._words[:rows].astype(np.uint8)
                # Of two pieces in one pixel it is unknown whether they overlap: they are taken as
                # independent.
                np.subtract(255, _product(255 - out, 255 - layer), out=out)
            else:
                np.copyto(out, self._words[:rows], casting="unsafe")
            touched = True
        if not touched:
            return 255 if prepared.inverted else 0
        if prepared.inverted:
            np.invert(out, out=out)
        return out

    def _paint(self, runs: tuple[Rings, ...], top: int, rows: int) -> bool:
        """Paint runs into the buffer, whose red is then their coverage; False if none is met."""
        from matplotlib.path import Path
        from matplotlib.transforms import Affine2D

        high = self.grid.rows - top
        low = high - rows
        # The buffer's own bottom row stands for row ``top + band_rows - 1``.
        transform = Affine2D().translate(0, self.band_rows - high)
        touched = False
        for run in runs:
            points, starts = run.between(low, high)
            if not len(starts) or not (run.dark or touched):
                continue
            if not touched:
                self._words.fill(0xFF000000)
                touched = True
            codes = np.full(len(points), Path.LINETO, dtype=np.uint8)
            codes[starts] = Path.MOVETO
            path = Path(points, codes)
            # Simplifying drops points, and coverage would no longer be exact.
            path.should_simplify = False
            tone = 1.0 if run.dark else 0.0
            self._renderer.draw_path(self._gc, path, transform, (tone, tone, tone, 1.0))
        return touched


@dataclass(frozen=True, eq=False)
class Prepared:
    """A stencil in pixels: pieces that are united, each a sequence of runs."""

    pieces: tuple[tuple[Rings, ...], ...]
    inverted: bool


def _product(a: Bytes, b: Bytes | int) -> Bytes:
    """Product of coverages, rounded."""
    return ((a.astype(np.uint16) * b + 127) // 255).astype(np.uint8)


# Colours

BAND_BYTES = 3 * 2**20
"""Size of the paint buffer: small enough to stay in the processor's cache."""

MOST_STENCILS = 12
"""Stencils that are looked up together; their combinations double with each."""

Cover = Mapping[str, Floats | float]


def mix(nodes: tuple[Node, ...], cover: Cover, count: int) -> Floats:
    """Lay coats over nothing.

    Parameters
    ----------
    nodes
        Bottom first.
    cover
        For each stencil (count,) coverage from 0 to 1, or a number where it is even.

    Returns
    -------
    (4, count) float64: colour times alpha (0 to 255), alpha (0 to 1).
    """
    below = np.zeros((4, count))
    for node in nodes:
        if node.hidden:
            continue
        share: Floats | float = 1.0
        for name in node.inside:
            share = share * cover[name]
        for name in node.outside:
            share = share * (1 - cover[name])
        if isinstance(node, Coat):
            over = np.multiply.outer((*node.rgb, 1.0), np.broadcast_to(share, count))
        else:
            over = mix(node.children, cover, count)
            over *= share
        over *= node.opacity
        below *= 1 - over[3]
        below += over
    return below


def _to_bytes(mixed: Floats) -> NDArray[np.uint32]:
    """Pixels of mixed colours (4, count), not multiplied by alpha, as (count,) words."""
    alpha = mixed[3]
    out = np.empty((len(alpha), 4), dtype=np.uint8)
    safe = np.where(alpha > 0, alpha, 1.0)
    out[:, :3] = np.rint(np.clip(mixed[:3] / safe, 0, 255)).T
    out[:, 3] = np.rint(np.clip(alpha, 0, 1) * 255)
    words: NDArray[np.uint32] = out.view(np.uint32)[:, 0]
    # Clear pixels have one value, whatever colour was left in them.
    words[out[:, 3] == 0] = 0
    return words


def _paint_band(
    nodes: tuple[Node, ...], covers: Mapping[str, Bytes | int], out: NDArray[np.uint32]
) -> None:
    """Paint the pixels of one band into ``out``, (rows x columns,) words."""
    even = {n: c / 255 for n, c in covers.items() if isinstance(c, int)}
    uneven = {n: c.ravel() for n, c in covers.items() if not isinstance(c, int)}
    combinations = np.arange(1 << len(uneven))
    table_cover: dict[str, Floats | float] = {**even}
    code: NDArray[np.unsignedinteger] = np.zeros(
        len(out), dtype=np.uint8 if len(uneven) <= 8 else np.uint16
    )
    edge = np.zeros(len(out), dtype=np.uint8)
    for k, (name, cover) in enumerate(uneven.items()):
        table_cover[name] = ((combinations >> k) & 1).astype(np.float64)
        # As signed numbers 255 is -1 and has every bit; what lies between is painted over below.
        code |= cover.view(np.int8).astype(code.dtype, copy=False) & code.dtype.type(1 << k)
        edge |= cover + np.uint8(1)  # wraps: 255 becomes 0, 0 becomes 1
    table = _to_bytes(mix(nodes, table_cover, len(combinations)))
    table.take(code, out=out, mode="clip")
    at = np.flatnonzero(edge > 1)
    if len(at):
        mixed = {n: c[at] / 255 for n, c in uneven.items()}
        out[at] = _to_bytes(mix(nodes, {**even, **mixed}, len(at)))


def grid_of(scene: Scene, px_per_mm: float) -> Grid:
    """Pixels of a scene.

    Raises
    ------
    UsageError
        When the picture would be larger than :data:`MAX_PIXELS`.
    """
    grid = grid_for(scene.frame, px_per_mm, mirrored=scene.mirrored)
    if max(grid.columns, grid.rows) > MAX_PIXELS:
        largest = MAX_PIXELS / max(scene.size_mm)
        raise UsageError(
            f"the picture would be {grid.columns} by {grid.rows} px; the limit is {MAX_PIXELS}",
            hint=f"choose at most {largest:.3g} pixels per mm for this board",
        )
    return grid


def _passes(nodes: tuple[Node, ...]) -> list[tuple[Node, ...]]:
    """Nodes in runs of at most :data:`MOST_STENCILS` stencils, bottom first."""
    runs: list[tuple[Node, ...]] = []
    for node in nodes:
        longer = (*runs[-1], node) if runs else (node,)
        if runs and len(named_stencils(longer)) <= MOST_STENCILS:
            runs[-1] = longer
        else:
            runs.append((node,))
    return runs


def _bands(
    scene: Scene, names: Iterable[str], grid: Grid
) -> Iterator[tuple[slice, dict[str, Bytes | int]]]:
    """Cover a scene's stencils band by band: its rows, and the coverage of each stencil there."""
    band = max(BAND_BYTES // (4 * grid.columns), 16)
    canvas = Canvas(grid, band)
    prepared = {name: canvas.prepare(scene.stencils[name]) for name in names}
    for top in range(0, grid.rows, band):
        rows = min(band, grid.rows - top)
        covers = {name: canvas.cover(each, top, rows) for name, each in prepared.items()}
        yield slice(top, top + rows), covers


def paint(scene: Scene, px_per_mm: float) -> Bytes:
    """Paint a scene.

    Returns
    -------
    (rows, columns, 4) uint8: red, green, blue, alpha (not multiplied), row 0 on top.
    """
    grid = grid_of(scene, px_per_mm)
    passes = [(nodes, named_stencils(nodes)) for nodes in _passes(scene.nodes)]
    words = np.zeros((grid.rows, grid.columns), dtype=np.uint32)
    for rows, covers in _bands(scene, named_stencils(scene.nodes), grid):
        below = words[rows].ravel()
        for k, (nodes, names) in enumerate(passes):
            mine = {name: covers[name] for name in names}
            if k == 0:
                _paint_band(nodes, mine, below)
            else:
                above = np.empty_like(below)
                _paint_band(nodes, mine, above)
                _lay_over(below.view(np.uint8).reshape(-1, 4), above.view(np.uint8).reshape(-1, 4))
    return words.view(np.uint8).reshape(grid.rows, grid.columns, 4)


def paint_apart(scene: Scene, coats: Sequence[Coat], px_per_mm: float) -> list[Bytes]:
    """Cover each coat's place alone, whatever lies over it; opacity is left out.

    Returns
    -------
    For each coat (rows, columns) uint8 coverage, row 0 on top.
    """
    grid = grid_of(scene, px_per_mm)
    laid = [np.full((grid.rows, grid.columns), 255, dtype=np.uint8) for _ in coats]
    for rows, covers in _bands(scene, named_stencils(tuple(coats)), grid):
        for coat, out in zip(coats, laid, strict=True):
            for name in coat.inside:
                out[rows] = _product(out[rows], covers[name])
            for name in coat.outside:
                out[rows] = _product(out[rows], 255 - covers[name])
    return laid


def paint_sheet(
    sheet: Sheet, px_per_mm: float, painter: Callable[[Scene, float], Bytes] = paint
) -> Bytes:
    """Paint scenes in their places, (rows, columns, 4) uint8.

    Places are rounded to whole pixels, so a scene looks the same alone and on a sheet: where both
    are wanted, ``painter`` may give what was painted before.

    Raises
    ------
    UsageError
        When the picture would be larger than :data:`MAX_PIXELS`.
    """
    frame = (0.0, 0.0, sheet.width_mm, sheet.height_mm)
    whole = grid_of(Scene(sheet.title, frame, False, {}, ()), px_per_mm)
    out = np.zeros((whole.rows, whole.columns, 4), dtype=np.uint8)
    for item in sheet.placed:
        picture = painter(item.scene, px_per_mm * item.scale)
        bottom = whole.rows - round(item.y_mm * px_per_mm)
        left = round(item.x_mm * px_per_mm)
        top = bottom - picture.shape[0]
        part = picture[max(-top, 0) :, max(-left, 0) :]
        target = out[max(top, 0) : max(bottom, 0), max(left, 0) :]
        rows = min(part.shape[0], target.shape[0])
        columns = min(part.shape[1], target.shape[1])
        _lay_over(target[:rows, :columns], part[:rows, :columns])
    return out


def _lay_over(below: Bytes, above: Bytes) -> None:
    """Lay one picture over another in place."""
    if bool((above[..., 3] == 255).all()):
        below[...] = above
        return
    whole = above[..., 3] == 255
    below[whole] = above[whole]
    partly = np.nonzero((above[..., 3] > 0) & ~whole)
    a, b = above[partly].T / 255, below[partly].T / 255
    rest = b[3] * (1 - a[3])
    mixed = np.concatenate((255 * (a[:3] * a[3] + b[:3] * rest), [a[3] + rest]))
    below[partly] = _to_bytes(mixed).view(np.uint8).reshape(-1, 4)


COMPRESSION: Final = 6
"""Of 1 to 9.  Measured on two dense boards: 0.1 s a face against 0.8 s at 9, which would save an
eighth of the bytes."""


def png_uri(image: Image, **options: bytes | int) -> str:
    """PNG of a picture as data URI; ``options`` as its library saves it."""
    from base64 import b64encode
    from io import BytesIO

    out = BytesIO()
    image.save(out, "PNG", compress_level=COMPRESSION, **options)
    return "data:image/png;base64," + b64encode(out.getvalue()).decode()


def png_bytes(rgba: NDArray[np.uint8], px_per_mm: float) -> bytes:
    """PNG with its physical resolution (pHYs, ISO/IEC 15948:2004, 11.3.5.3), without a date."""
    from io import BytesIO

    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(rgba, dtype=np.uint8))
    # Without clear pixels a quarter of the bytes would say nothing.
    if image.mode == "RGBA" and bool((rgba[..., 3] == 255).all()):
        image = image.convert("RGB")
    buffer = BytesIO()
    per_inch = px_per_mm * 25.4
    image.save(buffer, format="PNG", dpi=(per_inch, per_inch), compress_level=3)
    return buffer.getvalue()
