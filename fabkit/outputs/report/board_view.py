"""Boards as a page shows them: faces, what lies where, findings, pins; an old one and a new one."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import shapely

from fabkit.base.columns import gather
from fabkit.base.tables import Record, Table, columns_of
from fabkit.base.units import format_mm, format_number
from fabkit.board.copper import NO_NET
from fabkit.board.model import Board, Component
from fabkit.compare.model import Comparison
from fabkit.formats.gerber.model import Kind
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
from fabkit.outputs.report.shell import render_page
from fabkit.outputs.terminal import cause_words
from fabkit.outputs.verdict import causes_of, echoes_of
from fabkit.package.model import RoleKind, Side, face_word
from fabkit.pictures import looks
from fabkit.pictures.changes import change_scenes, frame_of, picture_key
from fabkit.pictures.finding_sheet import Spot, shown_width, spot_scenes
from fabkit.pictures.finished import SIDES, films, finished_face, layer_stencil
from fabkit.pictures.looks import USUAL_LOOK, PreviewOptions, Surroundings
from fabkit.pictures.paint_layers import layers_svg
from fabkit.pictures.paint_png import png_uri
from fabkit.pictures.paint_svg import inline_svg, picture_svg
from fabkit.pictures.scene import Coat, Film, Group, Scene

VECTOR_LIMIT: Final = 500_000
"""Characters of drawing up to which both faces are put into the page as vectors, and so is each
picture of a comparison.

