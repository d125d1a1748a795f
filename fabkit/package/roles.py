"""Gives each file its role: evidence first file by file, then over the whole set.

Evidence, best first: standard attribute, job file, plain comments and the exporter's own lists,
words and extension of the name.  Content speaks where these are silent or weak, and is heard where
it speaks against a name.  Sources that disagree are a finding that names both.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import natural
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.sidecars.model import JobFile, Netlist, PartsTable, Placement
from fabkit.package.content import (
    UNDER_HOLES,
    ByProduct,
    Look,
    guess_role,
    guess_side,
    hole_middles,
    is_same_image,
    side_scores,
)
from fabkit.package.model import Content, Role, RoleKind, Side, base_name
from fabkit.package.words import (
    NameSays,
    read_comments,
    read_function,
    read_name,
    read_text,
    shared_words,
)
from fabkit.rules import load_rule

DOUBLED: Final = load_rule("package/doubled-role")
DOUBLED_SAME: Final = load_rule("package/doubled-same")
UNKNOWN: Final = load_rule("package/unknown-role")
LOW_CONFIDENCE: Final = load_rule("package/low-confidence")
NAME_DISAGREES: Final = load_rule("package/name-disagrees")
CONTENT_DISAGREES: Final = load_rule("package/content-disagrees")
COPPER_ORDER: Final = load_rule("package/copper-order-unknown")

_STATED: Final = 0.95
"""From here on a role rests on an attribute, the job file or the user's word."""
_FEWEST_SPOTS: Final = 6
"""Fewer pads than this do not speak against a name."""
_TRACKED: Final = 0.1
_UNTRACKED: Final = 0.02
"""Shares of pads at which strokes end: at least in copper, at most in a mask."""
_SIDED: Final = (RoleKind.MASK, RoleKind.LEGEND, RoleKind.PASTE)
_BASE: Final = (RoleKind.COPPER, RoleKind.PROFILE, RoleKind.DRILL)
_ONE_EACH: Final = (*_SIDED, RoleKind.PROFILE, RoleKind.COPPER)


NOTHING_STATED: Final[Mapping[int, Role]] = {}


def assign_roles(
    names: Sequence[str],
    data: Sequence[bytes],
    contents: Sequence[Content],
    looks: Mapping[int, Look],
    stated: Mapping[int, Role] = NOTHING_STATED,
    byproducts: Sequence[ByProduct] = (),
) -> tuple[list[Claim], list[Finding]]:
    """Assign a role to every file of a set.

    Parameters
    ----------
    names, data, contents
        Member names, their bytes and what was read from them; drill data in Gerber form are
        still Gerber files here.
    looks
        Looks at the layer files among them, by index.
    stated
        Roles the user states, by index; they win over all evidence.
    byproducts
        Texts beside the files that may name layers.

    Returns
    -------
    One claim per file, in order, and what was found doubtful, doubled or contradictory.
    """
    shared = shared_words(
        [n for n, c in zip(names, contents, strict=True) if isinstance(c, GerberFile | DrillFile)]
    )
    jobs = [content for content in contents if isinstance(content, JobFile)]
    functions = {base_name(entry.path): entry.function for job in jobs for entry in job.files}
    comments = read_comments(
        {i: data[i] for i, c in enumerate(contents) if isinstance(c, GerberFile)}, shared
    )
    findings: list[Finding] = []
    claims = []
    numbers: dict[int, int] = {}
    for i, (name, content) in enumerate(zip(names, contents, strict=True)):
        if i in stated:
            claims.append(stated_claim(stated[i], content))
            continue
        beside = comments.get(i) or listed(name, byproducts, shared)
        said = read_name(name, shared)
        if said.kind is RoleKind.COPPER and said.number is not None:
            numbers[i] = said.number
        claims.append(make_claim(name, content, said, beside, functions, byproducts, findings))
    _ask_contents(names, claims, contents, looks)
    _fill_sides(names, claims, looks)
    findings += _number_copper(names, claims)
    findings += _compare_numbers(names, claims, numbers)
    findings += _hear_contents(names, claims, looks, stated)
    findings += _settle_doubles(names, contents, claims)
    findings += _report_doubts(names, claims)
    return claims, findings


