"""Measure how well halves are laid on panels: ``python tests/bench/panels.py PACKAGE...``.

For each package the two largest boards of it (or one board twice) are laid beside each other; the
area of the panel is given against the arrangement by boxes and against the sum of the outlines.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import shapely

import fabkit
from fabkit.panels.nesting import lay_boxes, nest

GAP_MM = 2.0


def pair_of(package):
    """Outlines of two halves: those of a panel or of separate boards, or one board twice."""
    board = fabkit.build_board(fabkit.open_package(package))
    parts = board.panel.boards if board.panel is not None else shapely.get_parts(board.profile)
    solid = sorted((shapely.Polygon(p.exterior) for p in parts), key=lambda p: -p.area)
    return [solid[0], solid[0 if len(solid) == 1 else 1]]


def main(packages):
    print("| package | boards, mm2 | panel, mm2 | use | by boxes | saved | s |")
    print("|---|---:|---:|---:|---:|---:|---:|")
    for package in packages:
        halves = pair_of(Path(package))
        start = time.process_time()
        laid = nest(halves, gap_mm=GAP_MM, cost=lambda w, h: w * h)
        seconds = time.process_time() - start
        boxes = lay_boxes(halves, gap_mm=GAP_MM, cost=lambda w, h: w * h)
        assert shapely.distance(*laid.outlines) >= GAP_MM - 1e-6
        alone = sum(half.area for half in halves)
        print(
            f"| {package} | {alone:.0f} | {laid.cost:.0f} | {alone / laid.cost:.1%}"
            f" | {alone / boxes.cost:.1%} | {1 - laid.cost / boxes.cost:.1%} | {seconds:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
