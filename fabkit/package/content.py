"""What the content of a file says of roles: the look of an image, and texts that exporters add.

Content is weighed with everything else that speaks of a role; where nothing else does, it decides
alone and the role is reported as doubtful.  Of an image columns of flashes, strokes and
contours are looked at, a few milliseconds a file; shapes only where nothing is flashed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats
from fabkit.base.units import COINCIDENT_MM
from fabkit.formats.drill.model import DrillFile, FormatHint, Unit, Zeros
from fabkit.formats.gerber.model import (
    GerberFile,
    Kind,
    Objects,
    object_boxes,
    object_shapes,
)
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import SpotIndex
from fabkit.geometry.segments import Box, join_boxes
from fabkit.package.model import Content, Role, RoleKind, Side, base_name

SAME_PAD_MM: Final = 0.03
"""Spots of two layers nearer than this, in x and in y, are the same pad: a coarse inch format."""
_LARGEST_PAD_MM: Final = 12.0
"""A region larger than this is a pour or a plane, no pad."""
_ITS_SIDE: Final = 0.9
"""Share of a mask's or stencil's spots that its own side's copper has at least."""
_CLEAR: Final = 0.1
"""The other side has fewer by this share."""
_FEWEST_PADS: Final = 4
_LINKED: Final = 0.1
"""Share of copper's pads at which tracks end, at least; masks and stencils have next to none."""
_PLANE_HOLES: Final = 0.05
"""Share of the holes that a filled layer has pads at: planes have few."""
_MOSTLY: Final = 0.6
"""Share of openings on pads or holes, from which on openings larger than pads are a mask's."""
UNDER_HOLES: Final = 0.2
"""Share of the holes that copper has pads under, at least: many are bare holes for parts."""
_MASKED_HOLES: Final = 0.25
"""Share of the holes from which on openings that are no larger than pads are a mask's."""
_TEXT_STROKE_MM: Final = 3.0
"""Strokes of lettering are shorter than this."""
_GROWN_MM: Final = 0.004
"""A mask opening is larger than its pad by more than this; rounding stays below."""
_MARGIN_MM: Final = 0.5
"""What lies this far beyond the other layers still counts as inside."""


