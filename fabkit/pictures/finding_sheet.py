"""Findings numbered on the board with the list beside it, and a small picture of one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats
from fabkit.base.findings import Consequence, Finding, Place, times
from fabkit.base.units import counted, format_mm
from fabkit.board.model import Board
from fabkit.formats.gerber.model import object_boxes
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import Side
from fabkit.pictures import looks
from fabkit.pictures.finished import SIDES, finished_face
from fabkit.pictures.looks import USUAL_LOOK, PreviewOptions
from fabkit.pictures.scene import (
    Fill,
    Film,
    Frame,
    Letters,
    Part,
    Pen,
    Placed,
    Scene,
    SceneDraft,
    Sheet,
    Stencil,
    letters,
    text_width,
    wrapped,
)
from fabkit.pictures.sheets import (
    GAP_MM,
    enlargement,
    face_name,
    letter_size,
    on_sheet,
    scale_note,
    scales_up_to,
)

TONES: Final = {
    Consequence.STOP: looks.VERMILION,
    Consequence.DECIDE: looks.ORANGE,
    Consequence.KNOW: looks.SKY_BLUE,
    Consequence.FORM: looks.SKY_BLUE,
}
"""Each consequence is also written out in the list, so no one needs to see the colour."""

VEIL: Final = 0.45
"""How far the board steps back behind the numbers."""

LIST_WIDTH: Final = 42
"""Width of the list in heights of its letters."""

INDENT: Final = 4.2
"""Left edge of the list's text in heights of its letters."""

SMALL: Final = 0.85
"""Size of places and advice against messages."""

SHOWN: Final = 0.25
"""How far off the board a place is still shown, as a share of the board's longer side."""

CROWDED: Final = 0.5
"""Share of the board that marks may cover at their usual size; beyond it they get smaller."""

SMALLEST: Final = 0.55
"""Smallest size of marks against the letters of the list."""

LONGEST_MM: Final = 200.0
"""A board is not drawn larger than this for want of room."""

ENOUGH: Final = 0.9
"""Share of the places that should find room for a mark; otherwise the board is drawn larger."""

APART: Final = 3.0
"""Places of one finding that lie nearer than this, in heights of letters, share a mark."""

Mark = tuple[int, float, float]
"""Number of the finding, x, y."""


def _is_shown(board: Board, place: Place) -> bool:
    """Whether a place lies on the board or near it; a layer may lie half a metre off."""
    if place.x_mm is None or place.y_mm is None:
        return False
    x0, y0, x1, y1 = board.bounds
    room = SHOWN * max(board.size_mm)
    return x0 - room <= place.x_mm <= x1 + room and y0 - room <= place.y_mm <= y1 + room


def _spots(board: Board, findings: Sequence[Finding], side: Side, apart: float) -> list[Mark]:
    """Places of findings on a face; places without a side are shown on the front."""
    spots: list[Mark] = []
    for number, finding in enumerate(findings, start=1):
        mine: list[tuple[float, float]] = []
        for place in finding.places:
            if (place.side or "top") != side or not _is_shown(board, place):
                continue
            x, y = float(place.x_mm or 0.0), float(place.y_mm or 0.0)
            # One number stands for a cluster of places of one finding.
            if all(np.hypot(x - a, y - b) > apart for a, b in mine):
                mine.append((x, y))
        spots += [(number, x, y) for x, y in mine]
    return spots


def _room(board: Board, spots: list[Mark], size: float) -> float:
    """Share of the marks' usual size at which they cover no more than they may."""
    width, height = board.size_mm
    covered = max(len(spots), 1) * np.pi * (RING**2 + FLAG**2) * size**2
    return float(np.sqrt(CROWDED * width * height / covered))


def _scale(board: Board, findings: Sequence[Finding], size: float) -> int:
    """How much larger than life the board is drawn: larger where many marks crowd it."""
    for scale in scales_up_to(board, LONGEST_MM):
        marks = [_spots(board, findings, side, APART * size / scale) for side in SIDES]
        flags = [_flags(board, m, size / scale, sign=1.0)[1] for m in marks]
        roomy = min(_room(board, m, size / scale) for m in marks) >= 1.0
        if roomy and sum(map(len, flags)) >= ENOUGH * sum(map(len, marks)):
            break
    return scale


