"""Pictures of both faces as files."""

from __future__ import annotations

from collections.abc import Sequence

from fabkit.board.model import Board
from fabkit.pictures.options import Finish, MaskColour, PreviewOptions
from fabkit.sheets.house import House

NAMES = {
    "png": ("front.png", "back.png"),
    "svg": ("front.svg", "back.svg"),
    "pdf": ("board.pdf",),
}
"""Files by format."""


def picture_names(formats: Sequence[str]) -> tuple[str, ...]:
    """Files that :func:`picture_files` gives."""
    return tuple(name for kind, names in NAMES.items() if kind in formats for name in names)


def picture_files(
    board: Board, options: PreviewOptions, *, formats: Sequence[str] = ("png",)
) -> dict[str, bytes]:
    """Draw both faces in each format, by file name; see ``NAMES``."""
    files: dict[str, bytes] = {}
    if "png" in formats:
        from fabkit.pictures.finished import render_faces
        from fabkit.pictures.paint_png import png_bytes

        faces = render_faces(board, options)
        files["front.png"] = png_bytes(faces.front, faces.px_per_mm)
        files["back.png"] = png_bytes(faces.back, faces.px_per_mm)
    if "svg" in formats:
        from fabkit.pictures.finished import render_svg

        files["front.svg"] = render_svg(board, "top", options).encode()
        files["back.svg"] = render_svg(board, "bottom", options).encode()
    if "pdf" in formats:
        from fabkit.pictures.finished import render_pdf

        files["board.pdf"] = render_pdf(board, options)
    return files


def look_of(
    house: House, *, colour: str, finish: str, thickness_mm: float | None
) -> PreviewOptions:
    """Picture options nearest to what is ordered: a sheet may name more than eyes tell apart."""
    sheet = house.options.finishes.get(finish)
    return PreviewOptions(
        mask=MaskColour.of(colour) or MaskColour.GREEN,
        finish=Finish.of(f"{finish} {sheet.title if sheet else ''}") or Finish.TIN,
        thickness_mm=thickness_mm,
    )