@dataclass(frozen=True)
class Look:
    """Figures of one image."""

    file: GerberFile

    @cached_property
    def kinds(self) -> tuple[int, int, int]:
        """Numbers of flashes, strokes and regions."""
        kind = self.file.objects.kind
        flashes = int(np.count_nonzero(kind == Kind.FLASH))
        regions = int(np.count_nonzero(kind == Kind.REGION))
        return flashes, len(kind) - flashes - regions, regions

    @cached_property
    def _spots(self) -> tuple[Floats, Floats]:
        objects = self.file.objects
        flashed = (objects.kind == Kind.FLASH) & objects.dark & (objects.aperture >= 0)
        places = np.column_stack((objects.x0[flashed], objects.y0[flashed]))
        boxes = np.array([a.size_mm for a in self.file.apertures] or [(0.0, 0.0)])
        sizes = np.sqrt(boxes.prod(axis=1))[objects.aperture[flashed]]
        low, high = np.hsplit(self._filled, 2)
        small = (high - low).max(axis=1) <= _LARGEST_PAD_MM
        places = np.concatenate((places, ((low + high) / 2)[small]))
        sizes = np.concatenate((sizes, np.sqrt((high - low).prod(axis=1))[small]))
        # Of objects on one spot the largest is the pad: rounded ones are made of several.
        order = np.argsort(-sizes, kind="stable")
        # One integer per cell: sorting those is much faster than sorting rows.
        cells = np.round(np.clip(np.nan_to_num(places[order]), -1e5, 1e5) / COINCIDENT_MM)
        keys = cells[:, 0].astype(np.int64) * 2**31 + cells[:, 1].astype(np.int64)
        _, first = np.unique(keys, return_index=True)
        rows = order[np.sort(first)]
        return places[rows], sizes[rows]

    @property
    def spots(self) -> Floats:
        """Middles of flashes and of small regions, each place once, mm, (n, 2)."""
        return self._spots[0]

    @property
    def sizes(self) -> Floats:
        """Geometric mean of width and height of what lies on each spot, mm, (n,)."""
        return self._spots[1]

    @cached_property
    def index(self) -> SpotIndex:
        """Its spots, to be found fast."""
        return SpotIndex(self.spots, SAME_PAD_MM)

    @cached_property
    def middles(self) -> Floats:
        """Middles of strokes, mm, (n, 2)."""
        return self._strokes.middles()

    @cached_property
    def _strokes(self) -> Objects:
        return self.file.objects.take(self.file.objects.stroked)

    @cached_property
    def stroke_mm(self) -> float:
        """Median chord length of strokes, mm; 0 without strokes."""
        return float(np.median(self._strokes.chords())) if len(self._strokes) else 0.0

    @cached_property
    def is_round_flashes_only(self) -> bool:
        """Nothing but dark flashes of solid circles, as holes are."""
        flashes, drawn, regions = self.kinds
        if not flashes or drawn or regions or not self.file.objects.dark.all():
            return False
        used = np.unique(self.file.objects.aperture)
        return all(i >= 0 and self.file.apertures[i].diameter_mm is not None for i in used)

    @cached_property
    def is_closed_lines(self) -> bool:
        """Few strokes whose ends all meet another end: an outline."""
        objects = self.file.objects
        flashes, drawn, regions = self.kinds
        if flashes or regions or not 1 <= drawn <= 20_000:
            return False
        # A full circle closes itself.
        strokes = objects.take(np.abs(objects.turn) != 2)
        ends = np.concatenate((strokes.starts(), strokes.ends()))
        if not len(ends):
            return True
        cells = np.round(ends / SAME_PAD_MM)
        _, back, counts = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
        return bool((counts[back] >= 2).mean() > 0.95)

    @cached_property
    def linked(self) -> float:
        """Share of its spots at which a stroke ends, as tracks do on pads; 0 without spots."""
        if not len(self.spots):
            return 0.0
        drawn = self._strokes.take(self._strokes.dark)
        ends = np.concatenate((drawn.starts(), drawn.ends()))
        return SpotIndex(ends, SAME_PAD_MM).share(self.spots)

    @cached_property
    def pours(self) -> int:
        """Number of regions too large for a pad."""
        low, high = np.hsplit(self._filled, 2)
        return int(((high - low).max(axis=1) > _LARGEST_PAD_MM).sum())

    @cached_property
    def _filled(self) -> Floats:
        """Boxes of regions that are filled, by the ends of their segments, mm, (n, 4)."""
        objects, s = self.file.objects, self.file.segments
        rows = np.flatnonzero(objects.dark & (objects.first < objects.last))
        if not len(rows):
            return np.empty((0, 4))
        # Runs follow each other, but rows between them belong to erased or expanded ones.
        edges = np.column_stack((objects.first[rows], objects.last[rows])).reshape(-1)
        # reduceat takes no index at the end of a column: hence one value more, which fmin and fmax
        # skip.
        ends = np.append(s.x0, np.nan), np.append(s.y0, np.nan)
        low = [np.fmin.reduceat(values, edges)[::2] for values in ends]
        high = [np.fmax.reduceat(values, edges)[::2] for values in ends]
        return np.column_stack((*low, *high))

    @property
    def is_painted(self) -> bool:
        """Nothing is flashed: strokes or regions draw its pads, whose middles are not known."""
        return not self.kinds[0]

    def covers(self, points: Floats) -> Bools:
        """(n,) bool: points, (n, 2) mm, that lie on something dark."""
        spots = shapely.points(points)
        dark = np.flatnonzero(self.file.objects.dark)
        # Shapes are made only of objects in whose box a point lies.
        near = dark[touched(shapely.box(*object_boxes(self.file)[dark].T), spots)]
        return touched(spots, object_shapes(self.file, near))

    def share_on(self, other: Look) -> float:
        """Share of this image's spots that the other image has too."""
        return other.index.share(self.spots)

    def growth_on(self, other: Look) -> float:
        """Median of how much larger its spots are than those of the other image, mm."""
        rows = other.index.find(self.spots)
        here = rows >= 0
        return float(np.median(self.sizes[here] - other.sizes[rows[here]])) if here.any() else 0.0