def _flags(
    board: Board, spots: list[Mark], size: float, *, sign: float
) -> tuple[float, list[Flag]]:
    """Size of the marks of a face, and the numbers that find room on it."""
    size *= float(np.clip(_room(board, spots, size), SMALLEST, 1.0))
    at = np.array([s[1:] for s in spots]).reshape(-1, 2)
    return size, place_flags(at, [s[0] for s in spots], size, sign=sign)


def _marked(
    board: Board,
    side: Side,
    findings: Sequence[Finding],
    spots: list[Mark],
    options: PreviewOptions,
    size: float,
) -> tuple[Scene, int]:
    """Draw a face with its marks, and count the places without room for a number, so unmarked."""
    face = finished_face(board, side, options)
    sign = -1.0 if face.mirrored else 1.0
    size, flags = _flags(board, spots, size, sign=sign)
    dropped = len(spots) - len(flags)
    # A ring without a number would say that something is there, but not what.
    spots = [spots[f[0]] for f in flags]
    at = np.array([s[1:] for s in spots]).reshape(-1, 2)
    flags = [(k, *f[1:]) for k, f in enumerate(flags)]
    away = np.array([f[1:] for f in flags]).reshape(-1, 2)
    reach = np.concatenate(
        (at - RING * size, away - FLAG * size, at + RING * size, away + FLAG * size)
    )
    x0, y0, x1, y1 = face.frame
    corners = np.concatenate((reach, ((x0, y0), (x1, y1))))
    frame = (*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist())
    draft = SceneDraft.over(face, frame)
    draft.coat("veil", looks.PAPER, opacity=VEIL, inside=("profile",), outside=("holes",))
    for consequence in Consequence:
        rows = [k for k, s in enumerate(spots) if findings[s[0] - 1].consequence is consequence]
        if not rows:
            continue
        x, y = at[rows].T
        flag_x, flag_y = away[rows].T
        far = np.hypot(flag_x - x, flag_y - y)
        # Leaders run from the ring, not from the place, so that what is meant stays in sight.
        lead_x, lead_y = x + (flag_x - x) * size / far, y + (flag_y - y) * size / far
        around = np.full(len(x), 2.0 * size)
        draft.coat(
            "rims",
            looks.PAPER,
            Pen.circles(x, y, around, 0.5 * size),
            Pen.lines(lead_x, lead_y, flag_x, flag_y, 0.5 * size),
            Pen.discs(flag_x, flag_y, 2.9 * size),
        )
        draft.coat(
            f"places of {consequence.word}",
            TONES[consequence],
            Pen.circles(x, y, around, 0.26 * size),
            Pen.lines(lead_x, lead_y, flag_x, flag_y, 0.26 * size),
            Pen.discs(flag_x, flag_y, 2.5 * size),
        )
        words = [
            letters(
                str(spots[k][0]), flags[k][1], flags[k][2] - 0.45 * size, _fit(spots[k][0], size),
                align="middle", bold=True, mirrored=face.mirrored,
            )
            for k in rows
        ]  # fmt: skip
        draft.coat("numbers", looks.BLACK, *words)
    return draft.scene(), dropped


def _fit(number: int, size: float) -> float:
    """Height of a number so that it stays inside its disc."""
    return size * {1: 0.95, 2: 0.85}.get(len(str(number)), 0.6)


@dataclass(frozen=True)
class _Entry:
    """One finding as lines of text: the message, then what is set smaller; 0 has no number."""

    number: int
    consequence: Consequence
    lines: tuple[str, ...]
    small: tuple[str, ...]

    def height(self, step: float) -> float:
        """Height with the gap below."""
        return step * (len(self.lines) + len(self.small) + 0.8)


