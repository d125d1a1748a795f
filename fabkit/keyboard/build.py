"""The keys of a board, all evidence weighed together, and the keyboard that they make."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.once import once_per
from fabkit.base.units import counted, format_mm, format_number, natural
from fabkit.board.model import Board
from fabkit.board.single import cut_out, single_board, single_rows
from fabkit.geometry.neighbours import PointTree, usual_gap
from fabkit.geometry.segments import Box
from fabkit.keyboard.candidates import (
    Candidate,
    at_key_pitch,
    from_centres,
    from_components,
    from_groups,
    from_openings,
    from_patterns,
    place_tolerance,
)
from fabkit.keyboard.footprints import (
    HOLE,
    Features,
    Lands,
    LandTable,
    contact_rows,
    find_features,
    find_turns,
    mirror_shares,
    read_lands,
)
from fabkit.keyboard.hands import USE_WORDS, find_hands, state
from fabkit.keyboard.model import (
    BoardIs,
    Evidence,
    Family,
    Group,
    Hold,
    Key,
    Keyboard,
    Spot,
    find_overlaps,
)
from fabkit.keyboard.patterns import Pattern, find_sites, load_patterns
from fabkit.package.model import Side
from fabkit.sheets.order import BoardUse

ONE_PLACE_MM: Final = 2.0
"""Evidence from holes and openings this near to each other belongs to one key."""

PART_MM: Final = 9.0
"""A switch's lands, or the middle its table states, are this near to its key's middle (common
practice: half a key pitch)."""

SURE: Final = 0.7
"""Confidence from which a place is a key."""

FEWEST_LONE: Final = 6
"""Fewer places, each known by one hole or one component, are no evidence of a keyboard."""

PADS_SCORE: Final = 0.65
"""Worth of contacts that lie alike at most of the candidates."""

HOLES_SHARE: Final = 0.9
"""Share of a key's contact holes with a counterpart from which it can be turned over."""

THIN_SHARE: Final = 0.7
"""Contact holes of one switch are about equally wide (common practice: 1.2 to 1.5 mm, and 3 mm for
sockets); leads of diodes need 0.8 to 1 mm."""

LANDS_SHARE: Final = 0.6
"""The same for surface lands: parts of one face, such as a light, may be left single."""

_SAME_TURN_DEG: Final = 20.0
"""A component's stated turn may be off by this (from another origin of angles) and still show
which quarter it is."""

_EXACT: Final = {Evidence.PATTERN: 0, Evidence.CENTRE: 1, Evidence.OPENING: 2}
"""Rank of the evidence that gives the middle of a key, the most exact first."""


@dataclass(slots=True)
class _Place:
    """Candidates for one key."""

    found: list[Candidate]

    @property
    def best(self) -> Candidate:
        return min(self.found, key=lambda c: (_EXACT.get(c.evidence, len(_EXACT)), -c.score))

    @property
    def spot(self) -> Spot:
        return self.best.x_mm, self.best.y_mm

    @property
    def confidence(self) -> float:
        """Each kind of evidence once: what is seen twice is no surer."""
        # Kinds of evidence err separately: each leaves its own share of the doubt.
        scores: dict[Evidence, float] = {}
        for c in self.found:
            scores[c.evidence] = max(c.score, scores.get(c.evidence, 0.0))
        return float(1 - np.prod([1 - s for s in scores.values()]))

    @property
    def turn(self) -> float:
        """Rotation, 0 up to 360.

        Posts give the angle exactly, but not which quarter of the turn it is; a pattern or a
        component gives that.
        """
        known = [c for c in self.found if c.rotation_deg is not None]
        order = {Evidence.PATTERN: 0, Evidence.PLACEMENT: 1, Evidence.ATTRIBUTES: 1}
        said = min(known, key=lambda c: order.get(c.evidence, 2), default=None)
        posts = next((c for c in known if c.quarter), None)
        if said is None:
            return 0.0
        turn = said.rotation_deg or 0.0
        if posts is not None:
            base = posts.rotation_deg or 0.0
            exact = base + 90 * round((turn - base) / 90)
            turn = exact if abs(exact - turn) < _SAME_TURN_DEG else turn
        turn = round(turn, 3) % 360
        return turn or 0.0