def _ask_contents(
    names: Sequence[str],
    claims: list[Claim],
    contents: Sequence[Content],
    looks: Mapping[int, Look],
) -> None:
    """Let images speak where names are silent or weak."""
    sides = [(c.role, looks[i]) for i, c in enumerate(claims) if i in looks]
    for i in looks:
        claim = claims[i]
        if claim.role.kind in (RoleKind.MASK, RoleKind.PASTE) and claim.role.side is None:
            found = guess_side(looks[i], sides)
            if found is not None:
                claims[i] = claim.on(*found, most=0.5)
    holes = hole_middles(contents)
    has_drill = any(isinstance(content, DrillFile) for content in contents)
    _set_plans_apart(contents, claims)
    weak = [i for i in looks if claims[i].confidence < SURE]
    if weak and not any(look.index.share(holes) >= UNDER_HOLES for look in looks.values()):
        holes = holes[:0]  # they lie elsewhere, or their format is not known yet
    copper: dict[int, Claim] = {}
    # What lies on copper is recognised by it, so what is clearly copper or profile comes first.
    for first, least in ((True, 0.5), (True, 0.0), (False, 0.0)):
        for i in list(weak):
            known = [
                (claims[j].role, look)
                for j, look in looks.items()
                if j != i and claims[j].confidence >= max(claims[i].confidence, 0.4)
            ]
            guess = guess_role(looks[i], known, holes=holes, needs_drill=not has_drill)
            if guess is None or guess[1] < least or (first and guess[0].kind not in _BASE):
                continue
            claims[i] = _heard(claims[i], *guess)
            weak.remove(i)
            if guess[0].kind is RoleKind.COPPER and claims[i].number is None:
                copper[i] = claims[i]
        if first:
            _order_copper(names, claims, copper)
    if has_drill or any(c.role.kind is RoleKind.DRILL for c in claims):
        return
    # A hole plan that is nothing but round flashes on pads is drill data under another name.
    for i, look in looks.items():
        if claims[i].role.kind is RoleKind.DRAWING and look.is_round_flashes_only:
            others = [(claims[j].role, seen) for j, seen in looks.items() if j != i]
            guess = guess_role(look, others, holes=holes, needs_drill=True)
            if guess is not None and guess[0].kind is RoleKind.DRILL:
                claims[i] = Claim(role=guess[0], confidence=guess[1], reason=guess[2])


def _set_plans_apart(contents: Sequence[Content], claims: list[Claim]) -> None:
    """Take plans of holes that are named like drill data for drawings, beside drill data.

    Holes are flashed; a plan draws their symbols, sizes and counts with strokes.
    """
    if not any(isinstance(content, DrillFile) for content in contents):
        return
    for i, content in enumerate(contents):
        if not isinstance(content, GerberFile) or content.function or not len(content.objects):
            continue
        named = claims[i].role.kind is RoleKind.DRILL and claims[i].confidence < _STATED
        if named and not (content.objects.kind == Kind.FLASH).any():
            claims[i] = Claim(
                role=Role(kind=RoleKind.DRAWING),
                confidence=SURE,
                reason="it flashes no hole, and another file holds the drill data",
            )


def _heard(claim: Claim, role: Role, confidence: float, reason: str) -> Claim:
    """Join a claim with what the content shows."""
    if claim.role.kind is role.kind:
        # Two sources that agree are better than either, yet never as good as a statement.
        both = replace(claim, confidence=min(claim.confidence + 0.2, 0.8))
        return both.on(claim.role.side or role.side, reason)
    if confidence > claim.confidence:
        return Claim(role=role, confidence=confidence, reason=reason)
    return claim


def _order_copper(names: Sequence[str], claims: list[Claim], found: Mapping[int, Claim]) -> None:
    """Order copper files that only their content shows by name, the first on top.

    ``found`` are its claims as they were found; where any other copper has a side or a number,
    nothing is ordered.
    """
    others = (c.role for i, c in enumerate(claims) if i not in found)
    if len(found) < 2 or any(role.kind is RoleKind.COPPER for role in others):
        return
    order = sorted(found, key=lambda i: natural(names[i]))
    for i in order:
        side: Side | None = "top" if i == order[0] else "bottom" if i == order[-1] else None
        why = f"{side or 'inner'} in the order of the names, top first"
        claims[i] = replace(found[i], role=replace(found[i].role, inner=side is None)).on(
            side, why, most=0.45
        )


