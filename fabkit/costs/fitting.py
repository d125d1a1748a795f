"""Which tariff explains prices: the simplest one, found exactly where it can be.

A description of the prices costs bits: for each term, for the digits of its figure, and for what it
leaves unexplained (Rissanen 1978, "Modeling by shortest data description").  The shortest one is
taken, so a few round figures that give every price to its rounding win over many that are close.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from types import MappingProxyType
from typing import Final, TypeVar

import numpy as np

from fabkit.base.columns import Bools, Floats
from fabkit.costs.tariff import Kind, Tariff, Term
from fabkit.sheets.quotes import Asked

T = TypeVar("T", int, str, Decimal)

_DROPPED_BITS: Final = 16.0
_NORMAL: Final = 4.13
"""sqrt(2 pi e): with it, what is left costs the bits of a normal error."""
_FEW: Final = 24
"""Quotes up to which a second search is worth its time."""
_THROWS: Final = 60
"""Weights of the terms that it begins from."""
_COMMON: Final = 0.05
"""Lowest prices that differ by less may be one least price with errors."""
_BY_QUANTITY: Final[tuple[Kind, Kind]] = ("fewer", "more")
_FINISH: Final[tuple[Kind, Kind]] = ("finish", "finish-area")
_UNTESTED: Final = 0.02
"""Share by which quotes may be off where none is left to test the rules."""
_POOR: Final = 0.03
"""A larger error calls for another search, for terms that leave at most half of it."""
_STEPS: Final = 16
"""Limits of size, and of quantity, that are tried at most."""
_BOXES: Final = 5
"""Limits of either side that boxes are made of: the roundest."""


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Problem:
    """Requests and their prices, with everything that may explain them.

    Parameters
    ----------
    requests, prices
        What was asked, and float64 prices.
    terms
        All that may be supposed.
    columns
        Float64, a row for each request and a column for each term.
    step
        Prices are rounded to it.
    """

    requests: tuple[Asked, ...]
    prices: Floats
    terms: tuple[Term, ...]
    columns: Floats
    step: float
    step_mm: int = 0
    min_dm2: Decimal = Decimal(0)

    def only(self, terms: Sequence[Term]) -> Floats:
        """Columns of these terms."""
        places = {t: n for n, t in enumerate(self.terms)}
        return self.columns[:, [places[t] for t in terms]]


@dataclass(frozen=True, eq=False, slots=True)
class Supposed:
    """A problem with what is supposed of its quotes.

    Parameters
    ----------
    keep
        Quotes that are not left out as wrong.
    floor
        Least price of an order; 0: none.
    at
        Quotes that pay it.
    """

    problem: Problem
    keep: Bools
    floor: float
    at: Bools

    @property
    def use(self) -> Bools:
        """Quotes whose prices are sums of terms."""
        return self.keep & ~self.at

    @property
    def dropped(self) -> tuple[int, ...]:
        """Places of the quotes that are left out."""
        return tuple(int(i) for i in np.flatnonzero(~self.keep))


def charged_dm2(asked: Asked, step_mm: int = 0, min_dm2: Decimal = Decimal(0)) -> float:
    """Area of one piece that is charged."""
    sides = [float(asked.long_mm), float(asked.short_mm)]
    if step_mm:
        sides = [math.ceil(side / step_mm - 1e-9) * step_mm for side in sides]
    return max(sides[0] * sides[1] / 10_000, float(min_dm2))


def columns(
    terms: Sequence[Term], requests: Sequence[Asked], areas: Floats, ratios: Callable[[int], float]
) -> Floats:
    """Give what a price of 1 for each term adds to each request.

    Parameters
    ----------
    areas
        Dm2 of all pieces of each request.
    ratios
        Gives the price per dm2 at a quantity over the one at the smallest: what layers and copper
        add is a factor on it.

    Returns
    -------
    Float64, a row for each request and a column for each term.
    """

    def one(term: Term) -> Floats:
        met = np.array([term.applies(a) for a in requests], dtype=np.float64)
        if term.by_area:
            met *= areas
        if term.kind in ("layers", "copper"):
            met *= np.array([ratios(a.quantity) for a in requests])
        return met

    return np.stack([one(term) for term in terms], axis=1)


def areas_of(requests: Sequence[Asked], step_mm: int, min_dm2: Decimal) -> Floats:
    """Charged area of all pieces of each request, dm2."""
    return np.array([a.quantity * charged_dm2(a, step_mm, min_dm2) for a in requests])


def possible_terms(requests: Sequence[Asked], *, boxes: bool = False) -> tuple[Term, ...]:
    """List what may make the difference between requests.

    Steps by size lie at round lengths between two requests; ``boxes``: also by the shorter side.
    """
    terms = [Term("setup"), Term("rate")]
    longs = sorted({a.long_mm for a in requests})
    sides = _roundest_of([round_between(a, b) for a, b in pairwise(longs)])
    terms += [Term("size", (side, side)) for side in sides]
    if boxes:
        shorts = sorted({a.short_mm for a in requests})
        lows = [round_between(a, b) for a, b in pairwise(shorts)]
        rounder = [sorted(sorted(limits, key=_trailing)[:_BOXES]) for limits in (sides, lows)]
        terms += [Term("size", (a, b)) for a in rounder[0] for b in rounder[1] if a > b]
    quantities = _roundest_of([Decimal(q) for q in sorted({a.quantity for a in requests})[1:]])
    terms += [Term(kind, (q,)) for kind in _BY_QUANTITY for q in quantities]
    # What costs least is the rule the factors of the others refer to.
    terms += [Term("layers", (Decimal(n),)) for n in sorted({a.layers for a in requests})[1:]]
    terms += [Term("copper", (c,)) for c in sorted({a.copper_oz for a in requests})[1:]]
    thicknesses = sorted({a.thickness_mm for a in requests})
    for low, high in pairwise(thicknesses):
        terms += [Term("thin", (high,)), Term("thick", (low,))]
    colours = sorted({a.colour for a in requests})
    if len(colours) > 1:
        terms += [Term("colour", name=c) for c in colours]
    if len(colours) > 2:
        terms += [Term("colour-but", name=c) for c in colours]
    finishes = sorted({a.finish for a in requests})
    if len(finishes) > 1:
        terms += [Term(k, name=f) for k in _FINISH for f in finishes]
    return tuple(terms)


def usual_of(values: Sequence[T]) -> T:
    """Find the value met most often; the smaller on a tie."""
    return min(sorted(set(values)), key=lambda v: -values.count(v))


def roundest(low: float, high: float) -> tuple[Decimal, Decimal]:
    """Find the roundest number of a span, and its grain: the step it is a multiple of.

    >>> roundest(430, 610), roundest(0.532, 0.561)
    ((Decimal('500'), Decimal('5E+2')), (Decimal('0.55'), Decimal('0.05')))
    """
    if low <= 0:
        return Decimal(0), Decimal(1)
    place = math.ceil(math.log10(max(high, 1e-9)))
    middle = (low + high) / 2
    # From the coarsest grain down: the first with a multiple in the span gives the roundest.
    for power in range(place, place - 12, -1):
        for leading in (Decimal(1), Decimal("0.5")):
            grain = leading.scaleb(power)
            near = round(middle / float(grain))
            for count in (near, near - 1, near + 1):
                value = count * grain
                if count > 0 and low - 1e-9 <= float(value) <= high + 1e-9:
                    whole = value == value.to_integral_value()
                    return Decimal(int(value)) if whole else value, grain
    return Decimal(str(round(middle, 9))), Decimal("1e-9")


def _roundest_of(limits: Sequence[Decimal]) -> list[Decimal]:
    """Give so many limits as can be weighed against each other in time: the roundest, ascending."""
    return sorted(sorted(limits, key=_trailing)[:_STEPS])


def _trailing(limit: Decimal) -> int:
    """Sort a limit the earlier, the rounder it is."""
    return next((n for n, grain in enumerate((100, 50, 10, 5, 1)) if not limit % grain), 5)


def round_between(low: Decimal, high: Decimal) -> Decimal:
    """Give the roundest limit that keeps ``low`` below or at it and ``high`` above it."""
    value, _ = roundest(float(low), float(high))
    return value if value < high else low


def find_tariff(requests: Sequence[Asked], prices: Sequence[Decimal], step: Decimal) -> Tariff:
    """Find the tariff that explains prices in the fewest bits.

    Parameters
    ----------
    requests, prices
        At least one, in the same order.
    step
        Prices are rounded to it.
    """
    asked = tuple(requests)
    paid = np.array([float(p) for p in prices])
    ratios = _ratios(asked, prices, step)

    def problem(*, step_mm: int = 0, min_dm2: Decimal = Decimal(0), boxes: bool = False) -> Problem:
        terms = possible_terms(asked, boxes=boxes)
        areas = areas_of(asked, step_mm, min_dm2)
        return Problem(
            requests=asked,
            prices=paid,
            terms=terms,
            columns=columns(terms, asked, areas, ratios),
            step=float(step),
            step_mm=step_mm,
            min_dm2=min_dm2,
        )

    found = list(_searched(problem()))
    if min(found, key=lambda t: t.bits).noise > _POOR and len(asked) <= _FEW:
        found.append(_again(problem()))
    if not _good(found, len(asked)):
        # Rarer forms are tried where the usual one does not give every price.
        rarer = [
            problem(boxes=True),
            *(problem(step_mm=step_mm) for step_mm in (1, 5, 10)),
            *(problem(min_dm2=least) for least in (Decimal("0.5"), Decimal(1))),
        ]
        found += [t for p in rarer for t in _searched(p, once=True) if not t.noise]
    return min(found, key=lambda t: t.bits)


def _good(found: Sequence[Tariff], quotes: int) -> bool:
    """Whether one gives every price with few enough terms not to be chance."""
    return any(not t.noise and 2 * (len(t.terms) + len(t.dropped)) <= quotes for t in found)


def _ratios(
    asked: Sequence[Asked], prices: Sequence[Decimal], step: Decimal
) -> Callable[[int], float]:
    """How the price per dm2 falls, from the requests of fewest layers and least copper."""
    layers, copper = min(a.layers for a in asked), min(a.copper_oz for a in asked)
    usual = [n for n, a in enumerate(asked) if (a.layers, a.copper_oz) == (layers, copper)]
    if len(usual) in (len(asked), 0):
        return lambda _quantity: 1.0
    first = find_tariff([asked[n] for n in usual], [prices[n] for n in usual], step)
    return rate_ratio(first, asked)


def rate_ratio(tariff: Tariff, asked: Sequence[Asked]) -> Callable[[int], float]:
    """Price per dm2 over that of the smallest quantity."""
    top = float(tariff.rate(min(a.quantity for a in asked)))
    return lambda quantity: float(tariff.rate(quantity)) / top if top else 1.0


def _floors(problem: Problem) -> Iterator[tuple[float, Bools]]:
    """Least prices that may hold: none, or the lowest where unlike requests have it in common."""
    yield 0.0, np.zeros(len(problem.prices), dtype=bool)
    lowest = float(problem.prices.min())
    seen = []
    for share in (0.0, _COMMON):
        at = problem.prices <= lowest * (1 + share) + problem.step
        areas = {round(float(a), 6) for a in areas_of(problem.requests, 0, Decimal(0))[at]}
        if len(areas) > 1 and (~at).sum() > 1 and at.sum() not in seen:
            seen.append(at.sum())
            yield float(problem.prices[at].mean()), at


def _crossing(terms: Sequence[Term]) -> Iterator[tuple[int, int]]:
    """Pairs of boxes neither of which holds the other: a sheet takes the smallest that fits."""
    boxes = [(n, t.at) for n, t in enumerate(terms) if t.kind == "size"]
    for i, (a, one) in enumerate(boxes):
        for b, other in boxes[i + 1 :]:
            if (one[0] - other[0]) * (one[1] - other[1]) < 0:
                yield a, b


def span_of(
    row: Floats,
    x: Floats,
    low: Floats,
    high: Floats,
    fixed: Mapping[int, float] = MappingProxyType({}),
) -> tuple[float, float]:
    """Least and most of a sum of prices that keep the sum of every quote within its bounds.

    Parameters
    ----------
    row
        Weights of the prices in the sum asked for.
    x, low, high
        Weights in the sum of each quote, and its bounds.
    fixed
        Prices that are known; the others are not negative.

    Returns
    -------
    Both nan where no prices do, infinite where nothing bounds them.
    """
    from scipy.optimize import linprog

    bounds = [(fixed[j], fixed[j]) if j in fixed else (0.0, None) for j in range(x.shape[1])]
    finite = np.isfinite(low)
    a, b = np.concatenate([x, -x[finite]]), np.concatenate([high, -low[finite]])
    ends = []
    for sign in (1.0, -1.0):
        result = linprog(sign * row, A_ub=a, b_ub=b, bounds=bounds)
        failed = math.nan if result.status == 2 else math.inf
        ends.append(sign * float(result.fun) if result.status == 0 else failed)
    return ends[0], ends[1]


def _settled(case: Supposed, terms: tuple[Term, ...], slack: Floats) -> Iterator[Tariff]:
    """Give the terms the roundest prices with which every kept quote comes out right."""
    problem, keep, floor = case.problem, case.keep, case.floor
    x = problem.only(terms)[keep]
    high = (np.where(case.at, floor, problem.prices) + slack)[keep]
    low = np.where(case.at, -np.inf, problem.prices - slack)[keep]
    alone = np.eye(len(terms))
    wide = [span_of(row, x, low, high) for row in alone]
    if any(math.isnan(a) or math.isnan(b) for a, b in wide):
        return
    fixed: dict[int, float] = {}
    prices: dict[int, Decimal] = {}
    bits = 0.0
    every = range(len(terms))
    # The firmest price first: each that is fixed narrows what the others may be.
    for j in sorted(every, key=lambda j: (wide[j][1] - wide[j][0]) / max(wide[j][1], 1e-9)):
        least, most = span_of(alone[j], x, low, high, fixed)
        if math.isnan(least) or math.isnan(most):
            return
        prices[j], grain = roundest(least, most)
        fixed[j] = float(prices[j])
        bits += figure_bits(prices[j], grain, len(problem.terms))
    if len(x) - len(terms) < 2:
        # As many rules as quotes give any prices: how firm they are shows when prices may be off.
        doubt = problem.prices[keep] * _UNTESTED
        wide = [span_of(row, x, low - doubt, high + doubt) for row in alone]
    least_price, grain = roundest(floor - problem.step / 2, floor + problem.step / 2)
    yield Tariff(
        terms=terms,
        prices=tuple(prices[j] for j in every),
        spread=tuple(
            max(b - float(prices[j]), float(prices[j]) - a) for j, (a, b) in enumerate(wide)
        ),
        minimum=least_price if floor else Decimal(0),
        step_mm=problem.step_mm,
        min_dm2=problem.min_dm2,
        dropped=case.dropped,
        bits=bits
        + _DROPPED_BITS * len(case.dropped)
        + (figure_bits(least_price, grain, 8) if floor else 0)
        + 3 * bool(problem.step_mm or problem.min_dm2),
    )


def figure_bits(value: Decimal, grain: Decimal, choices: int) -> float:
    """Bits that name one of several terms and its figure."""
    return math.log2(choices) + 2 + math.log2(1 + float(value / grain))


def _searched(problem: Problem, *, once: bool = False) -> Iterator[Tariff]:
    """Tariffs found step by step; ``once``: neither a least price nor wrong quotes are supposed."""
    for floor, at in _floors(problem):
        keep = np.ones(len(problem.prices), dtype=bool)
        for _ in range(1 + len(keep) // 5):
            case = Supposed(problem, keep.copy(), floor, at)
            few = len(keep) <= _FEW // 2 and bool(keep.all()) and not once
            terms = _walk(problem, case.use, (0.0,) if few else ())
            yield from _settled(case, terms, np.full(len(keep), problem.step / 2 + 1e-7))
            yield _thinned(case, terms)
            wrong = _outlier(problem, terms, case.use)
            if wrong is None or (~keep).sum() >= len(keep) // 5 or once:
                break
            keep[wrong] = False
        if once:
            return


def _again(problem: Problem) -> Tariff:
    """Search once more, from few terms that leave little error."""
    every = np.ones(len(problem.prices), dtype=bool)
    terms = _walk(problem, every, (_POOR / 2,))
    return _thinned(Supposed(problem, every, 0.0, ~every), terms)


def _outlier(problem: Problem, terms: tuple[Term, ...], use: Bools) -> int | None:
    """Find the quote that is further off than its error allows, when the others are without it."""
    places = np.flatnonzero(use)
    if len(places) - len(terms) < 3:
        return None
    weighted = problem.only(terms) / problem.prices[:, None]
    after = []
    for place in places:
        rest = places[places != place]
        prices, _ = _solve(weighted[rest], {})
        left = 1 - weighted @ prices
        spread = math.sqrt(float((left[rest] ** 2).sum()) / max(1, len(rest) - len(terms)))
        after.append(
            abs(float(left[place])) / (spread + problem.step / float(problem.prices[place]))
        )
    worst = int(np.argmax(after))
    # Six times its error is no chance among some dozens of quotes (our choice).
    return int(places[worst]) if after[worst] > 6 else None


def _walk(problem: Problem, use: Bools, hard: tuple[float, ...]) -> tuple[Term, ...]:
    """Find terms of a short description.

    ``hard``: it begins also from the fewest terms that leave at most such shares of each price.
    """
    weighted = problem.columns[use] / problem.prices[use, None]
    paid = problem.prices[use]
    terms = problem.terms
    boxes = list(_crossing(terms))
    known: dict[frozenset[int], float] = {}

    def left(chosen: frozenset[int]) -> float:
        if chosen not in known:
            known[chosen] = _error(weighted, sorted(chosen))
        return known[chosen]

    def bits(chosen: frozenset[int]) -> float:
        return _rough_bits(left(chosen), paid, problem.step, sorted(chosen), terms)

    def allowed(chosen: frozenset[int]) -> bool:
        return 0 < len(chosen) < len(paid) and not any(
            a in chosen and b in chosen for a, b in boxes
        )

    every = range(len(terms))
    # Bits alone stop at the first rule that is worth less than it costs without its fellows: the
    # walk begins from the best of many sets.
    at: frozenset[int] = frozenset()
    path = [frozenset(found) for found in _sparse(weighted, paid, problem.step, hard)]
    for _ in range(min(len(terms), len(paid) // 2, _STEPS)):
        at = min((at | {j} for j in every if j not in at), key=left)
        path.append(at)
    path = [p for p in path if allowed(p)] or [frozenset({0})]
    at = min(path, key=bits)
    while True:
        steps = [at | {j} for j in every if j not in at] + [at - {j} for j in sorted(at)]
        swaps = [at - {i} | {j} for i in sorted(at) for j in every if j not in at]
        for moves in (steps, swaps):
            move = min((m for m in moves if allowed(m)), key=bits, default=at)
            if bits(move) < bits(at) - 1e-6:
                at = move
                break
        else:
            return tuple(terms[j] for j in sorted(at))


def _sparse(
    weighted: Floats, paid: Floats, step: float, hard: tuple[float, ...]
) -> Iterator[list[int]]:
    """Give sets of few terms that keep every price within a slack, for some slacks.

    The sum of all shares is made least, weighted by what each was before: small ones vanish
    (reweighted least sums; Candès, Wakin and Boyd 2008, from memory).
    """
    from scipy.optimize import linprog

    p = weighted.shape[1]
    scale = np.maximum(weighted.max(axis=0), 1e-12)
    rows = weighted / scale
    for share in (0.0, 0.005, 0.015, 0.04):
        slack = np.maximum(step / 2 / paid + 1e-9, share)
        cost, before = np.ones(p), np.zeros(p)
        for _ in range(6):
            found = linprog(
                cost,
                A_ub=np.concatenate([rows, -rows]),
                b_ub=np.concatenate([1 + slack, slack - 1]),
            )
            # Shares that come out again give the same weights, and so themselves, for ever.
            if found.status != 0 or np.array_equal(found.x, before):
                break
            cost, before = 1 / (found.x + 0.01), found.x
            yield [int(j) for j in np.flatnonzero(found.x > 1e-7)]
    for share in hard:
        yield from _thrown(rows, np.maximum(step / 2 / paid + 1e-9, share))


def _thrown(rows: Floats, slack: Floats) -> Iterator[list[int]]:
    """Give sets of terms that keep every price within its slack, for many weights of the terms.

    The weights are thrown with a fixed seed, so the same quotes give the same rules.
    """
    from scipy.optimize import linprog

    dice = np.random.default_rng(1)
    a, b = np.concatenate([rows, -rows]), np.concatenate([1 + slack, slack - 1])
    for _ in range(_THROWS):
        cost = dice.uniform(0.2, 1.0, rows.shape[1])
        for _ in range(3):
            found = linprog(cost, A_ub=a, b_ub=b)
            if found.status != 0:
                return
            cost = cost / (found.x + 0.05)
        yield [int(j) for j in np.flatnonzero(found.x > 1e-7)]


def _error(weighted: Floats, chosen: Sequence[int]) -> float:
    """Root of the summed squares of what some terms leave unexplained, in shares of each price."""
    from scipy.optimize import nnls

    return float(nnls(weighted[:, chosen], np.ones(len(weighted)))[1])


def _rough_bits(
    error: float, paid: Floats, step: float, chosen: Sequence[int], terms: Sequence[Term]
) -> float:
    """Length of a description before its figures are rounded."""
    noise = max(error / math.sqrt(max(1, len(paid) - len(chosen))), 1e-9)
    cost = sum((math.log2(len(terms)) + 6) * terms[j].weight for j in chosen)
    return cost + float(np.log2(np.maximum(1.0, _NORMAL * noise * paid / step)).sum())


def _thinned(case: Supposed, terms: tuple[Term, ...]) -> Tariff:
    """Leave out terms as long as the description becomes shorter."""
    best = _least_squares(case, terms)
    while len(best.terms) > 1:
        fewer = [
            _least_squares(case, tuple(t for t in best.terms if t != one)) for one in best.terms
        ]
        shortest = min(fewer, key=lambda t: t.bits)
        if shortest.bits >= best.bits:
            break
        best = shortest
    return best


def _least_squares(case: Supposed, terms: tuple[Term, ...]) -> Tariff:
    """Prices of least squared error in shares, each as round as its own error allows."""
    tried = (_rounded(case, terms, width) for width in (0.7, 1.4, 2.1))
    return min(tried, key=lambda t: t.bits)


def _rounded(case: Supposed, terms: tuple[Term, ...], width: float) -> Tariff:
    """As :func:`_least_squares`; a figure may move by ``width`` of its standard errors."""
    problem, keep, floor, use = case.problem, case.keep, case.floor, case.use
    x, paid = problem.only(terms), problem.prices
    weighted = x[use] / paid[use, None]
    fixed: dict[int, Decimal] = {}
    estimate, error = _solve(weighted, {})
    bits = 0.0
    first = error.copy()
    relative = error / np.maximum(estimate, 1e-9)
    for j in [int(j) for j in np.argsort(relative, kind="stable")]:
        fixed[j], grain = roundest(estimate[j] - width * first[j], estimate[j] + width * first[j])
        bits += figure_bits(fixed[j], grain, len(problem.terms))
        estimate, _ = _solve(weighted, fixed)
    prices = tuple(fixed[j] for j in range(len(terms)))
    least = Decimal(0)
    if floor:
        around = floor * float(np.std(paid[case.at] / floor)) / math.sqrt(float(case.at.sum()))
        least, grain = roundest(floor - around, floor + around)
        bits += figure_bits(least, grain, 8)
    sums = np.maximum(x @ np.array([float(p) for p in prices]), float(least))
    shares = (sums / paid - 1)[keep]
    freedom = max(1, len(shares) - len(terms) - bool(floor))
    noise = math.sqrt(float((shares**2).sum()) / freedom)
    # Bits of what is left, counted in steps of the currency.
    left = np.log2(np.maximum(1.0, _NORMAL * noise * paid[keep] / problem.step)).sum()
    return Tariff(
        terms=terms,
        prices=prices,
        spread=tuple(2 * float(e) for e in first),
        minimum=least,
        step_mm=problem.step_mm,
        min_dm2=problem.min_dm2,
        noise=max(noise, 1e-6),
        dropped=case.dropped,
        bits=bits + float(left) + _DROPPED_BITS * len(case.dropped),
    )


def _solve(weighted: Floats, fixed: Mapping[int, Decimal]) -> tuple[Floats, Floats]:
    """Non-negative least squares of rows that should each come to 1, and standard errors."""
    from scipy.optimize import nnls

    n, p = weighted.shape
    free = [j for j in range(p) if j not in fixed]
    found = np.array([float(fixed.get(j, 0)) for j in range(p)])
    rest = 1 - weighted @ found
    if free:
        found[free] = nnls(weighted[:, free], rest)[0]
    left = 1 - weighted @ found
    variance = float((left**2).sum()) / max(1, n - len(free))
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(weighted.T @ weighted)), 0) * variance)
    return found, spread
