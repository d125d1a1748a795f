"""What kind a part is.

By the letters, words, pins and nets that the files name; where they name nothing, by lands that
belong together.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints, rows_by
from fabkit.board.model import Holes
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.keyboard.footprints import LandTable
from fabkit.keyboard.model import Evidence, PartKind, PartSite
from fabkit.keyboard.patterns import Site, find_runs

LETTERS: Final[dict[str, PartKind]] = {
    "BT": "lithium connector",
    "BAT": "lithium connector",
    "C": "capacitor",
    "D": "diode",
    "CR": "diode",
    "ZD": "diode",
    "DS": "light",
    "LED": "light",
    "F": "fuse",
    "FB": "inductor",
    "J": "connector",
    "P": "connector",
    "X": "connector",
    "CN": "connector",
    "CON": "connector",
    "L": "inductor",
    "LS": "sounder",
    "BZ": "sounder",
    "OLED": "display",
    "LCD": "display",
    "DISP": "display",
    "ENC": "encoder",
    "RE": "encoder",
    "MCU": "controller",
    "Q": "transistor",
    "R": "resistor",
    "RN": "resistor",
    "RST": "reset",
    "RSW": "reset",
    "STAB": "stabiliser",
    "S": "button",
    "SW": "button",
    "KEY": "button",
    "U": "circuit",
    "IC": "circuit",
    "Y": "crystal",
    "XTAL": "crystal",
}
"""Reference letters: classes of IEEE 315-1975 clause 22.4, and others in common use."""

_PIN_ROW: Final = (
    r"\bhdr\b|\bpin ?header\b|\bpin ?socket\b|\bheader\b|\b(?:socket|pin) row\b|\brow \d+x\d+"
)

WORDS: Final[tuple[tuple[str, PartKind], ...]] = (
    (r"stabili[sz]er", "stabiliser"),
    (r"\bjack\b|\btrrs\b|\btrs\b|\baudio\b|\bphone socket\b", "audio jack"),
    (r"\bencoder\b|\brotary\b|\bknob\b", "encoder"),
    (r"\bo?led display\b|\boled\b|\bdisplay\b|\blcd\b|\be ?paper\b", "display"),
    (r"\breset\b|\brst\b", "reset"),
    (r"\bpower\b.*\b(?:switch|sw)\b|\bon off\b|\bslide\b|\bslider\b|\bspdt\b", "power switch"),
    (r"\blithium\b|\blipo\b|\bli ion\b|\bbattery\b|\baccumulator\b", "lithium connector"),
    (r"\bcontroller\b|\bmcu\b|\bmicrocontroller\b|\bdev(?:elopment)? board\b", "controller"),
    (_PIN_ROW, "header"),
    (r"\busb\b|\btype c\b|\bconn(?:ector)?\b|\bplug\b", "connector"),
    (r"\bleds?(?:\d{4})?\b|\blight\b|\blamp\b|\bbacklight\b", "light"),
    (
        r"\bdiode\b|\bsod\b|\bsod ?\d|\bdo \d\d|\bmelf\b|\b1n\d{3,4}|\bd (?:\d{4}|sm[abc])\b",
        "diode",
    ),
    (r"\bcrystal\b|\bresonator\b", "crystal"),
    (r"\bfuse\b", "fuse"),
    (r"\bsounder\b|\bbuzzer\b|\bspeaker\b", "sounder"),
    (r"\bresistor\b", "resistor"),
    (r"\bcapacitor\b", "capacitor"),
    (r"\bbutton\b|\btact(?:ile)?\b|\bpush\b", "button"),
    (r"\bspacer\b|\bstandoff\b", "spacer"),
    (r"\bfoot\b|\bfeet\b|\bbumper\b", "foot"),
)
"""Words of the trade in values and footprints; the first that fits counts."""

_BRIDGED: Final = "jumper: bridged with solder where it is needed"

NOT_PARTS: Final[tuple[tuple[str, str], ...]] = (
    (r"fiducial|^fid\d", "fiducial"),
    (r"mounting ?hole|screw ?hole|^mh ?\d|^h\d+$", "mounting hole"),
    (r"test ?(?:point|pad)|^tp ?\d", "test point"),
    (r"tooling", "tooling hole"),
    (r"mouse ?bites?|break ?(?:off|away)", "break-off holes"),
    (r"\blogo\b|\bgraphic\b|\btext\b|\bsymbol\b|^te?xt ?\d*$", "drawing or text"),
    (r"\bnet ?tie\b|^nt ?\d", "net tie"),
    (
        r"\b(?:solder ?)?jumper\b|\bsolder ?bridge\b|^s?jp ?\d|^sb ?\d|^sj ?\d{1,2}$",
        _BRIDGED,
    ),
)
"""What is on a board but not bought: words of the trade in references, values and footprints."""

_DRAWING: Final = re.compile(r"^(?:REF|G|[A-Z]{1,3})?\*+$", re.IGNORECASE)
"""A reference that was never given a number: drawings, texts and bare holes."""

_HAND: Final = re.compile(r"^[rl](?=[A-Z])|(?<=\d)_?[RrLl]$")
"""A letter for the hand before or after a reference."""

_RESET_NET: Final = re.compile(r"(?:^|[^a-z])(?:n?reset|n?rst|run)(?:[^a-z]|$)", re.IGNORECASE)
_CELL_NET: Final = re.compile(r"(?:^|[^a-z])(?:v?bat|bt|lipo|cell)", re.IGNORECASE)
_LIGHT_NET: Final = re.compile(r"^(?!Net-\().*(?<![A-Za-z])LED(?![A-Za-z])", re.IGNORECASE)
"""A net named after a light; names made from a pin, such as Net-(LED1-DIN), name that part."""
_JACK_PINS: Final = (frozenset("TRS"), frozenset(("T", "R1", "R2", "S")), frozenset("ABCD"))
_ENCODER_PINS: Final = frozenset("ABC")

_FEWEST_CONTROLLER_PINS: Final = 14
"""Integrated circuits with fewer pins scan no keys (common practice)."""


def plain(text: str) -> str:
    """Words of a text in lower case, with blanks between them.

    >>> plain("MountingHole_2.2mm")
    'mounting hole 2.2mm'
    """
    return re.sub(r"[^a-z0-9.+]+", " ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()).strip()


def stem(ref: str) -> str:
    """Cut hand and number off a reference: ``rSW12`` gives ``SW``."""
    return re.sub(r"[_-]?\d.*$", "", _HAND.sub("", ref)).strip().upper()


def why_no_part(ref: str, fields: Mapping[str, str]) -> str:
    """Why what a reference names is not bought; empty when it is a part.

    Parameters
    ----------
    fields
        ``value``, ``footprint`` and ``mount`` of the component; ``joined`` is ``no`` when none of
        its pins leads anywhere.
    """
    if fields.get("mount") == "Fiducial":
        return "fiducial"
    texts = (
        plain(_HAND.sub("", ref)),
        plain(fields.get("value", "")),
        plain(fields.get("footprint", "")),
    )
    for pattern, reason in NOT_PARTS:
        if any(re.search(pattern, text) for text in texts):
            # Pins for a plugged jumper are bought, pads that solder bridges are not.
            if reason == _BRIDGED and any(re.search(_PIN_ROW, text) for text in texts):
                continue
            return reason
    if _DRAWING.match(ref):
        return "drawing or text"
    if fields.get("pins") == "1" and not (fields.get("value") or fields.get("footprint")):
        return "a single pad: for a wire"
    if fields.get("joined") == "no":
        return "pads that lead nowhere"
    if fields.get("mount") == "Other" and fields.get("pins") in ("", "0", None):
        return "no pins and not mounted"
    return ""


def is_joined(pins: Sequence[tuple[str, str]], uses: Mapping[str, int]) -> bool:
    """Whether a part of two pins is on a net with another pin.

    Parameters
    ----------
    pins
        Pin and net names.
    uses
        Number of pins on each net of the board.
    """
    return len(pins) != 2 or any(not net or uses[net] > 1 for _, net in pins)


def kind_of(ref: str, value: str, footprint: str, pins: Sequence[tuple[str, str]] = ()) -> PartKind:
    """Recognise what kind of part a reference is; ``other`` when nothing shows it.

    Words count before letters; names of pins and nets decide what words leave open.

    Parameters
    ----------
    pins
        Pin and net names.
    """
    letters = stem(ref)
    words = f"{plain(ref)} {plain(value)} {plain(footprint)}"
    kind = next((k for p, k in WORDS if re.search(p, words)), None)
    # A cell is often plugged onto a plain header: what it is for counts, not what it looks like.
    if kind == "header" and letters in ("BT", "BAT"):
        kind = "lithium connector"
    kind = kind or LETTERS.get(letters) or _ending(letters)
    # Bare pads for the wires of a cell.
    if ref.rstrip() in ("B+", "B-", "BAT+", "BAT-"):
        return "lithium connector"
    names = {pin.upper() for pin, _ in pins}
    nets = [net for _, net in pins]
    if kind in ("connector", "other", "button") and len(pins) > 2:
        if kind != "button" and any(names == j for j in _JACK_PINS):
            return "audio jack"
        if names >= _ENCODER_PINS and kind == "button":
            return "encoder"
    if kind == "diode" and any(_LIGHT_NET.search(n) for n in nets):
        return "light"
    if kind == "button":
        if any(_RESET_NET.search(n) for n in nets):
            return "reset"
        if len(pins) > 2 and any(_CELL_NET.search(n) for n in nets):
            return "power switch"
    return kind


def _ending(letters: str) -> PartKind:
    """Letters with others before them, as in EXLED and SMDSW."""
    for known in ("LED", "SW", "ENC", "MCU"):
        if letters.endswith(known):
            return LETTERS[known]
    return "other"


def may_control(kind: PartKind, pins: int) -> bool:
    """Whether a circuit has pins enough to scan keys."""
    return kind == "circuit" and pins >= _FEWEST_CONTROLLER_PINS


LEAD_HOLE_MM: Final = (0.6, 1.15)
"""Holes for the leads of small axial diodes (common practice: lead 0.5 mm, hole 0.7 to 1.0 mm)."""

LEAD_SPACING_MM: Final = (4.8, 13.0)
"""Distance of the two holes: 5.08 to 12.7 mm (common practice)."""

LAND_SPACING_MM: Final = (2.1, 5.6)
"""Distance of the two lands of a small surface diode, middle to middle (common practice)."""

LAND_SIDE_MM: Final = (0.4, 2.6)
"""Sides of these lands (common practice)."""

BESIDE_MM: Final = 1.9
"""Like lands of the next diode are no nearer: bodies are 1.6 to 1.8 mm wide (common practice)."""

KEYS_SHARE: Final = 0.8
"""Share of the keys that must have the pair."""

REACH_MM: Final = 17.0
"""The pair of a key lies no farther from its middle: within the next key's place."""

