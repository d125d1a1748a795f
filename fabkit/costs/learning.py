"""A house sheet from quotes: the simplest rules that give them, how sure each is, what to ask."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Final

import numpy as np

from fabkit.base.columns import Bools, Floats, gather
from fabkit.base.errors import UnreadableInput
from fabkit.base.tables import Result, Table, columns_of
from fabkit.base.units import counted
from fabkit.costs.fitting import (
    areas_of,
    columns,
    find_tariff,
    possible_terms,
    rate_ratio,
    span_of,
    usual_of,
)
from fabkit.costs.invoice import Job, board_elements, rates_of
from fabkit.costs.model import BoardFacts
from fabkit.costs.parcels import find_parcels
from fabkit.costs.tariff import Lessons, Parcels, Tariff, Term, packed, sheet_of
from fabkit.sheets.house import House, Learned, Learnt, Unsure, house_from
from fabkit.sheets.order import BoardChoice
from fabkit.sheets.prices import find_currency
from fabkit.sheets.quotes import Asked, PastQuote
from fabkit.sheets.toml_text import parse_sheet

UNNAMED: Final = "cu"
"""Currency where none is named: the neutral unit."""
FEWEST: Final = 3
"""Fewer quotes fit any rule."""
_FEW: Final = 5
"""Fewer quotes are reported as too few, however well rules fit them."""
_SAME: Final = Decimal("0.02")
"""Prices of one request that differ by more contradict each other."""
_SURE: Final = 0.002
"""Smaller shares of doubt are not worth a line."""
_FAR_OFF: Final = 0.05
"""A quote this far off the others' rules is pointed out."""

