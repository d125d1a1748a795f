"""Whole checks of a keyboard with large pours, as ratios measured in one run (run it by name)."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely

import fabkit
from fabkit.demo import FOLDER
from fabkit.geometry.segments import Segments

POUR, DRAWING = 50_000, 20_000


def region(points: np.ndarray) -> str:
    """A closed contour of straight lines, from (n, 2) points in mm."""
    steps = [f"X{x}Y{y}" for x, y in np.rint(points * 1e6).astype(int).tolist()]
    return f"G36*\n{steps[0]}D02*\n" + "D01*\n".join((*steps[1:], steps[0])) + "D01*\nG37*\n"


def pour(corners: int, seed: int) -> str:
    """Copper in fingers with rough flanks, joined at one end."""
    rough = np.random.default_rng(seed)
    fingers = 100
    along = np.tile(np.linspace(20, 80, corners // (2 * fingers)), (2 * fingers, 1))
    along[1::2] = along[1::2, ::-1]
    across = 5 + 1.1 * (np.arange(2 * fingers) // 2) + 0.7 * (np.arange(2 * fingers) % 2)
    flank = across[:, None] + rough.uniform(-0.02, 0.02, along.shape)
    back = np.array([[flank[-1, -1], 18.0], [flank[0, 0], 18.0]])
    # The fingers hang together below their beginnings.
    return region(np.vstack((np.column_stack((flank.ravel(), along.ravel())), back)))


def keyboard(folder: Path) -> Path:
    """The demonstration board with two pours, and a drawing in copper on the back."""
    folder.mkdir()
    turn = np.linspace(0, 2 * np.pi, DRAWING, endpoint=False)
    radius = 3 + 0.4 * np.sin(200 * turn)
    star = np.column_stack((np.cos(turn), np.sin(turn))) * radius[:, None] + (60, 10)
    added = {"copper-top": pour(POUR, 1), "copper-bottom": pour(POUR, 2) + region(star)}
    for file in (FOLDER / "rev-b").iterdir():
        text = file.read_text()
        more = next((words for name, words in added.items() if name in file.name), "")
        (folder / file.name).write_text(text.replace("M02*", f"%TD*%\n{more}M02*"))
    return folder


def seconds(work: Callable[[], object]) -> float:
    """Processor time of a run."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def test_a_keyboard_with_large_pours(tmp_path: Path) -> None:
    """Its check takes no more than some times what uniting as many plain shapes takes."""
    folder = keyboard(tmp_path / "poured")
    fabkit.check(fabkit.build_board(fabkit.open_package("demo")))  # loads what is loaded once

    def whole() -> None:
        assert fabkit.check(fabkit.build_board(fabkit.open_package(folder)))

    at = np.stack(np.divmod(np.arange(20_000), 141), axis=1) * 0.5
    capsules = Segments.straight(at, at + 0.4).drawn(np.full(len(at), 0.25))
    unit, took = seconds(lambda: shapely.union_all(capsules)), seconds(whole)
    print(f"check {took:.1f} s, union {unit:.1f} s, ratio {took / unit:.1f}", file=sys.stderr)
    assert took < 5 * unit
