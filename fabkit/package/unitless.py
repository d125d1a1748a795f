"""Layer files that state no unit: read in the one that lays them on the other files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fabkit.base.columns import Floats
from fabkit.base.limits import Limits
from fabkit.base.units import INCH_MM
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.problems import UNIT_MISSING
from fabkit.formats.gerber.reader import read
from fabkit.package.model import Content, Member

_COVERS: Final = 0.2
"""Share of the common box that both must cover."""
_CLEARLY: Final = 3.0
"""One unit fits when it covers this many times more than the other."""


def read_unitless(members: Sequence[Member], contents: list[Content], limits: Limits) -> None:
    """Read files without a unit again in the one that fits; ``contents`` is changed in place.

    They are laid on layers with a unit; without any, on drill files that state their format.
    """
    missing = [i for i, content in enumerate(contents) if _lacks_unit(content)]
    if not missing:
        return
    known = _box_of([c.bounds for c in contents if isinstance(c, GerberFile) and len(c.objects)])
    if known is None:
        drills = (c for c in contents if isinstance(c, DrillFile) and not c.needs_format)
        known = _box_of([_drilled(drill) for drill in drills if len(drill.hits)])
    if known is None:
        return
    for i in missing:
        member = members[i]
        tried = [
            read(member.data, name=member.name, limits=limits, unit_mm=unit)
            for unit in (INCH_MM, 1.0)
        ]
        covers = [_common(np.array(file.bounds), known) for file in tried]
        best = int(np.argmax(covers))
        if covers[best] >= _COVERS and covers[best] >= _CLEARLY * covers[1 - best]:
            contents[i] = tried[best]


def _lacks_unit(content: Content) -> bool:
    return (
        isinstance(content, GerberFile)
        and not len(content.objects)
        and any(problem.rule is UNIT_MISSING for problem in content.problems)
    )


def _drilled(drill: DrillFile) -> tuple[float, float, float, float]:
    x, y = drill.hits.x, drill.hits.y
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _box_of(boxes: Sequence[tuple[float, float, float, float]]) -> Floats | None:
    real = np.array([box for box in boxes if np.isfinite(box).all()])
    if not len(real):
        return None
    return np.concatenate((real[:, :2].min(axis=0), real[:, 2:].max(axis=0)))


def _common(one: Floats, other: Floats) -> float:
    """Area that two boxes share, of the area of the box around both."""
    if not np.isfinite(one).all():
        return 0.0
    low, high = np.maximum(one[:2], other[:2]), np.minimum(one[2:], other[2:])
    around = np.maximum(one[2:], other[2:]) - np.minimum(one[:2], other[:2])
    return float(np.prod(np.maximum(high - low, 0.0)) / max(np.prod(around), 1e-12))
