"""Small ways to write and judge layers in tests."""

from __future__ import annotations

from collections import Counter

import pytest
import shapely

from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.gerber.reader import read
from fabkit.formats.gerber.writer import write_gerber

FINE_MM = 1e-6
"""Chord error at which areas are compared with closed forms."""


def layer(body: str, *, decimals: int = 6, unit: str = "MM", start: str = "G75*\nG01*\n") -> bytes:
    """A whole file around ``body``."""
    form = f"4{decimals}"
    return f"%FSLAX{form}Y{form}*%\n%MO{unit}*%\n{start}{body}\nM02*\n".encode()


def read_layer(body: str, **options: str | int) -> GerberFile:
    """Read ``body`` as a whole file."""
    return read(layer(body, **options), name="layer.gbr")  # type: ignore[arg-type]


def ids(file: GerberFile) -> set[str]:
    """Ids of all problems."""
    return {p.id for p in file.problems}


def xy(x: float, y: float, *, decimals: int = 6) -> str:
    """``X..Y..`` of a point in file units."""
    scale = 10**decimals
    return f"X{round(x * scale)}Y{round(y * scale)}"


def path(points: list[tuple[float, float]], *, decimals: int = 6) -> str:
    """A move to the first point and draws to the others."""
    words = [f"{xy(*points[0], decimals=decimals)}D02*"]
    words += [f"{xy(*p, decimals=decimals)}D01*" for p in points[1:]]
    return "\n".join(words)


def counts(file: GerberFile) -> dict[str, int]:
    """Objects by kind letter (F, D, A, R), clear ones with ``-c`` behind it."""
    letters = {Kind.FLASH: "F", Kind.DRAW: "D", Kind.ARC: "A", Kind.REGION: "R"}
    found = Counter(
        letters[Kind(kind)] + ("" if dark else "-c")
        for kind, dark in zip(file.objects.kind.tolist(), file.objects.dark.tolist(), strict=True)
    )
    return dict(found)


def expect(
    file: GerberFile,
    *,
    area: float | None = None,
    box: tuple[float, float, float, float] | None = None,
    pieces: int | None = None,
    holes: int | None = None,
    box_error: float = 1e-6,
    written: bool = False,
) -> None:
    """Compare area (relative 1e-6), box, pieces and holes of a layer's image.

    What is published of a file also holds of the same file as fabkit writes it.
    """
    if not written:
        again = read(write_gerber(file), name="written.gbr")
        expect(again, area=area, box=box, pieces=pieces, holes=holes, box_error=box_error,
               written=True)  # fmt: skip
    image = file.image_at(FINE_MM)
    if area is not None:
        assert image.area == pytest.approx(area, rel=1e-6, abs=2e-9)
    if box is not None:
        assert file.bounds == pytest.approx(box, abs=box_error)
    parts = shapely.get_parts(image)
    if pieces is not None:
        assert len(parts) == pieces
    if holes is not None:
        assert sum(len(p.interiors) for p in parts) == holes