Measured in a headless browser without a graphics card, on two cores six times overbooked: once a
motion ends, 120,000 characters are drawn anew in 0.1 to 0.6 s, 930,000 in 1.1 to 2.4 s, and the
first picture of the latter took 4.5 s.
"""

VECTOR_OBJECTS: Final = 40_000
"""Graphic objects on the drawn layers up to which vectors are tried at all."""

VECTOR_SEGMENTS: Final = 100_000
"""Pieces of contours up to which they are: a drawing of more would be far beyond the limit, and
take seconds to write."""

RASTER_PX: Final = 3200
"""Longest side of a face that is put into the page as pixels."""

RASTER_COLOURS: Final = 96
"""Colours of such a picture: a board has a dozen, the rest are blends along edges."""

MOST_TARGETS: Final = 15_000
"""Things that can be pointed at; holes come first, then pads, larger ones first."""

TITLES: Final = {
    "mask and legend": "Solder mask and legend",
    "legend": "Legend",
    "copper under mask": "Copper under the mask",
    "bare metal": "Copper and bare metal",
    "paste": "Solder paste",
    "other side": "Copper of the other side",
}
"""Layers of the picture that can be switched, with the words beside the switch."""

HIDDEN_AT_FIRST: Final = frozenset({"paste", "other side"})


def is_light(board: Board) -> bool:
    """Whether vectors of a board are tried at all."""
    objects = sum(len(layer.file.objects) for layer in board.layers)
    segments = sum(len(layer.file.segments) for layer in board.layers)
    return objects <= VECTOR_OBJECTS and segments <= VECTOR_SEGMENTS


def face_pictures(board: Board, options: PreviewOptions, prefix: str) -> Record:
    """Both faces, as vectors where they are light enough, otherwise as pixels.

    Returns
    -------
    dict
        ``faces``: side, name, title and ``svg``; ``layers`` that can be switched; ``frame`` in mm;
        ``why`` they are no vectors, or empty.
    """
    scenes = {s: _with_more(board, finished_face(board, s, options), s) for s in SIDES}
    drawings = _vectors(scenes, prefix) if is_light(board) else None
    why = "" if drawings else _DENSE.format(sum(len(a.file.objects) for a in board.layers))
    drawings = drawings or {side: layers_svg(scene, RASTER_PX) for side, scene in scenes.items()}
    return {
        "frame": list(scenes["top"].frame),
        "size_mm": list(scenes["top"].size_mm),
        "why": why,
        "faces": [
            {"side": side, "name": name, "title": f"{board.name}, {name}", "svg": drawings[side]}
            for side in SIDES
            for name in (face_word(side),)
        ],
        "layers": _switches(scenes.values()),
    }


_DENSE: Final = (
    "This board is dense ({:,} drawn objects), so that each layer is a picture of "
    f"{RASTER_PX} pixels. The SVG and PDF files of `fabkit preview` show every detail."
)


def _vectors(scenes: Mapping[Side, Scene], prefix: str) -> dict[Side, str] | None:
    """Both faces as vectors; None where they would be too long."""
    drawings: dict[Side, str] = {}
    for side, scene in scenes.items():
        drawings[side] = inline_svg(scene, f"{prefix}{face_word(side)[0]}")
        # Where one face alone is too long, the other need not be drawn.
        if sum(map(len, drawings.values())) > VECTOR_LIMIT:
            return None
    return drawings


def _with_more(board: Board, scene: Scene, side: Side) -> Scene:
    """Add layers that are not seen on the finished board, to be switched on."""
    other: Side = "bottom" if side == "top" else "top"
    stencils = dict(scene.stencils)
    nodes = list(scene.nodes)
    for name, kind, where, rgb in (
        ("paste", RoleKind.PASTE, side, looks.SKY_BLUE),
        ("other side", RoleKind.COPPER, other, looks.ORANGE),
    ):
        layers = films(board, kind, where)
        stencil = layer_stencil(layers)
        if layers and any(isinstance(p, Film) and len(p.file.objects) for p in stencil.parts):
            stencils[name] = stencil
            coat = Coat(title=name, rgb=rgb, opacity=0.6, inside=(name,))
            nodes.append(
                Group(
                    title=name,
                    children=(coat,),
                    inside=("profile",),
                    outside=("holes",),
                    hidden=name in HIDDEN_AT_FIRST,
                )
            )
    return replace(scene, stencils=stencils, nodes=tuple(nodes))


def _switches(scenes: Iterable[Scene]) -> list[Record]:
    there: set[str] = set()

    def walk(node: Coat | Group) -> None:
        there.add(node.title)
        for child in node.children if isinstance(node, Group) else ():
            walk(child)

    for scene in scenes:
        for node in scene.nodes:
            walk(node)
    return [
        {"key": key, "title": title, "on": key not in HIDDEN_AT_FIRST}
        for key, title in TITLES.items()
        if key in there
    ]


def pixels_uri(scene: Scene, longest_px: int) -> str:
    """Paint a scene as PNG of few colours, its longest side so many pixels, as data URI."""
    from PIL import Image

    from fabkit.pictures.paint_png import paint

    pixels = paint(scene, longest_px / max(scene.size_mm))
    image = Image.fromarray(pixels).quantize(RASTER_COLOURS, method=Image.Quantize.FASTOCTREE)
    return png_uri(image)


def targets_record(board: Board) -> Record:
    """List what can be pointed at, as short rows of whole micrometres.

    Returns
    -------
    dict
        ``rows``: kind (h hole, t pad on top, b pad on the bottom), x, y, size, then a number in
        ``words`` for plating or net, and one for the pin; ``left_out``: how many are missing.
    """
    words: dict[str, int] = {"": 0}

    def word(text: str) -> int:
        return words.setdefault(text, len(words))

    rows: list[tuple[str, int, int, int, int, int]] = []
    plating = {1: "plated hole", 0: "non-plated hole", -1: "hole, plating not known"}
    holes = board.holes
    for x, y, size, plated in zip(
        *(c.tolist() for c in (holes.x, holes.y, holes.diameter, holes.plated)), strict=True
    ):
        rows.append(("h", _um(x), _um(y), _um(size), word(plating[plated]), 0))
    pads: list[tuple[str, int, int, int, int, int]] = [
        (letter, *row[:3], word(row[3]), word(row[4]))
        for letter, side in zip("tb", SIDES, strict=True)
        for row in _pads(board, side)
    ]
    pads.sort(key=lambda r: (-r[3], r[0], r[1], r[2]))
    room = max(0, MOST_TARGETS - len(rows))
    dropped = max(0, len(rows) - MOST_TARGETS) + max(0, len(pads) - room)
    rows = [*rows[:MOST_TARGETS], *pads[:room]]
    return {"rows": rows, "words": list(words), "left_out": dropped}


def _um(value: float) -> int:
    return round(value * 1000)


def _pads(board: Board, side: str) -> list[tuple[int, int, int, str, str]]:
    """Flashed pads of an outer layer: place, smaller side of the box, net, pin."""
    found = []
    for layer in board.copper:
        if layer.side != side:
            continue
        file, objects = layer.file, layer.file.objects
        flashes = objects.dark_rows(Kind.FLASH)
        # Small pads of a fill's cut-outs and of drawn text carry no attributes; vias do.
        for row in flashes.tolist():
            attributes = file.attribute_sets[objects.attributes[row]]
            net = ", ".join(attributes.get(".N", ()))
            pin = attributes.get(".P", ())
            aperture = file.apertures[objects.aperture[row]]
            if "AntiPad" in aperture.function:
                continue
            name = f"{pin[0]} pin {pin[1]}" if len(pin) > 1 else ""
            size = min(aperture.size_mm) * file.poses[objects.pose[row]].scale
            found.append((_um(objects.x0[row]), _um(objects.y0[row]), _um(size), net, name))
    return found


def component_rows(board: Board) -> list[Record]:
    """Components with a place, for their names on the board."""
    return [
        {"ref": c.ref, "value": c.value, "side": c.side or "top", "x": c.x_mm, "y": c.y_mm}
        for c in board.components
        if c.x_mm is not None and c.y_mm is not None
    ]


MOST_SHOTS: Final = 12
"""Causes that get a picture; a package read wrongly can have a hundred."""

SHOT_PX: Final = 264
"""Width of a cause's picture: twice what a page shows, for screens of fine pixels."""