_FEWEST_KEYS: Final = 3
_ALIKE_MM: Final = 0.06
_FLAT: Final = 0.1
_WIDER: Final = 0.05
"""A wider pair must be at this much more keys."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Lands or holes of one part: their middle, turn, face (1 top, -1 bottom, 0 holes), rows."""

    x_mm: float
    y_mm: float
    face: int
    members: tuple[int, ...]
    turn_deg: float = 0.0
    sides: tuple[float, float] = (0.0, 0.0)
    """Of the rectangle on whose corners four lands lie."""

    def site(self, kind: PartKind) -> PartSite:
        """Make the site of a part that no file names."""
        return PartSite(
            kind=kind,
            x_mm=self.x_mm,
            y_mm=self.y_mm,
            rotation_deg=self.turn_deg,
            faces=() if not self.face else ("top",) if self.face > 0 else ("bottom",),
            mount="surface" if self.face else "through-hole",
            pins=len(self.members),
            holes=() if self.face else tuple(sorted(self.members)),
            evidence=(Evidence.PADS if self.face else Evidence.PATTERN,),
            confidence=0.7,
        )


def find_hole_pairs(
    holes: Holes, rows: Ints, centres: Floats, *, slack_mm: float
) -> dict[int, Body]:
    """Find pairs of holes that repeat once a key.

    Parameters
    ----------
    holes, rows
        The hole table and the rows that may be leads.
    centres : (n, 2) float64, mm
        Middles of the keys.
    slack_mm
        By how much more than usual places may differ (coarse exports).
    """
    low, high = LEAD_HOLE_MM
    size = holes.diameter[rows]
    mine = rows[(holes.plated[rows] != 0) & (size >= low) & (size <= high)]
    points = holes.spots()[mine]
    pairs = _apart(points, LEAD_SPACING_MM)
    pairs = pairs[np.abs(np.subtract(*holes.diameter[mine][pairs].T)) < _ALIKE_MM]
    looks = np.column_stack((_spans(points, pairs), holes.diameter[mine][pairs]))
    chosen = _most_regular(pairs, looks, points, centres, _ALIKE_MM + slack_mm)
    return _paired(points, chosen, np.zeros(len(points), np.int8), mine)


