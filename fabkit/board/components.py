"""Components of the board: from attributes, and placement tables; else from a netlist.

Component attributes are those of the Gerber Layer Format Specification 2021.02, sections 5.6.14
and 5.6.15: ``.C`` names the component an object belongs to, ``.P`` the pin a pad is, ``.N`` its
net; component layers carry centroid, rotation and descriptions.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from shapely.geometry import MultiPolygon

from fabkit.base.columns import Floats, Ints, gather, rows_by
from fabkit.base.findings import Finding, Place
from fabkit.base.units import INCH_MM, MIL_MM, format_mm, natural
from fabkit.board.copper import NO_NET, find_pads, pad_centres
from fabkit.board.model import Component, Layer
from fabkit.board.nets import shared_shift
from fabkit.formats.gerber.model import Attributes, Kind
from fabkit.formats.sidecars.model import Netlist, NetPoint, PlacedPart, Placement
from fabkit.geometry.neighbours import usual_gap
from fabkit.package.model import Package, RoleKind, Side
from fabkit.rules import load_rule

PLACEMENT_SCALED: Final = load_rule("board/placement-unit")
PLACEMENT_SHIFTED: Final = load_rule("board/placement-origin")
PLACEMENT_OUTSIDE: Final = load_rule("board/placement-outside")

_TEXTS: Final = {
    ".CVal": "value",
    ".CFtp": "footprint",
    ".CMPN": "part_number",
    ".CMfr": "manufacturer",
    ".CMnt": "mount",
}
_FITS: Final = 0.9
"""Share of placed parts that must lie on the board for a unit or origin to be believed."""


@dataclass(slots=True)
class _Draft:
    ref: str
    texts: dict[str, str] = field(default_factory=dict)
    pins: dict[str, str] = field(default_factory=dict)
    sides: dict[Side, int] = field(default_factory=dict)
    printed: Side | None = None
    functions: set[str] = field(default_factory=set)
    spots: list[tuple[float, float]] = field(default_factory=list)
    centre: tuple[float, float] | None = None
    side: Side | None = None
    rotation: float | None = None


def find_components(
    package: Package,
    layers: Sequence[Layer],
    profile: MultiPolygon | None,
    findings: list[Finding],
) -> tuple[Component, ...]:
    """Find the components of a board.

    Parameters
    ----------
    package
        Files with roles; placement tables complete or replace attributes; a netlist gives pins,
        and serves where there are neither.
    profile
        Its shape; shows unit and origin of placement tables.
    findings
        Receives what was inferred.
    """
    drafts: dict[str, _Draft] = {}
    for layer in layers:
        _read_layer(layer, drafts)
    known = {ref: _component(draft) for ref, draft in drafts.items()}
    for part in placed_parts(package, profile, findings):
        known[part.ref] = _complete(known.get(part.ref), part)
    listed = _from_netlist(package, layers)
    if not known:
        known = listed
    for ref, one in known.items():
        if not one.pins and ref in listed:
            known[ref] = replace(one, pins=listed[ref].pins)
    return tuple(known[ref] for ref in sorted(known, key=natural))


def _read_layer(layer: Layer, drafts: dict[str, _Draft]) -> None:
    file = layer.file
    sets = [i for i, s in enumerate(file.attribute_sets) if s.get(".C") or s.get(".P")]
    if not sets:
        return
    o = file.objects
    rows = np.flatnonzero(np.isin(o.attributes, sets))
    for code, mine in rows_by(o.attributes[rows]).items():
        part = rows[mine]
        attributes = file.attribute_sets[code]
        # Exporters leave a track's .C in force while they flash the pads of other parts.
        ref = (attributes.get(".P") or attributes[".C"])[0]
        if ref:
            draft = drafts.setdefault(ref, _Draft(ref))
            if layer.kind is RoleKind.COMPONENTS:
                _read_component(draft, layer, attributes, part)
            else:
                _read_objects(draft, layer, attributes, part)


def _read_component(draft: _Draft, layer: Layer, attributes: Attributes, rows: Ints) -> None:
    """Objects of a component layer: the centroid flash has the texts, pins have their nets."""
    o = layer.file.objects
    draft.side = layer.side
    for row in rows:
        function = layer.file.apertures[o.aperture[row]].function if o.aperture[row] >= 0 else ()
        if function[:1] == ("ComponentMain",):
            draft.centre = (float(o.x0[row]), float(o.y0[row]))
            draft.texts |= {
                name: attributes[key][0] for key, name in _TEXTS.items() if attributes.get(key)
            }
            turn = attributes.get(".CRot", ("",))[:1]
            draft.rotation = _number(turn[0]) if turn else None
    _read_pin(draft, attributes)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _read_pin(draft: _Draft, attributes: Attributes) -> None:
    pin = attributes.get(".P", ())
    if len(pin) > 1 and pin[1]:
        net = attributes.get(".N", ("",))
        draft.pins[pin[1]] = draft.pins.get(pin[1]) or (net[0] if net else "")


def _read_objects(draft: _Draft, layer: Layer, attributes: Attributes, rows: Ints) -> None:
    """Objects of other layers that name the component they belong to."""
    if layer.kind is RoleKind.LEGEND and layer.side is not None:
        draft.printed = draft.printed or layer.side
        return
    if layer.kind is not RoleKind.COPPER:
        return
    o = layer.file.objects
    flashes = rows[o.kind[rows] == Kind.FLASH]
    _read_pin(draft, attributes)
    if not len(flashes) or layer.side is None:
        return
    used = np.unique(o.aperture[flashes])
    functions = {layer.file.apertures[i].function[:1] for i in used if i >= 0}
    draft.functions |= {f[0] for f in functions if f}
    if ".P" in attributes:
        draft.spots += list(zip(o.x0[flashes].tolist(), o.y0[flashes].tolist(), strict=True))
        draft.sides[layer.side] = draft.sides.get(layer.side, 0) + len(flashes)


def _component(draft: _Draft) -> Component:
    side = draft.side
    if side is None and len(draft.sides) == 1:
        side = next(iter(draft.sides))
    elif side is None:
        # Through-hole pads are on both sides: the print decides, else the side with more pads.
        by_pads = sorted(draft.sides, key=lambda s: (-draft.sides[s], s != "top"))
        side = draft.printed or next(iter(by_pads), None)
    centre = draft.centre
    if centre is None and draft.spots:
        spots = np.array(draft.spots)
        # The middle of the box: a mean would lean to the side with more pads.
        low, high = spots.min(axis=0), spots.max(axis=0)
        centre = (float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2))
    mount = draft.texts.get("mount", "")
    if not mount:
        if "ComponentPad" in draft.functions:
            mount = "TH"
        elif draft.functions & {"SMDPad", "BGAPad"}:
            mount = "SMD"
        elif "FiducialPad" in draft.functions:
            mount = "Fiducial"
    return Component(
        ref=draft.ref,
        value=draft.texts.get("value", ""),
        footprint=draft.texts.get("footprint", ""),
        part_number=draft.texts.get("part_number", ""),
        manufacturer=draft.texts.get("manufacturer", ""),
        mount=mount,
        side=side,
        x_mm=centre[0] if centre else None,
        y_mm=centre[1] if centre else None,
        rotation_deg=draft.rotation,
        pins=tuple((pin, draft.pins[pin]) for pin in sorted(draft.pins, key=natural)),
        origin="component attributes",
    )


def _complete(known: Component | None, part: PlacedPart) -> Component:
    if known is None:
        return Component(
            ref=part.ref,
            value=part.value,
            footprint=part.footprint,
            side=part.side,
            x_mm=part.x_mm,
            y_mm=part.y_mm,
            rotation_deg=part.rotation_deg,
            origin="placement table",
        )
    return replace(
        known,
        value=known.value or part.value,
        footprint=known.footprint or part.footprint,
        side=known.side or part.side,
        x_mm=part.x_mm if known.x_mm is None else known.x_mm,
        y_mm=part.y_mm if known.y_mm is None else known.y_mm,
        rotation_deg=part.rotation_deg if known.rotation_deg is None else known.rotation_deg,
    )


VIA: Final = "VIA"
"""What a netlist writes in place of a part for a via (IPC-D-356A, columns 21 to 26)."""


def netlist_points(package: Package, layers: Sequence[Layer]) -> tuple[list[NetPoint], Floats]:
    """Points of a netlist (IPC-D-356A) that name a part, and where they lie, (n, 2) mm."""
    netlists = [f.content for f in package.files if isinstance(f.content, Netlist)]
    points = [p for n in netlists[:1] for p in n.points if p.ref not in ("", VIA)]
    points = [p for p in points if p.kind != "tooling"]
    spots = np.array([(p.x_mm, p.y_mm) for p in points]).reshape(-1, 2)
    outer = [layer for layer in layers if layer.kind is RoleKind.COPPER and layer.side is not None]
    if points:
        pads = [
            np.column_stack(pad_centres(layer, np.flatnonzero(find_pads(layer.file))))
            for layer in outer
        ]
        spots += shared_shift(spots, np.concatenate([*pads, np.empty((0, 2))]))
    return points, spots


def point_face(point: NetPoint, layers: int) -> int:
    """Face that a netlist's point is on: 1 top, -1 bottom, 0 for both or none.

    Layer 1 is the primary side; a netlist may number the last layer higher than there are.
    """
    if point.kind == "through" or (point.access != 1 and point.access < layers):
        return 0
    return 1 if point.access == 1 else -1


def _from_netlist(package: Package, layers: Sequence[Layer]) -> dict[str, Component]:
    """Components by the references, pins and places of test points."""
    points, spots = netlist_points(package, layers)
    copper = sum(layer.kind is RoleKind.COPPER for layer in layers)
    by_ref = gather((point.ref, row) for row, point in enumerate(points))
    return {
        ref: _listed(ref, [points[r] for r in rows], spots[rows], copper)
        for ref, rows in by_ref.items()
    }


def _listed(ref: str, points: Sequence[NetPoint], spots: Floats, layers: int) -> Component:
    """Make the component of a netlist's points with one reference."""
    through = any(p.kind == "through" for p in points)
    faces = {point_face(p, layers) for p in points} - {0}
    sides: list[Side] = ["top" if face > 0 else "bottom" for face in faces]
    x, y = ((spots.min(axis=0) + spots.max(axis=0)) / 2).tolist()
    pins: dict[str, str] = {}
    for point in points:
        if point.pin:
            pins[point.pin] = pins.get(point.pin) or ("" if point.net in NO_NET else point.net)
    return Component(
        ref=ref,
        mount="TH" if through else "SMD",
        side=sides[0] if len(sides) == 1 and not through else None,
        x_mm=x,
        y_mm=y,
        pins=tuple((pin, pins[pin]) for pin in sorted(pins, key=natural)),
        origin="netlist",
    )


