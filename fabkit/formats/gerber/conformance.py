"""Slower questions about one file: contours, standard attributes, content against function.

None of this is asked while reading, only when somebody wants to know.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, run_starts
from fabkit.base.findings import Finding, ProblemLog, Rule, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM
from fabkit.formats.gerber.model import Attributes, ContourSegments, GerberFile, Kind, contour_rings
from fabkit.formats.gerber.standard import (
    OLD_APERTURE_FUNCTIONS,
    PAD_FUNCTIONS,
    STANDARD,
    find_fault,
    unescape,
)
from fabkit.geometry.contours import find_contour_fault, is_filled_alike
from fabkit.rules import load_rule

FUNCTION_WRONG: Final = load_rule("gerber/file-function")
POLARITY_WRONG: Final = load_rule("gerber/file-polarity")
STANDARD_WRONG: Final = load_rule("gerber/standard-attribute")
STANDARD_UNKNOWN: Final = load_rule("gerber/unknown-attribute")
STANDARD_PLACE: Final = load_rule("gerber/attribute-place")
OLD_FUNCTION: Final = load_rule("gerber/deprecated-function")
CHECKSUM_WRONG: Final = load_rule("gerber/checksum")
PIN_NOT_FLASHED: Final = load_rule("gerber/pin-not-flashed")
PIN_ON_VIA: Final = load_rule("gerber/pin-on-via")
PAD_PAINTED: Final = load_rule("gerber/pad-painted")
PAD_REGION: Final = load_rule("gerber/pad-region")
DRAWING_IN_DATA: Final = load_rule("gerber/drawing-in-data")
NEGATIVE_COPPER: Final = load_rule("gerber/negative-copper")
POSITIVE_MASK: Final = load_rule("gerber/positive-mask")
NEGATIVE_DRILL: Final = load_rule("gerber/negative-drill")
DRILL_SHAPE: Final = load_rule("gerber/drill-shape")
DRILL_CLEAR: Final = load_rule("gerber/drill-clear")
PROFILE_FILLED: Final = load_rule("gerber/profile-content")
COMPONENT_SIZE: Final = load_rule("gerber/component-aperture")
COMPONENT_DATA: Final = load_rule("gerber/component-data")
NET_MISSING: Final = load_rule("gerber/net-missing")
NETS_SEVERAL: Final = load_rule("gerber/several-nets")
CONTOUR_INVALID: Final = load_rule("gerber/contour-invalid")
CONTOUR_ZERO_SEGMENT: Final = load_rule("gerber/contour-point")

RULES: Final = (
    FUNCTION_WRONG,
    POLARITY_WRONG,
    STANDARD_WRONG,
    STANDARD_UNKNOWN,
    STANDARD_PLACE,
    OLD_FUNCTION,
    CHECKSUM_WRONG,
    PIN_NOT_FLASHED,
    PIN_ON_VIA,
    PAD_PAINTED,
    PAD_REGION,
    DRAWING_IN_DATA,
    NEGATIVE_COPPER,
    POSITIVE_MASK,
    NEGATIVE_DRILL,
    DRILL_SHAPE,
    DRILL_CLEAR,
    PROFILE_FILLED,
    COMPONENT_SIZE,
    COMPONENT_DATA,
    NET_MISSING,
    NETS_SEVERAL,
    CONTOUR_INVALID,
    CONTOUR_ZERO_SEGMENT,
)
"""What :func:`examine` can find."""

_SETTING = re.compile(rb"(?:%\s*|#@!\s*)T([FAO])([^*%]*)\*")
_CHECKSUM = re.compile(rb"(?:%\s*|G04 #@!\s*)TF\.MD5[^*%]*\*%?")
_END = re.compile(rb"[\s%]*M0*2\*\s*\Z")

_SIZES: Final = {"ComponentMain": (0.3, 0.012 * 25.4), "ComponentOutline": (0.1, 0.004 * 25.4)}
_SIZE_ERROR_MM: Final = 0.001
_ABOUT_THE_FILE: Final = frozenset({".ProjectId", ".CreationDate", ".GenerationSoftware"})
"""Attributes that state where a file comes from and nothing about what is made."""
_NO_PINS: Final = frozenset({"ViaPad", "WasherPad", "Conductor", "NonConductor", "AntiPad"})


def examine(
    file: GerberFile, data: bytes, *, limits: Limits = DEFAULT_LIMITS
) -> tuple[Finding, ...]:
    """Everything that conformance demands of one file beyond what its reader reports.

    Parameters
    ----------
    file
        As read from ``data``.
    data
        The same bytes.
    """
    log = ProblemLog(file.name, keep=limits.problem_places)
    _examine_attributes(file, data, log)
    _examine_checksum(file, data, log)
    _examine_contours(file, log)
    content = _Content(file, log)
    content.examine_function()
    content.examine_pads()
    content.examine_components()
    content.examine_nets()
    return log.freeze(data)


def _first_operation(file: GerberFile) -> int | None:
    offsets = [int(t.offset.min()) for t in (file.objects, file.segments) if len(t)]
    return min(offsets, default=None)


def _examine_attributes(file: GerberFile, data: bytes, log: ProblemLog) -> None:
    first = _first_operation(file)
    judged: dict[tuple[str, str], tuple[Rule, str] | None] = {}
    for match in _SETTING.finditer(data):
        kind = match[1].decode()
        text = match[2].decode("utf-8", "replace").replace("\r", "").replace("\n", "")
        name = text.partition(",")[0].strip()
        key = (kind, text)
        if key not in judged:
            judged[key] = _judge_attribute(kind, name, text)
        fault = judged[key]
        if fault is not None:
            log.add(fault[0], fault[1], offset=match.start(), severity=_severity(name, text))
        late = first is not None and match.start() > first
        if kind == "F" and name in STANDARD and late and name != ".MD5":
            log.add(STANDARD_PLACE, f"{name} stands behind the first object", offset=match.start())


def _severity(name: str, text: str) -> Severity | None:
    if name in _ABOUT_THE_FILE:
        return Severity.NOTE
    # What the file is for is clear; only whether the edge is plated is left open.
    return Severity.WARNING if text == ".FileFunction,Profile" else None


def _judge_attribute(kind: str, name: str, text: str) -> tuple[Rule, str] | None:
    if not name.startswith("."):
        return None
    fields = tuple(unescape(f)[0] for f in text.split(",")[1:])
    fault = find_fault(kind, name, fields)
    if not fault:
        if name == ".AperFunction" and fields[0] in OLD_APERTURE_FUNCTIONS:
            return OLD_FUNCTION, f"{fields[0]} is no aperture function any more"
        return None
    if name not in STANDARD:
        return STANDARD_UNKNOWN, f"{name[:40]} {fault}"
    rules = {".FileFunction": FUNCTION_WRONG, ".FilePolarity": POLARITY_WRONG}
    return rules.get(name, STANDARD_WRONG), f"{name} {fault}"


def checksum(data: bytes) -> str | None:
    """MD5 of everything in front of ``.MD5``, line breaks left out; None without ``.MD5``.

    Source: section 5.6.9, by its prose.
    """
    if b"TF.MD5" not in data:  # most files: not worth a search by pattern
        return None
    found = list(_CHECKSUM.finditer(data))
    if not found:
        return None
    covered = data[: found[-1].start()].replace(b"\r", b"").replace(b"\n", b"")
    return hashlib.md5(covered, usedforsecurity=False).hexdigest()


def _examine_checksum(file: GerberFile, data: bytes, log: ProblemLog) -> None:
    stated = file.attributes.get(".MD5", ())
    computed = checksum(data)
    # What has another length is no checksum at all: that is found among the attributes.
    if len(stated) != 1 or len(stated[0]) != len(computed or "."):
        return
    matches = list(_CHECKSUM.finditer(data))
    at = matches[-1].start()
    if stated[0].lower() != computed:
        log.add(
            CHECKSUM_WRONG,
            f"the checksum stated is {stated[0][:32]}, that of the file {computed}",
            offset=at,
        )
    if not _END.match(data, matches[-1].end()):
        log.add(STANDARD_PLACE, ".MD5 does not stand right in front of M02", offset=at)


def _examine_contours(file: GerberFile, log: ProblemLog) -> None:
    s = file.segments
    if not len(s):
        return
    still = (s.x0 == s.x1) & (s.y0 == s.y1) & (s.turn == 0)
    log.add_each(CONTOUR_ZERO_SEGMENT, "a contour segment without length", s.offset[still])
    starts = run_starts(s.contour)
    ends = np.append(starts[1:], len(s))
    points, ring, _ = contour_rings(file, 0, len(s), COINCIDENT_MM / 2)
    lines = shapely.remove_repeated_points(shapely.linestrings(points, indices=ring))
    # Nearly all contours are simple; only the others need a closer look at cut-ins.
    doubtful = np.flatnonzero(~shapely.is_simple(lines))
    judged: dict[int, tuple[str, bool]] = {}
    ring_of = dict(zip(starts.tolist(), range(len(starts)), strict=True))
    for first, last in zip(starts[doubtful].tolist(), ends[doubtful].tolist(), strict=True):
        # Copies made by blocks and repeats share the offset of the original.
        offset = int(s.offset[first])
        if offset not in judged:
            judged[offset] = _judge_contour(s.take(np.arange(first, last)))
        fault, marginal = judged[offset]
        if fault and marginal:
            log.add(
                CONTOUR_INVALID,
                "a contour is valid only without its steps below 1 µm",
                offset=offset,
                assumed="everything it runs round was filled",
                severity=Severity.NOTE,
            )
        elif fault and is_filled_alike(points[ring == ring_of[first]], slack_mm=CHORD_ERROR_MM):
            log.add(
                CONTOUR_INVALID,
                f"a contour is not valid, though every way to fill it gives one image: {fault}",
                offset=offset,
                assumed="everything it runs round was filled",
                severity=Severity.NOTE,
            )
        elif fault:
            log.add(
                CONTOUR_INVALID, f"a contour is not valid: {fault}", offset=offset,
                assumed="everything it runs round was filled",
            )  # fmt: skip


def _judge_contour(s: ContourSegments) -> tuple[str, bool]:
    """Say what is wrong with a contour, and if it is right within the format's accuracy.

    Section 4.14.2: any point may move by half a micrometre, so steps below one may vanish.
    """

    def fault(c: ContourSegments) -> str:
        return find_contour_fault(c, chord_error_mm=COINCIDENT_MM / 2)

    found = fault(s)
    if not found:
        return "", False
    kept = s.take((s.chords() > COINCIDENT_MM) | (s.turn != 0))
    if len(kept) == len(s) or len(kept) < 2:
        return found, False
    joined = kept.with_columns(x1=np.roll(kept.x0, -1), y1=np.roll(kept.y0, -1))
    moved = np.hypot(joined.x1 - kept.x1, joined.y1 - kept.y1).max()
    return found, bool(moved <= 2 * COINCIDENT_MM) and not fault(joined)


@dataclass(slots=True)
class _Content:
    """What the objects of a file are, compared with what its function requires."""

    file: GerberFile
    log: ProblemLog

    def _say(self, rule: Rule, message: str, rows: Bools) -> None:
        self.log.add_each(rule, message, self.file.objects.offset[rows])

    def _with_function(self, wanted: frozenset[str]) -> Bools:
        """Objects whose aperture (or region) has one of these functions."""
        o = self.file.objects
        by_tool = np.array([a.function[:1] in {(w,) for w in wanted} for a in self.file.apertures])
        by_set = np.array(
            [s.get(".AperFunction", ())[:1] in {(w,) for w in wanted} for s in self._sets]
        )
        out: Bools = by_set[o.attributes] & (o.kind == Kind.REGION)
        tool = o.aperture >= 0
        if len(by_tool):
            out[tool] = by_tool[o.aperture[tool]]
        return out

    def _with_attribute(self, name: str) -> Bools:
        has = np.array([name in s for s in self._sets])
        out: Bools = has[self.file.objects.attributes]
        return out

    @property
    def _sets(self) -> tuple[Attributes, ...]:
        return self.file.attribute_sets

    def examine_function(self) -> None:
        """Polarity and content against ``.FileFunction``."""
        function = self.file.function[:1]
        polarity = self.file.attributes.get(".FilePolarity", ())
        o = self.file.objects
        if function == ("Copper",) and polarity == ("Negative",):
            self.log.add(NEGATIVE_COPPER, "copper is stated Negative (.FilePolarity)", offset=0)
        if function == ("Soldermask",) and polarity == ("Positive",):
            self.log.add(POSITIVE_MASK, "solder mask is stated Positive (.FilePolarity)", offset=0)
        if function in (("Plated",), ("NonPlated",)):
            if polarity == ("Negative",):
                self.log.add(
                    NEGATIVE_DRILL, "the file is stated Negative (.FilePolarity)", offset=0
                )
            used = np.unique(o.aperture[o.aperture >= 0]).tolist()
            for k in used:
                tool = self.file.apertures[k]
                if tool.diameter_mm is None:
                    self._say(DRILL_SHAPE, f"{tool.label}, drills", o.aperture == k)
            self._say(DRILL_CLEAR, "a clear object in a drill file", ~o.dark)
        if function == ("Profile",):
            self._say(PROFILE_FILLED, "a flash in an outline file", o.kind == Kind.FLASH)
        if function in (("Copper",), ("Soldermask",), ("Paste",)):
            self._say(
                DRAWING_IN_DATA,
                "an object with function NonMaterial",
                self._with_function(frozenset({"NonMaterial"})),
            )

    def examine_pads(self) -> None:
        """Report pads that are no flashes, and pins that sit on none."""
        o = self.file.objects
        if not len(o):
            return
        flash = o.kind == Kind.FLASH
        pad = self._with_function(PAD_FUNCTIONS)
        self._say(PAD_PAINTED, "a line with a pad function", pad & o.stroked)
        self._say(PAD_REGION, "a region with a pad function", pad & (o.kind == Kind.REGION))
        pin = self._with_attribute(".P")
        self._say(PIN_NOT_FLASHED, "a pin (.P) on a line or region", pin & ~flash)
        self._say(PIN_ON_VIA, "a pin (.P) on something else than a pad",
                  pin & flash & self._with_function(_NO_PINS))  # fmt: skip

    def examine_components(self) -> None:
        """Prescribed sizes and data of component layers."""
        o = self.file.objects
        for tool in self.file.apertures:
            sizes = _SIZES.get(tool.function[0] if tool.function else "")
            if sizes is None:
                continue
            d = tool.diameter_mm
            if d is None or min(abs(d - s) for s in sizes) > _SIZE_ERROR_MM:
                self.log.add(
                    COMPONENT_SIZE,
                    f"aperture D{tool.code} ({tool.function[0]}) is no circle of {sizes[0]:g} mm",
                    offset=tool.offset,
                )
        if not len(o):
            return
        placed = self._with_function(frozenset({"ComponentMain", "ComponentOutline"}))
        self._say(
            COMPONENT_DATA,
            "a component without .C, its reference",
            placed & ~self._with_attribute(".C"),
        )
        pins = self._with_function(frozenset({"ComponentPin"}))
        self._say(COMPONENT_DATA, "no .P on a component pin", pins & ~self._with_attribute(".P"))

    def examine_nets(self) -> None:
        """Copper without net where nets are given, and on several at once."""
        o = self.file.objects
        several = np.array([len(set(s.get(".N", ()))) > 1 for s in self._sets])
        self._say(NETS_SEVERAL, "an object with several names in .N", several[o.attributes])
        if self.file.function[:1] == ("Copper",) and self.file.has_nets and len(o):
            idle = self._with_function(frozenset({"NonConductor", "AntiPad", "CopperBalancing"}))
            self._say(
                NET_MISSING,
                "copper without .N, the name of its net",
                ~self._with_attribute(".N") & o.dark & ~idle,
            )
