"""The section that shows what changed, with a wipe between the old face and the new one."""

from __future__ import annotations

import base64
from dataclasses import replace
from typing import Final

import shapely

from fabkit.base.tables import Record
from fabkit.compare.model import Comparison
from fabkit.outputs.comparison import (
    areas_of,
    changes_of,
    closing,
    cost_lines,
    finding_lines,
    layer_table,
    place_words,
    sections,
)
from fabkit.outputs.report.board_view import VECTOR_LIMIT, is_light, pixels_uri
from fabkit.outputs.report.shell import render_page
from fabkit.package.model import face_word
from fabkit.pictures.changes import change_scenes, frame_of, picture_key
from fabkit.pictures.finished import SIDES, finished_face
from fabkit.pictures.options import USUAL_LOOK, PreviewOptions, Surroundings
from fabkit.pictures.paint_svg import picture_svg
from fabkit.pictures.scene import Scene

MOST_POINTS: Final = 60_000
"""Corners of all areas that changed up to which their drawing is tried as vectors."""

PICTURE_PX: Final = 2000
"""Longest side of each of six pictures that are put into the page as pixels."""

MOST_PLACES: Final = 60
"""Places listed of each layer; the JSON has all."""


def compare_section(
    comparison: Comparison, record: Record, look: PreviewOptions = USUAL_LOOK
) -> Record:
    """Everything the section's template asks for.

    Parameters
    ----------
    record
        As made by :func:`fabkit.outputs.comparison.compare_record`.
    look
        Colours of the finished board.
    """
    return {
        "old": record["old"]["name"],
        "new": record["new"]["name"],
        "closing": closing(record),
        "alignment": record["alignment"]["text"],
        "summary": record["summary"],
        "not_compared": record["not_compared"],
        "faces": _faces(comparison, look) if record["comparable"] else [],
        "key": picture_key(comparison),
        "changes": list(sections(changes_of(record), full=False)),
        "layers": layer_table(record),
        "places": _places(record),
        "findings": None if record["findings"] is None else list(finding_lines(record["findings"])),
        "costs": None if record["costs"] is None else list(cost_lines(record["costs"])),
        "expectations": record["expectations"],
        "tone": "good" if _fine(record) else "decide",
    }


def _fine(record: Record) -> bool:
    said = record["expectations"]
    return bool(record["equal"] if said is None else said["met"])


def _places(record: Record) -> list[Record]:
    """List the largest places of each layer, as rows."""
    made = []
    for layer in record["layers"]:
        mine = areas_of(record, layer["name"])
        if mine:
            rows = [
                {"where": place_words(c), "what": c["message"].removeprefix(f"{c['subject']}: ")}
                for c in mine[:MOST_PLACES]
            ]
            made.append({"name": layer["name"], "rows": rows, "more": len(mine) - len(rows)})
    return made


def _faces(comparison: Comparison, look: PreviewOptions) -> list[Record]:
    """Old, new and changes of each face, all in one frame."""
    options = replace(look, surroundings=Surroundings.LIGHT)
    x0, y0, x1, y1 = frame_of(comparison)
    dx, dy = comparison.alignment.shift_mm
    frames = (x0 - dx, y0 - dy, x1 - dx, y1 - dy), (x0, y0, x1, y1)
    made = []
    points = sum(
        int(shapely.get_num_coordinates(shapes).sum())
        for layer in comparison.layers
        for shapes in (layer.added, layer.removed)
    )
    light = is_light(comparison.new) and points <= MOST_POINTS
    for side in SIDES:
        old, new = (
            replace(finished_face(board, side, options), frame=frame)
            for board, frame in zip((comparison.laid, comparison.new), frames, strict=True)
        )
        made.append(
            {
                "name": face_word(side).capitalize(),
                "before": _image(old, light=is_light(comparison.old)),
                "after": _image(new, light=is_light(comparison.new)),
                "changes": _image(change_scenes(comparison)[side], light=light),
            }
        )
    return made


def _image(scene: Scene, *, light: bool) -> str:
    """Draw a scene as data URI: vectors where they are light enough, otherwise pixels."""
    if light:
        text = picture_svg(scene)
        if len(text) <= VECTOR_LIMIT:
            return "data:image/svg+xml;base64," + base64.b64encode(text.encode()).decode()
    return pixels_uri(scene, PICTURE_PX)


def render_comparison_page(comparison: Comparison, record: Record) -> str:
    """Write the comparison as one HTML page that needs nothing else."""
    return render_page(
        "compare.html.j2",
        ("wipe.js", "compare.js"),
        compared=compare_section(comparison, record),
    )