def placed_parts(
    package: Package, profile: MultiPolygon | None, findings: list[Finding]
) -> Iterable[PlacedPart]:
    """Placed parts in board coordinates; of several tables with a part the better stated counts."""
    tables = [f.content for f in package.files if isinstance(f.content, Placement)]
    tables = sorted((t for t in tables if t.parts), key=lambda t: (not t.unit_stated, t.name))
    seen: set[str] = set()
    for table in tables:
        parts = [part for part in table.parts if part.ref not in seen]
        if not parts:
            continue
        seen |= {part.ref for part in parts}
        if profile is not None:
            parts = _onto_board(table, parts, profile, findings)
        yield from parts


_CROWD: Final = 5
_CROWD_MM: Final = 0.4
"""Middles of parts are further apart: the smallest usual chips are 0.4 mm long (IPC-7351)."""
_LOOSE_MM: Final = 1.0
_LOOSE_SHARE: Final = 0.06
"""Parts a little further apart that fill less of the board's size are not in millimetres either:
in inches, parts all over it fill a 25th."""


def _crowded(spots: Floats, board_mm: float) -> bool:
    """Whether most parts lie nearer to each other than parts can."""
    places = np.unique(spots, axis=0)
    if len(places) < _CROWD:
        return False
    apart = usual_gap(places)
    small = np.ptp(places, axis=0).max() < _LOOSE_SHARE * board_mm
    return bool(apart < _CROWD_MM or (small and apart < _LOOSE_MM))


