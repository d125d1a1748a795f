"""From boards to a panel: laid beside each other, held, and merged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.base.errors import UsageError
from fabkit.base.findings import Consequence, Severity
from fabkit.base.units import USUAL_THICKNESS_MM, counted, format_mm, format_number
from fabkit.board.model import Board, Component
from fabkit.board.profile import find_drawn_outline
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.drawing import with_flashes
from fabkit.formats.gerber.model import GerberFile, blank_layer
from fabkit.formats.sidecars.model import Netlist
from fabkit.geometry.segments import Placing
from fabkit.package.model import Role, RoleKind
from fabkit.panels import merging
from fabkit.panels.frame import (
    CLEAR_MM,
    build_frame,
    build_scored_frame,
    material,
    out_of_reach_mm,
    outer,
    refuse_unscorable,
    with_marks,
)
from fabkit.panels.merging import LayerKey
from fabkit.panels.model import Copy, Frame, Measures, panel_size
from fabkit.panels.nesting import Laid, lay_boxes, lay_scored, nest
from fabkit.sheets.house import House
from fabkit.sheets.order import MOST_COPIES, PanelOptions

_SAME_THICKNESS_MM: Final = 0.05
_ROUNDING_MM: Final = 0.01
_DRILLED: Final = 0.02
"""A cut-out of which less than this share is left over by slots and holes is theirs."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class PanelPlan:
    """A panel before it is written.

    Parameters
    ----------
    copies
        The boards, as they lie.
    measures, frame
        By what lengths it is made, and all material but the boards.
    profile
        All material, with what is routed between the boards left out, mm.
    drawn
        The same as the profile draws it: what slots and holes cut is in the drill files alone.
    layers, drills
        What is drawn and drilled.
    netlist, components
        None and empty where the packages have none.
    boxes_mm2
        Area of the panel if the boards lay by their boxes; nan where they would not fit.
    remarks
        What its designer should know.
    """

    copies: tuple[Copy, ...]
    measures: Measures
    frame: Frame
    profile: BaseGeometry
    drawn: BaseGeometry
    layers: Mapping[LayerKey, GerberFile]
    drills: Mapping[Role, DrillFile]
    netlist: Netlist | None
    components: tuple[Component, ...]
    boxes_mm2: float
    remarks: tuple[str, ...] = ()

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        x0, y0, x1, y1 = self.frame.box
        return x1 - x0, y1 - y0

    @property
    def area_mm2(self) -> float:
        """Of the box, which houses charge."""
        width, height = self.size_mm
        return width * height

    @property
    def boards_mm2(self) -> float:
        """Area inside the outlines of all boards: the least that any panel needs."""
        return float(sum(outer(copy.profile).area for copy in self.copies))

    @property
    def waste_share(self) -> float:
        """Share of the panel that is thrown away."""
        return 1 - self.boards_mm2 / self.area_mm2


