"""Scenes as pixels, and PNG files that know their physical size.

Almost every pixel is wholly in or out of every stencil: it takes its colour from a table with one
entry for each combination.  Only the few on an edge are mixed one by one, by the same rule.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats
from fabkit.base.errors import UsageError
from fabkit.pictures.coverage import Bytes, Canvas, Grid, grid_for
from fabkit.pictures.options import MAX_PIXELS
from fabkit.pictures.scene import Coat, Node, Scene, Sheet, named_stencils

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


def paint(scene: Scene, px_per_mm: float) -> Bytes:
    """Paint a scene.

    Returns
    -------
    (rows, columns, 4) uint8: red, green, blue, alpha (not multiplied), row 0 on top.
    """
    grid = grid_of(scene, px_per_mm)
    band = max(BAND_BYTES // (4 * grid.columns), 16)
    canvas = Canvas(grid, band)
    passes = [(nodes, named_stencils(nodes)) for nodes in _passes(scene.nodes)]
    prepared = {name: canvas.prepare(scene.stencils[name]) for name in named_stencils(scene.nodes)}
    words = np.zeros((grid.rows, grid.columns), dtype=np.uint32)
    for top in range(0, grid.rows, band):
        rows = min(band, grid.rows - top)
        covers = {name: canvas.cover(each, top, rows) for name, each in prepared.items()}
        below = words[top : top + rows].ravel()
        for k, (nodes, names) in enumerate(passes):
            mine = {name: covers[name] for name in names}
            if k == 0:
                _paint_band(nodes, mine, below)
            else:
                above = np.empty_like(below)
                _paint_band(nodes, mine, above)
                _lay_over(below.view(np.uint8).reshape(-1, 4), above.view(np.uint8).reshape(-1, 4))
    return words.view(np.uint8).reshape(grid.rows, grid.columns, 4)


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


def paint_stencil(scene: Scene, name: str, px_per_mm: float) -> Bytes:
    """Coverage of one stencil over the whole scene, (rows, columns) uint8."""
    grid = grid_of(scene, px_per_mm)
    canvas = Canvas(grid, grid.rows)
    covered = canvas.cover(canvas.prepare(scene.stencils[name]), 0, grid.rows)
    if isinstance(covered, int):
        return np.full((grid.rows, grid.columns), covered, dtype=np.uint8)
    return covered


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