def hole_middles(contents: Iterable[Content]) -> Floats:
    """Middles of all drilled holes of some files, mm, (n, 2)."""
    hits = (content.hits for content in contents if isinstance(content, DrillFile))
    return np.concatenate([np.empty((0, 2)), *(h.spots() for h in hits)])


def guess_role(
    look: Look, others: Sequence[tuple[Role, Look]], *, holes: Floats, needs_drill: bool
) -> tuple[Role, float, str] | None:
    """Role an image looks like, with confidence and reason; None when it looks like nothing.

    Parameters
    ----------
    others
        Images whose roles are known better.
    holes
        Middles of drilled holes, mm, (n, 2); may be empty.
    needs_drill
        Whether drill data are still missing, so that an image may be them.
    """
    flashes, drawn, regions = look.kinds
    if flashes + drawn + regions == 0:
        return None
    if look.is_closed_lines and _is_outermost(look, others):
        return Role(kind=RoleKind.PROFILE), 0.5, "its strokes close around everything else"
    if needs_drill and look.is_round_flashes_only:
        pads = [seen for role, seen in others if role.kind is RoleKind.COPPER]
        on_pads = max((look.share_on(seen) for seen in pads), default=0.0)
        mean = float(look.sizes.mean())
        smaller = all(mean < float(seen.sizes.mean()) for seen in pads if len(seen.sizes))
        if on_pads > 0.5 and smaller:
            return Role(kind=RoleKind.DRILL), 0.5, "it holds nothing but small round spots on pads"
    on_holes = look.index.share(holes)
    padded = len(look.spots) >= _FEWEST_PADS
    if padded and (on_holes >= UNDER_HOLES or not len(holes)) and look.linked >= _LINKED:
        why = f"strokes end on {look.linked:.0%} of its pads, as tracks do"
        return Role(kind=RoleKind.COPPER), 0.5, why
    coat = _guess_coat(look, others, holes)
    if coat is not None and coat[1] >= 0.5:
        return coat
    if padded:
        if look.pours and on_holes >= _PLANE_HOLES:
            why = f"it fills, with pads under {on_holes:.0%} of the holes"
            return Role(kind=RoleKind.COPPER), 0.45, why
        if flashes > 10 and drawn > flashes and not _has_kind(others, RoleKind.COPPER):
            return Role(kind=RoleKind.COPPER), 0.4, "it has pads and many strokes between them"
    if coat is not None:
        return coat
    if drawn > 5 * len(look.spots) and on_holes > _ITS_SIDE:
        return Role(kind=RoleKind.COPPER), 0.4, "it has pads under all holes and many strokes"
    if drawn > 50 and len(look.spots) < drawn / 20 and look.stroke_mm < _TEXT_STROKE_MM:
        return _guess_lettering(look, others)
    return None