def _fill_sides(names: Sequence[str], claims: list[Claim], looks: Mapping[int, Look]) -> None:
    for kind in _SIDED:
        rows = [i for i, c in enumerate(claims) if c.role.kind is kind and c.role.side is None]
        numbers = sorted({n for i in rows if (n := claims[i].number) is not None})
        taken = {c.role.side for c in claims if c.role.kind is kind and c.role.side}
        if not taken and not numbers and len(rows) in (1, 2):
            _fill_pair(names, claims, looks, rows)
            continue
        for i in rows:
            claim = claims[i]
            side: Side
            if claim.number is not None and not taken and 1 in numbers and len(numbers) <= 2:
                side = "top" if claim.number == 1 else "bottom"
                why = f"layer number {claim.number} of {numbers[-1]}"
            elif len(rows) == 1 and len(taken) == 1:
                side = "bottom" if "top" in taken else "top"
                why = f"the {side} is the side not taken"
            else:
                continue
            claims[i] = claim.on(side, why)


def _fill_pair(
    names: Sequence[str], claims: list[Claim], looks: Mapping[int, Look], rows: Sequence[int]
) -> None:
    """Files of a kind without a side: by the pads of either side, else two by their names."""
    others = [(c.role, looks[i]) for i, c in enumerate(claims) if i in looks]
    first, *more = sorted(rows, key=lambda i: natural(names[i]))
    gain = 0
    if claims[first].role.kind is not RoleKind.LEGEND and all(i in looks for i in rows):
        scores = [side_scores(looks[i], others) for i in (first, *more)]
        # Both files are laid together, as they are or exchanged: the sum over both decides.
        gain = scores[0][0] - scores[0][1] + sum(s[1] - s[0] for s in scores[1:])
    lone_legend = claims[first].role.kind is RoleKind.LEGEND
    if abs(gain) < 2 and not more and not lone_legend:
        return
    why = "in the order of the names, top first" if more else "as a lone legend mostly is"
    if abs(gain) >= 2:
        why = f"fits better by {abs(gain)} pads"
    sides: tuple[Side, ...] = ("bottom", "top") if gain <= -2 else ("top", "bottom")
    for i, side in zip((first, *more), sides, strict=False):
        claims[i] = claims[i].on(side, f"{side} {why}", most=0.5)


def _hear_contents(
    names: Sequence[str],
    claims: list[Claim],
    looks: Mapping[int, Look],
    stated: Mapping[int, Role],
) -> Iterator[Finding]:
    """Masks and stencils whose pads lie on the other side than everything else says."""
    exchanged = list(_hear_tracked_masks(names, claims, looks))
    if exchanged:
        # What the other layers lie on is then not what it is called, either.
        yield from exchanged
        return
    others = [(c.role, looks[i]) for i, c in enumerate(claims) if i in looks]
    against: dict[RoleKind, list[tuple[int, Side, str]]] = {}
    for i, look in looks.items():
        role = claims[i].role
        if role.kind not in (RoleKind.MASK, RoleKind.PASTE) or role.side is None or i in stated:
            continue
        found = guess_side(look, others)
        if found is not None and found[0] != role.side and len(look.spots) >= _FEWEST_SPOTS:
            against.setdefault(role.kind, []).append((i, *found))
    for kind, rows in against.items():
        of_kind = [i for i, c in enumerate(claims) if c.role.kind is kind]
        weak = all(claims[i].confidence < _STATED for i, _, _ in rows)
        # Exchanged as a pair, or alone with the other side free: then the content is followed.
        follow = weak and len(rows) == len(of_kind)
        for i, side, why in rows:
            was = claims[i]
            yield Finding.of(
                CONTENT_DISAGREES,
                f"{was.reason}: {was.role}; but {why}",
                Place(file=names[i]),
                assumed=f"used as {replace(was.role, side=side) if follow else was.role}",
            )
            if follow:
                claims[i] = replace(was, role=replace(was.role, side=side), reason=why)


