"""Lays files on each other: exchanged plating, other units, shifted and mirrored files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.limits import Limits
from fabkit.base.units import INCH_MM, format_mm, format_number
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import read as read_drill
from fabkit.formats.gerber.model import GerberFile, pen_widths
from fabkit.formats.gerber.reader import UNIT_MISSING
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.geometry.segments import Placing, join_boxes
from fabkit.package.content import Look, hole_middles
from fabkit.package.model import Content, Member, Role, RoleKind
from fabkit.package.registration import FACTORS, FEW, FIT_MM, FITS, Fit
from fabkit.package.roles import CONTENT_DISAGREES
from fabkit.rules import load_rule

SHIFTED: Final = load_rule("register/shifted")
MIRRORED: Final = load_rule("register/mirrored")
SCALED: Final = load_rule("register/other-unit")
STRETCHED: Final = load_rule("register/stretched")
LOOSE: Final = load_rule("register/no-fit")

_WHAT: Final = {
    RoleKind.DRILL: ("holes", "pads"),
    RoleKind.MASK: ("openings", "pads and holes"),
    RoleKind.PASTE: ("openings", "pads"),
    RoleKind.COPPER: ("pads", "openings and holes"),
}
_MARGIN_MM: Final = 1.0
_CLOSE: Final = 1.5
"""A profile is at most this many times as large as what it surrounds (a choice of ours)."""
_PRINT_SLACK: Final = 0.25
"""Share of the board's size by which a legend may reach beyond the layers."""
_PENS_MM: Final = (0.04, 2.0)
"""Strokes of legends are neither thinner nor wider (published maker guides: 0.1 to 0.3 mm)."""
_FEW_HOLES: Final = 3
"""Fewer holes outside the board are defects of their own."""
_CALLED: Final = 0.9
"""Share of holes with pads, from which on they are all plated (common practice)."""


def lay(
    members: Sequence[Member],
    contents: list[Content],
    roles: Sequence[Role],
    fits: Mapping[int, Fit],
    limits: Limits,
) -> list[Finding]:
    """Lay files as found; ``contents`` is changed in place.

    Returns
    -------
    A finding for each file that is off, with what it was, and what the board goes on with.
    """
    findings: list[Finding] = []
    for i, fit in sorted(fits.items()):
        member = members[i]
        finding = _finding(member.name, roles[i], fit)
        if _beside(contents, roles, i):
            # Nobody drills a board beside itself: the house lays such files back, or asks.
            finding = replace(finding, severity=Severity.WARNING)
        findings.append(finding)
        if fit.factor != 1.0:
            contents[i] = _read_scaled(member, contents[i], fit.factor, limits)
        if fit.placing != Placing() and fit.stretch == 1.0:
            contents[i] = _placed(contents[i], fit.placing)
    findings += _lay_profile(members, contents, roles, fits, limits)
    findings += _scale_legends(members, contents, roles, limits)
    return findings


def _beside(contents: Sequence[Content], roles: Sequence[Role], i: int) -> bool:
    """Whether a drill file lies wholly beside all layers, with every other one."""
    rest = _extent(contents, roles)
    if rest is None or roles[i].kind is not RoleKind.DRILL:
        return False
    holes = _holes(contents, roles)
    return not ((holes >= rest[:2]) & (holes <= rest[2:])).all(axis=1).any()


def _holes(contents: Sequence[Content], roles: Sequence[Role]) -> Floats:
    """Middles of all drilled holes, mm, (n, 2)."""
    files = zip(contents, roles, strict=True)
    return hole_middles(content for content, role in files if role.kind is RoleKind.DRILL)


def hear_plating(
    members: Sequence[Member],
    contents: Sequence[Content],
    roles: Sequence[Role],
    looks: Mapping[int, Look],
) -> Iterator[Finding]:
    """Plated and bare holes exchanged: those called bare lie on pads, those called plated on none.

    To be asked of files that lie on each other.
    """
    copper = [
        looks[i] for i, role in enumerate(roles) if role.side and role.kind is RoleKind.COPPER
    ]
    on_pads: dict[int, float] = {}
    for i, content in enumerate(contents):
        if isinstance(content, DrillFile) and copper and len(content.hits) >= FEW:
            holes = content.hits.spots()
            on_pads[i] = max(look.index.share(holes) for look in copper)
    plated = [i for i in on_pads if roles[i].plated is True and on_pads[i] <= 1 - _CALLED]
    bare = [i for i in on_pads if roles[i].plated is False and on_pads[i] >= _CALLED]
    if not plated or not bare:
        return
    names = members[plated[0]].name, members[bare[0]].name
    yield Finding.of(
        CONTENT_DISAGREES,
        f"{names[0]} is taken for plated holes, {names[1]} for non-plated ones; but "
        f"{_percent(on_pads[plated[0]])} of the former and {_percent(on_pads[bare[0]])} of the "
        "latter lie on pads",
        *(Place(file=name) for name in names),
        assumed="used as they are called",
    )