def find_keys(board: Board, patterns: Sequence[Pattern], lands: Lands) -> tuple[Key, ...]:
    """Find the places for key switches of a board.

    Parameters
    ----------
    patterns
        Hole patterns; those of other kinds are passed over.

    Returns
    -------
    Keys in reading order.
    """
    places = _lay_together(
        [*from_patterns(board, patterns), *from_centres(board), *from_openings(board)],
        ONE_PLACE_MM,
    )
    places = _worth_a_look(places)
    # Before they are weighed: a switch named at a doubtful hole makes it sure.
    places = _with_components(places, list(from_components(board)), board, lands)
    slack = place_tolerance(board.holes)
    places = _weigh(board, places, lands.table, slack)
    # Last, because arrays of other parts repeat as keys do.
    if not places:
        places = [_Place([found]) for found in from_groups(board, lands.table)]
    _turn_by_lands(places, lands)
    if not places:
        return ()
    centres = np.array([p.spot for p in places])
    turns = np.array([p.turn for p in places])
    features = find_features(board, lands.table, centres, turns, slack_mm=slack)
    turned = _turnable(features, len(places), slack)
    keys = [
        _key(place, turn, features.take(features.key == k), bool(turned[k]), len(board.holes))
        for k, (place, turn) in enumerate(zip(places, turns.tolist(), strict=True))
    ]
    keys = _widened(keys, board, patterns, slack)
    order = reading_order(centres)
    keys = [keys[k] for k in order]
    near = find_overlaps(centres[order])
    return tuple(replace(k, instead_of=o) for k, o in zip(keys, near, strict=True))


def _widened(keys: list[Key], board: Board, patterns: Sequence[Pattern], slack: float) -> list[Key]:
    """Keys with the width that a stabiliser about their middle shows."""
    wide = [p for p in patterns if p.kind == "stabiliser"]
    sites = find_sites(board.holes, wide, shared=True, slack_mm=slack)
    if not sites:
        return keys
    spots = np.array([(s.x_mm, s.y_mm) for s in sites])
    away, near = PointTree(spots).query(np.array([(k.x_mm, k.y_mm) for k in keys]))
    return [
        replace(key, size_u=sites[n].pattern.size_u) if gap <= ONE_PLACE_MM else key
        for key, gap, n in zip(keys, away.tolist(), near.tolist(), strict=True)
    ]


def _lay_together(candidates: Sequence[Candidate], reach_mm: float) -> list[_Place]:
    """Gather candidates by place, the strongest first."""
    places: list[_Place] = []
    spots = np.full((len(candidates), 2), np.inf)
    for candidate in sorted(candidates, key=lambda c: (-c.score, c.x_mm, c.y_mm)):
        away = np.hypot(spots[:, 0] - candidate.x_mm, spots[:, 1] - candidate.y_mm)
        at = int(away.argmin())
        if away[at] > reach_mm:
            at = len(places)
            places.append(_Place([]))
        places[at].found.append(candidate)
        # The place moves to its most exact evidence, from which later candidates are measured.
        spots[at] = places[at].spot
    return places


def _worth_a_look(places: list[_Place]) -> list[_Place]:
    """Drop lone holes of a post's size where keys are known by their patterns.

    Such a hole belongs to a socket, a screw or a foot there.
    """
    if not any(p.confidence >= SURE for p in places):
        return places
    return [p for p in places if p.confidence >= SURE or p.best.evidence is not Evidence.CENTRE]