def _hear_tracked_masks(
    names: Sequence[str], claims: Sequence[Claim], looks: Mapping[int, Look]
) -> Iterator[Finding]:
    """Masks with tracks, over copper that has none and whose pads are larger: exchanged images."""
    for i, mask in looks.items():
        side = claims[i].role.side
        if claims[i].role.kind is not RoleKind.MASK or side is None or mask.linked < _TRACKED:
            continue
        for k, copper in looks.items():
            here = (
                (claims[k].role.kind, claims[k].role.side) == (RoleKind.COPPER, side)
                and copper.linked < _UNTRACKED
                and copper.growth_on(mask) > 0
            )
            if here:
                yield Finding.of(
                    CONTENT_DISAGREES,
                    f"{names[i]} is taken for the {claims[i].role}, but strokes end on "
                    f"{mask.linked:.0%} of its pads, as tracks do, and in {names[k]}, taken for "
                    f"the {claims[k].role}, on {copper.linked:.0%} of larger ones",
                    *(Place(file=names[n]) for n in (i, k)),
                    assumed="used as they are called",
                    severity=Severity.ERROR,
                )


def _number_copper(names: Sequence[str], claims: list[Claim]) -> Iterator[Finding]:
    rows = [i for i, c in enumerate(claims) if c.role.kind is RoleKind.COPPER]
    sides = {claims[i].role.side for i in rows}
    loose = [i for i in rows if claims[i].role.side is None and not claims[i].role.inner]
    numbers = [n for i in loose if (n := claims[i].number) is not None]
    for i in loose:
        claim = claims[i]
        side: Side | None = None
        if claim.number is not None and (claim.counts_all or 1 in numbers):
            if claim.number == 1 and "top" not in sides:
                side = "top"
            elif claim.number == max(numbers) and claim.number > 1 and "bottom" not in sides:
                side = "bottom"
        elif claim.number is None and len(loose) == 1 and len({"top", "bottom"} & sides) == 1:
            side = "bottom" if "top" in sides else "top"
            claim = replace(claim, confidence=min(claim.confidence, 0.5))
        if side is not None:
            claims[i] = claim.on(side, f"outermost on the {side}")
        elif claim.number is not None:
            claims[i] = replace(claim, role=replace(claim.role, inner=True))
    inner = [i for i in rows if claims[i].role.inner]
    ordered = sorted(inner, key=lambda i: (claims[i].role.layer or claims[i].number or 0, i))
    unnumbered = [i for i in ordered if not (claims[i].role.layer or claims[i].number)]
    if len(unnumbered) > 1:  # one inner layer has only one place to be
        yield Finding.of(
            COPPER_ORDER,
            f"{len(unnumbered)} inner copper layers carry no layer number",
            *(Place(file=names[i]) for i in unnumbered),
            assumed=f"from the top: {', '.join(names[i] for i in ordered)}",
        )
    layer = 1
    for i in ordered:
        role = claims[i].role
        stated = role.layer or (claims[i].number if claims[i].counts_all else None)
        # Stated numbers may leave out layers that are missing from the set, but never run
        # backwards.
        layer = max(layer + 1, stated or 0)
        claims[i] = replace(claims[i], role=replace(role, layer=layer))
    last = max(layer + 1, _last_number(claims))
    for i in rows:
        role = claims[i].role
        if role.layer is None and role.side is not None:
            number = 1 if role.side == "top" else last
            claims[i] = replace(claims[i], role=replace(role, layer=number))


def _last_number(claims: Sequence[Claim]) -> int:
    """Give the number of the lowest copper where names count layers of the whole set; else 0.

    Numbers may as well count files: they count layers when masks or stencils carry the same first
    and last number as the outer copper.
    """

    def numbered(kinds: Collection[RoleKind]) -> set[tuple[Side | None, int]]:
        of_kind = (c for c in claims if c.role.kind in kinds and c.number is not None)
        return {(c.role.side, c.number or 0) for c in of_kind}

    copper, films = numbered((RoleKind.COPPER,)), numbered((RoleKind.MASK, RoleKind.PASTE))
    lasts = [n for side, n in copper & films if side == "bottom"]
    return max(lasts) if lasts and ("top", 1) in copper & films else 0