def _entries(board: Board, findings: Sequence[Finding], size: float, rest: str) -> list[_Entry]:
    room = LIST_WIDTH * size - INDENT * size
    out = []
    for number, finding in enumerate(findings, start=1):
        often = times(finding.message, finding.count)
        text = f"{finding.consequence.word}: {finding.message}{often}"
        place = str(finding.places[0]) if finding.places else ""
        placed = [p for p in finding.places if p.x_mm is not None]
        if placed and not any(_is_shown(board, p) for p in placed):
            place += " (off the board, outside this picture)"
        small = [line for t in (place, finding.remedy) for line in wrapped(t, SMALL * size, room)]
        lines = tuple(wrapped(text, size, room))
        out.append(_Entry(number, finding.consequence, lines, tuple(small)))
    if rest:
        out.append(_Entry(0, Consequence.KNOW, tuple(wrapped(rest, size, room)), ()))
    return out


def _columns(entries: list[_Entry], step: float, room: float) -> list[list[_Entry]]:
    """Entries in columns of at most ``room``, in order."""
    columns: list[list[_Entry]] = [[]]
    used = 0.0
    for entry in entries:
        high = entry.height(step)
        if columns[-1] and used + high > room:
            columns.append([])
            used = 0.0
        columns[-1].append(entry)
        used += high
    return columns


def _balanced(entries: list[_Entry], step: float, room: float) -> list[list[_Entry]]:
    """As many columns as ``room`` asks for, and no higher than so many need to be."""
    columns = _columns(entries, step, room)
    low, high = 0.0, room
    while high - low > step / 2:
        middle = (low + high) / 2
        tried = _columns(entries, step, middle)
        if len(tried) > len(columns):
            low = middle
        else:
            columns, high = tried, middle
    return columns


def _list(entries: list[_Entry], size: float, room: float) -> Scene:
    """List number, severity, message, place and advice of all findings, in columns of ``room``."""
    step, width = 1.7 * size, LIST_WIDTH * size
    total = sum(e.height(step) for e in entries)
    # Columns as high as the board, or higher where a long list would otherwise run off sideways.
    room = max(room - 1.5 * step, float(np.sqrt(total * width)), 20 * step)
    words: list[Letters] = []
    discs: dict[Consequence, list[tuple[float, float]]] = {}
    columns = _balanced(entries, step, room)
    for k, column in enumerate(columns):
        x, y = k * (width + GAP_MM), -1.5 * step
        for entry in column:
            if entry.number:
                mark, high = x + 1.6 * size, _fit(entry.number, size)
                discs.setdefault(entry.consequence, []).append((mark, y + size / 2))
                number = letters(
                    str(entry.number), mark, y + 0.05 * size, high, align="middle", bold=True
                )
                words.append(number)
            for text, share in (
                *((t, 1.0) for t in entry.lines),
                *((t, SMALL) for t in entry.small),
            ):
                words.append(letters(text, x + INDENT * size, y, share * size))
                y -= step
            y -= 0.8 * step
    if not entries:
        words.append(letters("No findings.", 0.0, -1.5 * step, size))
    # The first base line lies 1.5 steps down; without entries the one line needs room below it.
    depth = (max(sum(e.height(step) for e in c) for c in columns) or step) + 1.5 * step
    across = len(columns) * (width + GAP_MM) - GAP_MM
    draft = SceneDraft("list of findings", (0.0, -depth, across, 0.0))
    for consequence, places in discs.items():
        at = np.array(places)
        marks = Pen.discs(at[:, 0], at[:, 1], 2.5 * size)
        draft.coat(f"marks of {consequence.word}", TONES[consequence], marks)
    draft.coat("words", looks.INK, *words)
    return draft.scene()