def find_land_pairs(lands: LandTable, centres: Floats, *, slack_mm: float) -> dict[int, Body]:
    """Find pairs of surface lands that repeat once a key, with no third like land beside them.

    Parameters as for :func:`find_hole_pairs`.
    """
    low, high = LAND_SIDE_MM
    short, long = lands.short, lands.long
    mine = np.flatnonzero(~lands.through & (long <= high) & (short >= low))
    points = lands.spots()[mine]
    # Lands of the other face are far away.
    pairs = _apart(np.column_stack((points, lands.face[mine] * 1e4)), (0.0, LAND_SPACING_MM[1]))
    sizes = np.column_stack((short[mine], long[mine]))
    alike = (np.abs(sizes[pairs[:, 0]] - sizes[pairs[:, 1]]) < _FLAT).all(axis=1)
    pairs = pairs[alike]
    spans = _spans(points, pairs)
    # Circuits and lights have more than two like lands so near to each other.
    ends = np.concatenate((pairs[:, 0], pairs[:, 1]))
    nearest = np.full(len(points), np.inf)
    np.minimum.at(nearest, ends, np.concatenate((spans, spans)))
    beside = np.minimum(spans - _FLAT, BESIDE_MM)
    lone = (nearest[pairs].min(axis=1) >= beside) & (spans >= LAND_SPACING_MM[0])
    pairs = pairs[lone]
    looks = np.column_stack((spans[lone], sizes[pairs[:, 0]]))
    chosen = _most_regular(pairs, looks, points, centres, _FLAT + slack_mm)
    return _paired(points, chosen, lands.face[mine], mine)