def _compare_numbers(
    names: Sequence[str], claims: Sequence[Claim], numbers: Mapping[int, int]
) -> Iterator[Finding]:
    """Inner layers that names number in another order than attributes or the job file do."""
    stated = [
        (claims[i].role.layer or 0, number, i)
        for i, number in numbers.items()
        if claims[i].role.inner and claims[i].confidence >= _STATED and claims[i].role.layer
    ]
    for (layer, number, i), (below, after, j) in pairwise(sorted(stated)):
        if number > after:
            yield Finding.of(
                NAME_DISAGREES,
                f"{claims[i].reason} and {claims[j].reason}, but their names number them {number} "
                f"and {after}",
                Place(file=names[i]),
                Place(file=names[j]),
                assumed=f"used as layers {layer} and {below}",
            )


def _settle_doubles(
    names: Sequence[str], contents: Sequence[Content], claims: list[Claim]
) -> list[Finding]:
    groups: dict[tuple[object, ...], list[int]] = {}
    for i, claim in enumerate(claims):
        role = claim.role
        if role.kind in _ONE_EACH and not _is_numbered_mask(contents[i]):
            layer = role.layer if role.side is None else None
            groups.setdefault((role.kind, role.side, layer), []).append(i)
    findings: list[Finding] = []
    for key, rows in groups.items():
        if len(rows) < 2 or (key[1] is None and key[0] is not RoleKind.PROFILE and key[2] is None):
            continue
        order = sorted(
            rows, key=lambda i: (-_rank(claims[i], contents[i]), len(names[i]), names[i])
        )
        winner = order[0]
        findings += [_settle(winner, loser, names, contents, claims) for loser in order[1:]]
    return findings


def _is_numbered_mask(content: Content) -> bool:
    """Find a second mask or legend on one side, stated by an index in its file function."""
    return (
        isinstance(content, GerberFile)
        and content.function[2:3] not in ((), ("1",))
        and (content.function[0].lower() in ("soldermask", "legend"))
    )


def _rank(claim: Claim, content: Content) -> float:
    """Confidence, with an empty image behind any other of about the same confidence."""
    empty = isinstance(content, GerberFile) and not len(content.objects)
    return claim.confidence - (1.5 * CLEARLY if empty else 0.0)


def _settle(
    winner: int,
    loser: int,
    names: Sequence[str],
    contents: Sequence[Content],
    claims: list[Claim],
) -> Finding:
    role = claims[winner].role
    lost = claims[loser]
    first, second = contents[winner], contents[loser]
    places = (Place(file=names[winner]), Place(file=names[loser]))
    message = (
        f"{names[winner]} ({claims[winner].reason}) and {names[loser]} ({lost.reason}) "
        f"both claim {role}"
    )
    claims[loser] = replace(
        lost,
        role=Role(kind=RoleKind.UNKNOWN),
        reason=f"{names[winner]} is the {role}, with the better reason; this: {lost.reason}",
    )
    assumed = f"{names[winner]} is used"
    if isinstance(first, GerberFile) and isinstance(second, GerberFile):
        if is_same_image(first, second):
            return Finding.of(DOUBLED_SAME, message, *places, assumed=assumed)
        if not len(second.objects):
            message += ", the latter without an image"
            return Finding.of(DOUBLED, message, *places, assumed=assumed, severity=UNKNOWN.severity)
    # A name with a side and a word that is not known may be of any kind.
    if read_name(names[loser]).is_side_alone and not read_name(names[winner]).is_side_alone:
        return Finding.of(DOUBLED, message, *places, assumed=assumed, severity=UNKNOWN.severity)
    return Finding.of(DOUBLED, message, *places, assumed=assumed)


