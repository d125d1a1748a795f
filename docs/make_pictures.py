"""Paints the pictures that README and docs show, all of the invented demo board.

Run ``python docs/make_pictures.py`` after the demo or the look of a picture changed.
"""

from __future__ import annotations

from pathlib import Path

import fabkit
from fabkit.board.copper import trace_copper
from fabkit.outputs.atomic import write_file
from fabkit.outputs.drawings import SheetChoice, build_sheet
from fabkit.pictures.changes import change_sheet
from fabkit.pictures.drill_map import drill_sheet
from fabkit.pictures.finished import render_faces
from fabkit.pictures.looks import PreviewOptions
from fabkit.pictures.paint_png import paint_sheet, png_bytes
from fabkit.pictures.paper import halves_of, paper_sheets
from fabkit.pictures.scene import Scene, Sheet, sheet_of
from fabkit.pictures.sheets import halves_sheet, islands_sheet, lit_sheet, measured_face
from fabkit.pictures.wiring_sheet import wiring_sheet

ROOT = Path(__file__).parents[1]
OUT = ROOT / "docs" / "pictures"
PX_PER_MM = 8.0


def main() -> None:
    """Write every picture."""
    board = fabkit.build_board(fabkit.open_package(ROOT / "fabkit" / "demo" / "rev-b"))
    faces = render_faces(board, PreviewOptions(px_per_mm=PX_PER_MM))
    pictures = {"front": (faces.front, PX_PER_MM), "back": (faces.back, PX_PER_MM)}
    copper = trace_copper(board)
    ground = [k for k, name in enumerate(copper.nets) if name == "GND"]
    lit = {int(island) for island, net in copper.island_nets if net in ground}
    before = fabkit.build_board(fabkit.open_package(ROOT / "fabkit" / "demo" / "rev-a"))
    sheets: dict[str, Scene | Sheet] = {
        "changes": change_sheet(fabkit.compare_boards(before, board)),
        "halves": halves_sheet(board),
        "measures": measured_face(board, "top"),
        "drill-map": drill_sheet(board),
        "islands": islands_sheet(board, copper.pieces),
        "findings": build_sheet(before, SheetChoice(kind="findings"), result=fabkit.check(before)),
        "net": lit_sheet(board, copper.pieces, lit, "net GND"),
        "wiring": wiring_sheet([board], fabkit.list_wiring(board)),
        "paper": paper_sheets(halves_of(board))[0],
    }
    for name, picture in sheets.items():
        scale = PX_PER_MM / 2 if name == "paper" else PX_PER_MM * 0.75
        pictures[name] = (paint_sheet(sheet_of(picture), scale), scale)
    for name, (pixels, scale) in pictures.items():
        write_file(OUT / f"{name}.png", png_bytes(pixels, scale), replace=True)


if __name__ == "__main__":
    main()
