"""Pictures of what changed, as files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from fabkit.compare.model import Comparison
from fabkit.pictures.changes import change_scene, change_sheet
from fabkit.pictures.paint_png import paint_sheet, png_bytes
from fabkit.pictures.paint_svg import picture_svg
from fabkit.pictures.scene import Scene, Sheet, sheet_of
from fabkit.pictures.sheets import SIDES

PX_PER_MM: Final = 16.0
MOST_PX: Final = 6000
"""Longest side of a pixel picture; larger boards get a smaller scale."""

STEMS: Final = ("changes", "changes-front", "changes-back")
FORMATS: Final = ("png", "svg")


def picture_names(formats: Sequence[str] = FORMATS) -> tuple[str, ...]:
    """Files that :func:`change_files` gives."""
    return tuple(f"{stem}.{kind}" for stem in STEMS for kind in formats)


def change_files(comparison: Comparison, formats: Sequence[str] = FORMATS) -> dict[str, bytes]:
    """Draw each face, and all in one sheet with inner layers, by file name."""
    faces = {side: change_scene(comparison, side) for side in SIDES}
    pictures: dict[str, Scene | Sheet] = {
        "changes": change_sheet(comparison, faces),
        "changes-front": faces["top"],
        "changes-back": faces["bottom"],
    }
    files = {}
    for stem, picture in pictures.items():
        for kind in formats:
            files[f"{stem}.{kind}"] = _drawn(picture, kind)
    return files


def _drawn(picture: Scene | Sheet, kind: str) -> bytes:
    if kind == "svg":
        return picture_svg(picture).encode()
    sheet = sheet_of(picture)
    scale = min(PX_PER_MM, MOST_PX / max(sheet.width_mm, sheet.height_mm))
    return png_bytes(paint_sheet(sheet, scale), scale)
