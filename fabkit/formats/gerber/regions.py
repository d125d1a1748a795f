"""Regions as objects among other objects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Ints
from fabkit.formats.gerber.model import Kind


@dataclass(slots=True)
class OpenRegion:
    """A region between G36 and G37, possibly open across chunks."""

    first: int
    offset: int
    dark: int
    objects: int
    apertures: int


def insert_regions(
    made: dict[str, NDArray[Any]] | None,
    rows: Ints,
    regions: list[tuple[int, int, int, OpenRegion]],
) -> tuple[dict[str, NDArray[Any]], Ints]:
    """Insert region objects in front of the row that closes each."""
    count = len(regions)
    nan = np.full(count, np.nan)
    extra: dict[str, NDArray[Any]] = {
        "kind": np.full(count, Kind.REGION, np.int8),
        **dict.fromkeys(("x0", "y0", "x1", "y1", "cx", "cy"), nan),
        "turn": np.zeros(count, np.int8),
        "aperture": np.full(count, -1, np.int32),
        "dark": np.array([r.dark for *_, r in regions], bool),
        "pose": np.zeros(count, np.int32),
        "attributes": np.array([r.objects for *_, r in regions], np.int32),
        "first": np.array([r[1] for r in regions], np.int64),
        "last": np.array([r[2] for r in regions], np.int64),
        "offset": np.array([r.offset for *_, r in regions], np.int64),
        "aperture_set": np.array([r.apertures for *_, r in regions], np.int32),
    }
    closing = np.array([r[0] for r in regions], np.int64)
    if made is None:
        return extra, closing
    # Doubled rows, so that a region closed by a flash comes before that flash.
    keys = np.concatenate((rows * 2 + 1, closing * 2))
    order = np.argsort(keys, kind="stable")
    joined = {n: np.concatenate((made[n], extra[n]))[order] for n in extra}
    return joined, np.concatenate((rows, closing))[order]
