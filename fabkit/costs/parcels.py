"""Which weight bands explain what parcels cost: flat, rising by each step of weight, or free."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Final

import numpy as np

from fabkit.costs.fitting import round_between, roundest
from fabkit.costs.tariff import Band, Parcels, packed
from fabkit.sheets.quotes import PastQuote

_STEPS_G: Final = (100, 250, 500, 1000)
"""Steps of weight that parcels are priced by (common practice)."""
_TOGETHER: Final = (0.0, 0.02, 0.04, 0.07)
"""Prices that differ by no more than such a share may be one band."""


def find_parcels(quotes: Sequence[PastQuote], step: Decimal) -> Parcels:
    """Find packing and bands from the quotes of one country; each has a shipping price."""
    packing_g, share = _packing(quotes)
    weighed = sum(q.weight_g is not None for q in quotes)
    rows = sorted(
        (
            q.weight_g if q.weight_g is not None else packed(q.asked.boards_g, share, packing_g),
            q.shipping or Decimal(0),
            q.line,
        )
        for q in quotes
    )
    made = _by_step(rows, step)
    wrong: tuple[tuple[int, int], ...] = ()
    if not made:
        made, wrong = _free(rows, step)
    return Parcels(
        packing_g=packing_g,
        packing_share=share,
        bands=made,
        weighed=weighed,
        contradictions=wrong,
    )


_Row = tuple[Decimal, Decimal, int]


def _packing(quotes: Sequence[PastQuote]) -> tuple[Decimal, Decimal]:
    """Weight beside the boards: fixed and as a share of theirs, never negative."""
    from scipy.optimize import nnls

    known = [(float(q.asked.boards_g), float(q.weight_g)) for q in quotes if q.weight_g is not None]
    if not known:
        return Decimal(0), Decimal(0)
    boards, parcels = (np.array(side) for side in zip(*known, strict=True))
    if len(known) < 3:
        fixed = max(0.0, float((parcels - boards).mean()))
        return Decimal(str(round(fixed, 1))), Decimal(0)
    rest = np.maximum(parcels - boards, 0.0)
    (fixed, share), left = nnls(np.stack([np.ones(len(known)), boards], axis=1), rest)
    # Weights are stated to a gram or so; figures may be as round as that allows.
    slack = max(0.6, float(left) / math.sqrt(len(known)))
    if share * boards.max() < slack:
        share = 0.0
        fixed = float(rest.mean())
    least = max(0.0, share - slack / float(boards.max()))
    share_round = roundest(least, share + slack / float(boards.max()))[0] if share else Decimal(0)
    fixed = float((rest - float(share_round) * boards).mean())
    return roundest(max(0.0, fixed - slack), fixed + slack)[0], min(share_round, Decimal(1))


def _by_step(rows: Sequence[_Row], step: Decimal) -> tuple[Band, ...]:
    """Bands of one step each, where the price rises by the same with every step of weight.

    Empty where it does not.
    """
    levels = {price for _, price, _ in rows}
    if len(levels) < 4:
        return ()
    prices = np.array([float(p) for _, p, _ in rows])
    # The coarsest step that fits: finer ones give the same prices with more bands.
    for grain in reversed(_STEPS_G):
        counts = np.array([math.ceil(float(w) / grain) for w, _, _ in rows])
        columns = np.stack([np.ones(len(rows)), counts], axis=1)
        (first, each), *_ = np.linalg.lstsq(columns, prices, rcond=None)
        slack = float(step) / 2 + 1e-6
        if first < -slack or np.abs(columns @ (first, each) - prices).max() > 2 * slack:
            continue
        fixed = roundest(max(0.0, first - slack), max(first, 0.0) + slack)[0]
        more = roundest(each - slack / counts.max(), each + slack / counts.max())[0]
        bands = []
        for n in range(1, int(counts.max()) + 1):
            at = [(w, line) for (w, _, line), c in zip(rows, counts, strict=True) if c == n]
            top = Decimal(n * grain)
            bands.append(
                Band(
                    up_to_g=top,
                    price=fixed + n * more,
                    between_g=(top, top),
                    off=0.0,
                    lines=tuple(line for _, line in at),
                )
            )
        return tuple(bands)
    return ()


def _free(
    rows: Sequence[_Row], step: Decimal
) -> tuple[tuple[Band, ...], tuple[tuple[int, int], ...]]:
    """Bands of equal price; heavier parcels never pay less."""
    groups: list[list[_Row]] = []
    for share in _TOGETHER:
        groups = _grouped(rows, share, step)
        if not _falls(groups):
            break
    wrong = _falls(groups)
    if wrong:
        # Pools what falls: the mean of neighbours is the best rising curve (isotonic regression).
        groups = _pooled(groups)
    bands = []
    for n, group in enumerate(groups):
        paid = [float(p) for _, p, _ in group]
        mean = sum(paid) / len(paid)
        off = max(abs(p / mean - 1) for p in paid) if mean else 0.0
        around = max(float(step) / 2, mean * off / math.sqrt(len(paid)))
        heaviest = max(w for w, _, _ in group)
        beyond = min(w for w, _, _ in groups[n + 1]) if n + 1 < len(groups) else None
        limit = (
            round_between(heaviest, beyond)
            if beyond is not None
            else roundest(float(heaviest), 2 * float(heaviest))[0]
        )
        exact = {p for _, p, _ in group}
        bands.append(
            Band(
                up_to_g=limit,
                price=exact.pop() if len(exact) == 1 else roundest(mean - around, mean + around)[0],
                between_g=(heaviest, beyond),
                off=off,
                lines=tuple(line for _, _, line in group),
            )
        )
    return tuple(bands), wrong


def _grouped(rows: Sequence[_Row], share: float, step: Decimal) -> list[list[_Row]]:
    """Rows whose prices lie together, in the order of their weights."""
    made: list[list[_Row]] = []
    for row in sorted(rows, key=lambda r: (r[1], r[0])):
        near = made and float(row[1]) <= float(made[-1][0][1]) * (1 + share) + float(step)
        if near:
            made[-1].append(row)
        else:
            made.append([row])
    return made


def _falls(groups: Sequence[Sequence[_Row]]) -> tuple[tuple[int, int], ...]:
    """Lines that pay more for a lighter parcel than others for a heavier one."""
    found = []
    for cheap, dear in pairwise(groups):
        heaviest, lightest = max(cheap), min(dear)
        if lightest[0] <= heaviest[0]:
            found.append((lightest[2], heaviest[2]))
    return tuple(found)


def _pooled(groups: Sequence[list[_Row]]) -> list[list[_Row]]:
    made: list[list[_Row]] = []
    for group in groups:
        made.append(list(group))
        while len(made) > 1 and min(made[-1])[0] <= max(made[-2])[0]:
            last = made.pop()
            made[-1] += last
    return made
