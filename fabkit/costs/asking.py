"""Which further quotes would settle most: those that the known ones leave the widest span."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.costs.parcels import Parcels, packed
from fabkit.costs.tariff import (
    Tariff,
    areas_of,
    columns,
    possible_terms,
    rate_ratio,
    span_of,
    usual_of,
)
from fabkit.sheets.quotes import Asked, PastQuote

MOST: Final = 3
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
    slack = np.abs(sums[:n] - paid) + 2 * tariff.noise * paid + 0.006
    a, low, high = x[:n], paid - slack, paid + slack
    if tariff.minimum:
        low = np.where(paid <= float(tariff.minimum) * 1.05, 0.0, low)
    chosen: list[Asked] = []
    while candidates and len(chosen) < MOST:
        spans = [_span(a, low, high, x[n + k]) for k in range(len(rows) - n)]
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
    usual = Asked(
        long_mm=requests[0].long_mm,
        short_mm=requests[0].short_mm,
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


def _span(a: Floats, low: Floats, high: Floats, row: Floats) -> tuple[float, float]:
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
    found: dict[str, list[int]] = {}
    for one in chosen:
        found.setdefault(one.words.partition(" ")[2], []).append(one.quantity)
    return tuple(
        f"ask for {' and '.join(map(str, sorted(quantities)))} {rest}"
        for rest, quantities in found.items()
    )