QUAD_MM: Final = (2.0, 6.5)
"""Range of the longer side of the rectangle on whose corners the four lands of a light lie, middle
to middle (common practice: 2.0 to 5.5 mm)."""


_FEWEST_LIGHTS: Final = 4
"""Fewer like rectangles may be crystals or buttons."""


def find_light_quads(lands: LandTable, centres: Floats, *, slack_mm: float) -> tuple[Body, ...]:
    """Find lights of four lands: like rectangles, of one look enough for most keys.

    Where keys have such lights, further rectangles that repeat are lights of the board's rim.

    Parameters as for :func:`find_land_pairs`.
    """
    if len(centres) < _FEWEST_KEYS:
        return ()
    surface = np.flatnonzero(~lands.through)
    looks = np.column_stack((np.round(lands.short, 1), np.round(lands.long, 1), lands.face))[
        surface
    ]
    rows, counts = np.unique(looks, axis=0, return_counts=True)
    groups = [
        _alike_quads(lands, surface[(looks == look).all(axis=1)], slack_mm)
        for look in rows[counts >= 4 * _FEWEST_LIGHTS]
    ]
    at_keys = any(len(quads) >= KEYS_SHARE * len(centres) for quads in groups)
    return tuple(q for quads in groups for q in quads) if at_keys else ()