def finding_sheet(
    board: Board,
    findings: Sequence[Finding],
    options: PreviewOptions = USUAL_LOOK,
    *,
    rest: str = "",
) -> Sheet:
    """Draw the findings numbered on the board, with the list beside it.

    The back is shown when a finding lies on it.  Every finding is listed, also those without a
    place on the board; last stands ``rest``, which says what is left out.
    """
    options = on_sheet(options)
    size = letter_size(enlargement(board) * max(board.size_mm))
    scale = _scale(board, findings, size)
    views: list[tuple[str, Scene]] = []
    for side in SIDES:
        spots = _spots(board, findings, side, APART * size / scale)
        if side == "top" or spots:
            view, dropped = _marked(board, side, findings, spots, options, size / scale)
            name = f"{face_name(side, options).capitalize()}{scale_note(scale)}"
            if dropped:
                name += f"; {counted(dropped, 'further place')} without room for a mark"
            views.append((name, view))
    foot = 2.4 * size
    wide = max(max(v.size_mm[0] * scale, text_width(name, size)) for name, v in views)
    views_high = sum(v.size_mm[1] * scale + foot + GAP_MM for _, v in views) - GAP_MM
    listed = _list(_entries(board, findings, size, rest), size, views_high)
    edge = 2.0 * size
    high = max(views_high, listed.size_mm[1]) + 2 * edge
    full = wide + GAP_MM + listed.size_mm[0] + 2 * edge
    ground = SceneDraft("ground", (0.0, 0.0, full, high))
    ground.ground(looks.SURROUNDINGS_LIGHT)
    placed: list[Placed] = []
    words: list[Letters] = []
    top = high - edge
    for name, view in views:
        across, down = (scale * v for v in view.size_mm)
        placed.append(Placed(view, edge + (wide - across) / 2, top - down, scale))
        words.append(letters(name, edge + wide / 2, top - down - 0.8 * foot, size, align="middle"))
        top -= down + foot + GAP_MM
    ground.coat("names", looks.INK, *words)
    placed.insert(0, Placed(ground.scene(), 0.0, 0.0))
    placed.append(Placed(listed, edge + wide + GAP_MM, high - edge - listed.size_mm[1]))
    return Sheet(f"{board.name}: findings", full, high, tuple(placed))


RING: Final = 1.25
"""Outer radius of the ring around a place, in sizes."""

FLAG: Final = 1.45
"""Outer radius of a number's disc with its rim, in sizes."""

_NEAR: Final = (2.75, 3.5)
_FAR: Final = (4.5, 6.0, 8.0, 10.5, 14.0, 18.0, 24.0, 32.0)
"""Distances from place to number that are tried, in sizes."""

_ANGLES: Final = tuple(45 + a for k in range(9) for a in ((20 * k, -20 * k) if k else (0,)))
"""Upper right first, then away from it on both sides, degrees."""

Flag = tuple[int, float, float]
"""Which place it belongs to, and where it stands, mm."""


def place_flags(spots: Floats, numbers: Sequence[int], size: float, *, sign: float) -> list[Flag]:
    """Find room for the number of each place.

    Every number is put up at least once, for its first place; at further places only where there
    is room close by, for the rings show these places, too.

    Parameters
    ----------
    spots : (n, 2) float64, mm
    numbers
        Of each place; the order is that of importance.
    size
        What the distances are measured in, mm.
    sign
        -1 on a face that is seen mirrored.
    """
    firsts = set(np.unique(np.asarray(numbers, dtype=np.int64), return_index=True)[1].tolist())
    flags: list[Flag] = []
    at = np.empty((0, 2))
    for wanted in (True, False):
        for k in range(len(spots)):
            if (k in firsts) is not wanted:
                continue
            found = _free_spot(spots[k], spots, at, size, sign, far=wanted)
            if found is not None:
                flags.append((k, float(found[0]), float(found[1])))
                at = np.vstack((at, found))
    return flags


def _free_spot(
    spot: Floats, spots: Floats, flags: Floats, size: float, sign: float, *, far: bool
) -> Floats | None:
    """Find a place for a number; None when none is close by and ``far`` is not asked for."""
    turned = np.radians(_ANGLES)
    away = np.column_stack((sign * np.cos(turned), np.sin(turned)))
    reaches = np.array((*_NEAR, *_FAR) if far else _NEAR)
    tried = spot + (reaches[:, None, None] * size * away).reshape(-1, 2)
    of_flags = PointTree(flags).query(tried)[0] >= 2 * FLAG * size
    of_rings = PointTree(spots).query(tried)[0] >= (RING + FLAG) * size
    for good in (of_flags & of_rings, of_flags):
        if good.any():
            best: Floats = tried[int(np.argmax(good))]
            return best
        if not far:
            return None
    return np.asarray(tried[0])


# One place


SHAPE: Final = 4 / 3
"""Width of such a picture by its height."""

NARROWEST_MM: Final = 4.0
WIDEST_MM: Final = 16.0
USUAL_MM: Final = 10.0
"""Width of what is shown: least, most, and where nothing was measured (our choice)."""