def plan_panel(
    boards: Sequence[Board],
    *,
    labels: Sequence[str],
    counts: Sequence[int],
    house: House,
    options: PanelOptions,
    thickness_mm: float = USUAL_THICKNESS_MM,
    tell: Callable[[str], None] = lambda _: None,
) -> PanelPlan:
    """Plan a panel of boards.

    Parameters
    ----------
    boards
        Designs, as read.
    labels, counts
        Name of each on the panel, and how many of it.
    house
        Its limits are the measures of the panel.
    options
        How it is made.
    thickness_mm
        What is ordered.
    tell
        Called with a few words on what is being done now.

    Raises
    ------
    UsageError
        The boards cannot be on one panel: what is wrong, and what to do.
    """
    if options.score and options.gap_mm is not None:
        raise UsageError(
            "boards parted by score lines have no gap between them",
            hint="state a gap or score lines, not both",
        )
    measures = Measures.of(house, options.gap_mm, score=options.score)
    if not options.score:
        _refuse_gap(measures, house)
    for board, label in zip(boards, labels, strict=True):
        _refuse_unfit(board, label)
    _refuse_mixed(boards, labels, house)
    chosen = [number for number, count in enumerate(counts) for _ in range(count)]
    if len(chosen) > MOST_COPIES:
        raise UsageError(
            f"{len(chosen)} boards are too many for one panel",
            hint=f"at most {MOST_COPIES} are laid on one",
        )
    tell("laying the boards beside each other")
    outlines = [outer(board.profile) for board in boards]
    laid, boxes = _laid(
        [outlines[k] for k in chosen], [labels[k] for k in chosen], measures, rails=options.rails
    )
    copies = tuple(
        Copy(
            board=boards[k],
            placing=placing,
            label=labels[k] if counts[k] == 1 else f"{labels[k]} {chosen[:n].count(k) + 1}",
            prefix=f"{n + 1}-",
        )
        for n, (k, placing) in enumerate(zip(chosen, laid.placings, strict=True))
    )
    tell("placing score lines" if measures.scored else "placing break-off tabs")
    made = build_scored_frame if measures.scored else build_frame
    frame = made(copies, measures, rails=options.rails)
    copies, frame = _to_origin(copies, with_marks(frame, measures) if options.rails else frame)
    remarks = list(_remarks(boards, labels))
    if frame.clear_mm < CLEAR_MM[0]:
        near = format_mm(frame.clear_mm, digits=1)
        remarks.append(f"tabs lie {near} from a hole or pad; hold the board there to break it off")
    profile = material([shapely.get_parts(copy.profile)[0] for copy in copies], frame)
    if measures.scored:
        refuse_unscorable(copies, frame, house, thickness_mm)
        remarks += _points_left(profile, frame, house)
    tell("merging the layers")
    layers = merging.merge_layers(copies, measures.gap)
    if len(frame.score):
        lines = shapely.linestrings(frame.score.reshape(-1, 2, 2))
        layers[RoleKind.SCORE, None, 1, 0] = merging.lines_along(lines, "Other", "Score line")
    return PanelPlan(
        copies=copies,
        measures=measures,
        frame=frame,
        profile=profile,
        drawn=material([_as_drawn(copy) for copy in copies], frame),
        layers=_with_fiducials(layers, frame, measures),
        drills=merging.merge_drills(copies, _marks(frame, measures), measures.gap),
        netlist=merging.merge_netlists(copies),
        components=merging.merge_components(copies),
        boxes_mm2=boxes,
        remarks=tuple(remarks),
    )


def _remarks(boards: Sequence[Board], labels: Sequence[str]) -> Iterator[str]:
    masked = [any(a.kind is RoleKind.MASK for a in board.layers) for board in boards]
    for board, label, has_mask in zip(boards, labels, masked, strict=True):
        drawn = [
            layer.name
            for layer in board.copper
            if merging.without_outline(layer.file, board.profile)[1]
        ]
        if drawn:
            yield f"{label}: the outline drawn in {' and '.join(drawn)} is left out"
        found = find_drawn_outline(board.problems, board.package)
        if found is not None:
            yield f"{label}: {found.message}; {found.assumed}: compare it with the panel"
        doubtful = [
            p
            for p in board.package.problems
            if p.severity is Severity.ERROR and not (found and p.id == "package/missing-profile")
        ]
        for rule, problem in {p.id: p for p in reversed(doubtful)}.items():
            yield (
                f"{label}: {problem.message}; the panel has what was read here, other programs may"
                f" read the original otherwise ({rule})"
            )
        if any(masked) and not has_mask:
            yield f"{label} has no solder mask file, so it is masked all over"


def _points_left(profile: BaseGeometry, frame: Frame, house: House) -> Iterator[str]:
    cutter = min(house.options.router_bits_mm)
    length = out_of_reach_mm(profile, frame, cutter)
    if length:
        yield (
            "corners that are not square end in points beside the score lines: a router of"
            f" {format_mm(cutter)} leaves up to {format_mm(length, digits=1)} of each to file off"
        )


def lay_boards(
    outlines: Sequence[BaseGeometry],
    labels: Sequence[str],
    *,
    house: House,
    options: PanelOptions,
) -> tuple[float, float, float]:
    """Lay outlines on the least panel, without tabs and layers.

    Parameters
    ----------
    outlines, labels
        Outer outline of each board, mm, and its name; copies of one design are the same object.
    house, options
        As for :func:`plan_panel`.

    Returns
    -------
    Width and height of the panel, mm, and the share of it that is no board.

    Raises
    ------
    UsageError
        There is no such panel.
    """
    measures = Measures.of(house, options.gap_mm, score=options.score)
    numbers: dict[int, int] = {}
    copies = tuple(numbers.setdefault(id(outline), len(numbers)) for outline in outlines)
    shapes = {id(outline): outline.wkb for outline in outlines}
    return _lay(tuple(shapes.values()), copies, tuple(labels), measures, rails=options.rails)


