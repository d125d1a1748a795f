"""Painting against a bare fill of the same polygons, in one run.

Run with ``python tests/bench/painting.py [PACKAGE] [PX_PER_MM]``; the demo at 40 px/mm when
nothing is named.  Times are processor times, so that other work on the machine does not count.

The ratio to hard edges compares unlike things: Pillow decides one point a pixel, in 8 bits, and
paints a hole over whatever lies in it; ours covers by exact area in 32-bit pixels, counts overlaps
once and abutting edges without a seam.  Of our time about half is the rasteriser itself; the rest
clears the buffer and takes the coverage out of it, band by band.  The ratio to 16 samples a pixel
compares what a picture needs.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np
import shapely
from PIL import Image, ImageDraw

import fabkit
from fabkit.board.model import Board
from fabkit.formats.gerber.model import object_shapes
from fabkit.package.model import RoleKind
from fabkit.pictures.finished import finished_face, render_faces
from fabkit.pictures.looks import PreviewOptions
from fabkit.pictures.paint_png import BAND_BYTES, Canvas, grid_of
from fabkit.pictures.vectors import polygon_rings

DEMO = Path(__file__).parents[2] / "fabkit" / "demo" / "rev-b"
FACES = tuple(
    (side, kind)
    for kind in (RoleKind.COPPER, RoleKind.MASK, RoleKind.LEGEND)
    for side in ("top", "bottom")
)
TURNS = 5
NAMES = {RoleKind.COPPER: "copper", RoleKind.MASK: "openings", RoleKind.LEGEND: "legend"}


def clock() -> float:
    """Processor time, s."""
    return time.process_time()


def fill_with_pillow(board: Board, px_per_mm: float, *, samples: int = 1) -> float:
    """Fill every ring of every outer layer with Pillow; time of the fills.

    Pillow's polygons have hard edges; ``samples`` by ``samples`` of its pixels make a soft one.
    """
    spent = 0.0
    for side, kind in FACES:
        layer = board.layer(kind, side)
        if layer is None:
            continue
        scene = finished_face(board, side, PreviewOptions())
        grid = grid_of(scene, px_per_mm)
        shapes = object_shapes(layer.file, chord_error_mm=0.002)
        points, starts = polygon_rings(shapes)
        points = grid.to_pixels(points)
        points[:, 1] = grid.rows - points[:, 1]
        points *= samples
        rings = [r.ravel().tolist() for r in np.split(points, starts[1:-1])]
        outer = [shapely.LinearRing(r).is_ccw for r in np.split(points, starts[1:-1])]
        begin = clock()
        image = Image.new("L", (grid.columns * samples, grid.rows * samples))
        draw = ImageDraw.Draw(image)
        for ring, is_hole in zip(rings, outer, strict=True):
            draw.polygon(ring, fill=0 if is_hole else 255)
        if samples > 1:
            image.reduce(samples)
        spent += clock() - begin
    return spent


def cover_with_ours(board: Board, px_per_mm: float) -> float:
    """Cover the same layers, smooth and exact; time of the fills, from polygons in pixels on."""
    spent = 0.0
    canvases: dict[str, Canvas] = {}
    for side, kind in FACES:
        if board.layer(kind, side) is None:
            continue
        scene = finished_face(board, side, PreviewOptions())
        grid = grid_of(scene, px_per_mm)
        rows = max(BAND_BYTES // (4 * grid.columns), 16)
        # One canvas a face, as the painter has it.
        if side not in canvases:
            canvases[side] = Canvas(grid, rows)
        canvas = canvases[side]
        prepared = canvas.prepare(scene.stencils[NAMES[kind]])
        begin = clock()
        out = np.zeros((grid.rows, grid.columns), dtype=np.uint8)
        for top in range(0, grid.rows, canvas.band_rows):
            rows = min(canvas.band_rows, grid.rows - top)
            out[top : top + rows] = canvas.cover(prepared, top, rows)
        spent += clock() - begin
    return spent


def main() -> None:
    """Print the figures."""
    source = Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO
    scale = float(sys.argv[2]) if len(sys.argv) > 2 else 40.0
    begin = clock()
    board = fabkit.build_board(fabkit.open_package(source))
    print(f"read and build: {clock() - begin:.2f} s")
    render_faces(board, PreviewOptions(px_per_mm=2))  # imports, fonts
    begin = clock()
    faces = render_faces(board, PreviewOptions(px_per_mm=scale))
    pixels = faces.front.size // 4 * 2
    print(f"both faces at {scale:g} px/mm, {pixels / 1e6:.1f} Mpx: {clock() - begin:.2f} s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory: {peak:.0f} MiB")
    # The best of several, in turns: other work on the machine disturbs the caches of both.
    turns = [(cover_with_ours(board, scale), fill_with_pillow(board, scale)) for _ in range(TURNS)]
    ours, pillow = (min(times) for times in zip(*turns, strict=True))
    print(f"six layers covered: {ours:.2f} s; bare Pillow fill, hard edges: {pillow:.2f} s")
    print(f"ratio to hard edges (goal at most 2): {ours / pillow:.2f}")
    soft = fill_with_pillow(board, scale, samples=4)
    print(f"Pillow fill with 16 samples a pixel: {soft:.2f} s, ratio {ours / soft:.2f}")


if __name__ == "__main__":
    main()