_NAMES: Final[dict[str, tuple[str, Learnt]]] = {
    "setup": ("set-up", "setup"),
    "size": ("larger than {} mm", "base"),
    "more": ("from {} pieces on", "base"),
    "rate": ("per dm2", "area"),
    "fewer": ("more per dm2 below {} pieces", "area"),
    "layers": ("more per dm2 of {} layers", "area"),
    "copper": ("more per dm2 of {} oz/ft2 copper", "area"),
    "thin": ("thinner than {} mm", "thickness"),
    "thick": ("thicker than {} mm", "thickness"),
    "colour": ("colour {}", "colour"),
    "colour-but": ("any colour but {}", "colour"),
    "finish": ("finish {}", "finish"),
    "finish-area": ("per dm2 of finish {}", "finish"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedRule:
    """One rule with how sure it is: ``off`` either way, in money; lines of the quotes that show it.

    ``lines`` is empty where every quote shows it.
    """

    title: str
    price: Decimal
    off: Decimal
    lines: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedQuote:
    """One quote against the sheet.

    Parameters
    ----------
    paid, fitted
        Price of the boards as quoted, and by the sheet.
    alone
        By the rules learned from all other quotes; None where this one alone shows a rule.
    """

    line: int
    asked: Asked
    paid: Decimal
    fitted: Decimal
    alone: Decimal | None


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class LearnedHouse(Result):
    """A house sheet learned from quotes.

    Parameters
    ----------
    sheet
        Text of the house sheet.
    house
        The same, loaded.
    noise
        Share of a price that the rules leave as error; 0: every price comes out as quoted.
    problems
        Contradictions and too few quotes, with lines and what to do.
    untold
        What the quotes cannot tell; it is left out of the sheet.
    questions
        Further quotes that would settle most.
    """

    sheet: str
    house: House
    currency: str
    noise: float
    rules: tuple[LearnedRule, ...]
    quotes: tuple[FittedQuote, ...]
    problems: tuple[str, ...]
    untold: tuple[str, ...]
    questions: tuple[str, ...]

    @property
    def brief(self) -> str:
        """What was learned, in a few words."""
        count = counted(len(self.quotes), "quote")
        if not self.noise:
            return f"{counted(len(self.rules), 'rule')} give every price of {count}"
        return (
            f"{counted(len(self.rules), 'rule')} from {count}, which they miss by "
            f"{100 * self.noise:.1f} % (standard error)"
        )

    def table(self) -> Table:
        """Every rule with its doubt, and the lines of the quotes that show it."""
        return Table(
            columns_of(
                "rule", "price", "may_be_off", "from_lines", numbers=("price", "may_be_off")
            ),
            tuple(
                (r.title, r.price, r.off, _lines(r.lines) if r.lines else "all") for r in self.rules
            ),
            title=f"Rules, in {self.currency}",
        )

    def quotes_table(self) -> Table:
        """Every quote against the sheet, and against the rules of all others."""
        numbers = ("line", "quoted", "by_the_sheet", "by_the_others", "off_percent")
        return Table(
            columns_of("line", "asked", *numbers[1:], numbers=numbers),
            tuple(
                (
                    q.line,
                    q.asked.words,
                    q.paid,
                    q.fitted,
                    q.alone,
                    None if q.alone is None else round(float(q.alone / q.paid - 1) * 100, 1),
                )
                for q in self.quotes
            ),
            title="Quotes against the rules",
        )


def learn_house(
    quotes: Sequence[PastQuote],
    *,
    name: str = "Our board house",
    currency: str | None = None,
    country: str | None = None,
    file: str = "the table",
) -> LearnedHouse:
    """Learn a house sheet from quotes.

    Parameters
    ----------
    currency
        Where the quotes do not state one; None: the neutral unit ``cu``.
    country
        Whose shipping is learned; None: the one most quotes have.
    file
        Of the quotes, for messages.

    Raises
    ------
    UnreadableInput
        Too few quotes, or two currencies.
    """
    code = _currency(quotes, currency, file)
    step = find_currency(code).step
    priced, problems = _without_contradictions([q for q in quotes if q.boards is not None], step)
    if len(priced) < FEWEST:
        raise UnreadableInput(
            f"{file}: {counted(len(priced), 'quote')} with a price for boards; fewer than {FEWEST} "
            "fit any rule",
            hint="ask for the same board in two quantities, and for a board of another size",
        )
    requests = tuple(q.asked for q in priced)
    tariff = find_tariff(requests, [q.boards or Decimal(0) for q in priced], step)
    problems += _doubts(tariff, priced)
    shipped, land = _shipped(quotes, country)
    parcels = find_parcels(shipped, step) if shipped else None
    if parcels is not None:
        problems += [
            f"line {a} pays more shipping than line {b} for a lighter parcel; check both, or state "
            "weight_g"
            for a, b in parcels.contradictions
        ]
    untold = tuple(_untold(quotes, requests, parcels, land))
    if currency is None and not any(q.currency for q in quotes):
        untold += ("no currency is stated: prices are in cu; add a column currency, or --currency",)
    lessons = Lessons(
        name=name,
        currency=code,
        day=max((q.date for q in quotes if q.date is not None), default=date(1970, 1, 1)),
        order=_order(requests),
        requests=requests,
        tariff=tariff,
        parcels=parcels,
        learned=_learned(priced, tariff, parcels, shipped),
        remarks=untold,
    )
    text = sheet_of(lessons)
    house = house_from(parse_sheet(text, file="learned.toml"))
    fitted = tuple(_fitted(priced, tariff, house))
    problems += [
        f"line {q.line} is {abs(float(q.alone / q.paid) - 1):.0%} off what all other quotes say; "
        "check it, or add a column or a note for what is special about it"
        for q in fitted
        if q.alone is not None
        and abs(float(q.alone / q.paid) - 1) > max(_FAR_OFF, 4 * tariff.noise)
    ]
    return LearnedHouse(
        sheet=text,
        house=house,
        currency=code,
        noise=tariff.noise,
        rules=tuple(_rules(tariff, priced, parcels)),
        quotes=fitted,
        problems=tuple(problems),
        untold=untold,
        questions=find_questions(requests, priced, tariff, parcels),
    )


def _currency(quotes: Sequence[PastQuote], given: str | None, file: str) -> str:
    codes = {q.currency: q.line for q in reversed(quotes) if q.currency}
    if len(codes) > 1:
        (a, first), (b, second) = sorted(codes.items(), key=lambda pair: pair[1])[:2]
        raise UnreadableInput(
            f"{file}:{second}: {b}, but line {first} is in {a}",
            hint="keep one table for each currency",
        )
    return next(iter(codes), given or UNNAMED)


def _without_contradictions(
    quotes: list[PastQuote], step: Decimal
) -> tuple[list[PastQuote], list[str]]:
    """Of requests priced twice, the newer one; where neither is newer both stay."""
    kept: list[PastQuote] = []
    problems = []
    for quote in quotes:
        twin = next((q for q in kept if q.asked == quote.asked), None)
        if twin is None or twin.boards is None or quote.boards is None:
            kept.append(quote)
            continue
        apart = abs(quote.boards - twin.boards)
        if apart <= step:
            continue
        older, newer = sorted((twin, quote), key=lambda q: q.date or date.min)
        if older.date != newer.date:
            kept[kept.index(twin)] = newer
            said = f"line {newer.line} is used, it is newer"
        else:
            kept.append(quote)
            said = "date them, or state what differs"
        if apart > _SAME * twin.boards or older.date != newer.date:
            problems.append(
                f"lines {twin.line} and {quote.line} ask for the same and cost {twin.boards} and "
                f"{quote.boards}; {said}"
            )
    return kept, problems


def _doubts(tariff: Tariff, priced: Sequence[PastQuote]) -> list[str]:
    """List what is wrong with the quotes as a whole."""
    found = [
        f"line {priced[i].line} contradicts the other quotes and is left out; check its price and "
        "options"
        for i in tariff.dropped
    ]
    # As many rules as quotes meet every price, whatever the prices are.
    spare = len(priced) - len(tariff.dropped) - len(tariff.terms) - bool(tariff.minimum)
    if spare < 2 or len(priced) < _FEW:
        left = counted(max(0, spare), "quote")
        found.append(
            f"too few quotes: {counted(len(priced), 'quote')} for "
            f"{counted(len(tariff.terms), 'rule')} leave {left} to test them; add those asked for "
            "below"
        )
    if tariff.noise > _FAR_OFF:
        found.append(
            f"no simple rules explain these quotes: they miss them by {tariff.noise:.0%}; check "
            "that all are of one house, one currency and one set of options, or add more"
        )
    return found


def _shipped(quotes: Sequence[PastQuote], country: str | None) -> tuple[list[PastQuote], str]:
    """Quotes with a shipping price to one country, and which it is."""
    stated = [q for q in quotes if q.shipping is not None]
    if not stated:
        return [], ""
    land = country if country is not None else usual_of([q.country for q in stated])
    return [q for q in stated if q.country == land], land


def _order(requests: Sequence[Asked]) -> tuple[int, int]:
    """Smallest quantity quoted, and the step that all are multiples of, as far as it divides it."""
    quantities = [a.quantity for a in requests]
    return min(quantities), math.gcd(*quantities)


def _untold(
    quotes: Sequence[PastQuote], requests: Sequence[Asked], parcels: Parcels | None, land: str
) -> Iterator[str]:
    """List what the quotes cannot tell."""
    for values, what in (
        ({a.quantity for a in requests}, "quantity: how prices change with it"),
        ({(a.long_mm, a.short_mm) for a in requests}, "size: how prices change with it"),
        ({a.layers for a in requests}, "number of layers: others"),
        ({a.copper_oz for a in requests}, "copper weight: others"),
        ({a.thickness_mm for a in requests}, "thickness: others"),
        ({a.colour for a in requests}, "colour: others"),
        ({a.finish for a in requests}, "finish: others"),
    ):
        if len(values) == 1:
            left = "is unknown" if what.endswith("it") else "have no price"
            yield f"all quotes have one {what} {left}"
    yield "set-up and the base price of the smallest size cannot be told apart: set-up holds both"
    if parcels is None:
        yield "no quote states shipping: the sheet counts none"
    elif not parcels.weighed:
        yield "no quote states a weight: bands are of the boards' own weight, without packing"
    others = sorted({q.country for q in quotes if q.shipping is not None} - {land})
    if others:
        names = ", ".join(name or "an unnamed country" for name in others)
        yield f"shipping is learned for {land or 'an unnamed country'}; that to {names} is left out"
    rates = [
        round(float(q.tax / (q.boards + (q.shipping or 0))), 2)
        for q in quotes
        if q.tax is not None and q.boards is not None
    ]
    if len(set(rates)) == 1 and rates[0]:
        yield (
            f"tax is {rates[0]:.0%} of boards and shipping in {counted(len(rates), 'quote')}; "
            "it belongs into the order file, as vat_rate of [tax]"
        )
    elif not rates:
        yield 'no quote states tax: prices are taken as net; write tax = "gross" if they hold it'
    days = [q.date for q in quotes if q.date is not None]
    if not days:
        yield "no quote is dated: write the day into date of [rates]"
    elif (max(days) - min(days)).days > 365:
        yield f"the oldest quote is of {min(days)}: prices change within months"


def _rules(
    tariff: Tariff, priced: Sequence[PastQuote], parcels: Parcels | None
) -> Iterator[LearnedRule]:
    for n, (term, price) in enumerate(zip(tariff.terms, tariff.prices, strict=True)):
        lines = tuple(q.line for q in priced if term.applies(q.asked))
        yield LearnedRule(
            title=_title(term),
            price=price,
            off=_cents(tariff.spread[n]),
            lines=() if len(lines) == len(priced) else lines,
        )
    if tariff.minimum:
        at = tuple(q.line for q in priced if q.boards is not None and q.boards <= tariff.minimum)
        off = tariff.minimum * Decimal(str(round(2 * tariff.noise, 4)))
        yield LearnedRule(title="least price", price=tariff.minimum, off=_cents(off), lines=at)
    if tariff.step_mm:
        step = Decimal(tariff.step_mm)
        yield LearnedRule(title="sides rounded up to, mm", price=step, off=Decimal(0), lines=())
    if tariff.min_dm2:
        yield LearnedRule(
            title="least area of a piece, dm2", price=tariff.min_dm2, off=Decimal(0), lines=()
        )
    for band in parcels.bands if parcels is not None else ():
        low, high = band.between_g
        about = (
            f", limit between {low:.0f} and {high:.0f} g"
            if high is not None and high != low
            else ", heavier ones unknown"
            if high is None
            else ""
        )
        yield LearnedRule(
            title=f"parcel up to {band.up_to_g:f} g{about}",
            price=band.price,
            off=_cents(float(band.price) * band.off),
            lines=band.lines,
        )


def _title(term: Term) -> str:
    at = term.name or " × ".join(f"{v:f}" for v in dict.fromkeys(term.at))
    return _NAMES[term.kind][0].format(at)


def _cents(value: float | Decimal) -> Decimal:
    return Decimal(str(round(float(value), 3)))


def _learned(
    priced: Sequence[PastQuote],
    tariff: Tariff,
    parcels: Parcels | None,
    shipped: Sequence[PastQuote],
) -> Learned:
    asked = [q.asked for q in priced]
    heaviest = max((b.between_g[0] for b in parcels.bands), default=None) if parcels else None
    lacking: tuple[Learnt, ...] = ("shipping",) if parcels is None else ()
    return Learned(
        quotes=len({q.line for q in (*priced, *shipped)}),
        quantities=(min(a.quantity for a in asked), max(a.quantity for a in asked)),
        up_to_mm=(max(a.long_mm for a in asked), max(a.short_mm for a in asked)),
        up_to_g=None if heaviest is None else heaviest.quantize(Decimal("0.1")),
        lacking=lacking,
        unsure=(*_unsure_boards(tariff, asked), *_unsure_parcels(parcels)),
    )


def _unsure_boards(tariff: Tariff, asked: Sequence[Asked]) -> Iterator[Unsure]:
    """Doubt of each rule, and of where steps lie between two quotes."""
    squares: dict[Learnt, float] = {}
    rate = float(tariff.rate(max(a.quantity for a in asked)))
    for term, price, spread in zip(tariff.terms, tariff.prices, tariff.spread, strict=True):
        rule = _NAMES[term.kind][1]
        # Doubts of rules that are charged together are added as squares: they seldom err together.
        # Rules on the area are shares, because they grow with it; fixed prices are amounts.
        part = spread / rate if rule == "area" and rate else spread
        if math.isfinite(part):
            squares[rule] = squares.get(rule, 0.0) + part**2
        if rule == "area" and not rate:
            squares[rule] = 1.0
        yield from _between(term, price, asked, tariff)
    if tariff.minimum and tariff.noise:
        squares["minimum"] = (2 * tariff.noise * float(tariff.minimum)) ** 2
    for rule, square in squares.items():
        off = math.sqrt(square)
        if rule == "area":
            if off > _SURE:
                yield Unsure(rule=rule, share=Decimal(str(round(min(off, 1.0), 4))))
        elif off > 0.01:
            yield Unsure(rule=rule, amount=Decimal(str(round(off, 2))))


def _between(
    term: Term, price: Decimal, asked: Sequence[Asked], tariff: Tariff
) -> Iterator[Unsure]:
    """Doubt of where a step lies: anywhere between the two quotes around it."""
    if term.kind == "fewer":
        first = term.at[0]
        below = max((Decimal(a.quantity) for a in asked if a.quantity < first), default=first)
        rate = tariff.rate(int(first) - 1)
        if first - below > 1 and rate:
            share = Decimal(str(round(float(price / rate), 4)))
            yield Unsure(rule="area", share=share, between=(below, first))
    elif term.kind == "size":
        limit = term.at[0]
        below = max((a.long_mm for a in asked if a.long_mm <= limit), default=limit)
        above = min((a.long_mm for a in asked if a.long_mm > limit), default=limit)
        if above > below and price:
            yield Unsure(rule="base", amount=price, between=(below, above))


def _unsure_parcels(parcels: Parcels | None) -> Iterator[Unsure]:
    if parcels is None:
        return
    for low, high, dearer in parcels.gaps():
        span = (low.quantize(Decimal("0.1")), high.quantize(Decimal("0.1")))
        yield Unsure(rule="shipping", amount=abs(dearer), between=span)
    worst = max((b.off for b in parcels.bands), default=0.0)
    if worst > _SURE:
        yield Unsure(rule="shipping", share=Decimal(str(round(min(worst, 1.0), 4))))


def _fitted(priced: Sequence[PastQuote], tariff: Tariff, house: House) -> Iterator[FittedQuote]:
    """Quotes against the sheet, and against rules of the same kinds learned without them."""
    rates = rates_of(house)
    asked = [q.asked for q in priced]
    ratios = rate_ratio(tariff, asked)
    areas = areas_of(asked, tariff.step_mm, tariff.min_dm2)
    x = columns(tariff.terms, asked, areas, ratios)
    paid = np.array([float(q.boards or 0) for q in priced])
    usable = np.array([i not in tariff.dropped for i in range(len(priced))])
    if tariff.minimum:
        usable &= paid > float(tariff.minimum) * (1 + 2 * tariff.noise) + float(rates.currency.step)
    for i, quote in enumerate(priced):
        elements = board_elements(
            Job(facts=facts_of(quote.asked), quantity=quote.asked.quantity),
            house,
            choice_of(quote.asked),
        )
        yield FittedQuote(
            line=quote.line,
            asked=quote.asked,
            paid=quote.boards or Decimal(0),
            fitted=rates.currency.round(sum((e.value for e in elements), Decimal(0))),
            alone=_alone(x, paid, usable, i, tariff, rates.currency.step),
        )


def _alone(
    x: Floats, paid: Floats, usable: Bools, i: int, tariff: Tariff, step: Decimal
) -> Decimal | None:
    """Price of one quote by what the others teach; None where they do not reach."""
    from scipy.optimize import nnls

    rest = usable.copy()
    rest[i] = False
    if not rest.any():
        return None
    rows = x[rest] / paid[rest, None]
    # A rule that the others do not show, alone or beside another one, leaves a direction open.
    open_ways = np.linalg.matrix_rank(np.concatenate([rows, x[i : i + 1] / paid[i]]), tol=1e-7)
    if open_ways > np.linalg.matrix_rank(rows, tol=1e-7):
        return None
    prices, _ = nnls(rows, np.ones(int(rest.sum())))
    price = max(float(x[i] @ prices), float(tariff.minimum))
    return Decimal(str(round(price, 6))).quantize(step)


def facts_of(asked: Asked) -> BoardFacts:
    """Facts of a request: a full box."""
    return BoardFacts(
        name="quoted board",
        width_mm=asked.long_mm,
        height_mm=asked.short_mm,
        area_mm2=float(asked.long_mm * asked.short_mm),
        layers=asked.layers,
    )


def choice_of(asked: Asked) -> BoardChoice:
    """Options of a request."""
    return BoardChoice(
        thickness_mm=asked.thickness_mm,
        copper_oz=asked.copper_oz,
        colour=asked.colour,
        finish=asked.finish,
        lead_free=False,
    )


def _lines(lines: Sequence[int]) -> str:
    return ", ".join(map(str, lines))


# What to ask next: what the known quotes leave the widest span


_ASKED: Final = 3
"""Quotes asked for at once."""
_WORTH: Final = 0.02
"""Spans of a smaller share of the price are not worth asking."""
_USUAL: Final = (5, 10, 20, 30, 50, 100)
"""Quantities that small series are quoted in (common practice)."""
_WIDEST: Final = 2.0


def find_questions(
    requests: Sequence[Asked],
    quotes: Sequence[PastQuote],
    tariff: Tariff,
    parcels: Parcels | None,
) -> tuple[str, ...]:
    """Orders to ask a quote for, the most telling first, in words.

    A price may be anything that some tariff of rising steps and falling rates gives that explains
    all quotes; the order whose price may lie furthest apart is asked for, and so on as if it were
    answered.
    """
    candidates = list(_candidates(requests, tariff))
    rows = (*requests, *candidates)
    terms = possible_terms(rows)
    ratios = rate_ratio(tariff, requests)
    areas = areas_of(rows, tariff.step_mm, tariff.min_dm2)
    x = columns(terms, rows, areas, ratios)
    known = columns(tariff.terms, rows, areas, ratios)
    sums = known @ np.array([float(p) for p in tariff.prices])
    paid = np.array([float(q.boards or 0) for q in quotes])
    n = len(requests)
    # Half a cent and a trace: prices are rounded to the cent.
    slack = np.abs(sums[:n] - paid) + 2 * tariff.noise * paid + 0.006
    a, low, high = x[:n], paid - slack, paid + slack
    if tariff.minimum:
        # A quote at the least price shows only that its terms come to no more.
        low = np.where(paid <= float(tariff.minimum) * 1.05, 0.0, low)
    chosen: list[Asked] = []
    while candidates and len(chosen) < _ASKED:
        spans = [_span_of_price(a, low, high, x[n + k]) for k in range(len(rows) - n)]
        shares = [
            min(_WIDEST, (most - least) / max(sums[n + k], 1e-9))
            + _parcel_doubt(rows[n + k], parcels) / max(sums[n + k], 1e-9)
            if rows[n + k] not in chosen
            else 0.0
            for k, (least, most) in enumerate(spans)
        ]
        best = int(np.argmax(shares))
        if shares[best] < _WORTH:
            break
        chosen.append(rows[n + best])
        middle = float(np.clip(sums[n + best], *spans[best]))
        a = np.concatenate([a, x[n + best : n + best + 1]])
        low, high = np.append(low, middle - 0.006), np.append(high, middle + 0.006)
    return _in_words(chosen)


def _candidates(requests: Sequence[Asked], tariff: Tariff) -> Iterator[Asked]:
    """Orders of usual options: quoted sizes and those just over a step, in usual quantities."""
    usual = replace(
        requests[0],
        quantity=1,
        layers=usual_of([a.layers for a in requests]),
        thickness_mm=usual_of([a.thickness_mm for a in requests]),
        copper_oz=usual_of([a.copper_oz for a in requests]),
        colour=usual_of([a.colour for a in requests]),
        finish=usual_of([a.finish for a in requests]),
    )
    sizes = sorted({(a.long_mm, a.short_mm) for a in requests}, key=lambda s: s[0] * s[1])
    wanted = {sizes[0], sizes[len(sizes) // 2], sizes[-1]}
    if len(sizes) == 1:
        ((long, short),) = sizes
        wanted.add((2 * long, 2 * short))
    for term, _ in tariff.of("size"):
        over = term.at[0] + 1
        near = min(sizes, key=lambda s: abs(s[0] - over))
        wanted |= {(over, min(near[1], over)), (over - 1, min(near[1], over - 1))}
    quoted = {a.quantity for a in requests}
    first, last = min(quoted), max(quoted)
    quantities = quoted | {q for q in _USUAL if first <= q <= last}
    if len(quoted) == 1:
        quantities |= {2 * first, 4 * first}
    asked = set(requests)
    for long, short in sorted(wanted):
        for quantity in sorted(quantities):
            one = replace(usual, long_mm=long, short_mm=short, quantity=quantity)
            if one not in asked:
                yield one


def _span_of_price(a: Floats, low: Floats, high: Floats, row: Floats) -> tuple[float, float]:
    """Least and most that a price may be; 0 and very much where the quotes do not bound it."""
    least, most = span_of(row, a, low, high)
    return least if math.isfinite(least) else 0.0, most if math.isfinite(most) else 1e9


def _parcel_doubt(asked: Asked, parcels: Parcels | None) -> float:
    """Money by which shipping of an order may be off because its band is not known."""
    if parcels is None:
        return 0.0
    weight = packed(asked.boards_g, parcels.packing_share, parcels.packing_g)
    return next((float(dearer) for low, high, dearer in parcels.gaps() if low < weight < high), 0.0)


def _in_words(chosen: Sequence[Asked]) -> tuple[str, ...]:
    """Orders of one size in one sentence."""
    found = gather((one.words.partition(" ")[2], one.quantity) for one in chosen)
    return tuple(
        f"ask for {' and '.join(map(str, sorted(quantities)))} {rest}"
        for rest, quantities in found.items()
    )