@dataclass(frozen=True, kw_only=True)
class Cause:
    """Findings of one rule and consequence, as a page shows them.

    Parameters
    ----------
    findings
        Their records; the first speaks for all.
    echoes
        Records of findings that follow from it.
    spots
        Their places on the board, worst first.
    shot
        Picture of the first place as data URI; empty without a place.
    """

    findings: tuple[Record, ...]
    echoes: tuple[Record, ...] = ()
    spots: tuple[Record, ...] = ()
    shot: str = ""

    @property
    def lead(self) -> Record:
        """The finding that speaks for all."""
        return self.findings[0]

    @property
    def words(self) -> str:
        """What was found and how often."""
        return cause_words(self.lead, self.findings[1:])


def board_causes(
    board: Board, findings: Sequence[Record], options: PreviewOptions
) -> dict[str, list[Cause]]:
    """Group findings into causes with their places and pictures, by consequence."""
    follow = echoes_of(findings)
    causes: dict[str, list[Cause]] = {}
    for word, groups in causes_of(findings).items():
        for group in groups:
            # Each echo stands once, under the first cause of the rule that it follows from.
            echoes = [e for rule in {f["id"]: None for f in group} for e in follow.pop(rule, ())]
            cause = Cause(findings=tuple(group), echoes=tuple(echoes), spots=tuple(_spots(group)))
            causes.setdefault(word, []).append(cause)
    placed = [c for w in ("stop", "decide") for c in causes.get(w, ()) if c.spots][:MOST_SHOTS]
    scenes = spot_scenes(board, [_spot(cause) for cause in placed], options)
    shots = {
        id(cause): pixels_uri(scene, SHOT_PX) for cause, scene in zip(placed, scenes, strict=True)
    }
    return {
        word: [replace(cause, shot=shots.get(id(cause), "")) for cause in group]
        for word, group in causes.items()
    }


def _spots(group: Sequence[Record]) -> Iterator[Record]:
    for finding in group:
        for place in finding["places"]:
            if "x_mm" in place and "y_mm" in place:
                x, y, side = place["x_mm"], place["y_mm"], place.get("side", "")
                at = f"{format_number(x, digits=1)}, {format_mm(y, digits=1)}"
                yield {"x": x, "y": y, "side": side, "words": f"{side} {at}".strip()}


def _spot(cause: Cause) -> Spot:
    first, lead = cause.spots[0], cause.lead
    measured = lead["measured"] if lead["unit"] == "mm" else None
    side: Side = "bottom" if first["side"] == "bottom" else "top"
    return Spot(side=side, x_mm=first["x"], y_mm=first["y"], width_mm=shown_width(measured))


FEWEST_PINS: Final = 8
"""A part with fewer pins is not what the others are wired to (common practice: a controller, its
header rows or a port expander has more)."""

LISTED_ENDS: Final = 12
"""Ends named one by one; a net with more (ground, supply) is given by their number."""


def pins_table(board: Board) -> Table:
    """Pins of the controller (or of its header rows) with everything they lead to.

    Empty when the files name no nets, or no part has enough pins.
    """
    parts = [c for c in board.components if any(net for _, net in c.pins)]
    most = max((len(c.pins) for c in parts), default=0)
    hubs = [c for c in parts if len(c.pins) >= max(FEWEST_PINS, most / 2)]
    ends = gather(
        (net, (part.ref, pin)) for part in parts for pin, net in part.pins if net not in NO_NET
    )
    rows = tuple(
        (hub.ref, hub.value, pin, *_ends(hub, pin, net, ends.get(net, [])))
        for hub in hubs
        for pin, net in hub.pins
    )
    return Table(columns_of("part", "value", "pin", "net", "leads_to"), rows)


def _ends(hub: Component, pin: str, net: str, all_ends: list[tuple[str, str]]) -> tuple[str, str]:
    """Name the net of a pin, and what else it leads to."""
    if net in NO_NET:
        return "not connected", ""
    others = [f"{ref} pin {number}" for ref, number in all_ends if (ref, number) != (hub.ref, pin)]
    listed = ", ".join(others) if len(others) <= LISTED_ENDS else f"{len(others)} other pins"
    return net, listed


# What changed, with a wipe between the old face and the new one


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