def _guess_coat(
    look: Look, others: Sequence[tuple[Role, Look]], holes: Floats
) -> tuple[Role, float, str] | None:
    """Recognise a mask or a stencil: its spots are pads of the copper, or holes left open."""
    drilled = SpotIndex(holes, SAME_PAD_MM).find(look.spots) >= 0
    shares = _shares(look, others, drilled)
    if not shares or max(shares.values()) <= _MOSTLY:
        return None
    said = guess_side(look, others, drilled)
    side = said[0] if said else next(iter(shares)) if len(shares) == 1 else None
    copper = f"{side} copper" if side else "copper"
    under = [
        seen
        for role, seen in others
        if role.kind is RoleKind.COPPER and role.side and (side is None or role.side == side)
    ]
    grown = max(look.growth_on(seen) for seen in under)
    if grown > _GROWN_MM:
        why = f"its spots are the pads of the {copper}, {grown:.2f} mm larger"
        return Role(kind=RoleKind.MASK, side=side), 0.5, why
    if max(shares.values()) <= _ITS_SIDE:
        return None
    with_holes = look.index.share(holes)
    if with_holes > _MASKED_HOLES and grown >= -_GROWN_MM:
        why = f"its spots are the pads of the {copper}, {with_holes:.0%} of the holes among them"
        return Role(kind=RoleKind.MASK, side=side), 0.45, why
    why = f"its spots are some of the pads of the {copper}, not larger"
    return Role(kind=RoleKind.PASTE, side=side), 0.4, why


def _guess_lettering(
    look: Look, others: Sequence[tuple[Role, Look]]
) -> tuple[Role, float, str] | None:
    """Recognise a legend inside the board, or a drawing that runs outside."""
    box = join_boxes(_boxes(others, RoleKind.PROFILE, RoleKind.COPPER))
    if box is None:
        return Role(kind=RoleKind.DRAWING), 0.3, "it is mostly short strokes, as lettering is"
    low, high = np.array(box[:2]) - 10 * _MARGIN_MM, np.array(box[2:]) + 10 * _MARGIN_MM
    inside = ((look.middles >= low) & (look.middles <= high)).all(axis=1).mean()
    if inside < 0.98:
        why = f"it is lettering, and {1 - inside:.0%} of its strokes lie outside the board"
        return Role(kind=RoleKind.DRAWING), 0.4, why
    role = Role(kind=RoleKind.LEGEND, side=_side_of_legend(look, others))
    return role, 0.4, "it is mostly short strokes, all on the board, as lettering is"


def _side_of_legend(look: Look, others: Sequence[tuple[Role, Look]]) -> Side | None:
    """Side whose own pads lettering spares; None where there is no telling."""
    copper = {role.side: seen for role, seen in others if role.kind is RoleKind.COPPER}
    top, bottom = copper.get("top"), copper.get("bottom")
    if top is None or bottom is None or not len(look.middles):
        return None
    covered = {}
    for side, mine, other in (("top", top, bottom), ("bottom", bottom, top)):
        # Pads with holes are on both sides and show nothing.
        alone = other.index.find(mine.spots) < 0
        pads, sizes = mine.spots[alone], mine.sizes[alone]
        if len(pads) < 6:
            return None
        reach = float(np.median(sizes)) / 3
        found = SpotIndex(pads, reach).find(look.middles)
        covered[side] = float(len(np.unique(found[found >= 0]))) / len(pads)
    if abs(covered["top"] - covered["bottom"]) < _CLEAR:
        return None
    return "top" if covered["top"] < covered["bottom"] else "bottom"


def guess_side(
    look: Look, others: Sequence[tuple[Role, Look]], drilled: Bools | None = None
) -> tuple[Side, str] | None:
    """Side whose copper has clearly more of an image's spots, with the reason; else None.

    Spots that are ``drilled`` count for either side: a mask leaves bare holes open.
    """
    shares = _shares(look, others, drilled)
    if len(shares) < 2:
        return None
    side: Side = "top" if shares["top"] > shares["bottom"] else "bottom"
    most, least = max(shares.values()), min(shares.values())
    if most < _ITS_SIDE or least > most - _CLEAR:
        return None
    return side, f"{most:.0%} of its spots are pads of the {side} copper, {least:.0%} of the other"


def side_scores(look: Look, others: Sequence[tuple[Role, Look]]) -> tuple[int, int]:
    """Give the number of an image's spots that are pads of the top and of the bottom copper."""
    shares = _shares(look, others, None)
    count = len(look.spots)
    return round(shares.get("top", 0.0) * count), round(shares.get("bottom", 0.0) * count)