def _alike_quads(lands: LandTable, rows: Ints, slack_mm: float) -> list[Body]:
    """Rectangles of the usual sides that like lands form; none when they are few."""
    points = lands.spots()[rows]
    joined = PointTree(points).pairs(QUAD_MM[1])
    label = label_groups(len(points), joined[:, 0], joined[:, 1])
    groups = rows_by(label).values()
    quads = [q for g in groups if (q := _quad(points[g], rows[g], lands.face[rows[0]])) is not None]
    if not quads:
        return []
    sides = np.array([q.sides for q in quads])
    usual = np.median(sides, axis=0)
    alike = (np.abs(sides - usual) <= _FLAT + slack_mm).all(axis=1)
    mine = [quads[k] for k in np.flatnonzero(alike).tolist()]
    return mine if len(mine) >= _FEWEST_LIGHTS else []


def _quad(points: Floats, rows: Ints, face: np.int8) -> Body | None:
    """Make a light of a group of lands; None when they are not four on a rectangle."""
    if len(points) != 4:
        return None
    middle = points.mean(axis=0)
    spans = np.sort(_spans(points, np.array([(0, 1), (0, 2), (0, 3)])))
    reach = np.hypot(*(points - middle).T)
    # The corners of a rectangle are as far from its middle, its sides at right angles.
    square = np.ptp(reach) <= _FLAT and abs(np.hypot(spans[0], spans[1]) - spans[2]) <= _FLAT
    if not square or spans[1] < QUAD_MM[0] or spans[1] > QUAD_MM[1]:
        return None
    return Body(
        x_mm=float(middle[0]),
        y_mm=float(middle[1]),
        face=int(face),
        sides=(float(spans[0]), float(spans[1])),
        members=tuple(rows.tolist()),
    )


def _apart(points: Floats, reach: tuple[float, float]) -> Ints:
    """(n, 2) int64: pairs of points whose distance lies within a range."""
    if len(points) < 2:
        return np.empty((0, 2), np.int64)
    pairs = PointTree(points).pairs(reach[1])
    return pairs[_spans(points, pairs) >= reach[0]]


def _spans(points: Floats, pairs: Ints) -> Floats:
    away = points[pairs[:, 1]] - points[pairs[:, 0]]
    return np.asarray(np.sqrt((away**2).sum(axis=1)))


def _most_regular(
    pairs: Ints, looks: Floats, points: Floats, centres: Floats, slack_mm: float
) -> dict[int, tuple[int, int]]:
    """By key, the pair of the look that most keys have; empty when too few have one.

    ``looks`` has a row for each pair: its span first, then sizes, mm.
    """
    best: dict[int, tuple[int, int]] = {}
    chosen = np.zeros(3)
    if len(centres) < _FEWEST_KEYS:
        return best
    least = KEYS_SHARE * len(centres)
    for look in np.unique(np.round(looks / slack_mm), axis=0) * slack_mm:
        alike = (np.abs(looks - look) <= slack_mm).all(axis=1)
        if alike.sum() < least:
            continue
        lone = _disjoint(pairs[alike].tolist())
        # As many as keys may also stand together in a block.
        block = least <= len(lone) <= len(centres)
        found = _one_a_key(lone, points, centres, np.inf if block else REACH_MM)
        # The gap from one pair to the next repeats as often as the pair itself, but is wider:
        # looks come by rising span.
        if len(found) >= least and len(found) > len(best) * (1 + _WIDER):
            best, chosen = found, look
    if best and len(best) < len(centres):
        best |= _turned(best, pairs, looks[:, 0] - chosen[0], points, centres, slack_mm)
    return dict(sorted(best.items()))


def _turned(
    known: dict[int, tuple[int, int]],
    pairs: Ints,
    off: Floats,
    points: Floats,
    centres: Floats,
    slack_mm: float,
) -> dict[int, tuple[int, int]]:
    """Pairs of the other keys: as far apart, but turned, so that their boxes look different."""
    used = np.zeros(len(points), dtype=bool)
    used[[m for pair in known.values() for m in pair]] = True
    free = (np.abs(off) <= slack_mm) & ~used[pairs].any(axis=1)
    others = np.array([k for k in range(len(centres)) if k not in known])
    if not free.any():
        return {}
    found = _one_a_key(_disjoint(pairs[free].tolist()), points, centres[others], np.inf)
    return {int(others[k]): pair for k, pair in found.items()}