@lru_cache(maxsize=32)
def _lay(
    shapes: tuple[bytes, ...],
    copies: tuple[int, ...],
    labels: tuple[str, ...],
    measures: Measures,
    *,
    rails: bool,
) -> tuple[float, float, float]:
    """Lay the copies of shapes, given as WKB, as :func:`lay_boards` does.

    Kept, as it takes longer than all else of a quote, and revisions and options share outlines.
    """
    designs = [shapely.from_wkb(shape) for shape in shapes]
    outlines = [designs[number] for number in copies]
    laid, _ = _laid(outlines, labels, measures, rails=rails)
    wide, high = (laid.bounds[2:] - laid.bounds[:2]).reshape(2, 1)
    size = panel_size(wide, high, measures, rails=rails)
    width, height = (float(side[0]) for side in size)
    alone = float(sum(outline.area for outline in outlines))
    return width, height, 1 - alone / (width * height)


def _laid(
    outlines: Sequence[BaseGeometry], labels: Sequence[str], measures: Measures, *, rails: bool
) -> tuple[Laid, float]:
    def cost(width: Floats, height: Floats) -> Floats:
        w, h = panel_size(width, height, measures, rails=rails)
        fits = (np.maximum(w, h) <= measures.longest) & (np.minimum(w, h) >= measures.shortest)
        return np.where(fits, w * h, np.inf)

    if measures.scored:
        scored = lay_scored(outlines, labels, cost=cost, measures=measures, rails=rails)
        return scored, float("nan")
    alone = float(sum(outline.area for outline in outlines))
    laid = nest(outlines, gap_mm=measures.gap, cost=cost) if alone < measures.longest**2 else None
    if laid is None:
        raise UsageError(
            f"{counted(len(outlines), 'board')} do not fit on one panel: its sides may be"
            f" {format_mm(measures.shortest)} to {format_mm(measures.longest)}, and the boards"
            f" alone fill a square of {format_mm(float(np.sqrt(alone)), digits=0)}",
            hint="take fewer copies with --copies, or a house that makes larger panels",
        )
    boxes = lay_boxes(outlines, gap_mm=measures.gap, cost=cost)
    return laid, float("nan") if boxes is None else boxes.cost


def _to_origin(copies: tuple[Copy, ...], frame: Frame) -> tuple[tuple[Copy, ...], Frame]:
    """Lay the lower left corner of the panel on the origin."""
    x0, y0, x1, y1 = frame.box
    shift = Placing(dx_mm=round(-x0, 6), dy_mm=round(-y0, 6))
    moved = tuple(
        replace(
            copy,
            placing=replace(
                copy.placing,
                dx_mm=round(copy.placing.dx_mm + shift.dx_mm, 6),
                dy_mm=round(copy.placing.dy_mm + shift.dy_mm, 6),
            ),
        )
        for copy in copies
    )

    def there(shape: BaseGeometry) -> BaseGeometry:
        placed: BaseGeometry = shapely.transform(shape, shift.points)
        return placed

    return moved, replace(
        frame,
        box=(0.0, 0.0, x1 - x0, y1 - y0),
        waste=tuple(map(there, frame.waste)),
        tabs=tuple(
            replace(
                tab,
                shape=there(tab.shape),
                holes=shift.points(tab.holes),
                middle=(tab.middle[0] + shift.dx_mm, tab.middle[1] + shift.dy_mm),
            )
            for tab in frame.tabs
        ),
        score=shift.points(frame.score.reshape(-1, 2)).reshape(-1, 4).round(6),
        tooling=shift.points(frame.tooling),
        fiducials=shift.points(frame.fiducials),
    )


def _as_drawn(copy: Copy) -> BaseGeometry:
    """Outline of a board with the cut-outs that no drill file cuts."""
    board = copy.board
    whole = shapely.get_parts(board.profile)[0]
    opening = shapely.buffer(board.opening, _ROUNDING_MM)
    rings = [shapely.Polygon(ring) for ring in whole.interiors]
    own = [r for r in rings if shapely.difference(r, opening).area > _DRILLED * r.area]
    shape = shapely.Polygon(whole.exterior, [ring.exterior for ring in own])
    drawn: BaseGeometry = shapely.transform(shape, copy.placing.points)
    return drawn


