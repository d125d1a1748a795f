"""One registration of all files of a package: which file lies elsewhere, and how it fits.

Only middles of pads, openings and holes are compared, a sample of each file.  A set whose files
lie on each other costs a few look-ups.  Where some do not, the fewest moves are looked for after
which all do, so that the file that is off is named and not the files around it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.units import INCH_MM
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.geometry.neighbours import SpotIndex, shared_shifts
from fabkit.geometry.segments import Placing
from fabkit.package.content import Look
from fabkit.package.model import Content, Role, RoleKind, Side

FIT_MM: Final = 0.05
"""Points this near to each other belong together (common practice: drill to pad 0.075)."""
FEW: Final = 6
"""Fewer points than this prove nothing."""
FITS: Final = 0.5
"""Share of points that must fit for a file to count as lying on the others."""
SURE: Final = 0.8
"""Share of points that must fit after a move for it to be believed."""
BETTER: Final = 0.3
"""A move must bring this much larger a share onto the others."""
LEAD: Final = 0.1
"""The best move is better than the next one by this share of the points."""
_WHOLE: Final = 0.98
_SYMMETRIC: Final = 0.9
"""Below this a file may be mirrored although half of it fits."""
_SAMPLE: Final = 400
"""Points of a file that are looked up: their share is known to a few percent, whatever its size."""
_VOTERS: Final = 60
"""Points that are paired with all of the reference to find a shift."""
_VOTED_ON: Final = 1500
"""Many voters agree on a part of the reference, too."""
_MOST_PAIRS: Final = 1_000_000
_STRETCHED: Final = 5e-4
"""A scale nearer to 1 moves no point of a board of 100 mm beyond :data:`FIT_MM`."""
_STRETCHES: Final = [1 + sign * k * 1e-3 for k in range(1, 51) for sign in (1, -1)]
"""Scales that are tried: steps that miss by less than a tolerance over 100 mm, up to 5 %."""
_STRETCH_VOTERS: Final = 24
_ELSEWHERE_MM: Final = 0.5
"""Shifts that differ by more are different ones."""
_COARSE_MM: Final = (0.01 * INCH_MM, 0.1)
"""Steps to which coarse formats round; points off by half a step still lie on their pads."""
_ROUNDING_MM: Final = 2e-4
"""A point this near to a grid of whole steps lies on it."""
_MOST_MOVES: Final = 4
IN_PLACE: Final = Placing()
FACTORS: Final = (INCH_MM, 1 / INCH_MM, 10.0, 0.1, 100.0, 0.01)
"""Factors of unit and digit mistakes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What lays a file on the others.

    Parameters
    ----------
    placing
        Mirror, quarter turns and shift; after the factor.
    factor
        Unit or digits: coordinates times this fit.
    stretch
        No mistake of units: coordinates times this fit.
    before, after
        Shares of the points that lie on the others as the file is, and after the move.
    next_best
        Share after the next best move that is another one.
    """

    placing: Placing = IN_PLACE
    factor: float = 1.0
    stretch: float = 1.0
    before: float = 0.0
    after: float = 0.0
    next_best: float = 0.0

    @property
    def moves(self) -> bool:
        """Whether anything is moved."""
        return self.factor != 1.0 or self.stretch != 1.0 or self.placing != IN_PLACE


@dataclass(slots=True)
class _Part:
    """One file's points, and what they are to lie on."""

    index: int
    role: Role
    points: Floats
    look: Look | None
    """Of a layer; drill files have none."""
    follows: bool = False
    """Bare holes have no pads: they prove nothing, and go where the other drill files go."""
    reach: float = FIT_MM
    """How near its points come to what they lie on."""
    fit: Fit | None = None
    _spots: dict[float, SpotIndex] = field(init=False, default_factory=dict)

    def spots(self, reach: float) -> SpotIndex:
        """Its points, to be found within a reach."""
        if reach not in self._spots:
            self._spots[reach] = SpotIndex(self.points, reach)
        return self._spots[reach]

    @property
    def sample(self) -> Floats:
        return self.points[:: -(-len(self.points) // _SAMPLE) or 1]

    def moved(self, fit: Fit) -> _Part:
        points = fit.placing.points(self.points * fit.factor * fit.stretch)
        return replace(self, points=points, fit=fit)


def register(
    roles: Sequence[Role], contents: Sequence[Content], looks: dict[int, Look]
) -> dict[int, Fit]:
    """Find out which files do not lie on the others, and what would lay them there.

    Parameters
    ----------
    roles, contents
        Of all files, by index; drill files are read.
    looks
        Looks at layer files made before; more are added.

    Returns
    -------
    By index, the files that do not fit: with the move that lays them on the others, or, where
    there is none, with a fit that moves nothing.
    """
    parts = [part for i in range(len(roles)) if (part := _part(i, roles[i], contents[i], looks))]
    parts = _with_faces_laid(parts)
    for _ in range(_MOST_MOVES):
        shares = [_share(part, parts) for part in parts]
        if all(s is None or s >= _SYMMETRIC for s in shares):
            break
        best = _best_move(parts, shares)
        if best is None:
            break
        parts = best
    found = {part.index: part.fit for part in parts if part.fit is not None}
    for part in parts:
        share = _share(part, parts)
        if part.fit is not None or share is None or share >= LEAD:
            continue
        if not _lies_on_painted(part, parts) and not _drills_bare(part, parts):
            found[part.index] = Fit(before=share, after=share)
    return found


def _lies_on_painted(part: _Part, parts: Sequence[_Part]) -> bool:
    """Whether points lie on the images of layers that strokes or regions draw.

    The middles of their pads are not known, so that next to nothing fits what is all in place.
    """
    others = _counterparts(part, parts)
    if part.role.kind is RoleKind.COPPER:
        pairs = [(other.sample, part.look) for other in _proving(others)]
    else:
        pairs = [(part.sample, other.look) for other in others]
    shares = [look.covers(points).mean() for points, look in pairs if look and look.is_painted]
    return max(shares, default=0.0) >= SURE


def _drills_bare(part: _Part, parts: Sequence[_Part]) -> bool:
    """Whether a drill file is of bare holes alone, though none states it.

    Another drill file lies on the pads then, and this one keeps clear of all copper.
    """
    drills = [p for p in parts if p.role.kind is part.role.kind is RoleKind.DRILL and p is not part]
    if not any((_share(other, parts) or 0.0) >= SURE for other in drills):
        return False
    looks = [p.look for p in parts if p.role.kind is RoleKind.COPPER and p.look]
    return not any(look.covers(part.sample).any() for look in looks)


def _part(index: int, role: Role, content: Content, looks: dict[int, Look]) -> _Part | None:
    if isinstance(content, DrillFile) and role.kind is RoleKind.DRILL:
        # A routed path may be a cut-out, which has no pads.
        drilled = content.slots.take(~content.slots.routed)
        points, look = np.concatenate((content.hits.spots(), drilled.middles())), None
    elif isinstance(content, GerberFile) and role.kind in (
        RoleKind.COPPER,
        RoleKind.MASK,
        RoleKind.PASTE,
    ):
        look = looks.setdefault(index, Look(content))
        points = look.spots
    else:
        return None
    points = points[np.isfinite(points).all(axis=1)]
    bare = isinstance(content, DrillFile) and False in (role.plated, content.plated)
    follows = bare or len(points) < FEW
    if follows and role.kind is not RoleKind.DRILL:
        return None
    steps = [step for step in _COARSE_MM if role.kind is RoleKind.DRILL and _is_on(points, step)]
    reach = max((step / 2 for step in steps), default=0.0) + FIT_MM
    return _Part(index=index, role=role, points=points, look=look, follows=follows, reach=reach)


def _is_on(points: Floats, step: float) -> bool:
    """Whether all points lie on a grid of whole steps, as coarsely rounded ones do."""
    return bool((np.abs(points - np.round(points / step) * step) < _ROUNDING_MM).all())


def _counterparts(part: _Part, parts: Sequence[_Part]) -> list[_Part]:
    """Files that the points of one are to lie on."""
    kind, side = part.role.kind, part.role.side

    def meets(other: _Part) -> bool:
        beneath = other.role.kind is RoleKind.COPPER and _same_side(side, other.role.side)
        match kind:
            case RoleKind.DRILL:
                return other.role.kind in (RoleKind.COPPER, RoleKind.MASK)
            case RoleKind.MASK:
                return beneath or other.role.kind is RoleKind.DRILL
            case RoleKind.PASTE:
                return beneath
            case _:
                opened = other.role.kind is RoleKind.MASK and _same_side(side, other.role.side)
                return opened or other.role.kind is RoleKind.DRILL

    return [other for other in parts if other.index != part.index and meets(other)]


def _proving(group: Sequence[_Part]) -> list[_Part]:
    return [part for part in group if not part.follows]


def _same_side(one: Side | None, other: Side | None) -> bool:
    return one is not None and one == other


def _share(part: _Part, parts: Sequence[_Part]) -> float | None:
    """Share of a file's points on its counterparts; None where there is too little to compare.

    Copper lies on the drills when the holes lie on it: most of its pads may have none.
    """
    others = _counterparts(part, parts)
    if not others or part.follows:
        return None
    sample = part.sample
    hit = np.zeros(len(sample), dtype=bool)
    for other in others:
        hit |= other.spots(max(part.reach, other.reach)).find(sample) >= 0
    share = float(hit.mean())
    if part.role.kind is RoleKind.COPPER:
        drills = [other for other in others if other.role.kind is RoleKind.DRILL]
        back = [part.spots(other.reach).share(other.sample) for other in drills]
        share = max([share, *back])
    return share


def _with_faces_laid(parts: list[_Part]) -> list[_Part]:
    """Lay all films of a face on the holes, where they fit each other but only the other face's do.

    Exports that mirror the bottom mirror all of it, so that its films still agree.
    """
    drills = [p for p in parts if p.role.kind is RoleKind.DRILL and not p.follows]
    if not drills:
        return parts
    holes = np.concatenate([d.points for d in drills])
    coppers = [p for p in parts if p.role.kind is RoleKind.COPPER and p.role.side]
    on = {id(c): c.spots(max(d.reach for d in drills)).share(holes) for c in coppers}
    for copper in coppers:
        films = [p for p in parts if p.role.side == copper.role.side and p is not copper]
        films = [p for p in films if copper.spots(p.reach).share(p.sample) >= FITS]
        if not films or on[id(copper)] >= FITS or max(on.values()) < SURE or len(holes) < FEW:
            continue
        back = find_fit(holes, copper.points)
        if back is None or back.factor != 1.0 or back.stretch != 1.0:
            continue
        fit = replace(back, placing=back.placing.undone())
        laid = {copper.index, *(p.index for p in films)}
        parts = [p.moved(fit) if p.index in laid else p for p in parts]
    return parts


def _best_move(parts: list[_Part], shares: Sequence[float | None]) -> list[_Part] | None:
    """Give the parts after the one move that makes most of them fit; None when none helps."""
    unfit = [p for p, s in zip(parts, shares, strict=True) if s is not None and s < FITS]
    doubtful = [p for p, s in zip(parts, shares, strict=True) if s is not None and s < _SYMMETRIC]
    drills = [p for p in parts if p.role.kind is RoleKind.DRILL and p.fit is None]
    groups = [[p] for p in (unfit or doubtful) if p.fit is None]
    if len(drills) > 1 and any(p in (unfit or doubtful) for p in drills):
        # Drill files may share an origin of their own: all of them together are one move.
        groups.insert(0, drills)
    if any(p.role.kind is RoleKind.MASK for p in unfit):
        # Openings that lie beside bare holes may blame either.
        groups += [[p] for p in drills if p.follows and len(p.points) >= FEW]
    now = _score(parts)
    best: tuple[float, list[_Part]] | None = None
    for group in groups:
        moved = _moved(group, parts, mirror_only=not unfit)
        if moved is None:
            continue
        # Of equal gains the one that moves fewer files wins.
        score = _score(moved) - 0.01 * len(group)
        if score > now + (BETTER / 2 if unfit else LEAD / 2) and (best is None or score > best[0]):
            best = score, moved
    return best[1] if best else None


def _score(parts: Sequence[_Part]) -> float:
    """Sum of how well all files fit."""
    return sum(s for part in parts if (s := _share(part, parts)) is not None)


def _moved(group: list[_Part], parts: list[_Part], *, mirror_only: bool) -> list[_Part] | None:
    rest = [p for p in parts if p not in group]
    others = {o.index: o for p in group for o in _counterparts(p, rest)}
    points = np.concatenate([np.empty((0, 2)), *(p.points for p in _proving(group) or group)])
    if not others or not len(points):
        return None
    reference = np.concatenate([o.points for o in others.values()])
    fit = find_fit(points, reference, mirror_only=mirror_only)
    if fit is None and group[0].role.kind is RoleKind.COPPER and not mirror_only:
        fit = _fit_back(points, reference)
    if fit is None:
        return None
    made = {p.index: p.moved(fit) for p in group}
    return [made.get(p.index, p) for p in parts]


def _fit_back(points: Floats, reference: Floats) -> Fit | None:
    """Find what lays copper under the holes and openings, where most of its pads have neither."""
    back = find_fit(reference, points)
    if back is None or back.factor != 1.0 or back.stretch != 1.0:
        return None
    placing, index = back.placing.undone(), SpotIndex(reference, FIT_MM)
    return replace(
        back,
        placing=placing,
        before=index.share(points),
        after=index.share(placing.points(points)),
    )


def find_fit(
    points: Floats, reference: Floats, *, mirror_only: bool = False, shift_only: bool = False
) -> Fit | None:
    """Find what lays points on a reference, both (n, 2) float64, mm; None when nothing does.

    A shift alone is tried first, then a mirror and quarter turns, then units and digits.
    """
    if not len(points) or not len(reference):
        return None
    index = SpotIndex(reference, FIT_MM)
    sample = points[:: -(-len(points) // _SAMPLE) or 1]
    before = index.share(sample)
    for tried in [[(IN_PLACE, 1.0)]] if shift_only else _tries(mirror_only=mirror_only):
        fits = []
        for placing, factor in tried:
            turned = placing.points(sample * factor)
            for dx, dy in _voted_shifts(turned, reference):
                # A wrong unit scales about the origin and shifts nothing: a factor with a shift
                # fits by chance.
                if factor != 1.0 and np.hypot(dx, dy) > 1.0:
                    continue
                after = index.share(turned + np.array((dx, dy)))
                laid = Placing(
                    mirrored=placing.mirrored,
                    quarter_turns=placing.quarter_turns,
                    dx_mm=dx,
                    dy_mm=dy,
                )
                fits.append((after, laid, factor))
        fits.sort(key=lambda found: -found[0])
        if not fits:
            continue
        after, placing, factor = fits[0]
        # A file that is nearly symmetric fits either way round: a mirror alone must fit all but
        # whole.
        needed = _WHOLE if mirror_only else max(SURE, before + BETTER)
        next_best = fits[1][0] if len(fits) > 1 else 0.0
        if after < needed or after - before < LEAD or after - next_best < LEAD:
            continue
        return Fit(placing=placing, factor=factor, before=before, after=after, next_best=next_best)
    if shift_only or mirror_only or len(sample) < FEW:
        return None
    return _find_stretch(sample, reference, before)


def _find_stretch(points: Floats, reference: Floats, before: float) -> Fit | None:
    """Find a scale near 1, and a shift, that lay points on a reference."""
    index = SpotIndex(reference, FIT_MM)
    picked = points[np.unique(np.linspace(0, len(points) - 1, _STRETCH_VOTERS).astype(int))]
    best: tuple[float, Floats, float] = (0.0, points, 1.0)
    for scale in _STRETCHES:
        for shift in _voted_shifts(picked * scale, reference)[:1]:
            laid = points * scale + np.array(shift)
            best = max(best, (index.share(laid), laid, scale), key=lambda found: found[0])
    share, laid, scale = best
    if share < BETTER:
        return None
    # Steps are coarse at the far end; the pairs found so far give the scale itself.
    rows = index.find(laid)
    mine, other = points[rows >= 0], reference[rows[rows >= 0]]
    middle, meant = mine.mean(axis=0), other.mean(axis=0)
    spread = float(((mine - middle) ** 2).sum())
    scale = float(((mine - middle) * (other - meant)).sum()) / spread if spread else 0.0
    if not 0.5 < scale < 2.0:
        return None  # All pairs may have met in one point, which shows no scale.
    dx, dy = meant - scale * middle
    after = index.share(points * scale + np.array((dx, dy)))
    if after < max(SURE, before + BETTER) or abs(scale - 1) < _STRETCHED:
        return None
    placing = Placing(dx_mm=float(dx), dy_mm=float(dy))
    return Fit(placing=placing, stretch=scale, before=before, after=after)


def _tries(*, mirror_only: bool) -> Iterator[list[tuple[Placing, float]]]:
    mirrored = [(Placing(mirrored=True), 1.0)]
    if mirror_only:
        yield mirrored
        return
    yield [(Placing(), 1.0)]
    turns = [(Placing(mirrored=m, quarter_turns=q), 1.0) for m in (False, True) for q in (1, 2, 3)]
    yield mirrored + turns
    yield [(Placing(), factor) for factor in FACTORS]


def _voted_shifts(points: Floats, reference: Floats) -> list[tuple[float, float]]:
    """Give the two shifts that bring most points onto the reference, the best first."""
    picked = points[np.unique(np.linspace(0, len(points) - 1, _VOTERS).astype(int))]
    # Few voters need much of the reference, for a thinned one may lack all of their partners.
    most = _VOTED_ON if len(picked) == _VOTERS else _MOST_PAIRS // len(picked)
    reference = reference[:: len(reference) // most + 1]
    return shared_shifts(picked, reference, FIT_MM, apart=_ELSEWHERE_MM, most=2)