def _shares(
    look: Look, others: Sequence[tuple[Role, Look]], drilled: Bools | None
) -> dict[Side, float]:
    """Share of an image's spots that are pads of the outer copper of each side, or drilled."""
    shares: dict[Side, float] = {}
    for role, seen in others:
        if role.kind is RoleKind.COPPER and role.side and len(look.spots):
            on = seen.index.find(look.spots) >= 0
            share = float((on if drilled is None else on | drilled).mean())
            shares[role.side] = max(shares.get(role.side, 0.0), share)
    return shares


def is_same_image(a: GerberFile, b: GerberFile) -> bool:
    """Check whether two files hold the same objects at the same places."""
    one, two = a.objects, b.objects
    if len(one) != len(two) or not np.array_equal(one.kind, two.kind):
        return False
    names = ("x0", "y0", "x1", "y1")
    return all(
        np.allclose(getattr(one, n), getattr(two, n), rtol=0, atol=COINCIDENT_MM, equal_nan=True)
        for n in names
    )


def _has_kind(others: Sequence[tuple[Role, Look]], kind: RoleKind) -> bool:
    return any(role.kind is kind for role, _ in others)


def _is_outermost(look: Look, others: Sequence[tuple[Role, Look]]) -> bool:
    if _has_kind(others, RoleKind.PROFILE):
        return False
    x0, y0, x1, y1 = look.file.bounds
    margin = _MARGIN_MM
    return all(
        x0 - margin <= a and y0 - margin <= b and c <= x1 + margin and d <= y1 + margin
        for a, b, c, d in _boxes(others, RoleKind.COPPER, RoleKind.MASK)
    )


def _boxes(others: Sequence[tuple[Role, Look]], *kinds: RoleKind) -> list[Box]:
    """Boxes of the images of some kinds that draw anything."""
    return [s.file.bounds for role, s in others if role.kind in kinds and len(s.file.objects)]


# Reports, logs, aperture lists, rules and parameters that exporters write beside the layers.  None
# of it is needed to make a board.  What it says of number formats, layers and plating is read, as
# it helps where the layer and drill files leave something open.