def _placed(content: Content, placing: Placing) -> Content:
    return content.placed(placing) if isinstance(content, GerberFile | DrillFile) else content


def _read_scaled(member: Member, content: Content, factor: float, limits: Limits) -> Content:
    """Read with the unit or the digits that make coordinates ``factor`` times as large."""
    digits = round(np.log10(factor)) if factor in (10.0, 0.1, 100.0, 0.01) else 0
    if isinstance(content, GerberFile):
        unit = content.unit_mm if digits else (INCH_MM if factor > 1 else 1.0)
        again = read_gerber(
            member.data, name=member.name, limits=limits, unit_mm=unit, more_decimals=-digits
        )
        # The second reading was given what the file lacks, and so would not miss it.
        return replace(again, problems=content.problems)
    if isinstance(content, DrillFile):
        given = replace(
            content.format,
            unit=content.format.unit if digits else ("inch" if factor > 1 else "mm"),
            integers=content.format.integers + digits,
            decimals=content.format.decimals - digits,
        )
        drill = read_drill(member.data, name=member.name, limits=limits, number_format=given)
        return replace(drill, problems=content.problems)
    return content


def _finding(name: str, role: Role, fit: Fit) -> Finding:
    what = "the drill file" if role.kind is RoleKind.DRILL else f"the {role}"
    points, counterparts = _WHAT[role.kind]
    if role.plated is False:
        counterparts = "openings"
    lands = f"{_percent(fit.after)} of its {points} land on {counterparts}"
    misses = f"({_percent(fit.before)} as it is, {_percent(fit.next_best)} by the next best move)"
    place = Place(file=name)
    shift = fit.placing
    if not fit.moves:
        return Finding.of(
            LOOSE,
            f"only {_percent(fit.before)} of the {points} of {what} lie on {counterparts}, however "
            "it is moved",
            place,
            measured=fit.before,
            limit=FITS,
        )
    if fit.stretch != 1.0:
        percent = 100 * (1 / fit.stretch - 1)
        return Finding.of(
            STRETCHED,
            f"{what} is stretched by {format_number(percent)} %; without that, {lands} "
            f"({_percent(fit.before)} as it is)",
            place,
            measured=percent,
            unit="%",
            assumed="used as it is",
        )
    if fit.factor != 1.0:
        return _scaled(what, fit.factor, f"{lands} {misses}", place)
    if shift.mirrored or shift.quarter_turns:
        turned = f"turned by {90 * shift.quarter_turns}°" if shift.quarter_turns else ""
        about = f"mirrored about the vertical line x = {format_mm(shift.dx_mm / 2)}"
        how = " and ".join([about] * shift.mirrored * (not turned) or ["mirrored"] * shift.mirrored)
        how = " and ".join(word for word in (how, turned) if word)
        return Finding.of(
            MIRRORED,
            f"{what} is {how}; turned back, {lands} {misses}",
            place,
            measured=shift.dx_mm / 2,
            unit="mm",
            assumed="used turned back",
        )
    return _shifted(what, shift, f"; moved back, {lands} {misses}", place)


def _scaled(what: str, factor: float, then: str, place: Place) -> Finding:
    times, size = max(factor, 1 / factor), "small" if factor > 1 else "large"
    return Finding.of(
        SCALED,
        f"{what} is {format_number(times)} times too {size}; read in the right size, {then}",
        place,
        measured=times,
        unit="times",
        assumed="used in the right size",
    )


def _shifted(what: str, shift: Placing, then: str, place: Place) -> Finding:
    dx, dy = (f"{-mm + 0.0:.2f}" for mm in (shift.dx_mm, shift.dy_mm))
    return Finding.of(
        SHIFTED,
        f"{what} lies {dx}, {dy} mm off{then}",
        place,
        measured=float(np.hypot(shift.dx_mm, shift.dy_mm)),
        limit=FIT_MM,
        unit="mm",
        assumed="used moved back",
    )


def _percent(share: float) -> str:
    return f"{format_number(100 * share, digits=0)} %"