def _marks(frame: Frame, measures: Measures) -> dict[tuple[float, tuple[str, ...]], Floats]:
    """Holes that the panel has of its own, by diameter and function."""
    bites = [tab.holes for tab in frame.tabs]
    found = {
        (measures.bite, merging.BREAKOUT): np.concatenate(bites or [np.empty((0, 2))]).round(4),
        (measures.tooling_hole, merging.TOOLING): frame.tooling.round(4),
    }
    return {key: places for key, places in found.items() if len(places)}


def _with_fiducials(
    layers: Mapping[LayerKey, GerberFile], frame: Frame, measures: Measures
) -> dict[LayerKey, GerberFile]:
    """Put the fiducials of the rails into copper and mask of both faces."""
    made = dict(layers)
    if len(frame.fiducials):
        sizes = {RoleKind.COPPER: measures.fiducial, RoleKind.MASK: 2 * measures.fiducial}
        for key, file in layers.items():
            kind, side, _, number = key
            if kind in sizes and side is not None and number == 0:
                function = ("FiducialPad", "Panel") if kind is RoleKind.COPPER else ("Material",)
                dots = with_flashes(
                    blank_layer(),
                    frame.fiducials.round(4),
                    diameter_mm=sizes[kind],
                    attributes={".AperFunction": function},
                )
                made[key] = replace(merging.concat_layers([file, dots]), attributes=file.attributes)
    return made


# What cannot be on a panel


def _refuse_gap(measures: Measures, house: House) -> None:
    limit = house.limit("panel_gap_mm")
    if not limit.allows(measures.gap):
        raise UsageError(
            f"a gap of {format_mm(measures.gap)} is too narrow: your house routes"
            f" {format_mm(limit.value)} at least ({limit.source})",
            hint=f"--gap {format_number(limit.value)}, or leave it out",
        )
    if measures.gap >= measures.longest:
        raise UsageError(
            f"a gap of {format_mm(measures.gap)} is too wide: the sides of a panel are"
            f" {format_mm(measures.longest)} at most",
            hint=f"--gap {format_number(limit.value)}, or leave it out",
        )


def _refuse_unfit(board: Board, label: str) -> None:
    """Refuse a board that cannot be on any panel."""
    drawn = find_drawn_outline(board.problems, board.package)
    stops = [
        p
        for p in board.package.problems
        if p.consequence is Consequence.STOP and not (drawn and p.id == "package/missing-profile")
    ]
    if stops:
        raise UsageError(
            f"{label} cannot be on a panel as it is: {stops[0].message} ({stops[0].id})",
            hint="`fabkit check` shows what is wrong, and whether `fabkit mend` can put it right;"
            " make the panel of what that writes, or of a new export",
        )
    if board.profile is None:
        raise UsageError(f"{label}: no outline", hint="export the board's profile as well")
    if board.panel is not None:
        raise UsageError(
            f"{label} is a {board.panel.words} already", hint="take one board of it: --edge board"
        )
    if len(board.profile.geoms) > 1:
        raise UsageError(
            f"{label}: the outline holds {len(board.profile.geoms)} separate boards",
            hint="export each board by itself",
        )
    negative = [layer.name for layer in board.layers if layer.negative]
    if negative:
        raise UsageError(
            f"{label}: {', '.join(negative)} is drawn as a negative, which would fill the waste"
            " with copper",
            hint="export it positive",
        )


def _refuse_mixed(boards: Sequence[Board], labels: Sequence[str], house: House) -> None:
    """Refuse boards that differ in what one panel can have once."""
    if len(boards) > 1 and not house.options.several_designs:
        raise UsageError(
            f"{house.name} takes no several designs on one panel"
            f" ({house.cite('options.several_designs')})",
            hint="order them one by one, or name another house with --house",
        )
    named = list(zip(boards, labels, strict=True))
    copper = [(len(board.copper), label) for board, label in named if board.copper]
    thick = [(b.thickness_mm, label) for b, label in named if b.thickness_mm is not None]
    for (one, first), (other, second) in zip(copper[:1] * len(copper), copper, strict=True):
        if one != other:
            raise UsageError(
                f"{first} has {counted(one, 'copper layer')} and {second} has {other}",
                hint="one panel has one number of layers: order them apart",
            )
    for (mm, first), (most, second) in zip(thick[:1] * len(thick), thick, strict=True):
        if abs(mm - most) > _SAME_THICKNESS_MM:
            raise UsageError(
                f"{first} is {format_mm(mm)} thick and {second} {format_mm(most)}",
                hint="one panel has one thickness: order them apart",
            )