def _disjoint(pairs: list[list[int]]) -> list[tuple[int, int]]:
    """Pairs that share no member: those with fewest rivals first."""
    rivals: dict[int, int] = defaultdict(int)
    for a, b in pairs:
        rivals[a] += 1
        rivals[b] += 1
    used: set[int] = set()
    out = []
    # A pair without another choice must not lose a lead to one that has several.
    for a, b in sorted(pairs, key=lambda p: (rivals[p[0]] + rivals[p[1]], p)):
        if a not in used and b not in used:
            used |= {a, b}
            out.append((a, b))
    return out


def _one_a_key(
    pairs: list[tuple[int, int]], points: Floats, centres: Floats, reach_mm: float
) -> dict[int, tuple[int, int]]:
    """Give each key a pair so that all distances together are least."""
    from scipy.optimize import linear_sum_assignment

    middles = np.array([(points[a] + points[b]) / 2 for a, b in pairs])
    away = np.hypot(*(middles[:, None] - centres[None]).transpose(2, 0, 1))
    # Not simply the nearest: between two keys one pair is often the nearest of both.
    rows, keys = linear_sum_assignment(away)
    return {
        int(k): pairs[int(r)]
        for r, k in sorted(zip(rows, keys, strict=True), key=lambda p: int(p[1]))
        if away[r, k] <= reach_mm
    }


def _paired(
    points: Floats, chosen: dict[int, tuple[int, int]], face: NDArray[np.int8], rows: Ints
) -> dict[int, Body]:
    """By key, its pair."""
    pairs = np.array(list(chosen.values()), np.int64).reshape(-1, 2)
    away = points[pairs[:, 1]] - points[pairs[:, 0]]
    middles = (points[pairs[:, 0]] + points[pairs[:, 1]]) / 2
    turns = np.degrees(np.arctan2(away[:, 1], away[:, 0])) % 180
    columns = (middles, turns, face[pairs[:, 0]], rows[pairs])
    return {
        key: Body(x_mm=x, y_mm=y, turn_deg=turn, face=side, members=tuple(held))
        for key, (x, y), turn, side, held in zip(
            chosen, *(column.tolist() for column in columns), strict=True
        )
    }


def pattern_site(kind: PartKind, site: Site) -> PartSite:
    """Make the site of a hole pattern that no file names."""
    return PartSite(
        kind=kind,
        x_mm=site.x_mm,
        y_mm=site.y_mm,
        rotation_deg=site.rotation_deg,
        mount="not known" if kind in ("screw hole", "stabiliser") else "through-hole",
        pins=0 if kind in ("screw hole", "stabiliser") else site.pins or len(site.holes),
        pattern=site.pattern.key,
        holes=site.holes,
        evidence=(Evidence.PATTERN,),
        confidence=0.8,
    )


def light_sites(quads: Sequence[Body]) -> Iterator[PartSite]:
    """Sites of lights; a footprint for each face at one place is one."""
    tops = np.array([(q.x_mm, q.y_mm) for q in quads if q.face > 0]).reshape(-1, 2)
    for quad in quads:
        if quad.face < 0 and len(tops):
            near = np.hypot(tops[:, 0] - quad.x_mm, tops[:, 1] - quad.y_mm) <= quad.sides[1]
            if near.any():
                continue
        yield quad.site("light")


def diode_sites(found: Sequence[Mapping[int, Body]]) -> Iterator[PartSite]:
    """Sites of repeated two-lead parts; a pair of holes and one of lands at one key are one."""
    for key in sorted({key for pairs in found for key in pairs}):
        mine = [pairs[key] for pairs in found if key in pairs]
        site = mine[0].site("diode")
        yield replace(site, mount="either") if len(mine) > 1 else site


PITCHES_MM: Final = (0.4, 0.5, 0.65, 0.8, 1.27)
"""Pitches of leads of integrated circuits (IPC-7351 families QFN, QFP and SOP)."""

FEWEST_IN_ROW: Final = 6
"""Shorter rows are of small connectors and supply parts as well."""