def _lay_profile(
    members: Sequence[Member],
    contents: list[Content],
    roles: Sequence[Role],
    fits: Mapping[int, Fit],
    limits: Limits,
) -> Iterator[Finding]:
    """Lay a profile around everything, where copper and holes lie outside it.

    In another size it surrounds all, or it goes where another file of the export goes, when that
    surrounds all; else its middle is laid on the middle of the rest, when that fits inside it.
    """
    profiles = [
        i
        for i, role in enumerate(roles)
        if role.kind is RoleKind.PROFILE and isinstance(contents[i], GerberFile)
    ]
    rest = _extent(contents, roles)
    if not profiles or rest is None:
        return
    box = _box_of(contents[i] for i in profiles)
    if box is None:
        return
    low, high = rest[:2], rest[2:]
    factor = _times_off(box, rest)
    # A mistaken unit makes a file in millimetres too small, and one in inches too large.
    unit = {INCH_MM: 1.0, 1 / INCH_MM: INCH_MM}.get(factor or 0.0)
    units = {c.unit_mm for i in profiles if isinstance(c := contents[i], GerberFile)}
    if factor is not None and (unit is None or units == {unit}):
        for i in profiles:
            contents[i] = _read_scaled(members[i], contents[i], factor, limits)
            place = Place(file=members[i].name)
            yield _scaled("the profile", factor, "it surrounds all layers", place)
        return
    apart = (box[2:] < low).any() or (box[:2] > high).any()
    spare = (box[2:] - box[:2]) - (high - low)
    fits_in = (spare >= -2 * _MARGIN_MM).all()
    beyond = np.maximum(box[:2] - low, high - box[2:])
    # A profile that overlaps the layers may be right: some copper and text of a film lie outside
    # many.  Where holes do, too, or where all that lies outside would just fit in, it is off.
    filled = ((beyond > _MARGIN_MM) & (beyond > 2 * np.abs(spare))).any()
    if not fits_in or not (apart or filled or _holes_outside(contents, roles, box, rest)):
        return
    moves = [
        fit.placing
        for fit in fits.values()
        if fit.placing != Placing() and fit.factor == fit.stretch == 1
    ]
    middle = (low + high - box[:2] - box[2:]) / 2
    chosen = Placing(dx_mm=float(middle[0]), dy_mm=float(middle[1]))
    sure = False
    for placing in moves:
        at = placing.points(box.reshape(2, 2))
        inside = at.min(axis=0) - _MARGIN_MM <= low, at.max(axis=0) + _MARGIN_MM >= high
        if inside[0].all() and inside[1].all():
            chosen, sure = placing, True
    how = (
        "moved back as another file of the set, it surrounds all layers"
        if sure
        else f"its middle laid on theirs, within {format_mm(max(float(spare.max()) / 2, 0.0))}"
    )
    where = "beside all layers" if apart else "with parts of the layers outside"
    for i in profiles:
        contents[i] = _placed(contents[i], chosen)
        place = Place(file=members[i].name)
        yield _shifted("the profile", chosen, f", {where}; {how}", place)


def _times_off(box: Floats, rest: Floats) -> float | None:
    """Factor of a unit or digits mistake that makes a profile surround the rest closely."""

    def surrounds(by: Floats) -> bool:
        around = (by[:2] <= rest[:2] + _MARGIN_MM) & (by[2:] >= rest[2:] - _MARGIN_MM)
        close = by[2:] - by[:2] <= _CLOSE * (rest[2:] - rest[:2])
        return bool(around.all() and close.all())

    if surrounds(box):
        return None
    return next((f for f in FACTORS if surrounds(box * f)), None)


def _scale_legends(
    members: Sequence[Member], contents: list[Content], roles: Sequence[Role], limits: Limits
) -> Iterator[Finding]:
    """Read a legend in the other unit, where only then it lies on the board in usual strokes."""
    rest = _extent(contents, roles)
    if rest is None:
        kinds = zip(contents, roles, strict=True)
        rest = _box_of(c for c, role in kinds if role.kind is RoleKind.PROFILE)
    if rest is None:
        return
    slack = _PRINT_SLACK * (rest[2:] - rest[:2]) + _MARGIN_MM
    for i, role in enumerate(roles):
        content = contents[i]
        if role.kind is not RoleKind.LEGEND or not isinstance(content, GerberFile):
            continue
        pen = _usual_pen(content)
        for factor, stated in ((INCH_MM, 1.0), (1 / INCH_MM, INCH_MM)):
            box = np.array(content.bounds) * factor
            on_board = (box[:2] >= rest[:2] - slack).all() and (box[2:] <= rest[2:] + slack).all()
            if content.unit_mm != stated or not on_board:
                continue
            covers = bool((box[2:] - box[:2] >= 0.5 * (rest[2:] - rest[:2])).any())
            apart = (box[2:] / factor < rest[:2]).any() or (box[:2] / factor > rest[2:]).any()
            odd_pen = pen is not None and not _is_pen(pen) and _is_pen(pen * factor)
            if odd_pen or (covers and (pen is None or apart)):
                contents[i] = _read_scaled(members[i], content, factor, limits)
                place = Place(file=members[i].name)
                yield _scaled(f"the {role}", factor, "it lies on the board", place)
                break