def _with_components(
    places: list[_Place], found: Sequence[Candidate], board: Board, lands: Lands
) -> list[_Place]:
    """Give switches to the places they stand at; those of the same make elsewhere are keys too.

    A reset button is a switch as well, but of another make: other footprint, other lands.
    """
    makes = _makes(board, lands)
    away = _distances(places, found, lands)
    near = away.min(axis=1, initial=np.inf) <= PART_MM
    standing = Counter(makes[c.ref] for c, there in zip(found, near.tolist(), strict=True) if there)
    # A button beside a screw hole stands at no key: one hole alone may be anything.
    lone = np.array([p.best.evidence is Evidence.CENTRE and p.confidence < SURE for p in places])
    known = away[:, ~lone.astype(bool)].min(axis=1, initial=np.inf) <= PART_MM
    firm = {makes[c.ref] for c, there in zip(found, known.tolist(), strict=True) if there}
    standing = Counter({m: n for m, n in standing.items() if m in firm or n >= FEWEST_LONE})
    if standing:
        usual = {make for make, count in standing.items() if count >= 2} or set(standing)
    else:
        counts = Counter(makes[c.ref] for c in found)
        usual = {m for m in counts if counts[m] >= FEWEST_LONE}
        spots = {m: np.array([(c.x_mm, c.y_mm) for c in found if makes[c.ref] == m]) for m in usual}
        usual = {m for m in usual if at_key_pitch(spots[m])}
    keys = np.array([makes[c.ref] in usual for c in found], dtype=bool)
    # A switch of the keys' make is a key wherever it stands: its holes may be lost or changed.
    switches = [replace(c, score=SURE) if k else c for c, k in zip(found, keys, strict=True)]
    for c, place in _seats(places, away, np.flatnonzero(near & keys)).items():
        places[place].found.append(switches[c])
    return places + [_Place([switches[c]]) for c in np.flatnonzero(~near & keys).tolist()]