CIRCUIT_MM: Final = 16.0
"""Rows of one circuit are no farther apart (common practice: up to 14 mm)."""

NESTED_MM: Final = 0.5
"""Two packages offered for one circuit have the same middle within half a lead pitch or so."""

ALIKE_MM: Final = 0.06
"""Lands of one row differ in size by less."""


def find_chips(lands: LandTable) -> tuple[Body, ...]:
    """Find integrated circuits: two or four facing rows of like lands.

    Returns
    -------
    Those with most leads first.
    """
    found: list[Body] = []
    for face in (1, -1):
        rows = np.flatnonzero(~lands.through & (lands.face == face))
        points = lands.spots()[rows]
        free = np.ones(len(rows), dtype=bool)
        # Finer pitches first: every second lead of a row at 0.4 mm is a row at 0.8 mm.
        for pitch in PITCHES_MM:
            runs = _rows(points, lands, rows, free, pitch)
            for members in _bodies(points, runs):
                mine = np.concatenate([runs[m] for m in members])
                low, high = points[mine].min(axis=0), points[mine].max(axis=0)
                x, y = (low + high) / 2
                free[mine] = False
                its = tuple(rows[mine].tolist())
                found.append(Body(x_mm=float(x), y_mm=float(y), face=face, members=its))
    ordered = sorted(found, key=lambda c: (-len(c.members), c.x_mm, c.y_mm))
    # A footprint inside another is the same circuit in a smaller package: one is fitted.
    return tuple(c for k, c in enumerate(ordered) if not any(_nested(c, o) for o in ordered[:k]))


def _nested(a: Body, b: Body) -> bool:
    return a.face == b.face and np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) <= NESTED_MM


def _rows(points: Floats, lands: LandTable, rows: Ints, free: Bools, pitch: float) -> list[Ints]:
    """Rows of narrow free lands at a pitch."""
    # Lands as wide as the pitch would touch their neighbours.
    narrow = np.flatnonzero(free & (lands.short[rows] < pitch))
    return [
        narrow[run]
        for run in find_runs(points[narrow], pitch, least=FEWEST_IN_ROW, tolerance_mm=ALIKE_MM)
    ]


def _bodies(points: Floats, runs: list[Ints]) -> list[list[int]]:
    """Rows that face a row as long as they, with those across them: one circuit each."""
    if len(runs) < 2:
        return []
    middles = np.array([points[r].mean(axis=0) for r in runs])
    ways = np.array([points[r[-1]] - points[r[0]] for r in runs])
    lengths = np.hypot(ways[:, 0], ways[:, 1])
    ways /= lengths[:, None]
    near = PointTree(middles).pairs(CIRCUIT_MM)
    shift = middles[near[:, 1]] - middles[near[:, 0]]
    apart = np.hypot(shift[:, 0], shift[:, 1])
    a, b = near[:, 0], near[:, 1]
    along = np.abs((ways[a] * ways[b]).sum(axis=1))
    lean = np.abs((ways[a] * shift).sum(axis=1)) / np.maximum(apart, 1e-9)
    counts = np.array([len(r) for r in runs])
    facing = (along > 0.99) & (lean < 0.05) & (counts[a] == counts[b]) & (apart > 1.0)
    faced = np.zeros(len(runs), dtype=bool)
    faced[a[facing]] = faced[b[facing]] = True
    # The rows across have the same middle as the pair they belong to.
    centre = {int(i): (middles[i] + middles[j]) / 2 for i, j in near[facing].tolist()}
    keys = sorted(centre)
    spots = np.array([centre[k] for k in keys]).reshape(-1, 2)
    joins = PointTree(spots).pairs(1.0) if len(keys) else np.empty((0, 2), np.int64)
    labels = label_groups(len(keys), joins[:, 0], joins[:, 1])
    partner = {int(i): int(j) for i, j in near[facing].tolist()}
    groups: dict[int, list[int]] = {}
    for label, key in zip(labels.tolist(), keys, strict=True):
        groups.setdefault(label, []).extend((key, partner[key]))
    return [sorted(set(g)) for _, g in sorted(groups.items())]