def _usual_pen(file: GerberFile) -> float | None:
    """Width of most strokes, mm; None without any."""
    widths = pen_widths(file, np.flatnonzero(file.objects.stroked))
    widths = widths[widths > 0]
    return float(np.median(widths)) if len(widths) else None


def _is_pen(width: float) -> bool:
    return _PENS_MM[0] <= width <= _PENS_MM[1]


def _holes_outside(
    contents: Sequence[Content], roles: Sequence[Role], box: Floats, rest: Floats
) -> bool:
    """Whether holes and copper lie beyond the same side of a profile's box."""
    x, y = _holes(contents, roles).T
    sides = zip(
        (x < box[0], y < box[1], x > box[2], y > box[3]),
        (box[:2] - rest[:2]).tolist() + (rest[2:] - box[2:]).tolist(),
        strict=True,
    )
    return any(
        np.count_nonzero(beyond) >= _FEW_HOLES and copper > _MARGIN_MM for beyond, copper in sides
    )


def _extent(contents: Sequence[Content], roles: Sequence[Role]) -> Floats | None:
    """Box of copper and masks, mm; None without any."""
    kinds = (RoleKind.COPPER, RoleKind.MASK)
    return _box_of(
        content
        for content, role in zip(contents, roles, strict=True)
        if role.kind in kinds and isinstance(content, GerberFile) and len(content.objects) >= FEW
    )


_COVERS: Final = 0.2
"""Share of the common box that both must cover."""
_CLEARLY: Final = 3.0
"""One unit fits when it covers this many times more than the other."""


def read_unitless(members: Sequence[Member], contents: list[Content], limits: Limits) -> None:
    """Read files without a unit again in the one that fits; ``contents`` is changed in place.

    They are laid on layers with a unit; without any, on drill files that state their format.
    """
    missing = [i for i, content in enumerate(contents) if _lacks_unit(content)]
    if not missing:
        return
    known = _box_of(c for c in contents if isinstance(c, GerberFile) and len(c.objects))
    if known is None:
        known = _box_of(c for c in contents if isinstance(c, DrillFile) and not c.needs_format)
    if known is None:
        return
    for i in missing:
        member = members[i]
        tried = [
            read_gerber(member.data, name=member.name, limits=limits, unit_mm=unit)
            for unit in (INCH_MM, 1.0)
        ]
        covers = [_common(np.array(file.bounds), known) for file in tried]
        best = int(np.argmax(covers))
        if covers[best] >= _COVERS and covers[best] >= _CLEARLY * covers[1 - best]:
            contents[i] = tried[best]


def _lacks_unit(content: Content) -> bool:
    return (
        isinstance(content, GerberFile)
        and not len(content.objects)
        and any(problem.rule is UNIT_MISSING for problem in content.problems)
    )


def _box_of(contents: Iterable[Content]) -> Floats | None:
    """Box of layers and of holes, mm; None without any."""
    found = list(contents)
    boxes = [c.bounds for c in found if isinstance(c, GerberFile)]
    hits = [c.hits for c in found if isinstance(c, DrillFile) and len(c.hits)]
    boxes += [(h.x.min(), h.y.min(), h.x.max(), h.y.max()) for h in hits]
    box = join_boxes(boxes)
    return None if box is None else np.array(box)


def _common(one: Floats, other: Floats) -> float:
    """Area that two boxes share, of the area of the box around both."""
    if not np.isfinite(one).all():
        return 0.0
    low, high = np.maximum(one[:2], other[:2]), np.minimum(one[2:], other[2:])
    around = np.maximum(one[2:], other[2:]) - np.minimum(one[:2], other[:2])
    return float(np.prod(np.maximum(high - low, 0.0)) / max(np.prod(around), 1e-12))