def _report_doubts(names: Sequence[str], claims: list[Claim]) -> list[Finding]:
    findings = []
    for i, claim in enumerate(claims):
        kind = claim.role.kind
        sideless = kind in _SIDED and claim.role.side is None
        homeless = kind is RoleKind.COPPER and claim.role.layer is None
        if sideless or homeless:
            claims[i] = replace(
                claim,
                role=Role(kind=RoleKind.UNKNOWN),
                reason=f"{claim.reason}, but nothing shows the side",
            )
            findings.append(
                Finding.of(
                    UNKNOWN,
                    f"{claim.role} by {claim.reason}, but nothing shows its side",
                    Place(file=names[i]),
                    assumed="not used",
                )
            )
        elif kind is RoleKind.UNKNOWN and claim.confidence == 0.0:
            findings.append(
                Finding.of(UNKNOWN, claim.reason, Place(file=names[i]), assumed="not used")
            )
        elif 0.0 < claim.confidence < SURE and kind not in (RoleKind.UNKNOWN, RoleKind.DRAWING):
            findings.append(
                Finding.of(
                    LOW_CONFIDENCE,
                    f"taken for {claim.role}: {claim.reason}",
                    Place(file=names[i]),
                    assumed=f"used as {claim.role}",
                )
            )
    return findings


SURE: Final = 0.6
"""Below this a role is asked of the content too, and reported as doubtful."""
CLEARLY: Final = 0.1
"""A claim wins clearly when it is better by more than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A role with its confidence and reason; ``number`` is a layer number in the name."""

    role: Role
    confidence: float
    reason: str
    number: int | None = None
    counts_all: bool = False

    def on(self, side: Side | None, why: str, *, most: float = 1.0) -> Claim:
        """Claim the same on a side, for one reason more, with at most this confidence."""
        return replace(
            self,
            role=replace(self.role, side=side),
            confidence=min(self.confidence, most),
            reason=f"{self.reason}; {why}",
        )


NO_CLAIM: Final = Claim(
    role=Role(kind=RoleKind.UNKNOWN), confidence=0.0, reason="nothing says what it is"
)
_SIDECARS: Final[tuple[tuple[type[Content], RoleKind, str], ...]] = (
    (JobFile, RoleKind.JOB, "its JSON has the members of a job file"),
    (Netlist, RoleKind.NETLIST, "its records are those of a bare-board netlist"),
    (Placement, RoleKind.PLACEMENT, "its headings are those of a placement table"),
    (PartsTable, RoleKind.PARTS, "its headings are those of a parts table"),
)


def listed(name: str, byproducts: Sequence[ByProduct], skip: Mapping[str, int]) -> NameSays | None:
    """Give what an exporter's list of layers says of a file, by its name or its extension."""
    last = base_name(name)
    for text in byproducts:
        layer = text.layers.get(last) or text.layers.get(f".{last.rpartition('.')[2]}")
        if layer:
            says = read_text(layer, f"{text.name} calls it", skip)
            if says.kind is not None and says.confidence >= SURE:
                return says
    return None


def stated_claim(role: Role, content: Content) -> Claim:
    """Make a claim of the user's word, with the plating that the file states."""
    if isinstance(content, DrillFile) and role.kind is RoleKind.DRILL and role.plated is None:
        role = replace(role, plated=content.plated)
    return Claim(role=role, confidence=1.0, reason="you say so")


def make_claim(
    name: str,
    content: Content,
    said: NameSays,
    beside: NameSays | None,
    functions: dict[str, tuple[str, ...]],
    byproducts: Sequence[ByProduct],
    findings: list[Finding],
) -> Claim:
    """Claim a role for one file by its best source; a name that speaks against it is reported."""
    for kind_of, kind, why in _SIDECARS:
        if isinstance(content, kind_of):
            return Claim(role=Role(kind=kind), confidence=1.0, reason=why)
    by_job = read_function(functions.get(base_name(name), ()))
    if isinstance(content, DrillFile):
        return _claim_drill(name, content, by_job, said, byproducts, findings)
    if not isinstance(content, GerberFile):
        return NO_CLAIM
    by_attribute = read_function(content.function)
    if by_attribute is not None:
        function = ",".join(content.function)
        _compare(name, by_attribute, f"its file function says {by_attribute}", said, findings)
        return Claim(role=by_attribute, confidence=1.0, reason=f"its file function is {function}")
    if by_job is not None:
        _compare(name, by_job, f"the job file says {by_job}", said, findings)
        return Claim(role=by_job, confidence=0.95, reason="the job file lists it so")
    if beside is not None:
        said = _weigh(name, said, beside, findings)
    # A file function of no production layer is a statement, too; only a clear name outweighs it.
    if content.function and said.confidence <= 0.5:
        return Claim(
            role=Role(kind=RoleKind.DRAWING),
            confidence=SURE,
            reason=f"its file function is {','.join(content.function)}: no production layer",
        )
    if said.kind is None:
        return NO_CLAIM
    return Claim(
        role=replace(said.role, side=None) if said.kind is RoleKind.PROFILE else said.role,
        confidence=said.confidence,
        reason=said.reason,
        number=said.number,
        counts_all=said.counts_all,
    )