def _distances(places: Sequence[_Place], found: Sequence[Candidate], lands: Lands) -> Floats:
    """(components, places) float64, mm: how far each switch is from each place.

    Measured over the nearer half of its lands: where places overlap, one switch may have lands at
    two of them, and the middle of all lands then lies at neither.  Without lands the stated middle
    counts.
    """
    spots = np.array([p.spot for p in places]).reshape(-1, 2)
    sure = np.array([p.confidence >= SURE for p in places], dtype=bool)
    out = np.empty((len(found), len(places)))
    for c, candidate in enumerate(found):
        mine = lands.of(candidate.ref)
        at = np.array([(candidate.x_mm, candidate.y_mm)])
        if len(mine):
            at = mine.spots()
        apart = np.hypot(*(at[:, None] - spots[None]).transpose(2, 0, 1))
        out[c] = np.sort(apart, axis=0)[: (len(at) + 1) // 2].mean(axis=0)
    # A place that is sure keeps its switch against a lone hole that happens to be nearer.
    held = np.logical_and(sure, out <= PART_MM).any(axis=1).reshape(-1)
    return np.where(sure | ~held[:, None], out, np.inf)


def _seats(places: Sequence[_Place], away: Floats, rows: Ints) -> dict[int, int]:
    """For each component that stands at a place: which.

    Where places overlap, two components may be nearest to one of them: then all are shared out
    so that the sum of distances is least.  What is left over stands where another does already,
    as on boards with a footprint for each face.
    """
    seats = {int(c): int(away[c].argmin()) for c in rows}
    claims = Counter(seats.values())
    crowded = [c for c in seats if claims[seats[c]] > 1]
    unclaimed = [p for p in range(len(places)) if p not in claims]
    if crowded and unclaimed and (away[np.ix_(crowded, unclaimed)] <= PART_MM).any():
        from scipy.optimize import linear_sum_assignment

        # Infinite distances may leave no assignment at all; what is too far is dropped afterwards.
        taken, columns = linear_sum_assignment(np.minimum(away[rows], 10 * PART_MM))
        shared = zip(rows[taken].tolist(), columns.tolist(), strict=True)
        seats |= {c: p for c, p in shared if away[c, p] <= PART_MM}
    return seats


_Make = tuple[str, str, int, int]


def _makes(board: Board, lands: Lands) -> dict[str, _Make]:
    """By reference, what parts of one make have in common: description, letters, lands."""
    counts = np.bincount(lands.table.ref, minlength=len(lands.refs))
    known = dict(zip(lands.refs, counts.tolist(), strict=True))
    return {
        c.ref: (
            c.footprint or c.value,
            "" if c.footprint else re.sub(r"[^A-Za-z]", "", c.ref),
            known.get(c.ref, 0),
            len(c.pins),
        )
        for c in board.components
    }


def _weigh(board: Board, places: list[_Place], lands: LandTable, slack: float) -> list[_Place]:
    """Places that are keys, all evidence taken together.

    What is doubtful by itself is a key when the same contacts lie about it as about most others,
    and there are as many, as near to each other, as keys are.
    """
    doubtful = [p for p in places if p.confidence < SURE]
    sure = [p for p in places if p.confidence >= SURE]
    centres = np.array([p.spot for p in doubtful])
    if len(doubtful) >= FEWEST_LONE and at_key_pitch(centres):
        turns = np.array([p.turn for p in doubtful])
        features = find_features(board, lands, centres, turns, slack_mm=slack)
        rows = contact_rows(features)
        held = np.bincount(features.key[rows], minlength=len(doubtful)) >= 2
        # Fewer with contacts would be a grid of screws, with a few parts beside them.
        if held.mean() >= 0.5:
            for place, known in zip(doubtful, held.tolist(), strict=True):
                if known:
                    best = place.best
                    place.found.append(
                        replace(best, evidence=Evidence.PADS, score=PADS_SCORE, holes=(), slots=())
                    )
    return [p for p in (*sure, *doubtful) if p.confidence >= SURE]


def _turn_by_lands(places: Sequence[_Place], lands: Lands) -> None:
    """Give switches that only components show the turn and middle their lands show."""
    unknown = [p for p in places if all(c.ref and c.rotation_deg is None for c in p.found)]
    spots: list[Floats] = []
    for place in unknown:
        mine = lands.of(place.best.ref)
        spots.append(np.unique(np.round(mine.spots(), 3), axis=0))
    for place, found in zip(unknown, find_turns(spots), strict=True):
        if found is not None:
            turn, (x, y) = found
            turned = replace(place.best, rotation_deg=turn, x_mm=float(x), y_mm=float(y))
            place.found[:] = [turned, *(c for c in place.found if c is not place.best)]


def _turnable(features: Features, keys: int, slack: float) -> Bools:
    """(keys,) bool: the key's contacts are there for either face."""
    rows = contact_rows(features)
    # A diode's holes beside the switch have no mirror image and would hide that contacts serve
    # either face.
    rows = rows[~_thin(features, rows, keys)]
    shares = mirror_shares(features, rows, slack_mm=slack)
    key, hole = features.key[rows], features.what[rows] == HOLE

    def share(way: int, mine: Bools) -> Floats:
        total = np.bincount(key[mine], minlength=keys)
        met = np.bincount(key[mine], weights=shares[way][mine], minlength=keys)
        # A key with holes alone, or lands alone, is judged by what it has.
        return np.divide(met, total, out=np.ones(keys), where=total > 0)

    count = np.bincount(key, minlength=keys)
    fits = [
        (share(way, hole) >= HOLES_SHARE) & (share(way, ~hole) >= LANDS_SHARE) for way in (0, 1)
    ]
    return np.asarray((count >= 2) & (fits[0] | fits[1]))


def _thin(features: Features, rows: Ints, keys: int) -> Bools:
    """Which holes are too narrow beside the others of their key to be contacts: a diode's."""
    size = np.where(features.what[rows] == HOLE, features.size[rows], np.inf)
    widest = np.zeros(keys)
    drilled = np.isfinite(size)
    np.maximum.at(widest, features.key[rows[drilled]], size[drilled])
    return np.asarray(size < THIN_SHARE * widest[features.key[rows]])


def _key(place: _Place, turn: float, mine: Features, turnable: bool, holes: int) -> Key:
    drilled = mine.row[mine.what == HOLE].tolist()
    own = place.found
    patterns = [c for c in own if c.evidence is Evidence.PATTERN]
    contacts: dict[Side, tuple[Spot, ...]] = {}
    for candidate in patterns:
        for face, spots in candidate.contacts:
            contacts.setdefault("top" if face > 0 else "bottom", spots)
    faces: tuple[Side, ...] = ("top", "bottom")
    if not turnable and len(contacts) < 2:
        seen = patterns or [c for c in own if c.ref]
        down = bool(seen) and seen[0].mirrored and bool(patterns)
        faces = ("bottom",) if down else ("top",)
    # What groups show serves any face, and does not decide which one is used.
    bare = (
        {}
        if contacts
        else {("top" if f > 0 else "bottom"): at for c in own for f, at in c.contacts}
    )
    contacts |= {face: bare[face] for face in faces if face in bare}
    return Key(
        x_mm=place.spot[0],
        y_mm=place.spot[1],
        rotation_deg=turn,
        faces=faces,
        families=_families(own),
        held_by=_held_by(own),
        contacts=contacts,
        refs=tuple(sorted({c.ref for c in own if c.ref}, key=natural)),
        holes=tuple(sorted({r for c in own for r in c.holes} | {r for r in drilled if r < holes})),
        slots=tuple(
            sorted({r for c in own for r in c.slots} | {r - holes for r in drilled if r >= holes})
        ),
        evidence=tuple(dict.fromkeys(c.evidence for c in sorted(own, key=lambda c: -c.score))),
        confidence=round(place.confidence, 3),
        patterns=tuple(sorted({c.pattern for c in patterns})),
    )


def _families(found: Sequence[Candidate]) -> tuple[Family, ...]:
    known = sorted({c.family for c in found if c.family != "not known"})
    return tuple(known) or ("not known",)


def _held_by(found: Sequence[Candidate]) -> Hold:
    ways = {c.held_by for c in found if c.evidence is Evidence.PATTERN} - {"not known"}
    if len(ways) > 1:
        return "either"
    if ways:
        return ways.pop()
    by_plate = all(c.evidence is Evidence.OPENING for c in found)
    return "plate" if by_plate else "not known"


def reading_order(centres: Floats) -> list[int]:
    """Order places by rows from the top, each from the left.

    Heights are rounded to the pitch of the keys; places at one height are a row.
    """
    left = defaultdict(list)
    pitch = usual_gap(centres)
    step = pitch if np.isfinite(pitch) else 1.0
    for row in np.lexsort((centres[:, 0], -centres[:, 1])).tolist():
        left[-round(float(centres[row, 1]) / step)].append(row)
    return [
        row for level in sorted(left) for row in sorted(left[level], key=lambda r: centres[r, 0])
    ]


BESIDE_MM: Final = 14.0
"""Board shown beside the outermost key of a half that shares its outline with the other."""


def find_keyboard(board: Board, stated: BoardUse | None = None) -> Keyboard:
    """Find the keys of a board, and which half each belongs to.

    Parameters
    ----------
    board
        The board; its keyboard is found once, however often it is asked for.
    stated
        What one board is by the user's word; None leaves it to the files.

    Examples
    --------
    ``find_keyboard(board).hands.use`` is ``"reversible"`` for one board that makes either half.
    """
    found = _of_files(board)
    if stated is None:
        return found
    return replace(found, hands=state(found.keys, found.hands, stated))


@once_per
def _of_files(board: Board) -> Keyboard:
    return build_keyboard(board, load_patterns())


def build_keyboard(board: Board, patterns: Sequence[Pattern]) -> Keyboard:
    """Build a keyboard from a board's files with a given catalogue of hole patterns.

    Of a panel of equal boards it is the keyboard of one of them.
    """
    single = single_board(board)
    if single is not board:
        return _on_panel(build_keyboard(single, patterns), board)
    lands = read_lands(board)
    keys = find_keys(board, patterns, lands)
    return Keyboard(keys=keys, hands=find_hands(board, keys, lands))


def _on_panel(keyboard: Keyboard, panel: Board) -> Keyboard:
    """Give a keyboard the rows of its holes and slots in the panel it was cut from."""
    holes, slots = single_rows(panel)
    keys = tuple(
        replace(
            key,
            holes=tuple(holes[list(key.holes)].tolist()),
            slots=tuple(slots[list(key.slots)].tolist()),
        )
        for key in keyboard.keys
    )
    return replace(keyboard, keys=keys)


def describe(board: Board, stated: BoardUse | None = None, *, name: str = "") -> BoardIs:
    """Describe a board for the first line of a result.

    Parameters
    ----------
    board, stated
        As for :func:`find_keyboard`.
    name
        Name of the design; the board's own when empty.
    """
    keyboard = find_keyboard(board, stated)
    words, panel = headline(keyboard), board.panel
    copies = panel.count if panel is not None and panel.equal else 1
    if copies > 1:
        words = f"panel of {copies} boards, each: {words}"
    width, height = board.size_mm
    size = f"{format_number(width, digits=2)} × {format_mm(height, digits=2)}"
    return BoardIs(
        name=name or board.name,
        keyboard=keyboard,
        headline=words,
        copies=copies,
        size=f"{size}, {counted(len(board.copper), 'copper layer')}",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfBoard:
    """The board of one half.

    Parameters
    ----------
    board
        What it is cut from: without rails, tabs and the other half where its outline is its own.
    frame
        Where it lies on a board that holds both halves in one outline, mm, with a margin on its
        outer sides; None for all of it.
    """

    board: Board
    frame: Box | None = None


def half_boards(
    board: Board, halves: Sequence[Sequence[Spot]], margin_mm: float
) -> tuple[HalfBoard, ...]:
    """Cut a board into one board for each half.

    Parameters
    ----------
    board
        As read; a panel is taken apart.
    halves
        Middles of the keys of each half, mm; the same ones twice for a reversible board.
    margin_mm
        Shown around a half that shares its outline.
    """
    panel = board.panel
    whole = panel.boards if panel is not None else shapely.get_parts(_material(board))
    every = {spot for half in halves for spot in half}
    out = []
    for half in halves:
        mine = np.array(half).reshape(-1, 2)
        away = np.array(sorted(every - set(half))).reshape(-1, 2)
        own = [p for p in whole if shapely.intersects_xy(p, *mine.T).any()]
        if not own or (panel is None and not len(away)):
            out.append(HalfBoard(board=board))
        elif not any(shapely.intersects_xy(p, *away.T).any() for p in own):
            out.append(HalfBoard(board=cut_out(board, shapely.MultiPolygon(own))))
        else:
            box = shapely.bounds(shapely.buffer(shapely.MultiPolygon(own), margin_mm)).tolist()
            out.append(HalfBoard(board=board, frame=_beside(box, mine[:, 0], away[:, 0])))
    return tuple(out)


def _material(board: Board) -> shapely.MultiPolygon:
    if board.profile is not None and not board.profile.is_empty:
        return board.profile
    return shapely.MultiPolygon([shapely.box(*board.bounds)])


def _beside(box: Sequence[float], mine: Floats, away: Floats) -> Box:
    """Cut a box half way to the other half's keys, or beyond all of its own keys.

    The latter counts where it is further, as thumb clusters may reach under the other half.
    """
    x0, y0, x1, y1 = box
    if mine.mean() < away.mean():
        x1 = min(x1, max(float(mine.max()) + BESIDE_MM, float(mine.max() + away.min()) / 2))
    else:
        x0 = max(x0, min(float(mine.min()) - BESIDE_MM, float(mine.min() + away.max()) / 2))
    return x0, y0, x1, y1


def headline(keyboard: Keyboard) -> str:
    """One line that says what a board is, such as ``reversible half, 18 keys; front up = left``.

    The front is the top: pictures call it so.
    """
    hands = keyboard.hands
    words = USE_WORDS[hands.use]
    if hands.use == "none":
        return words
    counts = [_range(keyboard.group_counts(g)) for g in hands.groups]
    if hands.use == "both" and len(counts) == 2:
        each = (
            f"2 × {counts[0]} keys" if counts[0] == counts[1] else f"{counts[0]} + {counts[1]} keys"
        )
        return f"{words}: {each}"
    if hands.use == "plate" and not keyboard.keys:
        return f"{words} without openings for switches"
    if hands.use == "plate":
        return f"{words} for {_range(keyboard.counts)} keys"
    keys = f"{_range(keyboard.counts)} keys"
    if hands.halves == 2 and hands.use in ("left", "right"):
        return f"two {hands.use} halves on one board: 2 × {counts[0]} keys"
    if hands.use != "reversible":
        return f"{words}, {keys}"
    top = next(g for g in hands.groups if g.face_up == "top")
    return f"{words}, {keys}; front up = {_hand(top, sure=hands.hand_known)}"


def _hand(group: Group, *, sure: bool) -> str:
    return group.hand if sure else f"{group.hand} (taken, the keys do not show the hand)"


def _range(counts: tuple[int, int]) -> str:
    fewest, most = counts
    return str(most) if fewest == most else f"{fewest} to {most}"