TIMES: Final = 40.0
"""Width of what is shown by the length that was measured: a gap is then seen in its surroundings,
and still two pixels wide in a picture of a hundred."""

BARS_MM: Final = (0.5, 1.0, 2.0, 5.0)
"""Lengths of scale bars; the longest that takes no more than a third of the width is drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place on a face and how much of its surroundings is shown, mm."""

    side: Side
    x_mm: float
    y_mm: float
    width_mm: float


def shown_width(measured_mm: float | None) -> float:
    """Width of what is shown of a place where a length was measured, mm."""
    if not measured_mm:
        return USUAL_MM
    return float(np.clip(TIMES * abs(measured_mm), NARROWEST_MM, WIDEST_MM))


def spot_scenes(board: Board, spots: Sequence[Spot], options: PreviewOptions) -> list[Scene]:
    """Draw the finished board about each place.

    Of the layers only the objects that reach into a picture are drawn: a whole face has a
    hundred times as many.
    """
    faces: dict[Side, Scene] = {}
    boxes: dict[int, Floats] = {}
    made = []
    for spot in spots:
        if spot.side not in faces:
            faces[spot.side] = finished_face(board, spot.side, options)
        made.append(_about(spot, faces[spot.side], boxes))
    return made


def _about(spot: Spot, face: Scene, boxes: dict[int, Floats]) -> Scene:
    across, up = spot.width_mm / 2, spot.width_mm / SHAPE / 2
    frame = (spot.x_mm - across, spot.y_mm - up, spot.x_mm + across, spot.y_mm + up)
    near = partial(_near, frame=frame, boxes=boxes)
    stencils = {name: near(stencil) for name, stencil in face.stencils.items()}
    draft = SceneDraft.over(replace(face, stencils=stencils), frame)
    x, y, around = (np.array([v]) for v in (spot.x_mm, spot.y_mm, 0.6 * up))
    draft.coat("rim of the ring", looks.PAPER, Pen.circles(x, y, around, 0.11 * up))
    draft.coat("ring", looks.VERMILION, Pen.circles(x, y, around, 0.055 * up))
    _draw_bar(draft, up)
    return draft.scene()


def _near(stencil: Stencil, *, frame: Frame, boxes: dict[int, Floats]) -> Stencil:
    """Leave out the objects of films that do not reach into a frame."""
    x0, y0, x1, y1 = frame
    parts: list[Part] = []
    for part in stencil.parts:
        if isinstance(part, Film):
            if id(part.file) not in boxes:
                boxes[id(part.file)] = object_boxes(part.file)
            box = boxes[id(part.file)]
            hit = (box[:, 0] <= x1) & (box[:, 2] >= x0) & (box[:, 1] <= y1) & (box[:, 3] >= y0)
            parts.append(Film(part.file, np.flatnonzero(hit)))
        else:
            parts.append(part)
    return replace(stencil, parts=tuple(parts))


def _draw_bar(draft: SceneDraft, up: float) -> None:
    """Put a scale bar with its length into the lower left corner, as seen."""
    x0, y0, x1, _ = draft.frame
    long = max(b for b in BARS_MM if b <= (x1 - x0) / 3 or b == BARS_MM[0])
    size, edge = 0.13 * up, 0.08 * up
    words = format_mm(long)
    wide = 3 * edge + long + text_width(words, size)
    low, mirrored = y0 + edge, draft.mirrored
    left, right = (x1 - edge, x1 - edge - wide) if mirrored else (x0 + edge, x0 + edge + wide)
    sign = -1.0 if mirrored else 1.0
    patch = shapely.box(min(left, right), low, max(left, right), low + size + 2 * edge)
    draft.coat("ground of the bar", looks.PAPER, Fill(np.array([patch], dtype=object)))
    begin, middle = left + sign * edge, low + edge + size / 2
    ends = np.array([begin, begin, begin + sign * long])
    half = np.array([0.0, size / 2, size / 2])
    other = np.array([begin + sign * long, begin, begin + sign * long])
    draft.coat(
        "scale bar", looks.INK, Pen.lines(ends, middle - half, other, middle + half, 0.25 * size)
    )
    at = begin + sign * (long + edge)
    draft.coat("its length", looks.INK, letters(words, at, low + edge, size, mirrored=mirrored))
