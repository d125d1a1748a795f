"""The current point: what an omitted coordinate means, and where an operation starts."""

from __future__ import annotations

import numpy as np

from fabkit.base.columns import Bools, Ints
from fabkit.formats.gerber.tokens import NONE


def follow_axis(
    given: Ints, steps: Bools, resets: Ints, carried: int | None
) -> tuple[Ints, Ints, tuple[Bools, Bools]]:
    """One coordinate after and before each operation, and where either is not defined."""
    count = len(given)
    starts_fresh = np.zeros(count + 1, bool)
    starts_fresh[resets] = True
    if steps.any():
        value = np.empty(count, np.int64)
        current = carried or 0
        for k, (step, is_step, fresh) in enumerate(
            zip(given.tolist(), steps.tolist(), starts_fresh[:-1].tolist(), strict=True)
        ):
            current = 0 if fresh else current
            if step != NONE:
                current = current + step if is_step else step
            value[k] = max(min(current, 2**53), -(2**53))
        missing = np.zeros(count, bool)
    elif (given != NONE).all():
        value = given
        missing = np.zeros(count, bool)
    else:
        source = np.where(given != NONE, np.arange(count), -1)
        np.maximum.accumulate(source, out=source)
        lost = source < 0
        value = np.where(lost, 0 if carried is None else carried, given[source])
        missing = lost & (carried is None)
        if len(resets):
            last_reset = np.maximum.accumulate(np.where(starts_fresh[:-1], np.arange(count), -1))
            stale = (last_reset >= 0) & (source < last_reset)
            value = np.where(stale, 0, value)
            missing = np.where(last_reset >= 0, stale, missing)
    before = np.empty(count, np.int64)
    before[1:] = value[:-1]
    before[:1] = 0 if carried is None else carried
    before[starts_fresh[:-1]] = 0
    no_before = starts_fresh[:-1].copy()
    if carried is None:
        no_before[:1] = True
    return value, before, (missing, no_before)