NO_HINT: Final = FormatHint()
_READ_BYTES: Final = 200_000
"""Longer texts are read to here: what they state stands at their beginning."""
_KINDS: Final = (
    (r"AMPARAMS|%AM\w", "an aperture library of the exporter"),
    (r"(?m)^\W*RuleKind=|design rules?\b.*(?:export|report)", "design rules of the exporter"),
    (r"(?i)layer pairs?\b.*(?:export|report)|DrillLayers=", "a list of drilled layer pairs"),
    (r"(?i)drill(?:ing)? (?:file )?(?:report|listing)|drill sizes? report", "a drill report"),
    (r"(?i)(?:file )?extension report", "a list of layer files"),
    (r"(?i)aperture(?:s|\s+\w+)? (?:report|list|table)", "an aperture list"),
    (r"(?m)^\s*(?:D\d{2,4}\b.{0,120}(?:\n|\Z)){3}", "an aperture list"),
    (r"(?m)^(?:[A-Z].{0,60}\bD\d{2,4}\s*(?:\n|\Z)){3}", "an aperture list"),
    (r"(?i)\A\W*\[preview\]", "a preview picture of the exporter"),
    (r"(?im)^\W*(?:output-units|decimal-places|suppress-\w+)\b", "export settings"),
    (r"(?i)\blog\b(?: file)?|\b0 errors\b|no errors detected", "a log of the exporter"),
    (r"(?im)^\s*generating\s*:", "a report of the exporter"),
)
_UNITS: Final[tuple[tuple[str, Unit], ...]] = (
    (r"mm|metric|millimet\w+", "mm"),
    (r"in|inch\w*|english|imperial", "inch"),
)
_UNIT: Final = re.compile(
    r"(?im)^(?!\W*input)[^\n]{0,30}\bunits?\b[\s:=]+(mm|metric|millimet\w+|in|inch\w*|english|imperial)\b"
)
_FORMAT: Final = re.compile(r"(?im)\bformat\b[\s:=]+(?:is\s+)?(\d)\s*[.:]\s*(\d)\b(?!\s*[.:]\s*\d)")
_PLACES: Final = re.compile(r"(?im)\b(integer|decimal)[- ]places\b[\s:=]+(\d)\b")
_SUPPRESS: Final = re.compile(
    r"(?im)\bsuppress[- ](lead|trail)\w*[- ]zero\w*\b[\s:=]+(yes|no|on|off)\b"
)
_OMITTED: Final = re.compile(
    r"(?i)\b(leading|trailing)\s+zero\w*\s+(?:are\s+)?(?:omitted|suppress\w+|removed)"
    r"|\b(?:suppress(?:ion|ed|ing)?|omit)\W+(leading|trailing)\b"
    r"|\b(leading|trailing)\W+(?:zero\W+)?suppression"
)
_KEPT: Final = re.compile(
    r"(?i)\bkeep\W+(leading|trailing)\s+zero|\b(leading|trailing) zeros? kept"
)
_OF_DRILLS: Final = re.compile(r"(?i)drill|\bnc\b|\btools?\b|header\s+none|repeat-codes")
_OF_LAYERS: Final = re.compile(r"(?i)gerber|photoplot|artwork|aperture|film|undef-apt")
_PLATING: Final = re.compile(r"(?i)\b(un|non[- ]?|not )?plated\b")
_EXTENSION: Final = re.compile(r"(?m)^\s*\.(\w{1,8})[ \t]{2,}(\S.{0,60}?)\s*$")
_GENERATED: Final = re.compile(
    r"(?im)^\s*(?:generating|layer|plotting)\s*:\s*(\S.{0,60}?)\s*\n"
    r"\s*(?:output )?file(?:name)?\s*:\s*(\S.{0,120}?)\s*$"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ByProduct:
    """A text beside the layers, and what it says.

    Parameters
    ----------
    drills
        How drill files write numbers, as it states.
    layers
        Layer name by file name or extension (``.gtl``), in lower case.
    plated
        Whether a drill file's holes are plated, by file name in lower case.
    """

    name: str
    what: str
    drills: FormatHint = NO_HINT
    layers: Mapping[str, str] = field(default_factory=dict)
    plated: Mapping[str, bool] = field(default_factory=dict)

    @property
    def reason(self) -> str:
        """Why it is set aside, and what was read from it."""
        stated = [
            word
            for word, says in (
                ("a drill format", self.drills != NO_HINT),
                ("names of layers", self.layers),
                ("plating", self.plated),
            )
            if says
        ]
        more = f"; it states {' and '.join(stated)}" if stated else ""
        return f"{self.what}, not needed to make the board{more}"


def read_byproduct(data: bytes, name: str, others: Sequence[str]) -> ByProduct | None:
    """Read a text that is no layer, drill file or table; None when it is not known as one.

    Parameters
    ----------
    others
        Member names of layer and drill files, which it may speak of.
    """
    text = data[:_READ_BYTES].decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")
    what = next((what for sign, what in _KINDS if re.search(sign, text[:20_000])), None)
    plated = dict(_plating(text, others))
    layers = {f".{ext.lower()}": layer for ext, layer in _EXTENSION.findall(text)}
    for layer, file in _GENERATED.findall(text):
        layers[re.split(r"[\\/]", file)[-1].lower()] = layer
    drills = read_settings(text) if _is_of_drills(text) else NO_HINT
    if what is None:
        if name.lower().endswith(".log"):
            what = "a log of the exporter"
        elif plated or drills != NO_HINT:
            what = "a text of the exporter"
        else:
            return None
    return ByProduct(name=name, what=what, drills=drills, layers=layers, plated=plated)


def _is_of_drills(text: str) -> bool:
    """Whether settings are those of drill files: what is spoken of first."""
    drills, layers = _OF_DRILLS.search(text), _OF_LAYERS.search(text)
    return drills is not None and (layers is None or drills.start() < layers.start())


def read_settings(text: str) -> FormatHint:
    r"""How numbers are written, as a text states it in words.

    >>> read_settings("OUTPUT-UNITS ENGLISH\nFORMAT 2.5\nSUPPRESS-LEAD-ZEROES YES")
    FormatHint(unit='inch', zeros='trailing', digits=(2, 5))
    """
    unit: Unit | None = None
    found = _UNIT.search(text)
    if found is not None:
        unit = next(u for sign, u in _UNITS if re.fullmatch(sign, found[1].lower()))
    digits = None
    places = {word.lower(): int(n) for word, n in _PLACES.findall(text)}
    if len(places) == 2:
        digits = places["integer"], places["decimal"]
    elif (stated := _FORMAT.search(text)) is not None:
        digits = int(stated[1]), int(stated[2])
    return FormatHint(unit=unit, zeros=_zeros(text), digits=digits)


def _zeros(text: str) -> Zeros | None:
    """Zeros that are written: the others than those left out."""
    left_out = {end.lower() for end, yes in _SUPPRESS.findall(text) if yes.lower() in ("yes", "on")}
    if not left_out:
        left_out = {"".join(ends).lower()[:5].rstrip("i") for ends in _OMITTED.findall(text)}
        kept = {"".join(ends).lower() for ends in _KEPT.findall(text)}
        if len(kept) == 1 and not left_out:
            return "leading" if "leading" in kept else "trailing"
    if len(left_out) != 1:
        return None
    return "trailing" if left_out.pop().startswith("lead") else "leading"


def _plating(text: str, others: Sequence[str]) -> Iterator[tuple[str, bool]]:
    """Files whose name is followed within two lines by one word on plating."""
    folded = text.lower()
    for name in others:
        last = base_name(name)
        at = folded.find(last)
        if at < 0 or len(last) < 5:
            continue
        after = "\n".join(text[at + len(last) :].split("\n")[:2])
        words = {bool(not_) for not_ in _PLATING.findall(after)}
        if len(words) == 1:
            yield last, not words.pop()


# What a file is that is neither a layer nor a drill file

ARCHIVE: Final = "an archive or office document"
_FOREIGN: Final = (
    (b"%PDF", "a PDF document"),
    (b"%!PS", "a PostScript drawing"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"BM", "a picture"),
    (b"<svg", "a drawing"),
    (b"<?xml", "an XML document"),
    (b"PK\x03\x04", ARCHIVE),
    (b"\xd0\xcf\x11\xe0", "an office document"),
)
EMPTY: Final = "empty"
WEB_PAGE: Final = "a web page"
UTF_16: Final = "text in UTF-16, which no reader of layers takes"
SPOILED: Final = frozenset((EMPTY, WEB_PAGE, UTF_16))
"""What a file is that was meant to be a layer and went wrong on its way."""
BINARY: Final = "binary data of an unknown kind"
TEXT: Final = "a text for people (report, log or note)"
NO_LAYER: Final = "text without Gerber or drill commands"
"""What such a text is where it is named as a layer."""


def kind_of_data(data: bytes) -> str:
    """Say what a file is that no reader takes.

    >>> kind_of_data(b"%PDF-1.4"), kind_of_data(bytes(9)), kind_of_data(b"See below.")
    ('a PDF document', 'empty', 'a text for people (report, log or note)')
    """
    # A machine that loses power may leave a file of null bytes.
    if not data.strip(b"\0 \t\r\n\f\v"):
        return EMPTY
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return UTF_16
    if data[:200].lstrip().lower().startswith((b"<!doctype html", b"<html")):
        return WEB_PAGE
    kind = next((what for magic, what in _FOREIGN if data.startswith(magic)), None)
    if kind is not None:
        return kind
    return BINARY if b"\x00" in data[:4096] else TEXT
