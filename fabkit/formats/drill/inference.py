"""The number format found from the board: the reading that puts the holes on their pads.

Candidates are scored by how many hits fall on pads, lie inside the board and span it; a single
clear winner is taken and reported, anything else stays open.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.findings import Finding, Place, ProblemLog, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.formats.drill.blocks import TOO_MANY_DIGITS
from fabkit.formats.drill.formats import (
    DEFAULT_DIGITS,
    FORMAT_GIVEN,
    UNIT_MISSING,
    UNSTATED,
    DigitSurvey,
    FormatState,
    describe,
)
from fabkit.formats.drill.model import DrillFile, FormatHint, NumberFormat, Unit, Zeros
from fabkit.formats.drill.reader import LARGEST_MM, SMALLEST_MM, read, read_format
from fabkit.geometry.neighbours import SpotIndex, shared_shifts
from fabkit.geometry.segments import Box
from fabkit.rules import load_rule

FORMAT_INFERRED: Final = load_rule("drill/format-inferred")
FORMAT_UNRESOLVED: Final = load_rule("drill/format-unresolved")
FORMAT_MISFIT: Final = load_rule("drill/format-misfit")
WORK_ZERO_MISFIT: Final = load_rule("drill/work-zero-misfit")
FORMAT_SIBLING: Final = load_rule("drill/format-from-sibling")

Hint = tuple[FormatHint, str] | None
"""What a text beside the drill files states of their numbers, and its name."""

ON_PAD_MM: Final = 0.05
"""A hit this near to a pad centre is on it (common practice)."""

BOX_MARGIN_MM: Final = 0.5
"""Holes of slots and castellations may lie this far outside the box of the copper."""

ACCEPT: Final = 0.80
LEAD: Final = 0.10
"""The best score and its lead over the second that make an answer (common practice)."""

_WEIGHTS: Final = {"hit": 0.40, "inside": 0.35, "cover": 0.15, "legal": 0.10}
# A common grid suggests a format but proves none, so it counts half of what pads do.
_GRID_WEIGHT: Final = 0.20
_GRIDS_MM: Final = (1.27, 0.635, 0.5, 0.25)
SHIFT_ACCEPT: Final = 0.9
"""Share of holes on pads that makes a moved origin believable (common practice)."""

_FARTHEST_MM: Final = 1e6
"""Coordinates beyond this are nonsense, and no table is a kilometre wide."""

# Fewer holes can be moved onto some pads in more than one format.
_SHIFT_HITS: Final = 4
_SHIFT_SAMPLE: Final = 40
_SAMPLE: Final = 5_000
_SAMPLE_BYTES: Final = 400_000
"""Candidates are tried on the beginning of a large file; tens of thousands of holes decide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How well one format explains the file, in shares from 0 to 1.

    ``hit`` is the share on a common grid when there are no pads.
    """

    format: NumberFormat
    hit: float
    inside: float
    cover: float
    total: float


def _winner(scores: tuple[Score, ...]) -> NumberFormat | None:
    if not scores or scores[0].total < ACCEPT:
        return None
    if len(scores) > 1 and scores[0].total - scores[1].total < LEAD:
        return None
    return scores[0].format


def score_formats(
    drill: DrillFile,
    data: bytes,
    pads: Floats,
    box: Box | None,
    *,
    limits: Limits = DEFAULT_LIMITS,
    keep_stated: bool = True,
) -> list[tuple[Score, Floats]]:
    """Every candidate that reads differently with the points it gives, best first.

    Only the unit and one number matter: the digits before the point when leading zeros are
    written, those after it when trailing zeros are.

    Parameters
    ----------
    drill, data
        The file as read so far, and its bytes.
    pads
        (n, 2) float64, mm: centres of copper pads and of mask or clearance openings.
    box
        Box of the board, mm.
    keep_stated
        Only try formats that agree with what the file states.
    """
    survey = DigitSurvey.of(data)
    limits = replace(limits, problem_places=0)  # where a trial stumbles is never reported
    sample = data
    if len(data) > _SAMPLE_BYTES:
        # Cut between lines: half a number would be read as another place.
        sample = data[: data.rfind(b"\n", 0, _SAMPLE_BYTES) + 1] or data
    found: list[tuple[Score, Floats]] = []
    for candidate in _candidates(drill, data, survey, keep_stated=keep_stated):
        file = read(sample, name=drill.name, limits=limits, number_format=candidate)
        points = _points(file)
        score = _score(candidate, file, points, pads, box)
        if not any(_alike(points, other) for _, other in found):
            found.append((score, points))
        elif score.format == drill.format:
            # Formats that read alike are one; the one in force stands for them.
            at = next(i for i, (_, other) in enumerate(found) if _alike(points, other))
            found[at] = (score, points)
    return sorted(found, key=lambda item: -item[0].total)


def _alike(first: Floats, second: Floats) -> bool:
    return first.shape == second.shape and bool((np.abs(first - second) <= 1e-6).all())


def _candidates(
    drill: DrillFile, data: bytes, survey: DigitSurvey, *, keep_stated: bool
) -> Iterable[NumberFormat]:
    stated = (
        read_format(data, name=drill.name) if keep_stated else FormatState(ProblemLog(drill.name))
    )
    units: tuple[Unit, ...] = (stated.unit,) if stated.unit else ("mm", "inch")
    zeros = stated.zeros
    evidence = "the positions of pads and the outline"

    def made(unit: Unit, kind: Zeros, integers: int, decimals: int) -> NumberFormat:
        return NumberFormat(
            unit=unit,
            zeros=kind,
            integers=integers,
            decimals=decimals,
            evidence=evidence,
        )

    for unit in units:
        if survey.all_pointed:
            yield made(unit, "point", *DEFAULT_DIGITS[unit])
            continue
        for integers in (2, 3, 4) if zeros in (None, "leading") else ():
            decimals = max(survey.longest - integers, 0)
            if stated.digits is None or stated.digits[0] == integers:
                yield made(unit, "leading", integers, (stated.digits or (0, decimals))[1])
        for decimals in (2, 3, 4, 5, 6) if zeros in (None, "trailing") else ():
            integers = max(survey.longest - decimals, 0)
            if stated.digits is None or stated.digits[1] == decimals:
                yield made(unit, "trailing", (stated.digits or (integers, 0))[0], decimals)


def _points(file: DrillFile) -> Floats:
    """Centres of holes and ends of drilled slots; of routed paths when there is nothing else.

    A path routed around the board runs outside its outline, so it would only confuse.
    """
    hits, slots = file.hits, file.slots
    if len(hits) or not slots.routed.all():
        slots = slots.take(~slots.routed)
    points: Floats = np.concatenate((hits.spots(), slots.starts(), slots.ends()))
    points = points[np.isfinite(points).all(axis=1)]
    step = -(-len(points) // _SAMPLE) or 1
    return points[::step]


def _score(
    fmt: NumberFormat, file: DrillFile, points: Floats, pads: Floats, box: Box | None
) -> Score:
    if not len(points):
        return Score(format=fmt, hit=0, inside=0, cover=0, total=0)
    weights = dict(_WEIGHTS)
    if len(pads):
        # A coarse format cannot meet a centre closer than its step; without the upper bound a
        # format of huge steps would meet every pad.
        reach = max(ON_PAD_MM, min(fmt.step_mm, 2 * ON_PAD_MM))
        hit = SpotIndex(pads, reach).share(points)
    else:
        hit = _share_on_grid(points)
        weights["hit"] = _GRID_WEIGHT
    inside = cover = 0.0
    if box is None:
        weights["inside"] = weights["cover"] = 0.0
    else:
        inside, cover = _inside_and_cover(points, box)
    parts = {"hit": hit, "inside": inside, "cover": cover, "legal": _share_legal(file)}
    total = sum(weights[k] * v for k, v in parts.items()) / sum(weights.values())
    return Score(format=fmt, hit=hit, inside=inside, cover=cover, total=total)


def _share_on_grid(points: Floats) -> float:
    relative = points - points[0]
    best = 0.0
    for grid in _GRIDS_MM:
        off = np.abs(relative / grid - np.round(relative / grid)) * grid
        best = max(best, float((off < 0.005).all(axis=1).mean()))
    return best


def _inside_and_cover(points: Floats, box: Box) -> tuple[float, float]:
    low = np.array(box[:2]) - BOX_MARGIN_MM
    high = np.array(box[2:]) + BOX_MARGIN_MM
    inside = float(((points >= low) & (points <= high)).all(axis=1).mean())
    if inside < 1.0:
        return inside, 0.0
    # Read ten times too small, all holes may lie inside as well; their span shows it.
    size = np.maximum(np.array(box[2:]) - np.array(box[:2]), 1e-9)
    return inside, float(np.minimum(np.ptp(points, axis=0) / size, 1.0).mean())


def _share_legal(file: DrillFile) -> float:
    sizes = [t.diameter_mm for t in file.tools if t.diameter_mm is not None]
    legal = all(SMALLEST_MM <= s <= LARGEST_MM for s in sizes)
    fits = not any(p.rule is TOO_MANY_DIGITS for p in file.problems)
    return float(legal and fits)


def read_with_board(
    data: bytes,
    *,
    name: str,
    pads: Floats,
    box: Box | None,
    limits: Limits = DEFAULT_LIMITS,
    sibling: NumberFormat | None = None,
    hint: Hint = None,
    before: DrillFile | None = None,
) -> DrillFile:
    """Read a file and settle its number format by the board where the file leaves it open.

    Parameters
    ----------
    data, name, limits
        As in :func:`fabkit.formats.drill.reader.read`.
    pads
        (n, 2) float64, mm: centres of pads and of mask openings; may be empty.
    box
        Box of the board, mm.
    sibling
        Format of another drill file of the same export: taken when the board does not decide.
    hint
        What a text beside the drill files states, and its name: taken before a sibling.
    before
        The file as it was read without a board, to save reading it again.

    A format the file states is overruled only when it misses the board and another one clearly
    fits, and that is an error.
    """
    if box is not None and not np.isfinite(box).all():
        box = None  # the box of an outline without objects
    file = read(data, name=name, limits=limits) if before is None else before
    if not len(file.hits) + len(file.slots):
        return file
    if not file.needs_format:
        return _checked(file, data, pads, box, limits)
    trials = score_formats(file, data, pads, box, limits=limits)
    scores = tuple(score for score, _ in trials)
    chosen = _winner(scores)
    stated = _hinted(file, data, hint[0], limits) if hint is not None else None
    if chosen is not None:
        finding = _inferred(file, scores[0], len(pads) > 0)
        if hint is not None and stated is not None and _reads_as(stated, chosen):
            # The board and a text beside it say the same: nothing is left to ask.
            said = f"{describe(chosen)}, as {hint[1]} states"
            finding = replace(finding, severity=Severity.NOTE, assumed=said)
        return _read_again(file, data, chosen, limits, finding)
    shifted = _shifted(file, trials, pads)
    if shifted is not None:
        chosen, finding = shifted
        return _read_again(file, data, chosen, limits, finding)
    if hint is not None and stated is not None:
        chosen, why = replace(stated, evidence=hint[1]), f"as {hint[1]} states"
    elif sibling is not None and any(_reads_as(s.format, sibling) for s in scores):
        chosen = replace(sibling, evidence="another drill file of the package")
        why = "like the other drill file"
    if chosen is not None:
        words = describe(chosen)
        message = f"read as {words}, {why}"
        stated_here = read_format(data, name=name)
        finding = Finding.of(
            FORMAT_SIBLING,
            message,
            Place(file=name),
            assumed=words,
            # Only the digits are open, and a file with the same header shows what they are.
            severity=Severity.NOTE
            if stated_here.unit and stated_here.zeros
            else FORMAT_SIBLING.severity,
        )
        return _read_again(file, data, chosen, limits, finding)
    best = ", ".join(f"{describe(s.format)} ({s.total:.2f})" for s in scores[:2])
    finding = Finding.of(
        FORMAT_UNRESOLVED,
        f"no number format fits the board clearly; best: {best or 'none'}",
        Place(file=name),
        assumed=f"read as {describe(file.format)}",
        severity=Severity.WARNING if file.format.certain else Severity.ERROR,
    )
    return replace(file, problems=(*file.problems, finding))


def _hinted(file: DrillFile, data: bytes, hint: FormatHint, limits: Limits) -> NumberFormat | None:
    """Give the one reading that a hint leaves; None where it leaves several, or contradicts."""
    survey = DigitSurvey.of(data)
    found: list[tuple[NumberFormat, Floats]] = []
    for candidate in _candidates(file, data, survey, keep_stated=True):
        pointed = candidate.zeros == "point"
        if hint.unit not in (None, candidate.unit):
            continue
        if not pointed and hint.zeros not in (None, candidate.zeros):
            continue
        if not pointed and hint.digits is not None:
            leading = candidate.zeros == "leading"
            if (candidate.integers, candidate.decimals)[not leading] != hint.digits[not leading]:
                continue
            candidate = replace(candidate, integers=hint.digits[0], decimals=hint.digits[1])
        again = read(data, name=file.name, limits=limits, number_format=candidate)
        points = _points(again)
        if not any(_alike(points, other) for _, other in found):
            found.append((candidate, points))
    return found[0][0] if len(found) == 1 else None


def _reads_as(first: NumberFormat, second: NumberFormat) -> bool:
    """Check whether both read every number without a point alike."""
    same = first.unit == second.unit and first.zeros == second.zeros
    if first.zeros == "leading":
        return same and first.integers == second.integers
    return same and (first.zeros == "point" or first.decimals == second.decimals)


def _inferred(file: DrillFile, top: Score, pads: bool) -> Finding:
    alike = _reads_as(file.format, top.format)
    return Finding.of(
        FORMAT_INFERRED,
        f"read as {describe(top.format)}: {top.hit:.0%} of the holes are on"
        f" {'pads' if pads else 'a common grid'}, {top.inside:.0%} inside the board",
        Place(file=file.name),
        measured=top.total,
        limit=ACCEPT,
        assumed=describe(top.format),
        severity=Severity.NOTE if alike else Severity.WARNING,
    )


def _shifted(
    file: DrillFile, trials: list[tuple[Score, Floats]], pads: Floats
) -> tuple[NumberFormat, Finding] | None:
    """Give a format that fits once all holes are moved by one offset: the origins differ."""
    if not len(pads):
        return None
    fits: list[tuple[float, NumberFormat, Floats]] = []
    for score, points in trials:
        if len(np.unique(points, axis=0)) < _SHIFT_HITS or np.abs(points).max() > _FARTHEST_MM:
            continue
        # A few holes against all pads suffice; what they find is tried on all holes.
        few = points[:: max(len(points) // _SHIFT_SAMPLE, 1)][:_SHIFT_SAMPLE]
        shift = np.array(shared_shifts(few, pads, ON_PAD_MM)[0])
        share = SpotIndex(pads, ON_PAD_MM).share(points + shift)
        # Holes heaped on one pad by a format that is far too small fit any board.
        if share >= SHIFT_ACCEPT and np.ptp(points, axis=0).max() > 2.0:
            fits.append((share, score.format, shift))
    if len(fits) != 1:
        return None
    share, chosen, shift = fits[0]
    # Else they lie where they should; only no other evidence had singled this format out.  How far
    # they are off is reported where all files are laid on each other.
    off = np.hypot(*shift) > ON_PAD_MM
    moved = f", once all are moved by {shift[0]:.3f}, {shift[1]:.3f} mm" if off else ""
    return chosen, Finding.of(
        FORMAT_INFERRED,
        f"read as {describe(chosen)}: only then {share:.0%} of the holes are on pads{moved}",
        Place(file=file.name),
        measured=share,
        limit=SHIFT_ACCEPT,
        assumed=describe(chosen),
    )


def _read_again(
    file: DrillFile, data: bytes, chosen: NumberFormat, limits: Limits, finding: Finding
) -> DrillFile:
    """Read with the chosen format; what the file left out stays reported, at most as a warning.

    It weighs no more than ``finding``, but a missing unit: houses read numbers, and ask for units.
    """
    again = read(data, name=file.name, limits=limits, number_format=chosen)
    stated = finding.assumed != describe(chosen)

    def weight(problem: Finding) -> Severity:
        asked = problem.rule is UNIT_MISSING and not stated
        return min(problem.severity, Severity.WARNING if asked else finding.severity)

    eased = tuple(
        replace(p, severity=weight(p), assumed=finding.assumed)
        for p in file.problems
        if p.rule in UNSTATED
    )
    new = tuple(p for p in again.problems if p.rule not in (*UNSTATED, FORMAT_GIVEN))
    return replace(again, problems=(*eased, *new, finding), needs_format=False)


def _checked(
    file: DrillFile, data: bytes, pads: Floats, box: Box | None, limits: Limits
) -> DrillFile:
    """Check whether the stated format misses a board that another one, or no G93, would hit."""
    points = _points(file)
    stated = _score(file.format, file, points, pads, box)
    if file.work_zero_mm != (0.0, 0.0):
        # Only the board shows whether the shift belongs to the coordinates: both ways are tried.
        unshifted = _score(file.format, file, points - np.array(file.work_zero_mm), pads, box)
        if unshifted.total >= ACCEPT and unshifted.total - stated.total >= LEAD:
            finding = Finding.of(
                WORK_ZERO_MISFIT,
                f"{unshifted.hit:.0%} of the holes are on pads without G93,"
                f" {stated.hit:.0%} with it",
                Place(file=file.name),
            )
            return replace(file, problems=(*file.problems, finding))
    if not len(pads):
        # A common grid suggests a format where none is stated, but proves no stated one wrong.
        return file
    # What a file states is believed unless the board clearly contradicts: most holes outside,
    # or few of them on pads and less than half of the board spanned.
    lies_there = stated.inside >= 0.5 or (box is None and stated.total >= 0.5)
    if lies_there and (box is None or stated.hit >= 0.2 or stated.cover >= 0.5):
        return file
    trials = score_formats(file, data, pads, box, limits=limits, keep_stated=False)
    scores = tuple(score for score, _ in trials)
    best = _winner(scores)
    # Overruling a statement takes twice the lead that filling a gap takes.
    if best is None or scores[0].total - stated.total < 2 * LEAD or scores[0].hit < 0.5:
        return file
    times = _times_too_large(points, trials[0][1])
    finding = Finding.of(
        FORMAT_MISFIT,
        f"read as stated ({describe(file.format)}) {stated.hit:.0%} of the holes are on"
        f" pads; read as {describe(best)} {scores[0].hit:.0%} are",
        Place(file=file.name),
        measured=stated.total if times is None else times,
        limit=ACCEPT if times is None else 1.0,
        unit=None if times is None else "times",
        assumed=f"read as {describe(best)}",
    )
    return _read_again(file, data, best, limits, finding)


def _times_too_large(points: Floats, right: Floats) -> float | None:
    """Give the one factor between two readings of a file; None where there is none."""
    if points.shape != right.shape:
        return None
    far = np.abs(right) > 1.0
    ratio = points[far] / right[far]
    if not len(ratio) or np.ptp(ratio) > 1e-3 * abs(float(np.median(ratio))):
        return None
    return float(np.median(ratio))