def _weigh(name: str, said: NameSays, beside: NameSays, findings: list[Finding]) -> NameSays:
    """Weigh a name against what a comment or list says of the file, which is trusted more."""
    if said.kind is None:
        return beside
    same_kind = said.kind is beside.kind or beside.is_side_alone
    same_side = None in (said.side, beside.side) or said.side == beside.side
    if same_kind and same_side:
        return replace(
            said,
            side=said.side or beside.side,
            number=beside.number if said.number is None else said.number,
            counts_all=beside.counts_all if said.number is None else said.counts_all,
            confidence=min(max(said.confidence, beside.confidence) + CLEARLY, 0.9),
            reason=f"{said.reason} and {beside.reason}",
        )
    if said.is_side_alone and same_side:
        return beside
    weak = said.confidence < SURE or said.kind is RoleKind.DRAWING
    if not weak:
        role = Role(kind=beside.kind or RoleKind.UNKNOWN, side=beside.side)
        _compare(name, role, f"{beside.reason} says {role}", said, findings)
    elif beside.kind is RoleKind.COPPER and said.kind is RoleKind.DRAWING:
        return said
    return beside


def _claim_drill(
    name: str,
    content: DrillFile,
    by_job: Role | None,
    said: NameSays,
    byproducts: Sequence[ByProduct],
    findings: list[Finding],
) -> Claim:
    by_attribute = read_function(content.function)
    reason = "its commands are those of a drill file"
    plated = content.plated
    last = base_name(name)
    listed = next((text for text in byproducts if last in text.plated), None)
    source = ""
    if by_attribute is not None:
        reason = source = f"its file function is {','.join(content.function)}"
        plated = by_attribute.plated if plated is None else plated
    elif plated is None and by_job is not None and by_job.plated is not None:
        plated, source = by_job.plated, "the job file"
        reason += "; plating as the job file lists it"
    elif plated is None and listed is not None and _plating_is_open(content):
        plated, source = listed.plated[last], listed.name
        reason += f"; plating as {listed.name} states it"
    elif plated is None and said.plated is not None and _plating_is_open(content):
        plated = said.plated
        reason += "; plating from its name"
    elif content.plating_evidence in ("attributes", "comments"):
        source = f"its {content.plating_evidence}"
    if source and None not in (said.plated, plated) and said.plated != plated:
        words = ("non-plated", "plated")
        findings.append(
            Finding.of(
                NAME_DISAGREES,
                f"its name says {words[bool(said.plated)]} holes, {source.removesuffix(' is')}"
                f" {words[bool(plated)]}",
                Place(file=name),
                assumed=f"used as {words[bool(plated)]} drill",
            )
        )
    return Claim(role=Role(kind=RoleKind.DRILL, plated=plated), confidence=0.95, reason=reason)


def _plating_is_open(content: DrillFile) -> bool:
    return all(tool.plated is None for tool in content.tools)


def _compare(name: str, role: Role, source: str, said: NameSays, findings: list[Finding]) -> None:
    """Report a name that speaks clearly against a better source."""
    if said.kind is None or said.confidence < 0.8 or RoleKind.DRAWING in (said.kind, role.kind):
        return
    other_kind = said.kind is not role.kind
    other_side = said.side is not None and role.side is not None and said.side != role.side
    if other_kind or other_side:
        named = Role(kind=said.kind, side=said.side)
        findings.append(
            Finding.of(
                NAME_DISAGREES,
                f"{source}, {said.reason} say {named}",
                Place(file=name),
                assumed=f"used as {role}",
            )
        )
