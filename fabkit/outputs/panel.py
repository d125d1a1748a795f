"""A panel for the board house: planned, written, read back and cut apart again, then named."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import replace as with_fields
from decimal import Decimal
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from fabkit.base import SOFTWARE, VERSION
from fabkit.base.columns import Floats, Shapes, gather
from fabkit.base.errors import OutputRefused, UsageError
from fabkit.base.findings import Consequence, Severity, worst_first
from fabkit.base.streams import STANDARD_STREAM
from fabkit.base.tables import Record, Table, columns_of, picked
from fabkit.base.units import USUAL_THICKNESS_MM, counted, format_mm, format_number
from fabkit.board.build import build_board
from fabkit.board.model import Board, BoardSlots, Component, Holes
from fabkit.board.single import cut_out, place_board
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.costs.invoice import Job, Unpriced, board_elements, rates_of
from fabkit.costs.model import facts_from_board
from fabkit.formats.drill.writer import write_drill
from fabkit.formats.gerber.drawing import with_areas
from fabkit.formats.gerber.model import GerberFile, blank_layer
from fabkit.formats.gerber.writer import write_gerber
from fabkit.formats.sidecars.jobfile import GENERATED_BY, write_job
from fabkit.formats.sidecars.model import JobFile, JobFileEntry
from fabkit.formats.sidecars.netlist import write_netlist
from fabkit.keyboard.ordered import order_of
from fabkit.outputs.atomic import Packed, refuse_existing, write_archive, write_file
from fabkit.outputs.formats import to_csv, to_document
from fabkit.outputs.pack import cut_rows, in_order, refuse_errors
from fabkit.outputs.records import name_alone
from fabkit.outputs.terminal import Terminal, print_panel_verdict
from fabkit.outputs.zip_papers import README, headed
from fabkit.package.model import Content, PackageFile, Role, RoleKind
from fabkit.package.naming import file_stem, function_of, names_by_rule, polarity_of
from fabkit.package.reading import open_package
from fabkit.panels import merging
from fabkit.panels.build import PanelPlan, plan_panel
from fabkit.panels.model import Copy
from fabkit.sheets.house import House, load_house
from fabkit.sheets.order import BoardChoice, Order, PanelOptions

_EDGE_MM: Final = 0.002
"""Nearly straight corners are joined as an outline is read, which moves the edge by less."""
_LABEL_MM: Final = 2.0
_LABEL_STEP_MM: Final = 1.0
"""Grid on which room for a label is looked for."""
_CAUTION: Final = (
    "Breaking boards out, and filing or sanding their edges, makes glass dust: work wet or with\n"
    "extraction, wear a dust mask and eye protection, wipe damp, never blow.  The edges splinter:\n"
    "wear gloves until they are smooth.  {}; do not twist the boards.\n"
)


def caution(*, scored: bool) -> str:
    """Say what breaking a panel apart does to hands and lungs, and how it is done."""
    how = "Bend both ways along the whole line, over a straight edge"
    return _CAUTION.format(how if scored else "Bend each tab both ways")


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class PanelResult:
    """A written panel.

    Parameters
    ----------
    plan
        How it was laid out.
    board
        As it was read back.
    result
        The verdict on it.
    packed
        The zip.
    prices
        What panels cost at the house, and the same boards singly; empty where it has no prices.
    remarks
        What its designer should know.
    """

    plan: PanelPlan
    board: Board
    result: CheckResult
    packed: Packed
    prices: tuple[PanelPrice, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelPrice:
    """Price of the board line of one way to order, without shipping and tax.

    Parameters
    ----------
    way
        ``on panels`` or ``one by one``.
    pieces, boards
        Pieces that are ordered, and boards they give.
    amount, currency
        In the currency of the house.
    """

    way: str
    pieces: int
    boards: int
    amount: Decimal
    currency: str


def panel(
    boards: Sequence[Board],
    target: Path | str,
    *,
    order: Order | None = None,
    house: House | None = None,
    options: PanelOptions | None = None,
    judged: CheckOptions | None = None,
    replace: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> PanelResult:
    """Write several boards as one panel: a zip, ``.json`` and ``.png`` of the same name beside it.

    Parameters
    ----------
    boards
        Designs, as built by :func:`fabkit.build_board`.
    target
        Name of the zip.
    order
        Whose designs they are, in its order: it says how many of each make a keyboard.
    house
        Its limits are the measures of the panel; None: the bundled example.
    options, judged
        How the panel is made (None: as the order states), and by what it is checked.
    replace
        Whether existing files may be overwritten.
    tell
        Called with a few words on what is being done now.

    Raises
    ------
    UsageError
        The boards cannot be on one panel.
    FindingsRefused
        The panel has errors that are not silenced with a reason.
    OutputRefused
        A file exists or cannot be written, or a board cut out of the written panel is not the
        board that went in.
    """
    target = Path(target)
    if target == STANDARD_STREAM:
        raise UsageError("a panel is three files", hint="give --out the name of a zip")
    refuse_existing(target, replace=replace)
    beside = [target.with_suffix(ending) for ending in (".json", ".png")]
    for file in beside:
        refuse_existing(file, replace=replace)
    house = house or load_house()
    options = options or (order.panel if order is not None else None) or PanelOptions()
    name, labels, counts = _wanted(boards, order, options)
    thick = _thickness_mm(boards, order, house)
    plan = plan_panel(
        boards,
        labels=labels,
        counts=counts,
        house=house,
        options=options,
        thickness_mm=thick,
        tell=tell,
    )
    plan, remarks = _labelled(plan)
    contents = panel_files(plan, name)
    found: list[tuple[Board, CheckResult]] = []

    def verify(part: Path) -> None:
        tell("reading the panel back")
        again = with_fields(build_board(open_package(part)), name=name)
        _refuse_difference(plan, again)
        tell("checking the panel")
        found.append((again, _judge(again, boards, house, judged)))

    tell("writing the panel")
    packed = write_archive(target, contents, verify=verify, replace=replace)
    again, result = found[0]
    prices, unpriced = _prices(plan, again, boards, house, order)
    done = PanelResult(
        plan=plan,
        board=again,
        result=result,
        packed=packed,
        prices=prices,
        remarks=(*remarks, *unpriced, *_seen_otherwise(plan, again)),
    )
    tell("drawing")
    # A file says the same wherever it lies and however its path was typed.
    record = {**panel_record(done), "path": done.packed.path.name}
    write_file(beside[0], to_document("panel", record).encode(), replace=replace)
    write_file(beside[1], panel_picture(done), replace=replace)
    return done


def _judge(
    again: Board, boards: Sequence[Board], house: House, judged: CheckOptions | None
) -> CheckResult:
    """Judge a panel, and refuse its errors but for those that are decisions on its boards.

    What was inferred of a board, such as plating, is stated on its panel, and counts for more.
    """
    result = check(again, house, options=judged)
    if all(finding.severity is not Severity.ERROR for finding in result):
        return result
    found = [f for board in boards for f in check(board, house, options=judged)]
    errors = {f.id for f in found if f.severity is Severity.ERROR}
    left = frozenset(f.id for f in found if f.severity is Severity.WARNING) - errors
    refuse_errors(result, besides=left)
    lowered = [
        with_fields(f, severity=min(f.severity, Severity.WARNING)) if f.id in left else f
        for f in result
    ]
    return with_fields(result, findings=worst_first(lowered))


def _wanted(
    boards: Sequence[Board], order: Order | None, options: PanelOptions
) -> tuple[str, list[str], list[int]]:
    """Name of the panel, and label and number of each design."""
    if order is not None:
        settled = order_of(boards, order)
        labels = [one.use if one.use in ("left", "right") else one.name for one in settled.boards]
        counts = [one.per_keyboard * (options.copies or 1) for one in settled.boards]
        name = f"{settled.name} panel"
    else:
        labels = [board.name for board in boards]
        counts = [options.copies or (2 if len(boards) == 1 else 1)] * len(boards)
        name = f"{labels[0]} panel" if len(boards) == 1 else "panel"
    twice = {label for label in labels if labels.count(label) > 1}
    labels = [
        f"{label} {chr(ord('A') + labels[:n].count(label))}" if label in twice else label
        for n, label in enumerate(labels)
    ]
    return name, labels, counts


def _thickness_mm(boards: Sequence[Board], order: Order | None, house: House) -> float:
    """Find the thickness that is ordered: as chosen, else as a file states, else the usual one."""
    if order is not None:
        return float(order_of(boards, order, house=house).choice.thickness_mm)
    stated = (board.thickness_mm for board in boards)
    return next((mm for mm in stated if mm is not None), USUAL_THICKNESS_MM)


# Files


def panel_files(plan: PanelPlan, name: str) -> dict[str, bytes]:
    """Every file of a panel by its name in the zip."""
    copper = max((key[2] for key in plan.layers if key[0] is RoleKind.COPPER), default=0)
    made: list[tuple[Role, Content, bytes]] = []
    profile = merging.lines_along([plan.drawn], "Profile")
    layers = [*plan.layers.items(), ((RoleKind.PROFILE, None, 1, 0), profile)]
    for (kind, side, index, _), file in layers:
        role = Role(kind=kind, side=side, layer=index if kind is RoleKind.COPPER else None)
        stated = file.attributes.get(".FileFunction") or function_of(role, copper).split(",")
        whole = with_fields(file, attributes=_attributes(tuple(stated), polarity_of(role)))
        made.append((role, whole, write_gerber(whole)))
    for role, drill in plan.drills.items():
        whole_drill = with_fields(
            drill, attributes=_attributes(drill.attributes[".FileFunction"], "Positive")
        )
        made.append((with_fields(role, layer=None), whole_drill, write_drill(whole_drill)))
    if plan.netlist is not None:
        made.append((Role(kind=RoleKind.NETLIST), plan.netlist, write_netlist(plan.netlist)))
    files = names_by_rule(
        {
            str(number): PackageFile(
                name=str(number), data=data, role=role, confidence=1.0, reason="", content=content
            )
            for number, (role, content, data) in enumerate(made)
        },
        name,
    )
    contents = {member: file.data for member, file in files.items()}
    stem = file_stem(name)
    contents[f"{stem}-job.gbrjob"] = write_job(_job(plan, name, files, copper))
    placed = [part for part in plan.components if part.x_mm is not None]
    if placed:
        contents[f"{stem}-placement.csv"] = to_csv(_placement_table(placed)).encode()
    if any(part.value or part.footprint for part in plan.components):
        contents[f"{stem}-parts.csv"] = to_csv(_parts_table(plan.components)).encode()
    contents[README] = _readme(plan, name, files).encode()
    return contents


def _attributes(function: tuple[str, ...], polarity: str) -> dict[str, tuple[str, ...]]:
    return {
        ".GenerationSoftware": SOFTWARE,
        ".Part": ("Array",),
        ".SameCoordinates": ("panel",),
        ".FileFunction": function,
        ".FilePolarity": (polarity,),
    }


def _job(plan: PanelPlan, name: str, files: Mapping[str, PackageFile], copper: int) -> JobFile:
    width, height = plan.size_mm
    entries = []
    for member, file in files.items():
        stated = getattr(file.content, "attributes", {})
        if ".FileFunction" in stated:
            polarity = stated[".FilePolarity"][0]
            entries.append(
                JobFileEntry(path=member, function=stated[".FileFunction"], polarity=polarity)
            )
    thick = [c.board.thickness_mm for c in plan.copies if c.board.thickness_mm is not None]
    return JobFile(
        name="",
        project=name,
        revision=None,
        size_mm=(round(width, 3), round(height, 3)),
        layers=copper or None,
        thickness_mm=thick[0] if thick else None,
        finish=None,
        files=tuple(entries),
        design_rules=(),
        stackup=(),
        raw={"Header": {"GenerationSoftware": GENERATED_BY}},
    )


def _placement_table(parts: Sequence[Component]) -> Table:
    columns = columns_of("Designator", "Value", "Footprint", "Mid X", "Mid Y", "Rotation", "Side")
    return Table(
        columns,
        tuple(
            (
                part.ref,
                part.value,
                part.footprint,
                f"{part.x_mm:.4f}mm",
                f"{part.y_mm:.4f}mm",
                format_number(part.rotation_deg or 0.0, digits=2),
                (part.side or "").capitalize(),
            )
            for part in parts
        ),
    )


def _parts_table(parts: Sequence[Component]) -> Table:
    groups = gather(((p.value, p.footprint, p.part_number, p.manufacturer), p.ref) for p in parts)
    return Table(
        columns_of("Designators", "Quantity", "Value", "Footprint", "Part number", "Manufacturer"),
        tuple((" ".join(refs), len(refs), *key) for key, refs in groups.items()),
    )


def _readme(plan: PanelPlan, name: str, files: Mapping[str, PackageFile]) -> str:
    width, height = plan.size_mm
    lines = [name, "=" * len(name), "", f"A panel of {counted(len(plan.copies), 'board')}.", ""]
    size = f"{format_number(width, digits=2)} × {format_mm(height, digits=2)}"
    lines += [f"{'Size:':<20}{size}"]
    if plan.measures.scored:
        lines += [f"{'Score lines:':<20}{len(plan.frame.score)}, from edge to edge, no gap"]
    else:
        bites = format_mm(plan.measures.bite)
        lines += [f"{'Routed gap:':<20}{format_mm(plan.measures.gap)}"]
        lines += [f"{'Break-off tabs:':<20}{len(plan.frame.tabs)}, perforated by holes of {bites}"]
    lines += headed("Boards")
    for copy in plan.copies:
        turned = 90 * copy.placing.quarter_turns
        lines.append(
            f"{copy.prefix:<6}{copy.label}" + (f", turned by {turned} deg" if turned else "")
        )
    lines += ["", "Names of nets and parts begin with the number of their board."]
    lines += headed("Files")
    longest = max(map(len, files), default=0) + 2
    lines += [f"{member:<{longest}}{file.role}" for member, file in files.items()]
    lines += headed("Breaking apart")
    lines += [caution(scored=plan.measures.scored), f"Made by fabkit {VERSION}."]
    return "\n".join(lines) + "\n"


# Proof


def cut_apart(plan: PanelPlan, panel_board: Board) -> Iterator[tuple[Copy, Board]]:
    """Cut each board out of the panel, and lay it back as it was."""
    for copy in plan.copies:
        profile = copy.profile
        yield copy, place_board(cut_out(panel_board, profile), copy.placing.undone())


def _refuse_difference(plan: PanelPlan, again: Board) -> None:
    """Refuse a panel that does not give back the boards that went in."""
    if again.profile is None:
        raise _not_back("it has no outline")
    # Holes that run into a cut-out are read as part of it; they are compared by themselves.
    off = shapely.symmetric_difference(again.profile, plan.profile)
    off = shapely.difference(off, shapely.buffer(again.opening, _EDGE_MM))
    parts = shapely.get_parts(shapely.buffer(off, -_EDGE_MM))
    if len(parts := parts[~shapely.is_empty(parts)]):
        worst = parts[int(shapely.area(parts).argmax())]
        at, area = worst.representative_point(), format_number(worst.area, digits=3)
        place = f"{format_number(at.x, digits=1)}, {format_mm(at.y, digits=1)}"
        raise _not_back(
            f"its outline is another at {place} of the panel, by {area} mm² there, as where pads"
            " lie in a cut-out"
        )
    for copy, board in cut_apart(plan, again):
        for mine, other, what in (
            (copy.board.holes, board.holes, "holes"),
            (copy.board.slots, board.slots, "slots"),
        ):
            if not np.array_equal(_rows(mine, copy, plan), _rows(other, copy, plan)):
                raise _not_back(f"the {what} of {copy.label} differ")


def _seen_otherwise(plan: PanelPlan, again: Board) -> Iterator[str]:
    """Say where check counts other boards: a plate beside a circuit may pass for a rail."""
    seen = again.panel.count if again.panel is not None else 1
    if seen != len(plan.copies):
        yield f"`fabkit check` sees {counted(seen, 'board')} on it, as the others hold few pads"


def _not_back(why: str) -> OutputRefused:
    return OutputRefused(
        f"the panel does not read back as its boards: {why}",
        hint="nothing was kept; order the boards one by one, and report this",
    )


def _rows(cuts: Holes | BoardSlots, copy: Copy, plan: PanelPlan) -> Floats:
    """Places and sizes of cuts on the board, rounded to what is written, in one order."""
    rows = cut_rows(cuts, "diameter").round(4) + 0.0
    near = shapely.buffer(copy.board.profile, plan.measures.gap / 4)
    on = shapely.intersects_xy(near, rows[:, 0], rows[:, 1])
    return in_order(rows[on & (rows[:, -1] > 0)])


# Labels


def _labelled(plan: PanelPlan) -> tuple[PanelPlan, tuple[str, ...]]:
    """Write the name of each board into the legend of the waste beside it."""
    if not plan.frame.waste:
        return plan, (*plan.remarks, "no waste beside the boards, so they are not labelled")
    key: merging.LayerKey = (RoleKind.LEGEND, "top", 1, 0)
    if key not in plan.layers:
        return plan, (*plan.remarks, "no legend of the front, so boards are not labelled")
    from fabkit.pictures.scene import letters, text_width

    shapes: list[shapely.Geometry] = []
    remarks = [*plan.remarks]
    taken = [
        shapely.buffer(shapely.points(plan.frame.tooling), plan.measures.tooling_hole),
        shapely.buffer(shapely.points(plan.frame.fiducials), 2 * plan.measures.fiducial),
        shapely.linestrings(plan.frame.score.reshape(-1, 2, 2)),
    ]
    busy = [shape for group in taken for shape in np.atleast_1d(group)]
    for copy in plan.copies:
        width = text_width(copy.label, _LABEL_MM)
        place = _label_place(plan, copy, width, busy)
        if place is None:
            remarks.append(f"no room beside {copy.label} for its label")
            continue
        x, y, turned = place
        # Half of a capital's height below the middle of the text.
        dx, dy = (_LABEL_MM / 2, 0.0) if turned else (0.0, -_LABEL_MM / 2)
        text = letters(
            copy.label, x + dx, y + dy, _LABEL_MM, align="middle", turned_deg=90.0 * turned
        )
        shapes += _glyphs(text.contours)
        half = np.array([width, _LABEL_MM])[:: -1 if turned else 1] / 2 + 1.0
        busy.append(shapely.box(x - half[0], y - half[1], x + half[0], y + half[1]))
    if not shapes:
        return plan, tuple(remarks)
    layer: GerberFile = plan.layers[key]
    ink = with_areas(blank_layer(), np.array(shapes, dtype=object))
    whole = with_fields(merging.concat_layers([layer, ink]), attributes=layer.attributes)
    return with_fields(plan, layers={**plan.layers, key: whole}), tuple(remarks)


def _glyphs(contours: Sequence[Floats]) -> list[shapely.Geometry]:
    """Areas of letters: contours that run counter-clockwise less those that run the other way."""
    rings = [shapely.LinearRing(ring) for ring in contours]
    solid = [shapely.Polygon(r) for r in rings if r.is_ccw]
    holes = [shapely.Polygon(r) for r in rings if not r.is_ccw]
    whole = shapely.union_all(solid)
    return list(shapely.get_parts(shapely.difference(whole, shapely.union_all(holes))))


def _label_place(
    plan: PanelPlan, copy: Copy, width: float, busy: Sequence[shapely.Geometry]
) -> tuple[float, float, bool] | None:
    """Middle of the free room in the waste that lies nearest to a board, and whether upright."""
    best: tuple[float, float, float, bool] | None = None
    keep = shapely.union_all(busy) if busy else shapely.Polygon()
    others = [c.profile for c in plan.copies if c is not copy]
    for piece in plan.frame.waste:
        free = shapely.difference(piece, keep)
        for turned in (False, True):
            wide, high = (_LABEL_MM, width) if turned else (width, _LABEL_MM)
            boxes, at = _boxes_in(free, wide + 1.0, high + 1.0)
            if not len(boxes):
                continue
            away = shapely.distance(copy.profile, boxes)
            # A label nearer to another board would name that one: each such counts as 50 mm.
            for other in others:
                away = away + 50.0 * (shapely.distance(other, boxes) < away)
            row = int(away.argmin())
            if best is None or away[row] < best[0] - 1e-6:
                best = (float(away[row]), float(at[row, 0]), float(at[row, 1]), turned)
    return None if best is None else best[1:]


def _boxes_in(free: shapely.Geometry, wide: float, high: float) -> tuple[Shapes, Floats]:
    """Boxes of a size that lie in an area, on a grid, and their middles."""
    x0, y0, x1, y1 = free.bounds
    x = np.arange(x0 + wide / 2, x1 - wide / 2 + 1e-9, _LABEL_STEP_MM)
    y = np.arange(y0 + high / 2, y1 - high / 2 + 1e-9, _LABEL_STEP_MM)
    if not len(x) or not len(y):
        return np.empty(0, dtype=object), np.empty((0, 2))
    at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    boxes = shapely.box(
        at[:, 0] - wide / 2, at[:, 1] - high / 2, at[:, 0] + wide / 2, at[:, 1] + high / 2
    )
    shapely.prepare(free)
    inside = shapely.contains(free, boxes)
    return boxes[inside], at[inside]


# What it costs


def _prices(
    plan: PanelPlan,
    again: Board,
    boards: Sequence[Board],
    house: House,
    order: Order | None,
) -> tuple[tuple[PanelPrice, ...], tuple[str, ...]]:
    """Price the least number of panels that may be ordered, and as many boards singly."""
    choice = order.choice if order is not None else BoardChoice()
    pieces = house.next_quantity(1)
    counts = [sum(copy.board is board for copy in plan.copies) for board in boards]
    several = sum(counts) > 1
    panels = [
        Job(
            facts=facts_from_board(again),
            quantity=pieces,
            designs=len(boards),
            panel=several,
        )
    ]
    singly = [
        Job(facts=facts_from_board(board), quantity=house.next_quantity(pieces * count))
        for board, count in zip(boards, counts, strict=True)
    ]
    try:
        rates = rates_of(house)
        found = []
        for way, jobs in (("on panels", panels), ("one by one", singly)):
            terms = (e.value for job in jobs for e in board_elements(job, house, choice))
            ordered = sum(job.quantity for job in jobs)
            found.append(
                PanelPrice(
                    way=way,
                    pieces=ordered,
                    boards=ordered * sum(counts) if jobs is panels else ordered,
                    amount=rates.currency.round(sum(terms, Decimal(0))),
                    currency=rates.currency.code,
                )
            )
    except Unpriced as error:
        return (), (f"not priced: {error.message}",)
    return tuple(found), ()


# What is reported


def panel_words(plan: PanelPlan) -> str:
    """Say how many boards lie on it, how large it is, what parts them and what is wasted."""
    width, height = plan.size_mm
    size = f"{format_number(width, digits=2)} × {format_mm(height, digits=2)}"
    lines, boxes = len(plan.frame.score), plan.boxes_mm2
    held = counted(lines, "score line") if lines else counted(len(plan.frame.tabs), "tab")
    by = (
        f"; laid by their boxes {100 - 100 * plan.boards_mm2 / boxes:.0f} %"
        if math.isfinite(boxes)
        else ""
    )
    return (
        f"{counted(len(plan.copies), 'board')} on {size}, {held};"
        f" waste {100 * plan.waste_share:.0f} %{by}"
    )


def panel_causes(done: PanelResult) -> list[Record]:
    """Give what stops the panel or is to decide, worst first, with its reason."""
    return [
        {
            "id": group[0].id,
            "consequence": consequence.word,
            "text": group[0].message,
            "remedy": group[0].remedy,
        }
        for consequence in (Consequence.STOP, Consequence.DECIDE)
        for group in done.result.causes(consequence)
    ]


def panel_record(done: PanelResult) -> Record:
    """Record a panel: what lies where, what holds it, and what is wasted."""
    plan = done.plan
    width, height = plan.size_mm
    boxes = plan.boxes_mm2
    return {
        "path": done.packed.path.as_posix(),
        "sha256": done.packed.sha256,
        "verdict": done.result.verdict,
        "words": panel_words(plan),
        "causes": panel_causes(done),
        "width_mm": width,
        "height_mm": height,
        "gap_mm": plan.measures.gap,
        "waste_share": plan.waste_share,
        "boxes_waste_share": 1 - plan.boards_mm2 / boxes if math.isfinite(boxes) else None,
        "boards": [
            {
                "number": number,
                "label": copy.label,
                "package": name_alone(copy.board.package.source),
                "prefix": copy.prefix,
                "turned_deg": 90 * copy.placing.quarter_turns,
                "x_mm": copy.placing.dx_mm,
                "y_mm": copy.placing.dy_mm,
            }
            for number, copy in enumerate(plan.copies, start=1)
        ],
        "tabs": [
            {
                "board": tab.board + 1,
                "to": tab.other + 1 if tab.other is not None else None,
                "x_mm": tab.middle[0],
                "y_mm": tab.middle[1],
            }
            for tab in plan.frame.tabs
        ],
        "score_lines": [
            dict(zip(("x0_mm", "y0_mm", "x1_mm", "y1_mm"), line, strict=True))
            for line in plan.frame.score.tolist()
        ],
        "tooling_holes": [{"x_mm": x, "y_mm": y} for x, y in plan.frame.tooling.tolist()],
        "fiducials": [{"x_mm": x, "y_mm": y} for x, y in plan.frame.fiducials.tolist()],
        "members": [{"name": n, "sha256": d} for n, d in sorted(done.packed.members.items())],
        "prices": [
            picked(price, "way", "pieces", "boards", "amount", "currency") for price in done.prices
        ],
        "remarks": list(done.remarks),
    }


def panel_picture(done: PanelResult) -> bytes:
    """Draw the front of a panel with its size, and where it is parted."""
    from fabkit.outputs.drawings import sheet_bytes
    from fabkit.pictures.sheets import PanelLook, panel_sheet

    plan = done.plan
    look = PanelLook(
        names=[copy.label for copy in plan.copies],
        boards=np.array([copy.profile for copy in plan.copies], dtype=object),
        waste=np.array(plan.frame.waste, dtype=object),
        tabs=np.array([tab.shape for tab in plan.frame.tabs], dtype=object),
        score=plan.frame.score,
    )
    return sheet_bytes(panel_sheet(done.board, look), "png")


def print_panel(console: Terminal, panel: Record) -> None:
    """Print what lies on a panel, what it wastes, and what to do with it."""
    for board in panel["boards"]:
        turned = f", turned by {board['turned_deg']} deg" if board["turned_deg"] else ""
        console.print(f"  {board['prefix']} {board['label']}{turned}")
    for remark in panel["remarks"]:
        console.print(f"  note: {remark}", style="dim")
    console.print(panel["words"])
    for price in panel["prices"]:
        of = f"{counted(price['pieces'], 'piece')}, {counted(price['boards'], 'board')}"
        console.print(
            f"{price['way']}: {of} at {price['amount']} {price['currency']}, without shipping"
        )
    print_panel_verdict(console, panel, path=panel["path"])
    console.print("upload: ", (panel["path"], "bold"), f" (SHA-256 {panel['sha256']})")
    for line in caution(scored=bool(panel["score_lines"])).splitlines():
        console.print(line, style="dim")