def _onto_board(
    table: Placement, parts: list[PlacedPart], profile: MultiPolygon, findings: list[Finding]
) -> list[PlacedPart]:
    place = Place(file=table.name)
    spots = np.array([(part.x_mm, part.y_mm) for part in parts])
    x0, y0, x1, y1 = profile.bounds
    low, high = np.array([x0, y0]), np.array([x1, y1])

    def inside(points: Floats) -> float:
        return float(((points >= low) & (points <= high)).all(axis=1).mean())

    # A stated unit is believed: parts that lie far off are then reported, not scaled.  Parts that
    # lie on each other show that another one is meant.
    factors = {"millimetres": 1.0}
    if _crowded(spots, float((high - low).max())):
        factors = {"inches": INCH_MM}
    if not table.unit_stated:
        factors |= {"inches": INCH_MM, "mils": MIL_MM, "micrometres": 0.001}
    corners = {
        "the origin of the layer files": np.zeros(2),
        "the board's lower left corner": low,
        "its upper left corner": np.array([x0, y1]),
        "its lower right corner": np.array([x1, y0]),
        "its centre": (low + high) / 2,
    }
    # The stated origin with every unit comes before any other origin, so of several readings that
    # fit the one without a shift counts.
    for named, origin in corners.items():
        for unit, factor in factors.items():
            moved = spots * factor + origin
            # Too small a unit would put all parts on one spot, which is inside as well.
            spread = np.ptp(moved, axis=0).max() >= 0.1 * (high - low).max() or len(parts) < 3
            if inside(moved) < _FITS or not spread:
                continue
            if factor != 1.0:
                findings.append(
                    Finding.of(
                        PLACEMENT_SCALED,
                        f"positions fit the board when read in {unit}",
                        place,
                        assumed=f"read in {unit}",
                    )
                )
            if origin.any():
                findings.append(
                    Finding.of(
                        PLACEMENT_SHIFTED,
                        f"positions fit the board when counted from {named}",
                        place,
                        assumed=f"moved by {format_mm(origin[0])}, {format_mm(origin[1])}",
                    )
                )
            return [
                replace(part, x_mm=float(x), y_mm=float(y))
                for part, (x, y) in zip(parts, moved, strict=True)
            ]
    count = round((1 - inside(spots)) * len(parts))
    if count:  # else all lie on one spot of the board
        findings.append(
            Finding.of(
                PLACEMENT_OUTSIDE,
                f"{count} of {len(parts)} placed parts lie outside the board",
                place,
                count=count,
            )
        )
    return parts
